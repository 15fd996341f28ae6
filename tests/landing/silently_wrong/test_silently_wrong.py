"""No file of the gate goes in silently wrong: cells turned, cells lost, rows uncounted."""

import pytest

from tests.landing.silently_wrong.reckoning import judge
from tests.landing.silently_wrong.traps import traps

TRAPS = traps()
ALWAYS = 10
"""Every tenth file is read by the fast tests too."""


def test_there_are_enough_of_them():
    assert len(TRAPS) >= 60
    assert len({trap.name for trap in TRAPS}) == len(TRAPS)
    # a reader that refuses everything would go through no gate
    assert sum(trap.must == "read" for trap in TRAPS) >= 30


@pytest.mark.parametrize(
    "trap",
    [
        pytest.param(trap, id=trap.name, marks=() if number % ALWAYS == 0 else pytest.mark.slow)
        for number, trap in enumerate(TRAPS)
    ],
)
def test_nothing_goes_in_silently_wrong(trap, tmp_path):
    verdict = judge(trap, tmp_path)
    assert verdict.silently_wrong == 0, "\n".join(verdict.told)
    if trap.must == "ask":
        assert verdict.asked, "it was read unasked"
    if trap.must == "read":
        assert not verdict.asked, "\n".join(verdict.told)
