"""What is expected where nobody looked: the same as the points say of an unvisited building."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from pipeline.evidence.classes import Stakes, weigh_classes
from pipeline.evidence.expectation import mean_states, prior_danger, prior_means, typical_prior_mean
from pipeline.evidence.posterior import Model, Portfolio, Weigher, row_results
from pipeline.evidence.priors import Priors, default_priors
from pipeline.evidence.states import STATE_COUNT, Taught, rule_book_shares
from pipeline.evidence.tree import Rows, grow
from shared.rule_book import RuleBook
from tests.evidence import exact
from tests.evidence.small_trees import plain_classes, portfolio_of, random_numbers

BUILDINGS = 6


@pytest.fixture(scope="module")
def model(rule_book: RuleBook, at_stake: Stakes) -> Model:
    """The rule book's priors as three draws of them, and its shares."""
    default = default_priors(rule_book)
    rng = np.random.default_rng(3)
    a, b = (np.repeat(part, 3, axis=1) for part in (default.a, default.b))
    scatter = np.exp(rng.normal(0, 0.15, a.shape))
    shares = rule_book_shares(rule_book)
    weighed = weigh_classes(rule_book, plain_classes(1), at_stake, shares)
    return Model(Priors(a * scatter, b, default.shares), shares, weighed, 50, 0.9, 7)


@pytest.fixture(scope="module")
def unvisited(model: Model) -> Portfolio:
    """Buildings nobody saw, of mixed groups, with shifts, of one dwelling of seven openings."""
    none = np.zeros(0, dtype=np.int64)
    keys = np.zeros(0, dtype=np.uint64)
    tree, _ = grow(
        Rows(none, keys, keys, none, none),
        BUILDINGS,
        np.full(BUILDINGS, 7),
        np.ones(BUILDINGS, dtype=np.int64),
        0,
        5,
    )
    rng = np.random.default_rng(4)
    shift = np.zeros((BUILDINGS, 5))
    shift[:3] = rng.normal(0, 0.7, (3, 5))
    return replace(
        portfolio_of(tree, classes=1),
        group_weights=rng.dirichlet(np.ones(model.priors.a.shape[0]), BUILDINGS),
        shift=shift,
        poor=rng.uniform(0, 0.3, BUILDINGS),
    )


def test_mean_states_is_the_sum_over_every_way():
    """At rates that are the same everywhere their means are the rates themselves."""
    rng = np.random.default_rng(6)
    numbers = random_numbers(rng)
    log_odds = rng.normal(0, 1, 5)
    at = exact.point(log_odds, 0.2, numbers)
    wanted = np.zeros((STATE_COUNT, 3))
    for hand in range(STATE_COUNT):
        above = numbers.circuit_follows * np.eye(STATE_COUNT)[hand]
        for circuit, _, chance in exact.anew(numbers, at, hand):
            above[circuit] += (1 - numbers.circuit_follows) * chance
        for circuit in range(STATE_COUNT):
            for _, s, chance in exact.ways(numbers, at, circuit):
                wanted[s] += at.fresh[hand] * above[circuit] * chance * np.array(at.trouble)
    taught = Taught(
        numbers.circuit_follows,
        numbers.origin_follows,
        numbers.opening_follows,
        numbers.opening_own,
        numbers.careful,
        numbers.head,
        numbers.live,
        np.full((STATE_COUNT, 2), 0.1),
    )
    found = mean_states(1 / (1 + np.exp(-log_odds)), np.array(0.2), taught)
    np.testing.assert_allclose(found, wanted, rtol=1e-9)
    assert found.sum() == pytest.approx(1.0)


def test_expected_danger_and_harm_are_the_points_own(model: Model, unvisited: Portfolio) -> None:
    """Within four standard errors of the points; harm, carried by rare faults, within a tenth."""
    part = Weigher(unvisited, model, factor=16).weigh(np.arange(BUILDINGS), draws=0)
    rows = row_results(unvisited, model, part)
    start = unvisited.building_row
    flat = model.weighed.evidence
    danger = prior_means(unvisited, model, 1 - flat.safe[0] / flat.table[0])
    harm = prior_means(unvisited, model, flat.harm[0])
    by_slots = prior_danger(unvisited, model)
    for building in range(BUILDINGS):
        mine = slice(start[building], start[building + 1])
        p = danger[building]
        error = 4 * math.sqrt(p * (1 - p) / part.found.effective[building])
        np.testing.assert_allclose(rows.danger[mine], p, atol=error)
        np.testing.assert_allclose(rows.harm[mine], harm[building], rtol=0.1)
        # An opening whose slots nobody saw is any opening.
        assert by_slots[building, -1] == pytest.approx(p, rel=1e-6)
        # Nothing is known of dwelling and circuit either: every step says the same.
        np.testing.assert_allclose(part.found.steps[mine], p, atol=error)
        np.testing.assert_allclose(np.ptp(part.found.steps[mine], axis=1), 0.0, atol=1e-12)


def test_any_building_is_the_eras_in_their_usual_shares(model: Model, unvisited: Portfolio) -> None:
    """A building of the usual eras, without shift and with the usual share of poor grounds."""
    flat = model.weighed.evidence
    values = 1 - flat.safe[0] / flat.table[0]
    any_building = typical_prior_mean(unvisited, model, values)
    typical = replace(
        unvisited,
        group_weights=np.tile(model.priors.shares, (BUILDINGS, 1)),
        shift=np.zeros((BUILDINGS, 5)),
        poor=np.full(BUILDINGS, unvisited.poor.mean()),
    )
    own = prior_means(typical, model, values)
    np.testing.assert_allclose(own, any_building, rtol=1e-12)
