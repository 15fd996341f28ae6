"""Rules under which a portfolio is quick to learn from: for tests that ask something else."""

from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from shared import rule_book

QUICK = {
    "passes = { value = 8": "passes = { value = 2",
    # In a portfolio of a few buildings any look moves what was learned.
    "relearn_tolerance = { value = 0.1": "relearn_tolerance = { value = 100.0",
    "relearn_growth = { value = 2.0": "relearn_growth = { value = 1000.0",
}


def quick_rules() -> str:
    """The default rule book, all but how long is learned and how soon again."""
    text = rule_book.default_rule_book_text()
    for old, new in QUICK.items():
        assert old in text
        text = text.replace(old, new)
    return text


@contextmanager
def quick_to_learn() -> Iterator[None]:
    """Have them where no other rule book is named, in this process."""
    text = quick_rules()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(rule_book, "default_rule_book_text", lambda: text)
        yield
