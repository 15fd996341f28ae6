"""What the tests of the evidence share."""

from __future__ import annotations

import pytest

from pipeline.evidence.classes import Stakes, stakes
from pipeline.scoring.severity import severity_array
from shared.rule_book import RuleBook, load_rule_book


@pytest.fixture(scope="session")
def rule_book() -> RuleBook:
    return load_rule_book()


@pytest.fixture(scope="session")
def at_stake(rule_book: RuleBook) -> Stakes:
    return stakes(rule_book, severity_array(rule_book))
