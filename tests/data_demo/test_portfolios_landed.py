"""What an intake makes of the invented exports is what their makers reckoned, cell by cell."""

import datetime as dt
import json

import duckdb
import pytest

from data_demo.portfolios import FOLDER, PORTFOLIOS, exports_of
from data_demo.reckoning import in_force
from pipeline.landing import Workspace, create_views, intake, load_mapping, save_mapping
from shared.records import OPENING_OBSERVATIONS, RecordKind

pytestmark = pytest.mark.slow


TODAY = dt.date(2025, 12, 1)
COUNTS = ("rows_read", "accepted", "duplicate", "superseded", "quarantined", "blanked")


@pytest.fixture(scope="module", params=sorted(PORTFOLIOS))
def landed(request, tmp_path_factory):
    name = request.param
    workspace = Workspace(tmp_path_factory.mktemp("landed") / name)
    for path in sorted((FOLDER / name / "mappings").glob("*.toml")):
        save_mapping(workspace, load_mapping(path))
    exports = FOLDER / name / "exports"
    reports = intake(workspace, [exports], today=TODAY)
    con = duckdb.connect()
    create_views(con, workspace)
    expected = json.loads((FOLDER / name / "expected.json").read_text(encoding="utf-8"))
    yield name, expected, {short(exports, r.path, r.sheet): r for r in reports}, con
    con.close()


def short(exports, path, sheet):
    return path.removeprefix(f"{exports}/"), sheet


def test_every_table_reconciles_as_reckoned(landed):
    _, expected, reports, _ = landed
    reckoned = {(e["path"], e["sheet"]): [e[word] for word in COUNTS] for e in expected["files"]}
    found = {place: [getattr(r, word) for word in COUNTS] for place, r in reports.items()}
    assert found == reckoned


def test_every_table_is_read_by_its_own_mapping(landed):
    _, expected, reports, _ = landed
    for entry in expected["files"]:
        report = reports[entry["path"], entry["sheet"]]
        assert report.mapping == (entry["mapping"] or "default layout")
        assert report.record_kind == entry["record_kind"]
        assert report.mapping_confidence == 1


def test_each_quarantined_row_names_the_column_that_was_spoiled(landed):
    name, expected, _, con = landed
    exports = FOLDER / name / "exports"
    reasons = {}
    for path, sheet, columns in con.execute(
        "SELECT path, sheet, list_transform(reasons, lambda r: r.column) FROM quarantine "
        "ORDER BY path, sheet, row"
    ).fetchall():
        reasons.setdefault(short(exports, path, sheet), []).append(columns)
    for entry in expected["files"]:
        blamed = reasons.get((entry["path"], entry["sheet"]), [])
        assert len(blamed) == len(entry["faults"])
        for fault, columns in zip(entry["faults"], blamed, strict=True):
            assert (fault["column"] or "(whole row)") in columns
            assert len(columns) == 1 or fault["found"] == "", (fault, columns)


def test_observations_in_force_are_the_records_that_were_written(landed):
    name, _, _, con = landed
    columns = [column for column in OPENING_OBSERVATIONS.columns if column != "room"]
    listed = ", ".join(columns)
    rows = con.execute(f"SELECT {listed} FROM opening_observations_current").fetchall()
    found = [dict(zip(columns, row, strict=True)) for row in rows]
    written = in_force(exports_of(name), RecordKind.OPENING_OBSERVATIONS)
    assert len(found) == len(written) > 500

    def plain(record):
        return tuple(record.get(column) for column in columns)

    assert sorted(map(plain, found), key=repr) == sorted(map(plain, written), key=repr)


def test_sources_that_disagree_are_found_with_both_values(landed):
    _, expected, _, con = landed
    found = {
        (building, column): sorted(zip(sources, values, strict=True))
        for building, column, sources, values in con.execute(
            'SELECT building_id, "column", sources, "values" FROM data_quality '
            "WHERE kind = 'sources_disagree'"
        ).fetchall()
    }
    reckoned = {
        (conflict["building_id"], conflict["column"]): sorted(
            (source, str(value)) for source, value in conflict["values"].items()
        )
        for conflict in expected["conflicts"]
    }
    assert found == reckoned


BUILDINGS_KNOWN = {"housing_authority": 28, "property_manager": 14, "insurer": 40}
"""Buildings with an accepted register row of any source."""

BUILDINGS_OBSERVED = {"housing_authority": 20, "property_manager": 12, "insurer": 20}


def test_most_buildings_are_known_and_observed(landed):
    name, _, _, con = landed
    register = con.execute("SELECT count(*) FROM building_register_current").fetchall()
    observed = con.execute(
        "SELECT count(DISTINCT building_id) FROM opening_observations_current"
    ).fetchall()
    assert register == [(BUILDINGS_KNOWN[name],)]
    assert observed[0][0] >= BUILDINGS_OBSERVED[name]
