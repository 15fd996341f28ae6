"""The same rows, whatever order they are delivered in."""

from __future__ import annotations

from pathlib import Path

import pytest
from test_proofs_that_fall import FIX, LIVE, PROOF, Story

pytestmark = pytest.mark.slow

UNPROVEN = "fix_reported_unproven"


def test_a_late_report_of_earlier_work_takes_no_later_work_back(tmp_path: Path) -> None:
    story = Story(tmp_path / "late")
    story.take("looks.csv", dict.fromkeys("ABC", LIVE))
    later = FIX | {"fixed_on": "2026-03-11"}
    story.take("fixes.csv", dict.fromkeys("ABC", later))
    story.take("seen.csv", dict.fromkeys("ABC", PROOF | {"observed_on": "2026-03-06"}))
    earlier = FIX | {"fixed_on": "2026-03-04", "remedy": "circuit_rewired"}
    story.take("more_fixes.csv", {"A": earlier, "B": FIX | {"fixed_on": "2026-03-04"}})
    # the row of C is put right: there was no work on the 11th
    story.take("fixes.csv", {"A": later, "B": later, "C": FIX | {"fixed_on": "2026-03-04"}})
    assert story.states == {"A": UNPROVEN, "B": UNPROVEN, "C": "repair_proven"}
    story.take("proofs.csv", dict.fromkeys("ABC", PROOF))
    assert set(story.states.values()) == {"repair_proven"}
    assert story("ledger", "verify").code == 0


def test_a_look_that_saw_it_before_the_proof_disproves_the_repair_whenever_it_lands(
    tmp_path: Path,
) -> None:
    story = Story(tmp_path / "between")
    story.take("looks.csv", dict.fromkeys("AB", LIVE))
    story.take("fixes.csv", dict.fromkeys("AB", FIX))
    seen = LIVE | {"observed_on": "2026-03-09", "inspector": "Bo Tarrow"}
    story.take("between_a.csv", {"A": seen})
    story.take("proofs.csv", dict.fromkeys("AB", PROOF))
    assert story.states == {"A": "fix_disproved", "B": "repair_proven"}
    path = story.write("between_b.csv", {"B": seen})
    assert story("intake", str(path)).code in (0, 3)
    assert "1 proof in doubt" in (built := story("build")).out + built.err
    rows = story("findings", "list", "--all", "--json").json()
    (row,) = (r for r in rows if r["building_id"] == "B" and r["family"] == "false_ground")
    assert row["proof_in_doubt"]
    assert story("findings", "sync").code == 0
    story.build()
    assert story.states == dict.fromkeys("AB", "fix_disproved")
    told = {row["building_id"]: row for row in _told(story)}
    assert told["A"] == told["B"] | {"building_id": "A"}
    (firm,) = story("findings", "progress", "--view", "firms", "--json").json()
    assert firm["disproved"] == 2
    assert story("ledger", "verify").code == 0


def _told(story: Story) -> list[dict[str, object]]:
    rows = story("findings", "list", "--all", "--json").json()
    names = ("building_id", "state", "condition", "standing", "urgent", "failed_fixes")
    return [
        {name: row.get(name) for name in names} for row in rows if row["family"] == "false_ground"
    ]
