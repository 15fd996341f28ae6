"""A sheet with one column an opening, from the file to what each opening is held to be."""

from pathlib import Path

import pytest

from pipeline.landing import Workspace
from pipeline.warehouse import store
from tests.cli.running import run

REGISTER = "building_id,year_built,dwelling_units,receptacle_count\nB-1,1948,2,6\nB-2,1951,2,6\n"
SHEET = """Building,Apt,Test date,Inspected by,Test method,Outlet 1,Outlet 2,Outlet 3
B-1,1A,2024-03-05,Ada,cover off,OK,reversed bootleg,
B-1,1B,2024-03-05,Ada,plug-in tester,rev pol,OK,OK?
B-2,2A,2024-03-06,Bo,plug-in tester,OK,-,OK
"""


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    folder = tmp_path_factory.mktemp("wide")
    workspace = folder / "workspace"
    for name, text in (("register.csv", REGISTER), ("looks.csv", SHEET)):
        (folder / name).write_text(text, encoding="utf-8")
        result = run("intake", folder / name, "--workspace", workspace)
        assert result.code in (0, 3), result.err
    assert "3 rows × 3 columns = 9 cells; 7 looks, 2 cells without one" in result.out
    assert run("build", "--workspace", workspace).code == 0
    return workspace


@pytest.mark.slow
def test_every_cell_is_an_opening_of_its_dwelling(place):
    found = run("openings", "B-1", "--workspace", place, "--json").json()
    assert {(row["unit_id"], row["opening_id"]) for row in found} >= {
        ("1A", "Outlet 1"),
        ("1A", "Outlet 2"),
        ("1B", "Outlet 1"),
        ("1B", "Outlet 2"),
    }


def test_what_is_urgent_leads_back_to_the_row_of_the_file(place):
    (live,) = run("urgent", "--workspace", place, "--json").json()
    assert (live["building_id"], live["unit_id"]) == ("B-1", "1A")
    assert live["opening_id"] == "Outlet 2"
    with store.reading(Workspace(place)) as con:
        found = con.execute('SELECT file, "row" FROM live_metal_looks').fetchall()
    assert [(Path(file).name, row) for file, row in found] == [("looks.csv", 2)]


def test_a_cell_set_aside_is_named_by_row_and_column(place):
    listed = run("quarantine", "list", "--workspace", place)
    assert "3, Outlet 3" in listed.out and "OK?" in listed.out
