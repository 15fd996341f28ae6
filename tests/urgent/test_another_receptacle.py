"""A look that may be at another receptacle, or a face that a repair changed: file to list."""

from __future__ import annotations

import pytest
from urgent_rows import COVER, LIVE, PROOF, export, look, take_in

from pipeline.landing import Workspace
from tests.cli.running import run

pytestmark = pytest.mark.slow

CONFLICT = "record_conflict"
KITCHEN = {"room": "Kitchen", "circuit_id": "C1"}
REVERSED = {
    "method": COVER, "result": "hot_neutral_reversed", "cover_removed": "yes",
    "polarity": "reversed", "ground_present": "no", "neutral_ground_jumper": "no",
}  # fmt: skip
NO_GROUND = {**PROOF, "result": "open_ground", "ground_present": "no"}
NO_GROUND.pop("ground_path_ohms")
FALSE = {**LIVE, "result": "false_ground", "polarity": "correct"}
TWO = {"slots": "two_slot"}
METER = {"method": "voltmeter_under_load", "result": "hot_neutral_reversed"}

STORIES = {
    "elsewhere": ({**LIVE, **KITCHEN}, "circuit_rewired", {**PROOF, "room": "Bathroom"}),
    "other_circuit": ({**LIVE, **KITCHEN}, "circuit_rewired", {**PROOF, "circuit_id": "C9"}),
    "spelt": (
        {**LIVE, **KITCHEN}, "circuit_rewired", {**PROOF, "room": "KITCHEN", "circuit_id": "c-1"},
    ),
    "unsaid": ({**LIVE, **KITCHEN}, "circuit_rewired", PROOF),
    "unfixed": ({**LIVE, **KITCHEN}, None, {**PROOF, "room": "Bathroom"}),
    "two_slots_seen": (LIVE, "grounding_conductor_added", {**PROOF, **TWO}),
    "other_seen": (LIVE, "grounding_conductor_added", {**PROOF, "slots": "other"}),
    "was_other": ({**LIVE, "slots": "other"}, "circuit_rewired", {**PROOF, "slots": "other"}),
    "put_right": ({**REVERSED, **TWO}, "conductors_put_right", {**NO_GROUND, **TWO}),
    "two_slots_again": (FALSE, "two_slot_again", {**NO_GROUND, **TWO}),
    "comes_back": (FALSE, "two_slot_again", {**NO_GROUND, **TWO}),
    "face_unsaid": (LIVE, None, {**NO_GROUND, **TWO}),
    "face_reported": (LIVE, "two_slot_again", {**NO_GROUND, **TWO, "inspector": "Dorothea Orme"}),
    "face_blank": (LIVE, None, {**NO_GROUND, "slots": None}),
    "measured_later": ({**METER, **TWO}, None, {**REVERSED, **TWO, "result": "open_ground"}),
    "measured_correct": ({**METER, **TWO}, None, {**REVERSED, **TWO, "result": "correct"}),
    "measured_three": (METER, None, {**REVERSED, "result": "open_ground"}),
}  # fmt: skip
"""What was found first, the repair reported, and the look after it."""


def _row(days: int, name: str, said: dict[str, object]) -> dict[str, object]:
    row = look(days, **{"slots": "three_slot", "inspector": "Ada Quill", **said})
    return {**row, "building_id": name}


def _up(place: Workspace) -> None:
    for step in (("build",), ("findings", "sync"), ("build",)):
        run(*step, "--workspace", place.root)


def _rows(place: Workspace) -> list[dict[str, object]]:
    return run("findings", "list", "--all", "--workspace", place.root, "--json").json()


def _of(place: Workspace, name: str) -> list[dict[str, object]]:
    rows = [r for r in _rows(place) if r["building_id"] == name and r["opening_id"]]
    return sorted(rows, key=lambda r: (str(r["family"]), r["occurrence"]))


def _states(place: Workspace, name: str) -> list[object]:
    return [r["state"] for r in _of(place, name) if not str(r["family"]).startswith(CONFLICT)]


def _conflicts(place: Workspace, name: str) -> list[object]:
    return [r["family"] for r in _of(place, name) if str(r["family"]).startswith(CONFLICT)]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("another")


@pytest.fixture(scope="module")
def place(folder) -> Workspace:
    made = Workspace(folder / "workspace")
    take_in(made, folder, "found.csv", [_row(0, n, s[0]) for n, s in STORIES.items()])
    _up(made)
    found = {str(r["building_id"]): r for r in _rows(made) if r["opening_id"]}
    for name, (_, remedy, _) in STORIES.items():
        if remedy is not None:
            told = run(
                "fix", "report", found[name]["finding_id"], "--remedy", remedy,
                "--firm", "Pellworth Electric", "--worker", "Dorothea Orme",
                "--on", "2024-05-10", "--workspace", made.root,
            )  # fmt: skip
            assert told.code == 0, (name, told.err)
    rows = [_row(20, n, {"inspector": "S. Ambrel", **s[2]}) for n, s in STORIES.items()]
    take_in(made, folder, "after.csv", rows)
    _up(made)
    later = [_row(40, "comes_back", {**REVERSED, **TWO, "inspector": "Bo Tarrow"})]
    take_in(made, folder, "later.csv", later)
    _up(made)
    return made


