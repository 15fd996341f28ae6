"""Priors of a building's rates, by group, and how a building shifts them.

A group is a band of construction years, or the rewired buildings. Each rate has a beta
distribution in each group. What is known of a building beside its group (wiring method, the crew
that worked on it, a grade given on a visit) multiplies the odds of a rate: on the log-odds scale it
is added. Densities here are on that scale, where a beta density ``p^a (1-p)^b / B(a, b)`` is
log-concave whatever its parameters.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import special, stats

from pipeline.evidence import curves
from pipeline.evidence.kernel import FARTHEST, SCORES, Pool, Prior
from pipeline.evidence.states import RATES, Array
from shared.rule_book import RuleBook

Ints = npt.NDArray[np.int64]

POOL_POINTS, FEWEST_SETS = 8_192, 8
"""Points in all of the sets that buildings take theirs from, and how many sets there are at least:
sharing one set would mean sharing its chance error, which learning would then exploit."""

STUDENT_DEGREES = 6.0
DENSITY_NODES = 4_801
"""Log odds at which densities are tabulated, a fortieth apart."""
EVERY_GROUP = 0.05
"""Added to each group's share of the points placed: none is left out, as a building may not be of
the years that its register says. Weights of points undo it; it changes no chance, only noise."""
SCORE_NODES = 97
"""Normal scores at which log odds are tabulated, an eighth apart."""


@dataclass(frozen=True)
class Priors:
    """Beta parameters of every rate in every group: K equally likely ones of each.

    What is unsure of one rate's parameters is taken as independent of what is unsure of another's:
    a rate's density is the mean of its K, the density of all five their product.

    Attributes:
        a, b: shape (G, K, 5).
        shares: probability of each group where no year is known, shape (G,); rewired last.
    """

    a: Array
    b: Array
    shares: Array

    def for_kernel(self) -> Prior:
        """The same as densities of log odds."""
        anywhere = self.shares + EVERY_GROUP
        return Prior(self._curves.density, anywhere / anywhere.sum())

    @property
    def _curves(self) -> Curves:
        return _curves(self.a.shape, self.a.tobytes(), self.b.tobytes())


def group_keys(rule_book: RuleBook) -> list[str]:
    """Keys of the groups in order: the eras, then ``rewired``."""
    return [*rule_book.eras, "rewired"]


def default_priors(rule_book: RuleBook) -> Priors:
    """The rule book's priors, before a portfolio has said anything: one draw."""
    groups = [*rule_book.eras.values(), rule_book.rewired]
    beta = np.array([[getattr(group, rate).beta for rate in RATES] for group in groups])
    shares = np.array([*(float(era.share) for era in rule_book.eras.values()), 0.0])
    return Priors(beta[:, None, :, 0], beta[:, None, :, 1], shares / shares.sum())


def make_pool(priors: Priors, first: int, second: int, seed: int) -> Pool:
    """Point sets for ``kernel.place_points``.

    Args:
        priors: the priors.
        first, second: points of each set, of each group's prior and of the t distribution.
        seed: of the low-discrepancy sequences.
    """
    # The model and the one of slots alone have the same priors: their points are made once.
    return _pool(priors.a.shape, priors.a.tobytes(), priors.b.tobytes(), first, second, seed)


@dataclass(frozen=True)
class Curves:
    """Densities and quantiles of rates on the log-odds scale, over the K of each.

    Attributes:
        density: see ``kernel.Prior``.
        quantile: see ``kernel.Pool``; beyond what can be told apart in double precision it goes on
            in a straight line.
        scores: points of the quantile's curve, unevenly spaced, by group and rate.
    """

    density: Array
    quantile: Array
    scores: list[list[_ScoreCurve]]


