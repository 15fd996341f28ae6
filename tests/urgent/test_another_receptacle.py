"""A look that may be at another receptacle, or a face that a repair changed: file to list."""

from __future__ import annotations

import pytest
from stages import Stages
from urgent_rows import COVER, LIVE, PROOF, export, look

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


REPAIR = {"fixed_on": "2024-05-10", "firm": "Pellworth Electric", "worker": "Dorothea Orme"}
SAYS = ("same_opening=room", "same_opening=circuit_id")


@pytest.fixture(scope="module")
def stories(tmp_path_factory) -> Stages:
    """Each found, repaired where that is reported, and looked at; then what some say later."""
    told = Stages(tmp_path_factory.mktemp("another"))
    told.land("found.csv", [_row(0, n, s[0]) for n, s in STORIES.items()])
    told.up("build", "sync")
    told.keep("found")
    found = {r["building_id"]: r for r in told.rows("found", "findings", "list") if r["opening_id"]}
    fixes = [
        {"finding_id": found[name]["finding_id"], "remedy": remedy, **REPAIR}
        for name, (_, remedy, _) in STORIES.items() if remedy is not None
    ]  # fmt: skip
    reported = told("intake", export(told.folder, "fixes.csv", fixes))
    assert reported.code == 0, reported.err
    rows = [_row(20, n, {"inspector": "S. Ambrel", **s[2]}) for n, s in STORIES.items()]
    told.land("after.csv", rows)
    told.up("build", "sync", "build")
    told.keep("after")
    told.land("later.csv", [
        _row(40, "comes_back", {**REVERSED, **TWO, "inspector": "Bo Tarrow"}),
        _row(60, "face_unsaid", {**PROOF, "inspector": "Bo Quay"}),
    ])  # fmt: skip
    same = export(told.folder, "same.csv", [_row(50, "elsewhere", {**PROOF, "room": "Bathroom"})])
    assert told("intake", same, *(x for each in SAYS for x in ("--set", each))).code == 0
    told.up("build", "sync")
    told.keep("later")
    return told


def _of(stories: Stages, name: str, stage: str = "after") -> list[dict[str, object]]:
    rows = [r for r in stories.of(stage, name, "findings", "list", "--all") if r["opening_id"]]
    return sorted(rows, key=lambda r: (str(r["family"]), r["occurrence"]))


def _states(stories: Stages, name: str, stage: str = "after") -> list[object]:
    rows = _of(stories, name, stage)
    return [r["state"] for r in rows if not str(r["family"]).startswith(CONFLICT)]


def _conflicts(stories: Stages, name: str) -> list[object]:
    return [r["family"] for r in _of(stories, name) if str(r["family"]).startswith(CONFLICT)]


def _urgent(stories: Stages, stage: str = "after") -> dict[str, str]:
    rows = stories.rows(stage, "urgent")
    return {str(r["building_id"]): "; ".join(g["says"] for g in r["grounds"]) for r in rows}


@pytest.mark.parametrize("name", ["elsewhere", "other_circuit"])
def test_another_receptacle_proves_and_clears_nothing(stories, name):
    assert _states(stories, name) == ["fix_reported_unproven"]
    assert name in _urgent(stories)
    assert _conflicts(stories, name) == ["record_conflict:may_be_another_opening"]
    told = stories.of("after", name, "quality")
    assert any("may be another receptacle" in row["message"] for row in told)


def test_it_clears_nothing_where_nothing_was_repaired_either(stories):
    assert "unfixed" in _urgent(stories)
    assert _states(stories, "unfixed") == ["confirmed_defect"]


@pytest.mark.parametrize("name", ["spelt", "unsaid"])
def test_spelling_and_blanks_never_differ(stories, name):
    assert _states(stories, name) == ["repair_proven"] and not _conflicts(stories, name)


@pytest.mark.parametrize("name", ["two_slots_seen", "other_seen"])
def test_a_face_that_the_repair_does_not_leave_proves_nothing(stories, name):
    assert _states(stories, name) == ["fix_reported_unproven"]


def test_a_look_at_another_face_clears_nothing_unless_a_repair_to_it_was_reported(stories):
    urgent = _urgent(stories)
    for name in ("face_unsaid", "two_slots_seen"):
        assert "it names the face two slot, the report three slot" in urgent[name]
    assert "slots_disagree" in {r["kind"] for r in stories.of("after", "face_unsaid", "quality")}
    assert not {"face_reported", "face_blank"} & set(urgent)
    assert _states(stories, "face_reported") == ["fix_reported_unproven"]
    cleared = stories.of("after", "face_reported", "urgent", "--cleared")
    assert {"look"} == {r["cleared_by"] for r in cleared}
    # what is asked for then is a look at the face that was reported, and it clears
    (row,) = stories.of("after", "face_unsaid", "urgent")
    assert row["clearing_readings"] == ["polarity", "neutral_ground_jumper"]
    assert "face_unsaid" not in _urgent(stories, "later")


def test_a_face_that_stays_as_it_was_proves(stories):
    assert _states(stories, "was_other") == ["repair_proven"]


def test_polarity_put_right_at_two_slots_is_proven_without_a_ground(stories):
    assert _states(stories, "put_right") == ["repair_proven"]


def test_a_face_that_a_proven_repair_changed_is_no_conflict(stories):
    assert _states(stories, "two_slots_again") == ["repair_proven"]
    assert not _conflicts(stories, "two_slots_again")


def test_what_comes_back_at_two_slots_is_put_right_there(stories):
    (again,) = [r for r in _of(stories, "comes_back", "later") if r["occurrence"] == 2]
    assert again["slots"] == "two_slot" and again["condition"] == "reversed_ungrounded"
    told = stories(
        "fix", "report", again["finding_id"], "--remedy", "conductors_put_right",
        "--firm", "Pellworth Electric", "--worker", "Dorothea Orme", "--on", "2024-06-20",
        stage="later",
    )  # fmt: skip
    assert told.code == 0, told.err


@pytest.mark.parametrize("name", ["measured_later", "measured_correct", "measured_three"])
def test_the_look_that_measures_a_fault_confirms_it(stories, name):
    polarity = [r for r in _of(stories, name) if r["family"] == "polarity"]
    assert [r["state"] for r in polarity] == ["confirmed_defect"]


def test_a_person_says_that_it_is_one(stories):
    assert _states(stories, "elsewhere", "later") == ["repair_proven"]
