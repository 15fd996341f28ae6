"""What is shared by stories of what is plainly urgent."""

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.quick import quick_to_learn

# What screen tests share is theirs; here one screen is asked for the same list.
sys.path.append(str(Path(__file__).parents[1] / "dashboard"))


@pytest.fixture(scope="module", autouse=True)
def quick() -> Iterator[None]:
    """What is urgent, and what clears it, is what was told, however long is learned beside it."""
    with quick_to_learn():
        yield
