"""The compiled sums against enumeration (``exact``), at given rates and at weighted points."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest
from scipy import special, stats

from pipeline.evidence import kernel
from pipeline.evidence.priors import Priors
from tests.evidence import exact
from tests.evidence.small_trees import (
    FLAT,
    empty_found,
    evidence_of,
    nothing_picked,
    random_numbers,
    random_tree,
    shares_of,
)

pytestmark = pytest.mark.slow


SEEDS = range(6)
TIMES = kernel.CHUNK - 5
BLOCK = np.random.default_rng(3).integers(0, kernel.BLOCKS, 3 * TIMES)
"""How often each point stands there, and which block each copy belongs to."""
DRAWS = 6_000


@dataclass(frozen=True)
class Case:
    """A building at three weighted points, weighed by the kernel and written out for ``exact``."""

    tree: kernel.Tree
    numbers: exact.Numbers
    log_odds: np.ndarray
    poor: float
    weights: np.ndarray
    points: list[exact.Point]
    dwellings: list
    found: kernel.Found

    def mean(self, value) -> np.ndarray:
        """Mean over the points of a value that ``exact`` works out at each."""
        return sum(
            w * np.asarray(value(at)) for w, at in zip(self.weights, self.points, strict=True)
        )


def chances(log_odds: np.ndarray, poor: float, numbers: exact.Numbers):
    count = log_odds.shape[1]
    p, q, w = np.empty((kernel.S, count)), np.empty((kernel.S, count)), np.empty((3, count))
    kernel.state_chances(log_odds, poor, shares_of(numbers), p, q, w)
    return p, q, w


def unseen() -> np.ndarray:
    return np.full(FLAT + 1, -1)


def log_sums(case_tree, table, numbers, chance, *, whole: bool) -> np.ndarray:
    p, q, w = chance
    out = np.zeros(p.shape[1])
    which, share = case_tree.row_class, shares_of(numbers)
    kernel.log_likelihood(case_tree, table, which, 0, share, p, q, w, whole, out)
    return out


@pytest.fixture(scope="module", params=SEEDS)
def case(request: pytest.FixtureRequest) -> Case:
    rng = np.random.default_rng(request.param)
    tree, numbers = random_tree(rng), random_numbers(rng)
    log_odds, poor = rng.normal(0, 1.5, (5, 3)), float(rng.uniform(0, 0.5))
    weights = rng.dirichlet(np.ones(3))
    # The kernel takes points a chunk at a time: each of the three stands there many times over.
    many = np.tile(log_odds, TIMES)
    like = log_sums(tree, numbers.table, numbers, chances(many, poor, numbers), whole=False)
    found = empty_found(len(tree.row_class), 1, DRAWS)
    kernel.weigh_building(
        tree,
        evidence_of(numbers),
        kernel.own_tables(tree, evidence_of(numbers), nothing_picked(), 0, 0, unseen()),
        shares_of(numbers),
        0,
        poor,
        many,
        like,
        np.zeros_like(like),
        np.tile(weights / TIMES, TIMES),
        BLOCK,
        FLAT,
        True,
        np.array([99], dtype=np.uint64),
        found,
        0,
        0,
    )
    return Case(
        tree,
        numbers,
        log_odds,
        poor,
        weights,
        [exact.point(column, poor, numbers) for column in log_odds.T],
        exact.written_out(tree, 0),
        found,
    )


def places(case: Case):
    """(row, its dwelling written out, place of its circuit, place of its opening), once a row."""
    seen = set()
    for circuits in case.dwellings:
        for k, openings in enumerate(circuits):
            for n, opening in enumerate(openings):
                if opening.row not in seen:
                    seen.add(opening.row)
                    yield opening.row, circuits, k, n


@pytest.mark.parametrize("seed", range(12))
def test_log_likelihood_is_the_sum_over_every_list(seed):
    rng = np.random.default_rng(1000 + seed)
    tree, numbers = random_tree(rng), random_numbers(rng)
    log_odds, poor = rng.normal(0, 2, (5, 2)), float(rng.uniform(0, 0.5))
    dwellings = exact.written_out(tree, 0)
    at = chances(log_odds, poor, numbers)
    for table, whole in ((numbers.table, False), (numbers.table, True), (numbers.safe, True)):
        wanted = [
            exact.building_log_sum(numbers, exact.point(column, poor, numbers), dwellings, table)
            for column in log_odds.T
        ]
        np.testing.assert_allclose(
            log_sums(tree, table, numbers, at, whole=whole), wanted, rtol=1e-9, atol=1e-9
        )


def test_chances_of_states_and_troubles_add_up():
    rng = np.random.default_rng(5)
    numbers = random_numbers(rng)
    p, q, w = chances(rng.normal(0, 4, (5, 200)), 0.2, numbers)
    for chance in (p, q, w):
        np.testing.assert_allclose(chance.sum(axis=0), 1.0, rtol=1e-12)


def test_many_alike_openings_do_not_underflow():
    """Four thousand openings of one dwelling: the sum by logarithms, one circuit, rates given."""
    rng = np.random.default_rng(8)
    numbers = random_numbers(rng)
    one = np.array([0, 1], dtype=np.int64)
    count = 4000
    tree = kernel.Tree(
        one,
        one[1:],
        one,
        one[1:],
        one,
        np.array([0]),
        np.array([count]),
        np.array([False]),
        np.array([False]),
    )
    log_odds = rng.normal(0, 1, (5, 1))
    at = exact.point(log_odds[:, 0], 0.1, numbers)
    by_circuit = [
        count * math.log(exact.opening_sum(numbers, at, s, numbers.table[0])) for s in exact.STATES
    ]
    # One circuit: its state is a fresh draw, copied or not.
    wanted = np.logaddexp.reduce(np.array(by_circuit) + np.log(at.fresh))
    found = log_sums(tree, numbers.table, numbers, chances(log_odds, 0.1, numbers), whole=False)
    assert found[0] == pytest.approx(wanted, rel=1e-9)


def test_joint_posterior_of_every_row(case: Case):
    for row, circuits, k, n in places(case):
        wanted = case.mean(lambda at: exact.joint_of(case.numbers, at, circuits, k, n))  # noqa: B023
        np.testing.assert_allclose(case.found.joint[row], wanted, rtol=1e-9, atol=1e-13)


def test_chance_of_danger_by_building_dwelling_and_circuit(case: Case):
    for row, circuits, k, n in places(case):
        for step, known in enumerate(("building", "dwelling", "circuit")):
            wanted = case.mean(
                lambda at: exact.danger_without_own(case.numbers, at, FLAT, circuits, k, n, known)  # noqa: B023
            )
            assert case.found.steps[row, step] == pytest.approx(float(wanted), rel=1e-9)


def test_chance_of_no_dangerous_opening_and_of_no_live_metal(case: Case):
    for table, found in (
        (case.numbers.safe, case.found.none_dangerous),
        (case.numbers.dead, case.found.none_live),
    ):
        wanted = case.mean(
            lambda at: math.exp(
                exact.building_log_sum(case.numbers, at, case.dwellings, table)  # noqa: B023
                - exact.building_log_sum(case.numbers, at, case.dwellings, case.numbers.table)
            )
        )
        assert found[0] == pytest.approx(float(wanted), rel=1e-9)


def test_rates(case: Case):
    wanted = (case.weights / (1 + np.exp(-case.log_odds))).sum(axis=1)
    np.testing.assert_allclose(case.found.rates[0], wanted, rtol=1e-12)


def test_weights_sum_to_one_and_say_how_many_points_they_are_worth():
    log_weight = np.random.default_rng(4).normal(-700, 2, 300)
    weight = np.empty(300)
    effective = kernel.normalise(log_weight, weight)
    np.testing.assert_allclose(weight, special.softmax(log_weight), rtol=1e-9)
    assert effective == pytest.approx(1 / (special.softmax(log_weight) ** 2).sum())


def test_expected_numbers_behind_the_shares(case: Case):
    wanted = case.mean(lambda at: exact.expected_numbers(case.numbers, at, FLAT, case.dwellings))
    np.testing.assert_allclose(case.found.taught[0], wanted, rtol=1e-9, atol=1e-12)


def test_draws_have_the_distribution_of_the_number_of_dangerous_openings(case: Case):
    points = [exact.dangerous_pmf(case.numbers, at, case.dwellings) for at in case.points]
    pmf = sum(w * part for w, (part, _) in zip(case.weights, points, strict=True))
    number = case.found.dangerous[0].astype(int)
    observed = np.bincount(number, minlength=len(pmf)).astype(float)
    assert len(observed) == len(pmf)
    # Numbers that are rarely expected are counted as one.
    often = pmf * DRAWS >= 10
    observed = np.append(observed[often], observed[~often].sum())
    expected = np.append(pmf[often], pmf[~often].sum()) * DRAWS
    keep = expected > 0
    assert observed[~keep].sum() == 0
    expected = expected[keep] * observed.sum() / expected[keep].sum()
    # The seed is fixed: a chance of one in ten thousand is a real difference.
    assert stats.chisquare(observed[keep], expected).pvalue > 1e-4


def test_error_that_points_leave_in_the_expected_harm(case: Case):
    points = case.points
    each = np.array([exact.dangerous_pmf(case.numbers, at, case.dwellings)[1] for at in points])
    harm, weight = np.tile(each, TIMES), np.tile(case.weights / TIMES, TIMES)
    off = [(weight * (harm - weight @ harm))[part == BLOCK].sum() for part in range(8)]
    wanted = math.sqrt(np.sum(np.square(off)) * 8 / 7)
    assert case.found.harm_error[0] == pytest.approx(wanted, rel=1e-6)


def test_mean_of_drawn_harm_is_the_expected_harm(case: Case):
    points = [exact.dangerous_pmf(case.numbers, at, case.dwellings) for at in case.points]
    wanted = sum(w * harm for w, (_, harm) in zip(case.weights, points, strict=True))
    drawn = case.found.harm[0]
    assert abs(drawn.mean() - wanted) < 4 * drawn.std() / math.sqrt(DRAWS) + 1e-9
    times = np.array(
        [
            sum(o.row == row for c in case.dwellings for k in c for o in k)
            for row in range(len(case.tree.row_class))
        ]
    )
    harm = case.numbers.harm[case.tree.row_class]
    assert (case.found.joint * harm * times[:, None, None]).sum() == pytest.approx(wanted, rel=1e-9)


def test_being_picked_and_being_passed_over(case: Case):
    """At each point: how likely the looks were, given which openings were picked for them."""
    rng = np.random.default_rng(21)
    numbers, tree = case.numbers, case.tree
    evidence = evidence_of(numbers)._replace(reason=np.array([0, 1, -1, 0, -1]))
    taken, chance = rng.uniform(0.1, 1, (2, 1, 2, kernel.S, 3))
    passed = rng.uniform(0.1, 1, (1, kernel.S, 3))
    picking = kernel.Picking(np.array([True]), taken, chance, passed)
    own = kernel.own_tables(tree, evidence, picking, 0, 0, unseen())
    # The same by class, which is what the enumeration goes by.
    factor = np.stack([passed[0] if r < 0 else taken[0, r] for r in evidence.reason])
    picked = np.stack([passed[0] if r < 0 else chance[0, r] for r in evidence.reason])
    for found, wanted in (
        (own.table[own.which], numbers.table * factor),
        (own.safe[own.which], numbers.safe * factor),
        (own.dead[own.which], numbers.dead * factor),
        (own.picked[own.reason], picked),
    ):
        np.testing.assert_allclose(found, wanted[tree.row_class])
    p, q, w = chances(case.log_odds, case.poor, numbers)
    found = np.zeros(len(case.points))
    share = shares_of(numbers)
    kernel.log_likelihood(tree, own.table, own.which, 0, share, p, q, w, True, found)
    kernel._add_picking(tree, own, share, 0, p, q, w, found)
    wanted = [
        exact.building_log_sum(numbers, at, case.dwellings, numbers.table * factor)
        - exact.building_log_sum(numbers, at, case.dwellings, picked)
        for at in case.points
    ]
    np.testing.assert_allclose(found, wanted, rtol=1e-9, atol=1e-9)


def test_logarithms_and_exponentials_in_step_are_the_librarys():
    values = np.concatenate(
        [10.0 ** np.linspace(-299, 299, 4001), 1 + np.linspace(-1e-3, 1e-3, 2001), [2.0, 0.5**0.5]]
    )
    logs = values.copy()
    kernel.logarithm(logs)
    np.testing.assert_allclose(logs, np.log(values), rtol=1e-14, atol=1e-15)
    powers = np.linspace(-690, 690, 5001)
    found = powers.copy()
    kernel.exponential(found, np.empty_like(found))
    np.testing.assert_allclose(found, np.exp(powers), rtol=1e-13)


def test_prior_density_is_the_mixture_of_betas_on_the_log_odds_scale():
    """Weak and very firm priors, far tails and beyond the table; scipy's density beside it."""
    rng = np.random.default_rng(22)
    a, b = np.exp(rng.uniform(math.log(0.05), math.log(1e3), (2, 3, 2, 5)))
    priors = Priors(a, b, np.full(3, 1 / 3))
    groups = np.stack([rng.dirichlet(np.ones(3)), [0.0, 1.0, 0.0]])
    middle = special.logit(a / (a + b)).mean(axis=(0, 1))
    x = middle[:, None] + rng.normal(0, 3, (5, 200))
    x[:, :4], shift = np.array([-60.0, -40.0, 40.0, 60.0]), rng.normal(0, 1, 5)
    out = np.empty((2, 200))
    kernel.log_prior(x, shift, groups, priors.for_kernel(), out)
    at = x - shift[:, None]
    each = (
        a[..., None] * special.log_expit(at)
        + b[..., None] * special.log_expit(-at)
        - special.betaln(a, b)[..., None]
    )
    by_rate = special.logsumexp(each, axis=1) - math.log(2)
    inside = np.abs(at) < 30
    library = stats.beta.logpdf(special.expit(at), a[..., None], b[..., None])
    library += special.log_expit(at) + special.log_expit(-at)
    np.testing.assert_allclose(
        each[:, :, inside], library[:, :, inside], rtol=1e-6, atol=1e-5
    )  # fmt: skip
    with np.errstate(divide="ignore"):
        wanted = special.logsumexp(np.log(groups)[:, :, None] + by_rate.sum(axis=1), axis=1)
    likely = wanted > -500
    np.testing.assert_allclose(out[likely], wanted[likely], rtol=1e-6, atol=3e-3)
    near = wanted > wanted.max() - 20
    np.testing.assert_allclose(out[near], wanted[near], rtol=1e-6, atol=3e-4)
