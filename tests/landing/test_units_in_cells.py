"""A unit written in a cell is that cell's, whatever the column's is."""

from __future__ import annotations

import pytest

from pipeline.landing import intake
from tests.cli.running import run
from tests.landing.landed import TODAY, query

HEAD = "building_id,unit_id,opening_id,observed_on,method,result"
ROW = "B-1,1,O-{n},2024-05-01,voltmeter_under_load,correct,{cell}\n"


def landed(workspace, inbox, header, cells, column):
    path = inbox / "looks.csv"
    rows = "".join(ROW.format(n=n, cell=cell) for n, cell in enumerate(cells))
    path.write_text(f"{HEAD},{header}\n{rows}", encoding="utf-8")
    reports = intake(workspace, [path], today=TODAY)
    sql = f"SELECT {column} FROM opening_observations_current ORDER BY opening_id"
    return [value for (value,) in query(workspace, sql)], reports


@pytest.mark.parametrize(
    ("column", "cells"),
    [
        ("plate_earth_volts", {"0.12 kV": 120, "118": 118, "500 mV": 0.5, "3 V": 3,
                               "0.12 KV": 120}),
        ("ground_path_ohms", {"1 kΩ": 1000, "1.0 kohm": 1000, "500 mohm": 0.5, "500 mΩ": 0.5,
                              "0.5": 0.5, "7 Ω": 7, "2 Ohms": 2}),
        ("load_amps", {"1200 mA": 1.2, "12 A": 12, "10": 10}),
    ],
)  # fmt: skip
def test_the_cells_own_unit_counts(workspace, inbox, column, cells):
    values, _ = landed(workspace, inbox, column, cells, column)
    assert values == pytest.approx(list(cells.values()))


def test_a_capital_m_stays_unread_and_is_told(workspace, inbox):
    cells = ["1 MΩ", "2 Mohm", "3 MOhms", "4"]
    values, (report,) = landed(workspace, inbox, "ground_path_ohms", cells, "ground_path_ohms")
    # beside "correct", what nobody could read may report danger: the rows are set aside
    assert values == [4]
    assert report.quarantined == 3


@pytest.mark.slow
def test_live_metal_in_kilovolts_is_urgent_from_file_to_command(tmp_path):
    path = tmp_path / "looks.csv"
    path.write_text(
        f"{HEAD},plate_earth_volts\n"
        "B-1,1,O-1,2024-05-01,voltmeter_under_load,correct,0.12 kV\n"
        "B-2,1,O-1,2024-05-01,voltmeter_under_load,correct,120 V\n"
        "B-3,1,O-1,2024-05-01,voltmeter_under_load,correct,120 mV\n",
        encoding="utf-8",
    )
    at = ("--workspace", tmp_path / "w")
    assert run("intake", path, *at).code in (0, 3)
    assert run("build", *at).code == 0
    listed = run("urgent", *at, "--json").json()
    assert {row["building_id"] for row in listed} == {"B-1", "B-2"}
