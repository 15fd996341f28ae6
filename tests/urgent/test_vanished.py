"""What leaves the urgent list without an answer leaves a line: read another way, other rules."""

from __future__ import annotations

import shutil

import pytest
from urgent_rows import look, take_in

from pipeline.landing import Workspace
from pipeline.landing.integrity import withdraw
from shared.rule_book import default_rule_book_text
from tests.cli.running import run

pytestmark = pytest.mark.slow


TOLD = "told.csv"


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    folder = tmp_path_factory.mktemp("vanished")
    place = Workspace(folder / "w")
    rows = [look(opening=f"K{n}", slots="three_slot") for n in range(3)]
    take_in(place, folder, "other.csv", rows)
    (folder / TOLD).write_text(
        "Building ID,Unit,Outlet,Date,Inspector,Method,Slots,Result,Shock?,Plate to earth (V)\n"
        "H,1,K7,2024-06-13,Ada,three lamp tester,three slot,correct,yes,\n"
        "H,1,K8,2024-06-13,Ada,three lamp tester,three slot,correct,no,40\n"
    )
    answers = ["--set", "shock_reported=Shock?", "--set", "plate_earth_volts=Plate to earth (V)"]
    done = run("intake", folder / TOLD, *answers, "--workspace", place.root)
    assert done.code == 0, done
    run("build", "--workspace", place.root)
    assert listed(place) == {"K7", "K8"}
    return place


@pytest.fixture
def place(built, tmp_path):
    """A copy of its own for each test."""
    shutil.copytree(built.root, tmp_path / "own")
    return Workspace(tmp_path / "own")


def listed(place, *more):
    rows = run("urgent", *more, "--workspace", place.root, "--json").json()
    return {row["opening_id"] for row in rows}


def test_read_another_way(place, built):
    told = built.root.parent / TOLD
    answers = ["--set", "shock_reported=", "--set", "ignore=Shock?"]
    answers += ["--set", "plate_earth_volts=Plate to earth (V)"]
    run("intake", told, *answers, "--workspace", place.root)
    said = run("build", "--workspace", place.root)
    assert listed(place) == {"K8"}
    assert "URGENT no more" in said.out + said.err and "K7" in said.out + said.err
    assert listed(place, "--cleared") == {"K7"}
    (row,) = run("urgent", "--cleared", "--workspace", place.root, "--json").json()
    assert "no look answers it" in row["cleared_how"]
    assert "is read another way" in row["cleared_how"]

    # Read rightly again it is urgent again, and not told as gone.
    again = ["--set", "shock_reported=Shock?", "--set", "plate_earth_volts=Plate to earth (V)"]
    run("intake", told, *again, "--workspace", place.root)
    run("build", "--workspace", place.root)
    assert listed(place) == {"K7", "K8"} and listed(place, "--cleared") == set()


def test_other_rules(place):
    text = default_rule_book_text().replace(
        "touch_volts = { value = 30.0", "touch_volts = { value = 50.0"
    )
    place.rule_book.write_text(text, encoding="utf-8")
    said = run("build", "--workspace", place.root)
    assert (
        "URGENT no more" in said.out + said.err and "the rules were changed" in said.out + said.err
    )
    assert listed(place) == {"K7"} and listed(place, "--cleared") == {"K8"}


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("touch_volts = { value = 30.0", "touch_volts = { value = 200.0"),
        ("supply_high = { value = 140.0", "supply_high = { value = 170.0"),
    ],
)
def test_rules_that_would_hide_live_metal_are_refused(place, old, new):
    place.rule_book.write_text(default_rule_book_text().replace(old, new), encoding="utf-8")
    done = run("build", "--workspace", place.root)
    assert done.code == 2 and "V" in done.err


def test_withdrawn(place):
    (sha,) = (m.sha256 for m in place.manifests() if m.name == TOLD)
    shutil.rmtree(place.folder(sha))
    withdraw(place, sha)
    said = run("build", "--workspace", place.root)
    assert "its export was withdrawn" in said.out + said.err
    assert listed(place, "--cleared") == {"K7", "K8"}