@lru_cache(maxsize=4)
def _curves(shape: tuple[int, int, int], a_bytes: bytes, b_bytes: bytes) -> Curves:
    """See ``Curves``; beta parameters (G, K, 5) as bytes, so that they can be looked up."""
    groups, _, rates = shape
    a, b = (np.frombuffer(each).reshape(shape) for each in (a_bytes, b_bytes))
    even, low, high = _even_log_rates()
    density = np.empty((rates, DENSITY_NODES, 2, groups))
    quantile = np.empty((groups, rates, SCORE_NODES))
    scores: list[list[_ScoreCurve]] = [[] for _ in range(groups)]
    for group, rate in np.ndindex(groups, rates):
        own_a, own_b = a[group, :, rate], b[group, :, rate]
        value, slope = _log_density(own_a, own_b, low, high)
        density[rate, :, 0, group] = value
        density[rate, :, 1, group] = slope * (even[1] - even[0])
        curve = _score_curve(own_a, own_b)
        scores[group].append(curve)
        quantile[group, rate] = _at_scores(curve.score, curve.log_odds)
    return Curves(density, quantile, scores)


@lru_cache(maxsize=1)
def _even_log_rates() -> tuple[Array, Array, Array]:
    """Evenly spaced log odds, ln of their rates and of what these leave."""
    even = np.linspace(-FARTHEST, FARTHEST, DENSITY_NODES)
    return even, special.log_expit(even), special.log_expit(-even)


def _log_density(a: Array, b: Array, low: Array, high: Array) -> tuple[Array, Array]:
    """Log density of log odds, of which ln of the rates and of what these leave are given, all
    (n,), and its slope, over K equally likely betas."""
    out = np.empty((2, len(low)))
    curves.mixture(a, b, special.betaln(a, b), low, high, out)
    return out[0], out[1]


@dataclass(frozen=True)
class _ScoreCurve:
    """Log odds by their normal scores, both rising, shape (n,), and the slope there."""

    score: Array
    log_odds: Array
    slope: Array


def _score_curve(a: Array, b: Array) -> _ScoreCurve:
    """Normal scores of log odds, over K equally likely betas.

    Nodes lie a tenth apart, where the betas are an eighth of the narrowest's spread. Between them
    the distribution function grows by the trapezoid and both slopes (Euler and Maclaurin), what
    lies beyond them is exact.
    """
    middle = special.digamma(a) - special.digamma(b)
    spread = np.sqrt(special.polygamma(1, a) + special.polygamma(1, b))
    begin = max(-FARTHEST, float((middle - 7 * spread).min()))
    end = min(FARTHEST, float((middle + 7 * spread).max()))
    near = np.linspace(begin, end, min(DENSITY_NODES, 2 + int(8 * (end - begin) / spread.min())))
    even = np.linspace(-FARTHEST, FARTHEST, 1201)
    x = np.union1d(even, near)
    value, slope = _log_density(a, b, special.log_expit(x), special.log_expit(-x))
    step, height = np.diff(x), np.exp(value)
    rise = height * slope
    piece = 0.5 * step * (height[:-1] + height[1:]) + step**2 / 12 * (rise[:-1] - rise[1:])
    piece = np.maximum(piece, 0.0)
    beyond = special.expit(-FARTHEST)
    below = special.betainc(a, b, beyond).mean() + np.concatenate([[0.0], np.cumsum(piece)])
    above = np.concatenate([np.cumsum(piece[::-1])[::-1], [0.0]])
    above += special.betainc(b, a, beyond).mean()
    with np.errstate(divide="ignore", invalid="ignore"):
        score = np.where(below < 0.5, special.ndtri(below), -special.ndtri(above))
    told = np.isfinite(score)
    z, first = np.unique(score[told].round(6), return_index=True)
    slope = np.exp(-(z**2) / 2 - np.log(2 * np.pi) / 2 - value[told][first])
    return _ScoreCurve(z, x[told][first], slope)


