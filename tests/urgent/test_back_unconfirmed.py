"""What comes back after a proven repair is called what was seen since: file to list."""

from __future__ import annotations

import pytest
from test_proofs_that_fall import FIX, LIVE, PROOF, Story

pytestmark = pytest.mark.slow

FALSE = LIVE | {"result": "false_ground", "polarity": "correct"}
SINCE = {"observed_on": "2026-03-22", "inspector": "Bo Tarrow", "slots": "three_slot"}
LAMPS = SINCE | {"method": "three_lamp_tester"}
BOX = SINCE | {"method": "cover_off_inspection", "cover_removed": "yes"}

STORIES = {
    "dark": (FALSE, LAMPS | {"result": "open_hot"}, "suspected", "false_ground"),
    "dark_live": (LIVE, LAMPS | {"result": "open_hot"}, "suspected", "reversed_false_ground"),
    "neutral": (FALSE, LAMPS | {"result": "open_neutral"}, "suspected", "false_ground"),
    "swapped": (FALSE, LAMPS | {"result": "hot_neutral_reversed"}, "suspected", "reversed"),
    "no_ground": (FALSE, LAMPS | {"result": "open_ground"}, "suspected", "ungrounded"),
    "box_dark": (FALSE, BOX | {"result": "open_hot"}, "suspected", "false_ground"),
    "seen": (FALSE, FALSE | SINCE, "confirmed", "false_ground"),
}
"""What was found first, the look since the proof, and what is recorded to have come back."""


def _back(story: Story) -> dict[str, dict[str, object]]:
    rows = story("findings", "list", "--all", "--json").json()
    return {r["building_id"]: r for r in rows
            if r["family"] == "false_ground" and r["occurrence"] == 2}  # fmt: skip


@pytest.fixture(scope="module")
def story(tmp_path_factory) -> Story:
    made = Story(tmp_path_factory.mktemp("back") / "own")
    made.take("found.csv", {name: said[0] for name, said in STORIES.items()})
    made.take("fixes_2026-03-10.csv", dict.fromkeys(STORIES, FIX))
    made.take("proofs_2026-03-20.csv", dict.fromkeys(STORIES, PROOF))
    assert made.states == dict.fromkeys(STORIES, "repair_proven")
    made.take("since_2026-03-25.csv", {name: said[1] for name, said in STORIES.items()})
    return made


def test_nothing_is_confirmed_that_no_look_since_the_proof_tells(story):
    said = {name: (grade, condition) for name, (_, _, grade, condition) in STORIES.items()}
    for again in (False, True):  # also once the looks before the repair weigh again
        if again:
            story.build()
            assert story("findings", "sync").code == 0
        found = _back(story)
        assert {n: (r["grade"], r["condition"]) for n, r in found.items()} == said
        assert all(row["open"] for row in found.values())
    for name in ("dark", "dark_live"):
        told = story("findings", "show", found[name]["finding_id"]).out
        assert "three lamp tester found open hot" in told
    # what the model makes of it is told as what it is
    inferred = story("urgent", "--inferred", "--json").json()
    assert {"dark", "dark_live"} <= {r["building_id"] for r in inferred if r["opening_id"]}
    # a box that is seen open settles it
    story.take("later_2026-04-05.csv", {"dark": FALSE | SINCE | {"observed_on": "2026-04-01"}})
    row = _back(story)["dark"]
    assert (row["grade"], row["condition"]) == ("confirmed", "false_ground")
    assert story("ledger", "verify").code == 0
