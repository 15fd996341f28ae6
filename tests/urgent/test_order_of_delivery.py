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
