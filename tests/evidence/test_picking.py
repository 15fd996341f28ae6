"""What being picked, and being passed over, says: against sums written out over outcomes."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.evidence.classes import SELECTIONS, Stakes, picking_odds
from pipeline.evidence.kernel import Picking
from pipeline.evidence.picking import Odds, gather_odds, picking_of
from pipeline.evidence.priors import default_priors
from pipeline.evidence.states import (
    GROUNDED,
    JUMPERED,
    SWAPPED,
    mean_states,
    outcomes,
    rule_book_shares,
)
from shared.rule_book import RuleBook
from shared.vocabulary import Selection

TARGETED, COMPLAINT = (SELECTIONS.index(s) for s in (Selection.TARGETED, Selection.COMPLAINT))
OPENINGS = 40.0
ERA = 2
POOR = 0.05


@pytest.fixture(scope="module")
def table(rule_book: RuleBook) -> np.ndarray:
    return outcomes(rule_book, rule_book_shares(rule_book))


@pytest.fixture(scope="module")
def by_outcome(rule_book: RuleBook, at_stake: Stakes) -> np.ndarray:
    return picking_odds(rule_book, at_stake, rule_book_shares(rule_book))


@pytest.fixture(scope="module")
def odds(by_outcome: np.ndarray, table: np.ndarray) -> Odds:
    return gather_odds(by_outcome, table)


def found(rule_book: RuleBook, odds: Odds, *numbers: dict[int, float]) -> Picking:
    """Buildings of one era in which so many openings were picked, by selection."""
    picked = np.zeros((len(numbers), len(SELECTIONS)))
    for building, number in enumerate(numbers):
        for selection, count in number.items():
            picked[building, selection] = count
    groups = default_priors(rule_book).a.shape[0]
    return picking_of(
        odds,
        default_priors(rule_book),
        rule_book_shares(rule_book),
        np.tile(np.eye(groups)[ERA], (len(numbers), 1)),
        np.zeros((len(numbers), 5)),
        np.full(len(numbers), POOR),
        picked,
        np.full(len(numbers), OPENINGS),
    )


def typical(rule_book: RuleBook) -> np.ndarray:
    priors = default_priors(rule_book)
    rates = (priors.a / (priors.a + priors.b)).mean(axis=1)[ERA]
    return mean_states(rates, np.array(POOR), rule_book_shares(rule_book))


def test_only_selections_that_prefer_some_outcome_are_reasons(odds: Odds):
    assert Selection.RANDOM not in [SELECTIONS[reason] for reason in odds.reasons]
    assert {TARGETED, COMPLAINT} <= set(odds.reasons.tolist())
    np.testing.assert_allclose(odds.shares.sum(axis=-1), 1.0, rtol=1e-12)


def test_where_nothing_was_picked_nothing_is_said(rule_book: RuleBook, odds: Odds):
    picking = found(rule_book, odds, {})
    assert not picking.some.any()
    assert (picking.passed == 1).all()


@pytest.mark.parametrize("number", [1.0, 10.0, 36.0])
def test_as_many_would_be_picked_of_a_typical_building_as_were(
    rule_book: RuleBook, odds: Odds, number: float
):
    picking = found(rule_book, odds, {TARGETED: number})
    chance = (typical(rule_book) * (1 - picking.passed[0])).sum()
    assert chance * OPENINGS == pytest.approx(number, rel=1e-6)


def test_chances_are_sums_over_outcomes(
    rule_book: RuleBook, odds: Odds, by_outcome: np.ndarray, table: np.ndarray
):
    """With the scale that was found, every chance follows from the odds of single outcomes."""
    picking = found(rule_book, odds, {TARGETED: 10.0})
    w = by_outcome[TARGETED]
    # The scale, from one state and trouble; then all others by it.
    low, high = 1e-9, 1e9
    for _ in range(200):
        scale = np.sqrt(low * high)
        passed = (table[JUMPERED, SWAPPED] / (1 + scale * w)).sum()
        low, high = (scale, high) if passed > picking.passed[0, JUMPERED, SWAPPED] else (low, scale)
    place = odds.reasons.tolist().index(TARGETED)
    np.testing.assert_allclose(
        picking.passed[0], (table / (1 + scale * w)).sum(axis=(2, 3)), rtol=1e-6
    )
    chosen = (table * w / (1 + scale * w)).sum(axis=(2, 3))
    np.testing.assert_allclose(picking.chance[0, place], chosen, rtol=1e-6)
    plain = (table * w).sum(axis=(2, 3))
    np.testing.assert_allclose(picking.taken[0, place], chosen / plain, rtol=1e-6)


def test_the_more_are_picked_the_safer_are_those_passed_over(rule_book: RuleBook, odds: Odds):
    picking = found(rule_book, odds, {TARGETED: 1.0}, {TARGETED: 10.0}, {TARGETED: 30.0})
    safer = picking.passed[:, JUMPERED, 0] / picking.passed[:, GROUNDED, 0]
    assert 0.9 < safer[0] < 1.0
    assert safer[0] > safer[1] > safer[2]


def test_all_picked_leaves_no_preference_among_them(rule_book: RuleBook, odds: Odds):
    """Whoever looks at every opening has chosen none of them."""
    few, all_of_them = found(rule_book, odds, {TARGETED: 1.0}, {TARGETED: OPENINGS}).chance
    place = odds.reasons.tolist().index(TARGETED)

    def preferred(chance: np.ndarray) -> float:
        return float(chance[place, JUMPERED, 0] / chance[place, GROUNDED, 0])

    assert preferred(few) > 1.5
    assert preferred(all_of_them) == pytest.approx(1.0, abs=0.1)


def test_two_reasons_count_together(rule_book: RuleBook, odds: Odds):
    one, other, both = found(
        rule_book, odds, {TARGETED: 8.0}, {COMPLAINT: 5.0}, {TARGETED: 8.0, COMPLAINT: 5.0}
    ).passed
    np.testing.assert_allclose(both, one * other, rtol=1e-9)
