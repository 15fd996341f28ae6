"""How likely a record makes buildings: against sums done by hand, and apart from other evidence."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.evidence.classes import Stakes, weigh_classes
from pipeline.evidence.expectation import mean_states
from pipeline.evidence.held_out import held_out_now, log_likelihoods, sample
from pipeline.evidence.learned_record import HeldOut, mean_gain
from pipeline.evidence.posterior import Model
from pipeline.evidence.priors import Priors, default_priors
from pipeline.evidence.states import JUMPERED, OPEN_GROUND, STATE_COUNT, Taught, rule_book_shares
from pipeline.evidence.tree import Rows, grow
from shared.rule_book import RuleBook
from tests.evidence import exact
from tests.evidence.simulation import simulate
from tests.evidence.small_trees import model_of, portfolio_of, priors_of


def test_the_likelihood_of_one_opening_is_its_prior_chance() -> None:
    table = np.full((3, STATE_COUNT, 3), 1e-12)
    table[0, JUMPERED], table[1, OPEN_GROUND], table[2] = 1.0, 0.25, 1.0
    numbers = exact.Numbers(0.7, 0.4, 0.8, 0.05, 0.3, 0.2, 0.04, *[table] * 6)
    one_each = np.ones(2, np.int64)
    rows = Rows(
        np.arange(2), np.zeros(2, np.uint64), np.zeros(2, np.uint64), np.arange(2), one_each
    )
    tree, _ = grow(rows, 2, np.zeros(2, np.int64), one_each, 2, 5)
    portfolio = portfolio_of(tree, classes=3)
    priors = priors_of([0.6, 0.5, 0.2, 0.05, 0.05], [4.0, 5.0, 5.0, 20.0, 20.0])
    model = model_of(priors, numbers)
    chance = mean_states(
        priors.a[0, 0] / (priors.a[0, 0] + priors.b[0, 0]),
        np.array(portfolio.poor[0]),
        Taught(0.7, 0.4, 0.8, 0.05, 0.3, 0.2, 0.04, np.full((STATE_COUNT, 2), 0.1)),
    )
    wanted = np.log([chance[JUMPERED].sum(), 0.25 * chance[OPEN_GROUND].sum()])
    np.testing.assert_allclose(log_likelihoods(portfolio, model), wanted, atol=0.05)


@pytest.fixture(scope="module")
def world(rule_book: RuleBook, at_stake: Stakes):
    """Sixty buildings with far more jumpers than the rule book has, and the model that says so."""
    default = default_priors(rule_book)
    a = default.a.copy()
    a[..., 2] *= 6.0
    shares = rule_book_shares(rule_book)
    priors = Priors(a, default.b, default.shares)
    portfolio = simulate(rule_book, at_stake, priors, shares, 60, 5).portfolio
    weighed = weigh_classes(rule_book, portfolio.classes, at_stake, shares)
    return portfolio, Model(priors, shares, weighed, 0, 0.9, 1)


def _now(rule_book, at_stake, world, known):
    portfolio, model = world
    names = np.array([f"b{n}" for n in range(len(portfolio))], dtype=object)
    nothing = np.zeros_like(portfolio.shift)
    return held_out_now(rule_book, at_stake, portfolio, nothing, model, names, known)


@pytest.mark.slow
def test_a_record_that_fits_gains_and_one_that_is_the_rule_book_does_not(
    rule_book, at_stake, world
):
    found = _now(rule_book, at_stake, world, [])
    assert len(found) == len(sample(rule_book, world[0])) > 20
    assert mean_gain(found) > 0.05
    same = (world[0], replace(world[1], priors=default_priors(rule_book)))
    # Exactly: leaving out the evidence of other buildings does not move a bit.
    assert {each.gain for each in _now(rule_book, at_stake, same, [])} == {0.0}


def test_buildings_known_already_are_not_weighed_again(rule_book, at_stake, world):
    found = _now(rule_book, at_stake, world, [])
    known = [HeldOut(content=found[0].content, gain=123.0), *found[5:]]
    again = _now(rule_book, at_stake, world, known)
    assert again[0].gain == 123.0
    assert again[1:] == found[1:]
