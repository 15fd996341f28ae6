"""The same rows, whatever order they are delivered in."""

from __future__ import annotations

import pytest
from test_proofs_that_fall import FIX, LIVE, PROOF, Story

pytestmark = pytest.mark.slow

UNPROVEN = "fix_reported_unproven"


LATER = FIX | {"fixed_on": "2026-03-11"}
EARLIER = FIX | {"fixed_on": "2026-03-04"}
EARLY_LOOK = PROOF | {"observed_on": "2026-03-06"}
SAW = LIVE | {"observed_on": "2026-03-09", "inspector": "Bo Tarrow"}

LATE = ("LA", "LB", "LC")
BETWEEN = ("BA", "BB")


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> Story:
    """Two stories in one workspace, delivery by delivery; states as they were on the way."""
    told = Story(tmp_path_factory.mktemp("order") / "own")
    told.take("looks.csv", dict.fromkeys((*LATE, *BETWEEN), LIVE))
    fixes = dict.fromkeys(LATE, LATER) | dict.fromkeys(BETWEEN, FIX)
    told.take("fixes.csv", fixes)
    told.take("seen.csv", dict.fromkeys(LATE, EARLY_LOOK) | {"BA": SAW})
    told.take("more_fixes.csv", {"LA": EARLIER | {"remedy": "circuit_rewired"}, "LB": EARLIER})
    # the row of LC is put right: there was no work on the 11th
    told.take("fixes.csv", fixes | {"LC": EARLIER})
    told.before = told.states
    told.take("proofs.csv", dict.fromkeys((*LATE, *BETWEEN), PROOF))
    told.proven = told.states
    taken = told("intake", str(told.write("between.csv", {"BB": SAW})))
    assert taken.code in (0, 3), taken.err
    told.built = told("build")
    told.doubted = told("findings", "list", "--all", "--json").json()
    assert told("findings", "sync").code == 0
    told.build()
    return told


def test_a_late_report_of_earlier_work_takes_no_later_work_back(story: Story) -> None:
    assert {name: story.before[name] for name in LATE} == {
        "LA": UNPROVEN, "LB": UNPROVEN, "LC": "repair_proven",
    }  # fmt: skip
    assert {story.proven[name] for name in LATE} == {"repair_proven"}


def test_a_look_that_saw_it_before_the_proof_disproves_the_repair_whenever_it_lands(
    story: Story,
) -> None:
    assert (story.proven["BA"], story.proven["BB"]) == ("fix_disproved", "repair_proven")
    assert "1 proof in doubt" in story.built.out + story.built.err
    rows = [r for r in story.doubted if r["family"] == "false_ground"]
    (row,) = (r for r in rows if r["building_id"] == "BB")
    assert row["proof_in_doubt"]
    states = story.states
    assert {states[name] for name in BETWEEN} == {"fix_disproved"}
    told = {row["building_id"]: row for row in _told(story)}
    assert told["BA"] == told["BB"] | {"building_id": "BA"}
    (firm,) = story("findings", "progress", "--view", "firms", "--json").json()
    assert firm["disproved"] == 2


def test_the_ledger_of_both_verifies(story: Story) -> None:
    assert story("ledger", "verify").code == 0


def _told(story: Story) -> list[dict[str, object]]:
    rows = story("findings", "list", "--all", "--json").json()
    names = ("building_id", "state", "condition", "standing", "urgent", "failed_fixes")
    return [
        {name: row.get(name) for name in names} for row in rows if row["family"] == "false_ground"
    ]