@pytest.mark.parametrize("name", ["elsewhere", "other_circuit"])
def test_another_receptacle_proves_and_clears_nothing(place, name):
    assert _states(place, name) == ["fix_reported_unproven"]
    urgent = run("urgent", "--workspace", place.root, "--json").json()
    assert name in {row["building_id"] for row in urgent}
    assert _conflicts(place, name) == ["record_conflict:may_be_another_opening"]
    told = run("quality", "--workspace", place.root, "--json").json()
    assert any("may be another receptacle" in row["message"] for row in told)


def test_it_clears_nothing_where_nothing_was_repaired_either(place):
    urgent = run("urgent", "--workspace", place.root, "--json").json()
    assert "unfixed" in {row["building_id"] for row in urgent}
    assert _states(place, "unfixed") == ["confirmed_defect"]


@pytest.mark.parametrize("name", ["spelt", "unsaid"])
def test_spelling_and_blanks_never_differ(place, name):
    assert _states(place, name) == ["repair_proven"] and not _conflicts(place, name)


@pytest.mark.parametrize("name", ["two_slots_seen", "other_seen"])
def test_a_face_that_the_repair_does_not_leave_proves_nothing(place, name):
    assert _states(place, name) == ["fix_reported_unproven"]


def _urgent(place: Workspace) -> dict[str, str]:
    rows = run("urgent", "--workspace", place.root, "--json").json()
    return {str(r["building_id"]): "; ".join(g["says"] for g in r["grounds"]) for r in rows}


def test_a_look_at_another_face_clears_nothing_unless_a_repair_to_it_was_reported(place, folder):
    urgent = _urgent(place)
    for name in ("face_unsaid", "two_slots_seen"):
        assert "it names the face two slot, the report three slot" in urgent[name]
    rows = run("quality", "--workspace", place.root, "--json").json()
    assert ("slots_disagree", "face_unsaid") in {(r["kind"], r["building_id"]) for r in rows}
    assert not {"face_reported", "face_blank"} & set(urgent)
    assert _states(place, "face_reported") == ["fix_reported_unproven"]
    cleared = run("urgent", "--cleared", "--workspace", place.root, "--json").json()
    assert {"look"} == {r["cleared_by"] for r in cleared if r["building_id"] == "face_reported"}
    # what is asked for then is a look at the face that was reported, and it clears
    told = run("urgent", "--workspace", place.root, "--json").json()
    (row,) = [r for r in told if r["building_id"] == "face_unsaid"]
    assert row["clearing_readings"] == ["polarity", "neutral_ground_jumper"]
    take_in(place, folder, "face.csv", [_row(60, "face_unsaid", {**PROOF, "inspector": "Bo Quay"})])
    assert run("build", "--workspace", place.root).code == 0
    assert "face_unsaid" not in _urgent(place)


def test_a_face_that_stays_as_it_was_proves(place):
    assert _states(place, "was_other") == ["repair_proven"]


def test_polarity_put_right_at_two_slots_is_proven_without_a_ground(place):
    assert _states(place, "put_right") == ["repair_proven"]


def test_a_face_that_a_proven_repair_changed_is_no_conflict(place):
    assert _states(place, "two_slots_again") == ["repair_proven"]
    assert not _conflicts(place, "two_slots_again")


def test_what_comes_back_at_two_slots_is_put_right_there(place):
    (again,) = [r for r in _of(place, "comes_back") if r["occurrence"] == 2]
    assert again["slots"] == "two_slot" and again["condition"] == "reversed_ungrounded"
    told = run(
        "fix", "report", again["finding_id"], "--remedy", "conductors_put_right",
        "--firm", "Pellworth Electric", "--worker", "Dorothea Orme", "--on", "2024-06-20",
        "--workspace", place.root,
    )  # fmt: skip
    assert told.code == 0, told.err


@pytest.mark.parametrize("name", ["measured_later", "measured_correct", "measured_three"])
def test_the_look_that_measures_a_fault_confirms_it(place, name):
    polarity = [r for r in _of(place, name) if r["family"] == "polarity"]
    assert [r["state"] for r in polarity] == ["confirmed_defect"]


def test_a_person_says_that_it_is_one(place, folder):
    rows = [_row(50, "elsewhere", {**PROOF, "room": "Bathroom"})]
    file = export(folder, "told.csv", rows)
    answers = ("--set", "same_opening=room", "--set", "same_opening=circuit_id")
    assert run("intake", file, *answers, "--workspace", place.root).code == 0
    _up(place)
    assert _states(place, "elsewhere") == ["repair_proven"]
