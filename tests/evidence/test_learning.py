"""What the portfolio teaches: against closed forms, finite differences, and known truth."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize, stats

from pipeline.evidence.classes import Stakes, weigh_classes
from pipeline.evidence.learning import (
    _LEAST,
    _MOST,
    RATE_DRAWS,
    Learned,
    _EraFit,
    crew_shift,
    evenly_normal,
    learn,
    take,
    telling,
)
from pipeline.evidence.posterior import Model, Weigher, row_results, row_times
from pipeline.evidence.priors import Priors, default_priors
from pipeline.evidence.states import (
    CAREFUL,
    FIRST_UNGROUNDED,
    GROUNDED,
    JUMPERED,
    OPEN_GROUND,
    RATES,
    STATE_COUNT,
    Taught,
    rule_book_shares,
)
from pipeline.evidence.tree import Rows, grow
from shared.rule_book import RuleBook
from tests.evidence import exact
from tests.evidence.simulation import Simulated, simulate
from tests.evidence.small_trees import model_of, portfolio_of, priors_of

CONVERTED, FALSE_GROUND, REVERSED = (
    RATES.index(name) for name in ("converted", "false_ground", "reversed")
)
SEED = 20240501

# Tumours in 71 groups of rats: Tarone (1982), as table 5.1 of Gelman et al., Bayesian Data
# Analysis; from memory. The counts are the input of both sides of the check; no published estimate
# is relied on.
RATS_Y = [
    *[0] * 14,
    *[1] * 8,
    *[2] * 9,
    *[1, 5, 2, 5, 3, 2, 7, 7, 3, 3, 2, 9, 10],
    *[4] * 7,
    *[10, 4, 4, 4, 5, 11, 12, 5, 5, 6, 5, 6, 6, 6, 6, 16, 15, 15, 9, 4],
]
RATS_N = [
    *[20, 20, 20, 20, 20, 20, 20, 19, 19, 19, 19, 18, 18, 17],
    *[20, 20, 20, 20, 19, 19, 18, 18],
    *[25, 24, 23, 20, 20, 20, 20, 20, 20],
    *[10, 49, 19, 46, 27, 17, 49, 47, 20, 20, 13, 48, 50],
    *[20] * 7,
    *[48, 19, 19, 19, 22, 46, 49, 20, 20, 23, 19, 22, 20, 20, 20, 52, 46, 47, 24, 14],
]


def test_rates_are_beta_binomial_maximum_likelihood_where_looks_are_perfect(
    rule_book: RuleBook,
) -> None:
    assert len(RATS_Y) == len(RATS_N) == 71
    hits, tries = np.array(RATS_Y), np.array(RATS_N)
    best = optimize.minimize(
        lambda logs: -stats.betabinom.logpmf(hits, tries, *np.exp(logs)).sum(),
        np.zeros(2),
        method="Nelder-Mead",
        options={"xatol": 1e-6, "fatol": 1e-8},
    )
    a, b = np.exp(best.x)

    table = np.full((3, STATE_COUNT, 3), 1e-12)
    table[0, JUMPERED], table[1, OPEN_GROUND], table[2] = 1.0, 1.0, 1.0
    numbers = exact.Numbers(0.0, 0.0, 0.8, 0.05, 1e-6, 1e-6, 0.04, *[table] * 6)
    size = len(hits)
    # Each opening is a dwelling of its own: given the rate they are independent.
    nothing = np.zeros(2 * size, dtype=np.uint64)
    counts = np.stack([hits, tries - hits], axis=1).ravel()
    rows = Rows(
        np.repeat(np.arange(size), 2),
        nothing,
        nothing,
        np.tile([0, 1], size).astype(np.int64),
        counts,
    )
    kept = counts > 0
    rows = Rows(*(getattr(rows, name)[kept] for name in rows.__dataclass_fields__))
    tree, _ = grow(rows, size, np.zeros(size, np.int64), np.ones(size, np.int64), 2, 5)
    portfolio = portfolio_of(tree, classes=3)
    # These looks say nothing of the other rates that bears on false grounds: whatever the chance
    # that an opening was ungrounded and converted, it stands before both.
    start = priors_of([0.95, 0.95, 0.2, 0.05, 0.05], [20.0, 20.0, 5.0, 20.0, 20.0])
    found = start
    for _ in range(4):
        part = Weigher(portfolio, model_of(found, numbers)).weigh(
            np.arange(size), draws=0, keep_points=True
        )
        fit = _EraFit(rule_book, start, portfolio, part)
        # The other four rates stay where they are, and the defaults weigh nothing.
        logs = np.log([found.a[0, 0], found.b[0, 0]])

        def loss(x: np.ndarray, fit=fit, logs=logs) -> tuple[float, np.ndarray]:
            logs[:, FALSE_GROUND] = x
            value, by_a, by_b = fit._data(logs.ravel())
            gradient = [by_a[..., FALSE_GROUND].sum(), by_b[..., FALSE_GROUND].sum()]
            return -value, -np.array(gradient)

        step = optimize.minimize(loss, logs[:, FALSE_GROUND].copy(), jac=True, method="L-BFGS-B")
        found = Priors(start.a.copy(), start.b.copy(), start.shares)
        found.a[..., FALSE_GROUND], found.b[..., FALSE_GROUND] = np.exp(step.x)
    alpha, beta = found.a[0, 0, FALSE_GROUND], found.b[0, 0, FALSE_GROUND]
    assert alpha / (alpha + beta) == pytest.approx(a / (a + b), rel=0.03)
    assert alpha + beta == pytest.approx(a + b, rel=0.15)


def test_an_empty_portfolio_keeps_the_rule_book(rule_book: RuleBook, at_stake: Stakes) -> None:
    shares = rule_book_shares(rule_book)
    some = simulate(rule_book, at_stake, default_priors(rule_book), shares, 5, 1).portfolio
    blind = replace(
        some,
        tree=some.tree._replace(
            row_class=np.full_like(some.tree.row_class, some.classes.flat),
            circuit_flat=np.ones_like(some.tree.circuit_flat),
            dwelling_flat=np.ones_like(some.tree.dwelling_flat),
        ),
    )
    assert not telling(blind).any()
    owners = {"owner": np.array([0, 1, 2, -1, 1])}
    learned = learn(rule_book, blind, at_stake, owners, SEED)
    default = default_priors(rule_book)
    assert learned.buildings == 0
    np.testing.assert_array_equal(learned.priors.a, default.a)
    np.testing.assert_array_equal(learned.priors.b, default.b)
    for name in Taught.__dataclass_fields__:
        np.testing.assert_array_equal(getattr(learned.taught, name), getattr(shares, name))
    assert learned.crew["owner"].tolist() == [0.0, 0.0, 0.0]
    assert not crew_shift(learned, owners, 5).any()


@pytest.fixture(scope="module")
def small_fit(rule_book: RuleBook, at_stake: Stakes) -> _EraFit:
    default, shares = default_priors(rule_book), rule_book_shares(rule_book)
    portfolio = simulate(rule_book, at_stake, default, shares, 15, 2).portfolio
    # Buildings of more than one group, and with shifts: gradients run through both.
    rng = np.random.default_rng(0)
    portfolio = replace(
        portfolio,
        group_weights=rng.dirichlet(np.ones(default.a.shape[0]), 15),
        shift=rng.normal(0, 0.3, (15, 5)),
    )
    weighed = weigh_classes(rule_book, portfolio.classes, at_stake, shares)
    model = Model(default, shares, weighed, 0, 0.9, SEED)
    part = Weigher(portfolio, model).weigh(np.arange(15), draws=0, keep_points=True)
    return _EraFit(rule_book, default, portfolio, part)


def _difference(value, x: np.ndarray, index: int, step: float = 1e-5) -> float:
    ahead, behind = x.copy(), x.copy()
    ahead[index] += step
    behind[index] -= step
    return (value(ahead) - value(behind)) / (2 * step)


def test_gradient_of_the_likelihood_against_finite_differences(small_fit: _EraFit) -> None:
    size = 2 * small_fit._size
    rng = np.random.default_rng(4)
    x = small_fit.start()[:size] + rng.normal(0, 0.3, size)
    _, by_a, by_b = small_fit._data(x)
    gradient = np.concatenate([by_a.sum(axis=0).ravel(), by_b.sum(axis=0).ravel()])
    wanted = [_difference(lambda y: small_fit._data(y)[0], x, index) for index in range(size)]
    np.testing.assert_allclose(gradient, wanted, rtol=1e-5, atol=1e-5)


def test_gradient_of_the_defaults_weight_against_finite_differences(small_fit: _EraFit) -> None:
    rng = np.random.default_rng(5)
    start = small_fit.start()
    x = start + rng.normal(0, 0.4, len(start))
    _, gradient = small_fit._steady(x)
    wanted = [_difference(lambda y: small_fit._steady(y)[0], x, index) for index in range(len(x))]
    np.testing.assert_allclose(gradient, wanted, rtol=1e-5, atol=1e-5)


def test_the_best_parameters_are_where_the_gradient_vanishes(small_fit: _EraFit) -> None:
    best = small_fit.best(small_fit.start(), 500)
    _, by_a, by_b = small_fit._data(best[: 2 * small_fit._size])
    value, gradient = small_fit._steady(best)
    gradient[: 2 * small_fit._size] += np.concatenate(
        [by_a.sum(axis=0).ravel(), by_b.sum(axis=0).ravel()]
    )
    # at a bound the gradient may point outward
    size = 2 * small_fit._size
    outward = np.zeros(len(best), bool)
    outward[:size] = (best[:size] >= _MOST) & (gradient[:size] > 0)
    outward[:size] |= (best[:size] <= _LEAST) & (gradient[:size] < 0)
    assert outward.sum() <= 5
    assert np.abs(gradient[~outward]).max() < 0.02
    start = small_fit.start()
    assert small_fit._data(best[: 2 * small_fit._size])[0] + value > (
        small_fit._data(start[: 2 * small_fit._size])[0] + small_fit._steady(start)[0]
    )


def test_defaults_weigh_most_at_themselves(small_fit: _EraFit) -> None:
    start = small_fit.start()
    value, gradient = small_fit._steady(start)
    np.testing.assert_allclose(gradient, 0.0, atol=1e-8)
    rng = np.random.default_rng(6)
    assert all(
        small_fit._steady(start + rng.normal(0, 0.2, len(start)))[0] < value for _ in range(20)
    )


def test_evenly_normal_pairs_are_those_of_two_normal_numbers() -> None:
    pairs = evenly_normal(RATE_DRAWS)
    np.testing.assert_allclose(pairs.mean(axis=0), 0.0, atol=1e-12)
    np.testing.assert_allclose(pairs.T @ pairs / RATE_DRAWS, np.eye(2), atol=1e-12)
    # Expected values of a smooth function: exp(x) has e^(1/2), of a normal number.
    np.testing.assert_allclose(np.exp(pairs).mean(axis=0), math.exp(0.5), rtol=0.03)


def test_what_is_unsure_of_a_rate_is_its_part_of_the_inverse_information(
    small_fit: _EraFit,
) -> None:
    best = small_fit.best(small_fit.start(), 500)
    found = small_fit.unsure(best)
    size = small_fit._size
    _, by_a, by_b = small_fit._data(best[: 2 * size])
    each = np.concatenate([by_a.reshape(len(by_a), -1), by_b.reshape(len(by_b), -1)], axis=1)
    information = -np.array([
        _difference(lambda y: small_fit._steady(y)[1], best, index, 1e-4)
        for index in range(len(best))
    ])  # fmt: skip
    information[: 2 * size, : 2 * size] += each.T @ each
    values, vectors = np.linalg.eigh((information + information.T) / 2)
    covariance = vectors / np.maximum(values, 0.25) @ vectors.T
    logs = np.log([found.a, found.b])
    free = (logs > _LEAST + 1e-9).all(axis=(0, 2)) & (logs < _MOST - 1e-9).all(axis=(0, 2))
    assert free.sum() > 15
    for group, rate in zip(*np.nonzero(free), strict=True):
        at = group * len(RATES) + rate
        own = covariance[np.ix_([at, size + at], [at, size + at])]
        np.testing.assert_allclose(np.cov(logs[:, group, :, rate], ddof=0), own, rtol=1e-6)


@pytest.mark.slow
def test_little_hangs_on_chance_where_few_buildings_teach(
    rule_book: RuleBook, at_stake: Stakes
) -> None:
    """The same portfolio learned from with other points: nearly the same, building by building.
    Now and then a search ends elsewhere, where it is as good: the mean of two counts for
    the building that differs most."""
    shares = rule_book_shares(rule_book)
    some = simulate(rule_book, at_stake, default_priors(rule_book), shares, 20, 3).portfolio
    told = []
    for seed in (1, 2, 3):
        learned = learn(rule_book, some, at_stake, {}, seed)
        weighed = weigh_classes(rule_book, some.classes, at_stake, learned.taught)
        model = Model(learned.priors, learned.taught, weighed, 0, 0.9, 0, fully=False)
        part = Weigher(some, model, 8).weigh(np.arange(20), draws=0)
        rows = row_results(some, model, part)
        times = row_times(some, part)
        told.append([
            np.add.reduceat(each * times, some.building_row[:-1])
            for each in (rows.danger, rows.harm)
        ])  # fmt: skip
    apart = np.abs(np.log(np.array(told[1:]) / np.array(told[0])))
    assert np.median(apart, axis=2).max() < 0.02
    assert np.median(apart.max(axis=(1, 2))) < 0.2


def test_the_part_of_a_portfolio_is_its_buildings(rule_book: RuleBook, at_stake: Stakes) -> None:
    portfolio = simulate(
        rule_book, at_stake, default_priors(rule_book), rule_book_shares(rule_book), 12, 4
    ).portfolio
    chosen = np.array([7, 0, 11])
    part = take(portfolio, chosen)
    rows = part.building_row
    for place, building in enumerate(chosen):
        mine = slice(portfolio.building_row[building], portfolio.building_row[building + 1])
        here = slice(rows[place], rows[place + 1])
        np.testing.assert_array_equal(part.tree.row_class[here], portfolio.tree.row_class[mine])
        np.testing.assert_array_equal(part.tree.row_count[here], portfolio.tree.row_count[mine])
        assert part.seed[place] == portfolio.seed[building]
    np.testing.assert_array_equal(telling(part), telling(portfolio)[chosen])


def _truth(rule_book: RuleBook) -> tuple[Priors, Taught]:
    """Unlike the rule book: all eras more often converted and jumpered, the first two reversed."""
    default = default_priors(rule_book)
    a, b = default.a.copy(), default.b.copy()
    for rate, mean, strength in ((CONVERTED, 0.7, 3.0), (FALSE_GROUND, 0.35, 1.5)):
        a[..., rate], b[..., rate] = mean * strength, (1 - mean) * strength
    a[:2, :, REVERSED], b[:2, :, REVERSED] = 0.12 * 10, 0.88 * 10
    gfci = np.full((STATE_COUNT, 2), 0.3)
    gfci[GROUNDED], gfci[CAREFUL] = (0.15, 0.7), 0.95
    return Priors(a, b, default.shares), Taught(0.9, 0.9, 0.5, 0.12, 0.45, 0.5, 0.1, gfci)


@pytest.fixture(scope="module")
def taught_much(rule_book: RuleBook, at_stake: Stakes) -> tuple[Simulated, Priors, Taught, Learned]:
    """Four hundred buildings, mostly opened up."""
    priors, shares = _truth(rule_book)
    groups = np.zeros(priors.a.shape[0])
    groups[:4] = 0.3, 0.3, 0.3, 0.1
    simulated = simulate(
        rule_book,
        at_stake,
        priors,
        shares,
        400,
        5,
        looks=(0.1, 0.05, 0.6),
        said=0.8,
        groups=groups,
    )
    return simulated, priors, shares, learn(rule_book, simulated.portfolio, at_stake, {}, SEED)


@pytest.mark.long
def test_rates_of_eras_move_to_the_truth(taught_much, rule_book: RuleBook) -> None:
    _, truth, _, learned = taught_much
    default = default_priors(rule_book)

    def mean(priors: Priors) -> np.ndarray:
        return (priors.a / (priors.a + priors.b))[:, 0]

    for groups, rate in (
        (slice(0, 3), CONVERTED),
        (slice(0, 3), FALSE_GROUND),
        (slice(0, 2), REVERSED),
    ):
        off = np.abs(mean(learned.centre)[groups, rate] - mean(truth)[groups, rate]).mean()
        before = np.abs(mean(default)[groups, rate] - mean(truth)[groups, rate]).mean()
        assert off < 0.5 * before, RATES[rate]
    # What differs between eras stays so: the third is not reversed like the first two.
    assert mean(learned.centre)[2, REVERSED] < 0.6 * mean(learned.centre)[0, REVERSED]


@pytest.mark.long
def test_eras_without_buildings_move_with_the_portfolio(taught_much, rule_book: RuleBook) -> None:
    """Nobody looked at the fifth era; all that were looked at are jumpered more often."""
    _, _, _, learned = taught_much
    default = default_priors(rule_book)

    def odds(priors: Priors) -> float:
        return float(np.log(priors.a / priors.b)[4, 0, FALSE_GROUND])

    assert odds(learned.centre) > odds(default) + 0.2


@pytest.mark.long
@pytest.mark.parametrize(
    "share",
    [
        "circuit_follows",
        "origin_follows",
        "opening_follows",
        "opening_own",
        "careful",
        "head",
        "live",
    ],
)
def test_shares_of_the_portfolio_move_to_the_truth(taught_much, rule_book: RuleBook, share) -> None:
    _, _, truth, learned = taught_much
    default = rule_book_shares(rule_book)
    wanted, found = getattr(truth, share), getattr(learned.taught, share)
    assert abs(found - wanted) < 0.5 * abs(getattr(default, share) - wanted)


@pytest.mark.long
def test_protection_by_state_moves_to_the_truth(taught_much, rule_book: RuleBook) -> None:
    _, _, truth, learned = taught_much
    default = rule_book_shares(rule_book)
    for state in (GROUNDED, FIRST_UNGROUNDED, OPEN_GROUND):
        for place in range(2):
            wanted = truth.gfci[state, place]
            before = abs(default.gfci[state, place] - wanted)
            # Who is careful and who protects anyway little else tells apart: a tenth either way.
            assert abs(learned.taught.gfci[state, place] - wanted) < max(0.4 * before, 0.1)
    assert learned.taught.gfci[CAREFUL].min() > 0.85


@pytest.mark.long
def test_what_is_less_known_is_less_sure(taught_much) -> None:
    """Draws of the rates spread more for eras with few buildings than with many."""
    _, _, _, learned = taught_much
    spread = np.log(learned.priors.a / learned.priors.b).std(axis=1)
    known, barely = spread[:3, FALSE_GROUND].mean(), spread[3, FALSE_GROUND]
    assert learned.priors.a.shape[1] == RATE_DRAWS
    assert barely > 1.3 * known
    assert spread[4:, FALSE_GROUND].min() > 1.3 * known


@pytest.mark.long
def test_more_buildings_make_surer(taught_much, rule_book: RuleBook, at_stake: Stakes) -> None:
    simulated, _, _, learned = taught_much
    few = learn(rule_book, take(simulated.portfolio, np.arange(40)), at_stake, {}, SEED)

    def spread(found: Learned) -> float:
        return float(np.log(found.priors.a / found.priors.b).std(axis=1)[:3, FALSE_GROUND].mean())

    assert few.buildings == 40
    assert spread(few) > 1.3 * spread(learned)


@pytest.mark.long
@pytest.mark.parametrize("effect", [0.0, 2.5])
def test_a_crew_with_an_excess_is_found_and_none_is_shrunk_away(
    rule_book: RuleBook, at_stake: Stakes, effect: float
) -> None:
    priors, shares = _truth(rule_book)
    groups = np.array([0.4, 0.4, 0.2, *[0.0] * (priors.a.shape[0] - 3)])
    simulated = simulate(
        rule_book,
        at_stake,
        priors,
        shares,
        600,
        11,
        looks=(0.1, 0.1, 0.4),
        groups=groups,
        crew_effect=effect,
    )
    crews = {"owner": simulated.crew.astype(np.int64)}
    learned = learn(rule_book, simulated.portfolio, at_stake, crews, SEED)
    found = learned.crew["owner"]
    if effect:
        assert learned.crew_support["owner"] > 0.9
        assert found[0] > 1.0
        assert found[0] > 2 * np.abs(found[1:]).max()
    else:
        assert learned.crew_support["owner"] < 0.5
        assert np.abs(found).max() < 0.3
    shift = crew_shift(learned, crews, 600)
    np.testing.assert_array_equal(shift, found[simulated.crew])
