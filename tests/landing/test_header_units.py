"""A unit that a header gives: an ohm that is a milliohm, or a kilohm, turns the finding round."""

from __future__ import annotations

import duckdb
import pytest

from pipeline.landing import Workspace, intake
from pipeline.landing.propose import _unit_of, _without_unit
from tests.cli.running import run


@pytest.mark.parametrize(
    ("header", "unit", "stem"),
    [
        ("Ground path (mΩ)", "mohm", "ground_path"),
        ("ground_path_kohm", "kohm", "ground_path"),
        ("N-G [mV]", "mV", "n_g"),
        ("Load (A)", None, "load"),
        ("neutral_ground_volts", None, "neutral_ground"),
        ("Ground path MΩ", None, "ground_path_m"),
        ("Circuit A", None, "circuit_a"),
        ("Volts", None, "volts"),
    ],
)
def test_a_unit_in_the_header(header, unit, stem):
    assert (_unit_of(header), _without_unit(header)) == (unit, stem)


@pytest.mark.parametrize(("unit", "ohms"), [("mΩ", 0.35), ("kΩ", 350_000.0), ("Ω", 350.0)])
def test_measurements_are_in_the_unit_of_their_header(tmp_path, unit, ohms):
    file = tmp_path / "export.csv"
    file.write_text(
        f"Building ID,Unit,Outlet,Date,Inspector,Method,Slots,Result,Ground path ({unit})\n"
        "B1,1,1,2024-03-05,Ada,ground impedance meter,three slot,correct,350\n"
        "B1,1,2,2024-03-15,Ada,ground impedance meter,three slot,correct,420\n",
        encoding="utf-8",
    )
    workspace = Workspace(tmp_path / "workspace")
    (report,) = intake(workspace, [file])
    assert report.accepted == 2
    (folder,) = workspace.landed.iterdir()
    parts = [str(folder / part.file) for part in workspace.manifests()[0].parts]
    ((found,),) = duckdb.sql(
        f"SELECT ground_path_ohms FROM read_parquet({parts}) WHERE opening_id = '1'"
    ).fetchall()
    assert found == pytest.approx(ohms)


def test_a_file_taken_in_again_still_says_what_is_set_aside(tmp_path):
    file = tmp_path / "export.csv"
    file.write_text(
        "building_id,unit_id,opening_id,observed_on,inspector,method,slots,result\n"
        "B1,1,1,2024-03-05,Ada,three_lamp_tester,three_slot,correct\n"
        "B1,1,2,2024-03-05,Ada,crystal ball,three_slot,correct\n",
        encoding="utf-8",
    )
    for turn in range(2):
        shown = run("intake", file, "--workspace", tmp_path / "workspace")
        assert shown.code == 3, turn
        assert "1 row" in shown.err and "quarantine list" in shown.err
