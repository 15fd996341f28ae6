"""Sums over the rates: against closed forms, dense grids, and more points.

The points of a building are as good as so many independent draws as it reports to be effective:
a mean is off by at most four standard deviations over the root of that number, a distribution
function by at most two over the root (Massart's bound, from memory: one in three thousand). The
seeds are fixed, so a failure is a difference and not chance.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, special, stats

from pipeline.evidence.kernel import FARTHEST, SCORES
from pipeline.evidence.posterior import FEW_EFFECTIVE, Model, Portfolio, Weigher
from pipeline.evidence.priors import (
    Priors,
    default_priors,
    make_pool,
    mean_rates,
)
from pipeline.evidence.states import FIRST_UNGROUNDED, JUMPERED, OPEN_GROUND, RATES, STATE_COUNT
from pipeline.evidence.tree import Rows, grow
from shared.rule_book import RuleBook
from tests.evidence import exact
from tests.evidence.small_trees import (
    model_of,
    portfolio_of,
    priors_of,
    random_numbers,
    random_tree,
)

pytestmark = pytest.mark.slow


FALSE_GROUND = RATES.index("false_ground")
SURE, NEVER = 1 - 1e-6, 1e-6
A, B = 0.4, 2.0
UNSEEN = 40


def _sharp() -> exact.Numbers:
    """Looks that show for certain whether a converted opening is jumpered; a jumper is danger."""
    table = np.full((3, STATE_COUNT, 3), 1e-12)
    table[0, JUMPERED] = 1.0
    table[1, OPEN_GROUND] = 1.0
    table[2] = 1.0
    calm = np.ones((STATE_COUNT, 3))
    calm[JUMPERED] = 1e-12
    harm = np.stack([1.0 - calm] * 3)
    return exact.Numbers(
        0.0,
        0.0,
        0.8,
        0.05,
        1e-6,
        1e-6,
        0.04,
        table,
        table * calm,
        table,
        harm,
        np.ones_like(table),
        np.stack([calm] * 3),
    )


def _single_openings(jumpered: int, straight: int) -> tuple[Portfolio, Model]:
    """Every opening in a dwelling of its own: given the rate they are independent."""
    rows = Rows(
        building=np.zeros(3, dtype=np.int64),
        dwelling=np.zeros(3, dtype=np.uint64),
        circuit=np.zeros(3, dtype=np.uint64),
        evidence=np.arange(3),
        count=np.array([jumpered, straight, UNSEEN]),
    )
    if not jumpered:
        rows = Rows(*(getattr(rows, name)[1:] for name in rows.__dataclass_fields__))
    tree, _ = grow(rows, 1, np.zeros(1, np.int64), np.ones(1, np.int64), 2, 5)
    means = [SURE, SURE, A / (A + B), NEVER, NEVER]
    priors = priors_of(means, [1e6, 1e6, A + B, 1e6, 1e6])
    return portfolio_of(tree, classes=3), model_of(priors, _sharp(), draws=2000)


@pytest.mark.parametrize(("jumpered", "straight"), [(0, 6), (3, 9), (30, 2), (0, 200)])
def test_single_openings_are_beta_binomial(jumpered: int, straight: int) -> None:
    portfolio, model = _single_openings(jumpered, straight)
    found = Weigher(portfolio, model).weigh(np.arange(1), draws=model.draws).found
    effective = float(found.effective[0])
    assert effective >= FEW_EFFECTIVE
    rate = stats.beta(A + jumpered, B + straight)
    assert abs(found.rates[0, FALSE_GROUND] - rate.mean()) < 4 * rate.std() / math.sqrt(effective)
    number = stats.betabinom(UNSEEN, A + jumpered, B + straight)
    if not jumpered:
        # Chance of none at a rate is (1 - rate) ** UNSEEN; its spread over the rates is known too.
        none = number.pmf(0)
        spread = math.sqrt(stats.betabinom(2 * UNSEEN, A, B + straight).pmf(0) - none**2)
        assert abs(found.none_dangerous[0] - none) < 4 * spread / math.sqrt(effective) + 1e-6
    else:
        assert found.none_dangerous[0] < 1e-6
    drawn = found.dangerous[0] - jumpered
    at = np.arange(UNSEEN + 1)
    told = (drawn[:, None] <= at).mean(axis=0)
    bound = 2 / math.sqrt(effective) + 2 / math.sqrt(model.draws)
    assert np.abs(told - number.cdf(at)).max() < bound


def test_numbers_of_unseen_openings_are_wider_than_a_binomial() -> None:
    portfolio, model = _single_openings(3, 9)
    drawn = Weigher(portfolio, model).weigh(np.arange(1), draws=2000).found.dangerous[0]
    number = stats.betabinom(UNSEEN, A + 3, B + 9)
    p = number.mean() / UNSEEN
    assert drawn.var() > 2 * UNSEEN * p * (1 - p)
    assert drawn.var() == pytest.approx(number.var(), rel=0.3)


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("varies", range(5))
def test_one_rate_that_varies_against_scipy(seed: int, varies: int) -> None:
    rng = np.random.default_rng(300 + seed)
    tree, numbers = random_tree(rng), random_numbers(rng)
    means = list(rng.uniform(0.2, 0.8, 5))
    strengths = [1e7] * 5
    strengths[varies] = 6.0
    fixed = special.logit(means)
    a, b = means[varies] * 6.0, (1 - means[varies]) * 6.0
    dwellings = exact.written_out(tree, 0)

    # On the log-odds scale all is smooth, and nothing is left at the ends.
    grid = np.linspace(-12, 12, 49)
    density = np.exp(a * special.log_expit(grid) + b * special.log_expit(-grid))
    weight, quiet = np.empty_like(grid), np.empty_like(grid)
    joint = np.empty((len(grid), STATE_COUNT, 3))
    circuits = dwellings[0]
    for m, value in enumerate(grid):
        log_odds = fixed.copy()
        log_odds[varies] = value
        at = exact.point(log_odds, 0.05, numbers)
        like = exact.building_log_sum(numbers, at, dwellings, numbers.table)
        calm = exact.building_log_sum(numbers, at, dwellings, numbers.safe)
        weight[m] = math.exp(like) * density[m]
        quiet[m] = math.exp(calm - like)
        joint[m] = exact.joint_of(numbers, at, circuits, 0, 0)
    weight /= integrate.trapezoid(weight, grid)

    def mean(values: np.ndarray) -> np.ndarray:
        return integrate.trapezoid((weight * values.T).T, grid, axis=0)

    portfolio, model = portfolio_of(tree), model_of(priors_of(means, strengths), numbers)
    found = Weigher(portfolio, model).weigh(np.arange(1), draws=0).found
    error = 4 / math.sqrt(float(found.effective[0]))
    share = special.expit(grid)
    spread = math.sqrt(float(mean(share**2) - mean(share) ** 2))
    assert abs(found.rates[0, varies] - mean(share)) < error * spread + 1e-3
    spread = math.sqrt(max(float(mean(quiet**2) - mean(quiet) ** 2), 0.0))
    assert abs(found.none_dangerous[0] - mean(quiet)) < error * spread + 1e-3
    spread = np.sqrt((mean(joint**2) - mean(joint) ** 2).clip(0))
    row = circuits[0][0].row
    assert (np.abs(found.joint[row] - mean(joint)) < error * spread + 1e-3).all()
    assert found.joint[row].sum() == pytest.approx(1.0, rel=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_more_points_change_nothing_beyond_the_error_said(seed: int, rule_book: RuleBook) -> None:
    """All five rates vary, with the rule book's own priors."""
    rng = np.random.default_rng(700 + seed)
    tree, numbers = random_tree(rng), random_numbers(rng)
    priors = default_priors(rule_book)
    portfolio = portfolio_of(tree, groups=priors.a.shape[0])
    model = model_of(priors, numbers)
    usual = Weigher(portfolio, model).weigh(np.arange(1), draws=0).found
    many = Weigher(portfolio, model, factor=16).weigh(np.arange(1), draws=0).found
    assert many.effective[0] > 1.5 * usual.effective[0]
    error = 4 / math.sqrt(float(usual.effective[0]))
    for share, wanted in (
        (usual.joint, many.joint),
        (usual.steps, many.steps),
        (usual.rates, many.rates),
        (usual.none_dangerous, many.none_dangerous),
        (usual.none_live, many.none_live),
    ):
        # A share's spread over the rates is at most the root of p (1 - p).
        bound = error * np.sqrt((wanted * (1 - wanted)).clip(0))
        assert (np.abs(share - wanted) <= bound + 1e-3).all()


