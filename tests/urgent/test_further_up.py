"""A bond reported in a box further up: no look at the opening proves it away."""

from __future__ import annotations

import pytest
from stages import Stages
from urgent_rows import LIVE, PROOF, look

pytestmark = pytest.mark.slow

FALSE_GROUND = LIVE | {"result": "false_ground", "polarity": "correct"}
UPSTREAM = {
    "inspector": "Bo Tarrow", "method": "upstream_box_seen", "result": "false_ground_upstream",
    "cover_removed": "yes", "neutral_ground_jumper": "yes",
}  # fmt: skip
SWAPPED_UPSTREAM = UPSTREAM | {"polarity": "reversed"}
SOUND = PROOF | {"inspector": "Sally Ambrel", "firm_of_inspector": "Quillmarsh"}
NONE_UPSTREAM = SOUND | {"method": "upstream_box_seen"}
UNOPENED = NONE_UPSTREAM | {"note": "box not opened, as per the electrician"}
FIX = "fix"

STORIES = {
    "bond": [[(0, FALSE_GROUND)], [(3, UPSTREAM)], [(5, FIX)], [(10, SOUND)], [(13, UNOPENED)],
             [(15, NONE_UPSTREAM)]],
    "swap": [[(0, LIVE)], [(3, SWAPPED_UPSTREAM)], [(5, FIX)], [(10, SOUND)], [(13, UNOPENED)],
             [(15, NONE_UPSTREAM)]],
    "late": [[(0, LIVE)], [(5, FIX)], [(10, SOUND)], [(3, SWAPPED_UPSTREAM)]],
    "at once": [[(0, LIVE)], [(5, FIX), (3, SWAPPED_UPSTREAM), (10, SOUND)]],
    "back": [[(0, LIVE)], [(5, FIX)], [(10, SOUND)], [(20, UPSTREAM)], [(30, SOUND)]],
    "taken back": [[(0, FALSE_GROUND)], [(3, UPSTREAM)], [(4, NONE_UPSTREAM)], [(5, FIX)],
                   [(10, SOUND)]],
}  # fmt: skip
"""What comes in of each building, delivery by delivery: day and look, or the report of a repair."""


def _report(building: str, day: int) -> dict[str, object]:
    return {
        "building_id": building, "unit_id": "1", "opening_id": "1", "family": "false_ground",
        "remedy": "grounding_conductor_added", "fixed_on": look(day)["observed_on"],
        "firm": "Pellworth Electric", "worker": "Dorothea Orme",
    }  # fmt: skip


@pytest.fixture(scope="module")
def stories(tmp_path_factory) -> Stages:
    """Kept after each delivery of all buildings."""
    told = Stages(tmp_path_factory.mktemp("further-up"))
    for number in range(max(map(len, STORIES.values()))):
        steps = [(building, day, said) for building, of in STORIES.items()
                 for day, said in (of[number] if number < len(of) else ())]  # fmt: skip
        fixes = [_report(b, day) for b, day, said in steps if said == FIX]
        looks = [look(day, building=b, slots="three_slot", **said)
                 for b, day, said in steps if said != FIX]  # fmt: skip
        for kind, rows in (("fixes", fixes), ("looks", looks)):
            if rows:
                told.land(f"{kind}{number}.csv", rows)
        told.up("build", "sync", "build")
        told.keep(str(number))
    return told


def _all(stories: Stages, after: int, building: str) -> list[dict[str, object]]:
    rows = stories.of(str(after), building, "findings", "list", "--all")
    return [row for row in rows if row["grade"] != "record_in_doubt"]


def _states(stories: Stages, after: int, building: str) -> dict[str, object]:
    """State by family and occurrence, of what is wrong with the wiring."""
    rows = _all(stories, after, building)
    return {f"{row['family']}#{row['occurrence']}": row["state"] for row in rows}


def _id(stories: Stages, after: int, building: str, occurrence: int = 1) -> str:
    return next(
        str(row["finding_id"])
        for row in _all(stories, after, building)
        if (row["family"], row["occurrence"]) == ("false_ground", occurrence)
    )


def _urgent(stories: Stages, after: int, building: str) -> bool:
    return bool(stories.of(str(after), building, "urgent"))


def _standing(stories: Stages, after: int, building: str) -> str:
    (row,) = stories.rows(str(after), "openings", building)
    return str(row["standing"])


@pytest.mark.parametrize(("name", "urgent"), [("bond", False), ("swap", True)])
def test_a_bond_further_up_is_not_proven_away_at_the_opening(stories, name, urgent):
    assert _states(stories, 1, name)["false_ground_upstream#1"] == "suspected_defect"
    finding = _id(stories, 2, name)
    told = stories("fix", "methods", finding, stage="2").out
    assert "Would not: cover off inspection cannot tell grounded from false ground upstream" in told
    # a sound look at the opening
    assert _states(stories, 3, name) == {
        "false_ground#1": "fix_reported_unproven",
        "false_ground_upstream#1": "suspected_defect",
    }
    assert _urgent(stories, 3, name) is urgent
    assert _standing(stories, 3, name) != "proven"
    (row,) = [r for r in stories.rows("3", "fix", "unproven") if r["finding_id"] == finding]
    assert "a bond in a box further up stands reported here" in str(row)
    by_hand = [x for k, v in SOUND.items() for x in (f"--{k.replace('_', '-')}", str(v))]
    on = ("--on", look(10)["observed_on"])
    refused = stories("fix", "verify", finding, *by_hand, *on, stage="3")
    assert refused.code != 0
    assert "further up" in refused.err
    # a box further up that was not opened, and one that was
    assert _states(stories, 4, name)["false_ground#1"] == "fix_reported_unproven"
    assert _states(stories, 5, name)["false_ground#1"] == "repair_proven"
    assert not _urgent(stories, 5, name)


def test_the_list_of_unproven_repairs_says_so_in_words(stories):
    told = stories("fix", "unproven", stage="3").out
    assert told.count("a bond in a box further up stands reported here") >= 2


def test_a_bond_further_up_that_landed_with_the_look_or_after_it_puts_the_proof_in_doubt(stories):
    assert _states(stories, 2, "late")["false_ground#1"] == "repair_proven"
    assert _urgent(stories, 3, "late")
    assert _standing(stories, 3, "late") != "proven"
    assert _states(stories, 3, "late")["false_ground_upstream#1"] == "suspected_defect"
    told = stories("findings", "list", "--all", "--building", "late", stage="3")
    assert "a bond in a box further up was reported on 2024-05-04" in told.out + told.err


def test_all_in_one_delivery(stories):
    assert _states(stories, 1, "at once") == {
        "false_ground#1": "fix_reported_unproven",
        "false_ground_upstream#1": "suspected_defect",
    }
    assert _urgent(stories, 1, "at once")


def test_what_comes_back_further_up_takes_no_remedy_of_the_opening(stories):
    report = ("--remedy", "grounding_conductor_added", "--firm", "Pellworth Electric")
    who = ("--worker", "Dorothea Orme", "--on", look(25)["observed_on"])
    refused = stories("fix", "report", _id(stories, 3, "back", 2), *report, *who, stage="3")
    assert refused.code != 0
    assert "in a box further up and stays there" in refused.err
    # nor does a sound look at the opening settle it
    assert _states(stories, 4, "back")["false_ground#2"] == "confirmed_defect"
    assert "false_ground_upstream#1" not in _states(stories, 4, "back")


def test_a_look_further_up_after_it_takes_it_back(stories):
    assert _states(stories, 4, "taken back")["false_ground#1"] == "repair_proven"
