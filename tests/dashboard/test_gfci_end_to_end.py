"""Age and test of a GFCI, from landed reports and looks to the command line and the screen."""

from __future__ import annotations

import datetime as dt
import shutil

import pytest
from screens_shown import plate, screen_of, sound

from pipeline.landing import Workspace
from tests.cli.running import run

pytestmark = pytest.mark.slow


HEADER = (
    "building_id,unit_id,opening_id,observed_on,inspector,method,result,slots,cover_removed,"
    "neutral_ground_jumper,ground_present"
)
SEEN = "cover_off_inspection,false_ground,three_slot,yes,yes,no"
TODAY = dt.date.today()


def ago(days: int) -> str:
    return (TODAY - dt.timedelta(days)).isoformat()


@pytest.fixture(scope="module")
def stages(tmp_path_factory) -> tuple[Workspace, Workspace]:
    """Two false grounds taken in; and a month on, fixes of both by GFCIs reported in a file, one
    with year and test. Tests leave both workspaces as they are."""
    folder = tmp_path_factory.mktemp("gfci")
    seen, fixed = Workspace(folder / "seen"), Workspace(folder / "fixed")
    rows = [f"B1,1,{opening},{ago(900)},Ada,{SEEN}" for opening in "12"]
    _take_in(seen, folder, "looks.csv", HEADER, *rows)
    _up_to_date(seen)
    shutil.copytree(seen.root, fixed.root)
    fixes = (
        "building_id,unit_id,opening_id,remedy,fixed_on,firm,worker,marking,gfci_year,"
        "gfci_tested_on"
    )
    done = f"gfci_type_marked,{ago(500)},Pellworth,D. Orme,no_equipment_ground"
    _take_in(
        fixed, folder, "fixes.csv", fixes, f"B1,1,1,{done},2004,{ago(500)}", f"B1,1,2,{done},,"
    )
    _up_to_date(fixed)
    return seen, fixed


@pytest.fixture
def place(stages, tmp_path) -> Workspace:
    """A copy of the later one, to write on."""
    shutil.copytree(stages[1].root, tmp_path / "workspace")
    return Workspace(tmp_path / "workspace")


def _take_in(place, folder, name, header, *rows) -> None:
    (folder / name).write_text("\n".join([header, *rows]) + "\n")
    told = run("intake", folder / name, "--workspace", place.root)
    assert told.code == 0, told.err


def _up_to_date(place) -> None:
    assert run("build", "--workspace", place.root).code == 0
    assert run("findings", "sync", "--workspace", place.root).code == 0


def _devices(place, *more) -> dict[str, dict[str, object]]:
    rows = run("fix", "gfci", *more, "--workspace", place.root, "--json").json()
    return {str(row["opening_id"]): row for row in rows}


def test_age_and_test_are_asked_about_until_they_are_told(place, stages, tmp_path, monkeypatch):
    where = ("--workspace", place.root)
    before = _devices(place)
    assert before["1"]["asks"] == ["old", "no_self_test", "test_long_ago"]
    assert (before["1"]["gfci_year"], before["1"]["tested_on"]) == (2004, ago(500))
    assert before["2"]["asks"] == ["year_not_known", "test_not_known"]

    one, two = (str(before[opening]["finding_id"]) for opening in "12")
    rows = run("fix", "methods", one, *where, "--json").json()
    assert rows[0]["gfci"]["asks"] == before["1"]["asks"]
    told = run("fix", "methods", one, *where).out
    assert "made or installed in 2004" in told
    assert "Ask: of 2004, older than 10 years: ask for its test or replacement." in told
    assert "ask for it" in run("fix", "gfci", *where).out
    app = screen_of(monkeypatch, place, "finding", id=one)
    sound(app)
    body = plate(app, "gfci")
    assert "Made or installed in 2004" in body and "ask for its test or replacement" in body

    # a later look tells the year and presses the button; it moves no probability
    states = {row["finding_id"]: row["state"] for row in _listed(place)}
    seen = [
        f"B1,1,{opening},{ago(30)},S. Ambrel,visual,correct,three_slot,,,,yes" for opening in "12"
    ]
    _take_in(place, tmp_path, "with.csv", f"{HEADER},gfci_button_tripped,gfci_year",
             f"{seen[0]},1980", f"{seen[1]},{TODAY.year - 1}")  # fmt: skip
    _up_to_date(place)
    assert "2" not in _devices(place)
    after = _devices(place, "--all")["2"]
    assert (after["gfci_year"], after["tested_on"]) == (TODAY.year - 1, ago(30))
    assert {row["finding_id"]: row["state"] for row in _listed(place)} == states
    app = screen_of(monkeypatch, place, "finding", id=two)
    sound(app)
    body = plate(app, "gfci")
    assert "To be asked" not in body and str(TODAY.year - 1) in body
    assert run("ledger", "verify", *where).code == 0

    # the same looks without the years give the same chances
    bare = Workspace(tmp_path / "bare")
    shutil.copytree(stages[1].root, bare.root)
    _take_in(bare, tmp_path, "without.csv", f"{HEADER},gfci_button_tripped", *seen)
    _up_to_date(bare)
    assert _dangerous(place) == _dangerous(bare) != []


def _listed(place):
    return run("findings", "list", "--all", "--workspace", place.root, "--json").json()


def _dangerous(place):
    rows = run("rank", "--workspace", place.root, "--json").json()
    return [(row["building_id"], row["score"], row["burden"]) for row in rows]


def test_a_fix_reported_by_hand_keeps_year_and_test(place):
    where = ("--workspace", place.root)
    finding = _devices(place)["2"]["finding_id"]
    report = [
        *("fix", "report", finding, "--remedy", "gfci_type_marked", "--firm", "Pellworth"),
        *("--worker", "D. Orme", "--on", ago(400), "--marking", "no_equipment_ground"),
    ]
    done = run(*report, "--gfci-year", TODAY.year, "--gfci-tested-on", ago(20), *where)
    assert done.code == 0, done.err
    assert "2" not in _devices(place)
    refused = run(*report, "--gfci-year", 1850, *where)
    assert refused.code == 2 and "gfci_year" in refused.err