def test_few_effective_points_are_told_and_more_are_taken(rule_book: RuleBook) -> None:
    """Evidence at odds with all that was expected: the usual points carry little of it."""
    priors = priors_of([0.5] * 5, [400.0] * 5)
    rng = np.random.default_rng(2)
    numbers = random_numbers(rng)
    numbers.table[0] = 1e-9
    numbers.table[0, FIRST_UNGROUNDED:, 2] = 1.0
    rows = Rows(
        np.zeros(1, np.int64),
        np.zeros(1, np.uint64),
        np.zeros(1, np.uint64),
        np.zeros(1, np.int64),
        np.array([100]),
    )
    tree, _ = grow(rows, 1, np.zeros(1, np.int64), np.ones(1, np.int64), 4, 5)
    portfolio, model = portfolio_of(tree), model_of(priors, numbers)
    weigher = Weigher(portfolio, model)
    kept = weigher.weigh(np.arange(1), draws=0, keep_points=True).found.effective[0]
    found = weigher.weigh(np.arange(1), draws=0).found
    assert kept < FEW_EFFECTIVE
    assert found.effective[0] > kept


def test_shifted_means_against_quadrature(rule_book: RuleBook) -> None:
    priors = default_priors(rule_book)
    shift = np.zeros((2, 5))
    shift[0, FALSE_GROUND] = 1.3
    found = mean_rates(priors, shift)
    plain = (priors.a / (priors.a + priors.b)).mean(axis=1)
    np.testing.assert_allclose(found[1], plain, rtol=1e-12)
    for group in range(priors.a.shape[0]):
        a, b = (float(part[group, 0, FALSE_GROUND]) for part in (priors.a, priors.b))
        # On the log-odds scale the density has no poles.
        wanted, _ = integrate.quad(
            lambda x: (
                math.exp(
                    a * special.log_expit(x) + b * special.log_expit(-x) - special.betaln(a, b)  # noqa: B023
                )
                * special.expit(x + 1.3)
            ),
            -400,
            60,
            limit=400,
            points=[-20, 0, 10],
        )
        assert found[0, group, FALSE_GROUND] == pytest.approx(wanted, rel=1e-6)