def _at_scores(z: Array, x: Array) -> Array:
    """Log odds at evenly spaced normal scores from -SCORES to SCORES, straight on beyond ``z``."""
    wanted = np.linspace(-SCORES, SCORES, SCORE_NODES)
    line: Array = np.interp(wanted, z, x)
    low, high = wanted < z[0], wanted > z[-1]
    line[low] = x[0] + (wanted[low] - z[0]) * (x[1] - x[0]) / (z[1] - z[0])
    line[high] = x[-1] + (wanted[high] - z[-1]) * (x[-1] - x[-2]) / (z[-1] - z[-2])
    # Where two scores are one in double precision, log odds still rise.
    result: Array = np.maximum.accumulate(line) + 1e-9 * np.arange(SCORE_NODES)
    return result


@lru_cache(maxsize=6)
def _pool(
    shape: tuple[int, int, int], a: bytes, b: bytes, first: int, second: int, seed: int
) -> Pool:
    """See ``make_pool``; arrays of the priors as bytes, so that they can be looked up."""
    groups, _, rates = shape
    sets = max(FEWEST_SETS, POOL_POINTS // first)
    score, order = _normal_scores(rates, sets * first, seed)
    of_priors = _curves(shape, a, b)
    points = np.empty((groups, sets * first, rates))
    for group, rate in np.ndindex(groups, rates):
        own = of_priors.scores[group][rate]
        points[group, :, rate] = curves.cubic(
            own.score, own.log_odds, own.slope, order[rate], score[rate]
        )
    student = _student_scores(rates, sets * second, seed + 1)
    return Pool(
        np.ascontiguousarray(points.reshape(-1, sets, first, rates).transpose(1, 0, 3, 2)),
        of_priors.quantile,
        np.ascontiguousarray(student.reshape(sets, second, rates).transpose(0, 2, 1)),
        STUDENT_DEGREES,
    )


# The same for every pass of learning, whatever the priors.
@lru_cache(maxsize=6)
def _normal_scores(rates: int, number: int, seed: int) -> tuple[Array, npt.NDArray[np.int64]]:
    """Evenly spread points of independent normal scores, shape (rates, number), and the order in
    which those of each rate rise."""
    uniform = stats.qmc.Sobol(d=rates, scramble=True, seed=seed).random(number)
    score = np.ascontiguousarray(special.ndtri(uniform.clip(1e-12, 1 - 1e-12)).T)
    return score, np.argsort(score, axis=1, kind="stable")


@lru_cache(maxsize=6)
def _student_scores(rates: int, number: int, seed: int) -> Array:
    """Evenly spread points of a standard multivariate t distribution, shape (number, rates)."""
    # A power of two keeps the sequence balanced; what is left over is dropped.
    wanted = 2 ** int(np.ceil(np.log2(number)))
    more = stats.qmc.Sobol(d=1 + rates, scramble=True, seed=seed).random(wanted)
    more = more[:number].clip(1e-9, 1 - 1e-9)
    spread = np.sqrt(stats.chi2.ppf(more[:, :1], STUDENT_DEGREES) / STUDENT_DEGREES)
    result: Array = special.ndtri(more[:, 1:]) / spread
    return result


def student_constant(degrees: float, rates: int = len(RATES)) -> float:
    """Log normalising constant of a standard multivariate t density."""
    return float(
        special.gammaln((degrees + rates) / 2)
        - special.gammaln(degrees / 2)
        - rates / 2 * np.log(degrees * np.pi)
    )


@lru_cache(maxsize=4096)
def _jacobi(alpha: float, beta: float) -> tuple[Array, Array]:
    """Nodes and weights of Gauss-Jacobi quadrature: asked for again with every block."""
    node, weight = special.roots_jacobi(40, alpha, beta)
    return node, weight


def mean_rates(priors: Priors, shift: Array) -> Array:
    """Mean of each rate in each group after a building's shift, by Gauss-Jacobi quadrature.

    Args:
        priors: the priors.
        shift: shape (n, 5).

    Returns:
        Shape (n, G, 5).
    """
    groups, draws, rates = priors.a.shape
    plain = (priors.a / (priors.a + priors.b)).mean(axis=1)
    result = np.broadcast_to(plain, (len(shift), groups, rates)).copy()
    for rate in range(rates):
        moved = np.flatnonzero(shift[:, rate])
        if not len(moved):
            continue
        values, inverse = np.unique(shift[moved, rate], return_inverse=True)
        odds = np.exp(values)[:, None]
        for group in range(groups):
            mean = np.zeros(len(values))
            for draw in range(draws):
                a, b = priors.a[group, draw, rate], priors.b[group, draw, rate]
                node, weight = _jacobi(float(b - 1), float(a - 1))
                share = (node + 1) / 2
                moved_share = share * odds / (1 - share + share * odds)
                # Summed row by row: a matrix product's last bits depend on the other rows.
                mean += (moved_share * weight).sum(axis=1) / weight.sum()
            result[moved, group, rate] = mean[inverse] / draws
    return result


def typical_eras(rule_book: RuleBook, built: Array) -> Array:
    """Shares of the eras: the portfolio's own proportions steadied by the rule book's.

    Args:
        rule_book: the rule book.
        built: years, NaN where missing, shape (B,).

    Returns:
        Shape (G - 1,): without the rewired; sums to 1.
    """
    eras = list(rule_book.eras.values())
    known = era_index(rule_book, built)
    share = np.array([float(era.share) for era in eras])
    counts = np.bincount(known[known >= 0], minlength=len(eras))
    steady = float(rule_book.learning.era_share_buildings)
    result: Array = (counts + steady * share / share.sum()) / (counts.sum() + steady)
    return result


def group_weights(
    rule_book: RuleBook, built: Array, rewired: Array, typical: Array | None = None
) -> Array:
    """Probability of each group as the one whose wiring a building has.

    A recorded rewiring makes it one of the rewired. Near the first year of an era the era before
    has its share, so that a year's difference makes a small difference. A missing year averages
    over eras as ``typical_eras`` has them; a recorded year is wrong now and then.

    Args:
        rule_book: the rule book.
        built, rewired: years, NaN where missing, shape (B,).
        typical: shares of the eras, shape (G - 1,); those of these buildings by default.

    Returns:
        Shape (B, G); rows sum to 1.
    """
    eras = list(rule_book.eras.values())
    blend = float(rule_book.structure.era_blend_years)
    known = era_index(rule_book, built)
    if typical is None:
        typical = typical_eras(rule_book, built)
    wrong = float(rule_book.structure.year_wrong)
    member = np.zeros((len(built), len(eras)))
    # Rises from 0 to 1 over the years about each era's first; what rises there falls before.
    risen = [np.ones(len(built))]
    for era in eras[1:]:
        middle = float(era.first_year) - 0.5
        with np.errstate(invalid="ignore"):
            risen.append(((built - middle) / (2 * blend) + 0.5).clip(0.0, 1.0))
    for index in range(len(eras)):
        after = risen[index + 1] if index + 1 < len(eras) else 0.0
        member[:, index] = risen[index] - after
    member = np.where(known[:, None] >= 0, wrong * typical + (1 - wrong) * member, typical)
    again = np.isfinite(rewired)
    result = np.zeros((len(built), len(eras) + 1))
    result[:, :-1] = np.where(again[:, None], wrong * member, member)
    result[:, -1] = np.where(again, 1 - wrong, 0.0)
    return result


def era_index(rule_book: RuleBook, years: Array) -> Ints:
    """Era of each year, -1 where the year is missing (NaN) or in no band, shape of ``years``."""
    result = np.full(years.shape, -1, dtype=np.int64)
    for index, era in enumerate(rule_book.eras.values()):
        inside = (years >= float(era.first_year)) & (years <= float(era.last_year))
        result[inside] = index
    return result
