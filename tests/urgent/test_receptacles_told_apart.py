"""Two receptacles under one number: from the question by its answer to lists of two."""

from __future__ import annotations

from pathlib import Path

import pytest
from test_proofs_that_fall import LIVE, PROOF, Story

pytestmark = pytest.mark.slow

KITCHEN, BATHROOM = {"room": "Kitchen"}, {"room": "Bathroom"}


def _urgent(story: Story) -> list[str]:
    return [row["opening_id"] for row in story("urgent", "--json").json()]


def test_the_answer_that_is_offered_keeps_two_receptacles_apart(tmp_path: Path) -> None:
    story = Story(tmp_path / "apart")
    found = story.write("found.csv", {"A": LIVE | KITCHEN})
    after = story.write("after.csv", {"A": PROOF | BATHROOM})
    for file in (found, after):
        assert story("intake", str(file)).code == 0
    story.build()
    (told,) = (row["message"] for row in story("quality", "--json").json()
               if row["kind"] == "may_be_another_opening")  # fmt: skip
    assert "its file and that of the report" in told
    assert "--set opening_id=ROOM|OPENING" in told and _urgent(story) == ["1"]
    for file in (found, after):
        answered = story("intake", str(file), "--set", "opening_id=room|opening_id")
        assert answered.code == 0, answered.err
    story.build()
    rooms = {row["opening_id"]: row["room"] for row in story("openings", "A", "--json").json()}
    assert rooms == {"Kitchen-1": "Kitchen", "Bathroom-1": "Bathroom"}
    assert _urgent(story) == ["Kitchen-1"]
    kinds = {row["kind"] for row in story("quality", "--json").json()}
    assert "may_be_another_opening" not in kinds
    # the answer is kept: later looks stand each at their own, and clear that alone
    later = {"A": LIVE | BATHROOM | {"observed_on": "2026-03-18"}}
    assert story("intake", str(story.write("bath.csv", later))).code == 0
    later = {"A": PROOF | KITCHEN | {"observed_on": "2026-03-20"}}
    assert story("intake", str(story.write("kitchen.csv", later))).code == 0
    story.build()
    assert _urgent(story) == ["Bathroom-1"]
    cleared = story("urgent", "--cleared", "--json").json()
    assert ("Kitchen-1", "look") in {(row["opening_id"], row["cleared_by"]) for row in cleared}
