"""A bond reported in a box further up: no look at the opening proves it away."""

from __future__ import annotations

import pytest
from urgent_rows import LIVE, PROOF, look, take_in

from pipeline.landing import Workspace
from tests.cli.running import run

pytestmark = pytest.mark.slow

FALSE_GROUND = LIVE | {"result": "false_ground", "polarity": "correct"}
UPSTREAM = {
    "inspector": "Bo Tarrow", "method": "upstream_box_seen", "result": "false_ground_upstream",
    "cover_removed": "yes", "neutral_ground_jumper": "yes",
}  # fmt: skip
SWAPPED_UPSTREAM = UPSTREAM | {"polarity": "reversed"}
SOUND = PROOF | {"inspector": "Sally Ambrel", "firm_of_inspector": "Quillmarsh"}
NONE_UPSTREAM = SOUND | {"method": "upstream_box_seen"}
FIX = "fix"


def _report(day: int, remedy: str) -> dict[str, object]:
    return {
        "building_id": "H", "unit_id": "1", "opening_id": "1", "family": "false_ground",
        "remedy": remedy, "fixed_on": look(day)["observed_on"],
        "firm": "Pellworth Electric", "worker": "Dorothea Orme",
    }  # fmt: skip


class Place:
    """A workspace, taken from day to day."""

    def __init__(self, tmp_path) -> None:
        self.folder = tmp_path
        self.workspace = Workspace(tmp_path / "workspace")
        self.at = ("--workspace", self.workspace.root)

    def on(self, *steps: tuple[int, object], remedy: str = "grounding_conductor_added") -> None:
        """Take in looks of days, or reports of the repair; one file of each."""
        looks = [look(day, slots="three_slot", **told) for day, told in steps if told != FIX]
        fixes = [_report(day, remedy) for day, told in steps if told == FIX]
        for kind, rows in (("fixes", fixes), ("looks", looks)):
            if rows:
                take_in(self.workspace, self.folder, f"{kind}{steps[0][0]}.csv", rows)
        self.up_to_date()

    def up_to_date(self) -> None:
        for step in (("build",), ("findings", "sync"), ("build",)):
            assert run(*step, *self.at).code == 0

    def findings(self) -> dict[str, str]:
        """State by family and occurrence, of what is wrong with the wiring."""
        return {f"{row['family']}#{row['occurrence']}": row["state"] for row in self._all()}

    def _all(self) -> list[dict[str, object]]:
        rows = run("findings", "list", "--all", *self.at, "--json").json()
        return [row for row in rows if row["grade"] != "record_in_doubt"]

    def of(self, name: str) -> str:
        family, number = name.split("#")
        return next(
            str(row["finding_id"])
            for row in self._all()
            if row["family"] == family and row["occurrence"] == int(number)
        )

    def urgent(self) -> bool:
        return bool(run("urgent", *self.at, "--json").json())

    def standing(self) -> str:
        (row,) = run("openings", "H", *self.at, "--json").json()
        return str(row["standing"])


@pytest.mark.parametrize(
    ("first", "upstream", "urgent"),
    [(FALSE_GROUND, UPSTREAM, False), (LIVE, SWAPPED_UPSTREAM, True)],
)
def test_a_bond_further_up_is_not_proven_away_at_the_opening(tmp_path, first, upstream, urgent):
    place = Place(tmp_path)
    place.on((0, first))
    place.on((3, upstream))
    assert place.findings()["false_ground_upstream#1"] == "suspected_defect"
    place.on((5, FIX))
    told = run("fix", "methods", place.of("false_ground#1"), *place.at).out
    assert "Would not: cover off inspection cannot tell grounded from false ground upstream" in told
    place.on((10, SOUND))
    assert place.findings() == {
        "false_ground#1": "fix_reported_unproven",
        "false_ground_upstream#1": "suspected_defect",
    }
    assert place.urgent() is urgent
    assert place.standing() != "proven"
    assert (
        "a bond in a box further up stands reported here" in run("fix", "unproven", *place.at).out
    )
    by_hand = [x for k, v in SOUND.items() for x in (f"--{k.replace('_', '-')}", str(v))]
    on = ("--on", look(10)["observed_on"])
    refused = run("fix", "verify", place.of("false_ground#1"), *by_hand, *on, *place.at)
    assert refused.code != 0
    assert "further up" in refused.err
    place.on((13, NONE_UPSTREAM | {"note": "box not opened, as per the electrician"}))
    assert place.findings()["false_ground#1"] == "fix_reported_unproven"
    place.on((15, NONE_UPSTREAM))
    assert place.findings()["false_ground#1"] == "repair_proven"
    assert not place.urgent()


def test_a_bond_further_up_that_landed_with_the_look_or_after_it_puts_the_proof_in_doubt(tmp_path):
    place = Place(tmp_path)
    place.on((0, LIVE))
    place.on((5, FIX))
    place.on((10, SOUND))
    assert place.findings()["false_ground#1"] == "repair_proven"
    place.on((3, SWAPPED_UPSTREAM))
    assert place.urgent()
    assert place.standing() != "proven"
    assert place.findings()["false_ground_upstream#1"] == "suspected_defect"
    told = run("findings", "list", "--all", *place.at)
    assert "a bond in a box further up was reported on 2024-05-04" in told.out + told.err


def test_all_in_one_delivery(tmp_path):
    place = Place(tmp_path)
    place.on((0, LIVE))
    place.on((5, FIX), (3, SWAPPED_UPSTREAM), (10, SOUND))
    assert place.findings() == {
        "false_ground#1": "fix_reported_unproven",
        "false_ground_upstream#1": "suspected_defect",
    }
    assert place.urgent()


def test_what_comes_back_further_up_takes_no_remedy_of_the_opening(tmp_path):
    place = Place(tmp_path)
    place.on((0, LIVE))
    place.on((5, FIX))
    place.on((10, SOUND))
    place.on((20, UPSTREAM))
    report = ("--remedy", "grounding_conductor_added", "--firm", "Pellworth Electric")
    who = ("--worker", "Dorothea Orme", "--on", look(25)["observed_on"])
    refused = run("fix", "report", place.of("false_ground#2"), *report, *who, *place.at)
    assert refused.code != 0
    assert "in a box further up and stays there" in refused.err
    place.on((30, SOUND))
    assert place.findings()["false_ground#2"] == "confirmed_defect"
    assert "false_ground_upstream#1" not in place.findings()


def test_a_look_further_up_after_it_takes_it_back(tmp_path):
    place = Place(tmp_path)
    place.on((0, FALSE_GROUND))
    place.on((3, UPSTREAM))
    place.on((4, NONE_UPSTREAM))
    place.on((5, FIX))
    place.on((10, SOUND))
    assert place.findings()["false_ground#1"] == "repair_proven"
