"""Columns that the layout gained: read from a file, proposed, corrected, absent in older files."""

import csv

import duckdb
import pytest
from landed import CSV, HEADER, ROWS, land, query

from pipeline.cli.main import coverplate
from pipeline.landing.propose import propose_mapping
from pipeline.warehouse import queries, store
from pipeline.warehouse.build import build
from shared.records import OPENING_OBSERVATIONS

ADDED = (
    "hot_neutral_volts",
    "plate_earth_volts",
    "case_earth_volts",
    "ground_contact_earth_volts",
    "non_contact_detector",
    "heat_or_scorch",
    "shock_reported",
)
LIVE = f"{HEADER},{','.join(ADDED)}\n{ROWS[0]},119,0,118.5,40,yes,no,Y\n"


def test_added_columns_are_read(workspace, inbox):
    (report,) = land(workspace, inbox, LIVE)
    assert report.quarantined == 0
    assert query(workspace, f"SELECT {', '.join(ADDED)} FROM opening_observations_current") == [
        (119, 0, 118.5, 40, "yes", "no", "yes")
    ]


@pytest.mark.slow
@pytest.mark.parametrize("name", ADDED)
def test_a_value_out_of_bounds_is_set_aside_and_can_be_corrected(workspace, inbox, tmp_path, name):
    wrong = "1001" if name.endswith("volts") else "perhaps"
    (report,) = land(workspace, inbox, f"{HEADER},{name}\n{ROWS[0]},{wrong}\n")
    assert report.quarantined == 1
    out = tmp_path / "quarantine.csv"
    coverplate.main(
        ["quarantine", "export", str(out), "--workspace", str(workspace.root)],
        standalone_mode=False,
    )
    right = "12" if name.endswith("volts") else "yes"
    (row,) = list(csv.DictReader(out.open(encoding="utf-8")))
    assert row[name] == wrong
    row[name] = right
    with out.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(row))
        writer.writeheader()
        writer.writerow(row)
    (report,) = land(workspace, inbox, out.read_text(encoding="utf-8"), "corrected.csv")
    assert report.accepted == 1
    assert query(workspace, f"SELECT {name}::VARCHAR FROM opening_observations_current") == [
        ("12.0" if name.endswith("volts") else "yes",)
    ]


@pytest.mark.parametrize(
    ("header", "column"),
    [
        ("Case volts", "case_earth_volts"),
        ("Plate to earth", "plate_earth_volts"),
        ("Ground contact V", "ground_contact_earth_volts"),
        ("Supply voltage", "hot_neutral_volts"),
        ("NCV", "non_contact_detector"),
        ("Scorch marks", "heat_or_scorch"),
        ("Shock", "shock_reported"),
    ],
)
def test_other_headers_are_proposed(header, column):
    sample = [("7", "1", "2024-05-01", "three_lamp_tester", "correct", "yes" if column not in
               ADDED[:4] else "60")]  # fmt: skip
    proposal = propose_mapping(
        ["building_id", "opening_id", "observed_on", "method", "result", header], sample
    )
    assert (column, header) in {(each.column, each.header) for each in proposal.columns}


def _as_of_before(workspace):
    """Write every landed Parquet anew without the columns that were added since."""
    names = ", ".join(
        f'"{each}"'
        for each in (*OPENING_OBSERVATIONS.columns, "_reasons", "_cells", "_notes", "_row")
        if each not in ADDED
    )  # fmt: skip
    rewritten = 0
    for manifest in workspace.manifests():
        for part in manifest.parts:
            file = workspace.folder(manifest.sha256) / part.file
            con = duckdb.connect()
            con.execute(f"CREATE TABLE t AS SELECT {names} FROM read_parquet('{file}')")
            con.execute(f"COPY t TO '{file}' (FORMAT parquet)")
            con.close()
            rewritten += 1
    assert rewritten


@pytest.mark.slow
def test_a_workspace_landed_before_goes_on_working(workspace, inbox):
    land(workspace, inbox, CSV)
    _as_of_before(workspace)
    listed = ", ".join(ADDED)
    rows = query(workspace, f"SELECT {listed} FROM opening_observations_current")
    assert rows == [(None,) * len(ADDED)] * 2
    # The same rows again are duplicates, and a row that adds to one replaces it.
    (again,) = land(workspace, inbox, CSV + "\n", "again.csv")
    assert (again.accepted, again.duplicate) == (0, 2)
    (more,) = land(workspace, inbox, LIVE, "more.csv")
    assert more.accepted == 1
    assert query(workspace, "SELECT count(*) FROM opening_observations_current") == [(2,)]
    built = build(workspace)
    con = store.open_reader(built.path)
    assert queries.urgent(con)["opening_id"].tolist() == ["001"]
    con.close()
