"""What is unsure of the portfolio's shares, and how it reaches buildings that nobody visited."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.evidence.classes import (
    NOT_REPAIRED,
    SELECTIONS,
    UNKNOWN_SLOTS,
    Classes,
    weigh_classes,
)
from pipeline.evidence.expectation import prior_means
from pipeline.evidence.learning import Strength, _certain, draw_shares
from pipeline.evidence.posterior import Model, Portfolio, Weigher, row_times
from pipeline.evidence.priors import default_priors, group_weights
from pipeline.evidence.states import CAREFUL, JUMPERED, OPEN_GROUND, STATE_COUNT, rule_book_shares
from pipeline.evidence.tree import Rows, grow
from pipeline.evidence.unsure_shares import multiples, unsure_classes
from shared.vocabulary import CONDITIONS, Selection

UNSEEN = 40


def strength(cases: float) -> Strength:
    return Strength(cases, cases, np.full((STATE_COUNT, 2), cases))


@pytest.fixture(scope="module")
def nobody_looked() -> Portfolio:
    """Two buildings of which nothing is known but year and size."""
    classes = Classes(
        condition_weights=np.ones((1, len(CONDITIONS))),
        slots=np.array([UNKNOWN_SLOTS]),
        selection=np.array([SELECTIONS.index(Selection.RANDOM)]),
        gfci_weights=np.ones((1, 2)),
        wet=np.array([0.3]),
        location=np.ones(1),
        looked=np.array([False]),
        repaired=np.array([NOT_REPAIRED]),
        repaired_slots=np.array([UNKNOWN_SLOTS]),
        repaired_protection=np.zeros(1),
    )
    nothing, keys = np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.uint64)
    rows = Rows(nothing, keys, keys, nothing, nothing)
    count = np.full(2, UNSEEN)
    tree, _ = grow(rows, 2, count, np.full(2, 4), classes.flat, 5)
    return Portfolio(
        tree=tree,
        group_weights=np.zeros((2, 0)),
        shift=np.zeros((2, 5)),
        poor=np.array([0.02, 0.2]),
        picked=np.zeros((2, len(SELECTIONS))),
        seed=np.array([5, 9], dtype=np.uint64),
        classes=classes,
    )


def test_multiples_are_the_exact_expectations_under_each_draw(rule_book, at_stake, nobody_looked):
    """Where nothing is known, what is expected is a sum without points: it is that of each draw."""
    shares = rule_book_shares(rule_book)
    draws = draw_shares(shares, strength(8.0), 6, 3)
    years = group_weights(rule_book, np.array([1935.0, 1972.0]), np.full(2, np.nan))
    portfolio = replace(nobody_looked, group_weights=years)
    model = Model(
        default_priors(rule_book),
        shares,
        weigh_classes(rule_book, portfolio.classes, at_stake, shares),
        0,
        0.9,
        1,
    )
    # Hardly any error of points is left, which a ratio of means takes out as well.
    part = Weigher(portfolio, model, factor=32).weigh(np.arange(2), draws=0)
    unsure = unsure_classes(rule_book, portfolio.classes, at_stake, shares, draws)
    found = multiples(unsure, portfolio, part, row_times(portfolio, part).astype(float))
    wanted = np.empty((2, 2, len(draws)))
    for place, drawn in enumerate(draws):
        weighed = weigh_classes(rule_book, portfolio.classes, at_stake, drawn)
        under = replace(model, taught=drawn, weighed=weighed)
        evidence = weighed.evidence
        danger = 1 - evidence.safe[0] / evidence.table[0]
        wanted[0, :, place] = prior_means(portfolio, under, danger)
        wanted[1, :, place] = prior_means(portfolio, under, evidence.harm[0])
    wanted /= wanted.mean(axis=2, keepdims=True)
    np.testing.assert_allclose(found, wanted, rtol=0.03)
    np.testing.assert_allclose(found.mean(axis=2), 1.0, rtol=1e-6)
    # The live share is what decides the harm: its doubt is most of it.
    assert found[1].std() > 3 * found[0].std() > 0


def test_no_draws_and_sure_shares_change_nothing(rule_book, at_stake, nobody_looked):
    shares = rule_book_shares(rule_book)
    years = group_weights(rule_book, np.array([1935.0, 1972.0]), np.full(2, np.nan))
    portfolio = replace(nobody_looked, group_weights=years)
    weighed = weigh_classes(rule_book, portfolio.classes, at_stake, shares)
    model = Model(default_priors(rule_book), shares, weighed, 0, 0.9, 1)
    part = Weigher(portfolio, model).weigh(np.arange(2), draws=0)
    times = row_times(portfolio, part).astype(float)
    for draws, shape in (((), (2, 2, 0)), ((shares, shares), (2, 2, 2))):
        unsure = unsure_classes(rule_book, portfolio.classes, at_stake, shares, draws)
        found = multiples(unsure, portfolio, part, times)
        assert found.shape == shape
        np.testing.assert_allclose(found, 1.0, rtol=1e-6)


@pytest.mark.slow
def test_draws_of_shares_are_as_unsure_as_the_cases_behind_them(rule_book):
    shares = rule_book_shares(rule_book)
    for cases in (10.0, 1000.0):
        drawn = draw_shares(shares, strength(cases), 4000, 1)
        for name in ("careful", "live"):
            mean = getattr(shares, name)
            values = np.array([getattr(each, name) for each in drawn])
            spread = np.sqrt(mean * (1 - mean) / (cases + 1))
            assert values.mean() == pytest.approx(mean, abs=5 * spread / np.sqrt(4000))
            assert values.std() == pytest.approx(spread, rel=0.1)
        gfci = np.array([each.gfci for each in drawn])
        # States that share their protection move together, others do not.
        np.testing.assert_array_equal(gfci[:, OPEN_GROUND], gfci[:, JUMPERED])
        assert abs(np.corrcoef(gfci[:, OPEN_GROUND, 0], gfci[:, CAREFUL, 0])[0, 1]) < 0.1
        # What decides nothing by itself is left as it was learned.
        assert {each.circuit_follows for each in drawn} == {shares.circuit_follows}


def test_cases_that_cannot_tell_count_for_nothing_and_sure_ones_in_full():
    share = 0.2
    seen = _certain(np.array([30.0, 10.0]), np.array([1.0, 0.0]), np.array([0.0, 1.0]), share)
    # Thirty without and ten with it: the information at .2 of labels that are all known.
    assert seen == pytest.approx(share * (1 - share) * (30 / 0.8**2 + 10 / 0.2**2))
    assert _certain(np.array([40.0]), np.ones(1), np.ones(1), share) == 0