def test_shifted_means_do_not_round_by_what_other_buildings_shift(rule_book: RuleBook) -> None:
    priors = default_priors(rule_book)
    shift = np.zeros((50, 5))
    shift[:, FALSE_GROUND] = np.linspace(-2, 2, 50)
    together = mean_rates(priors, shift)
    for some in ([7], [3, 8, 49], list(range(0, 50, 2))):
        np.testing.assert_array_equal(mean_rates(priors, shift[some]), together[some])


@pytest.fixture(scope="module")
def unlike(rule_book: RuleBook) -> Priors:
    """Priors of two unlike draws, weak ones and very firm ones among them."""
    default = default_priors(rule_book)
    a = np.concatenate([default.a, default.a * 3.0], axis=1)
    b = np.concatenate([default.b, default.b * 0.5], axis=1)
    a[0, :, 0], b[0, :, 0] = 0.05, 0.4
    a[0, :, 1], b[0, :, 1] = 900.0, 1000.0
    return Priors(a, b, default.shares)


def scores_of(priors: Priors, log_odds: np.ndarray) -> np.ndarray:
    """Normal scores of log odds (G, 5, n), by scipy's incomplete beta function."""
    a, b = (np.moveaxis(each, 1, 2)[..., None] for each in (priors.a, priors.b))
    at = log_odds[:, :, None]
    below = special.betainc(a, b, special.expit(at)).mean(axis=2)
    above = special.betainc(b, a, special.expit(-at)).mean(axis=2)
    return np.where(below < 0.5, special.ndtri(below), -special.ndtri(above))


def test_points_of_each_group_are_quantiles_of_the_mixture(unlike: Priors) -> None:
    """Tails included, save what lies beyond the log odds that are tabulated."""
    pool = make_pool(unlike, 64, 96, 5)
    sets, groups, rates, first = pool.prior.shape
    uniform = stats.qmc.Sobol(d=rates, scramble=True, seed=5).random(sets * first)
    wanted = special.ndtri(uniform.clip(1e-12, 1 - 1e-12)).T
    points = pool.prior.transpose(1, 2, 0, 3).reshape(groups, rates, -1)
    assert np.abs(points).max() <= FARTHEST
    found = scores_of(unlike, points)
    inside = np.abs(points) < FARTHEST
    wanted = np.broadcast_to(wanted, found.shape)
    np.testing.assert_allclose(found[inside], wanted[inside], atol=5e-3)
    low, high = points <= -FARTHEST, points >= FARTHEST
    assert (found[low] >= wanted[low] - 5e-3).all() and (found[high] <= wanted[high] + 5e-3).all()


def test_tables_of_normal_scores_are_quantiles_of_the_mixture(unlike: Priors) -> None:
    tables = make_pool(unlike, 64, 96, 5).quantile
    assert (np.diff(tables, axis=2) > 0).all()
    scores = np.linspace(-SCORES, SCORES, tables.shape[2])
    found = scores_of(unlike, tables)
    inside = (np.abs(scores) < 3) & (np.abs(tables) < FARTHEST)
    np.testing.assert_allclose(
        found[inside], np.broadcast_to(scores, found.shape)[inside], atol=2e-3
    )  # fmt: skip
