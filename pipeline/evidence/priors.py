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
from scipy import interpolate, special, stats

from pipeline.evidence.kernel import SCORES, Pool, Prior
from pipeline.evidence.states import RATES, Array
from shared.rule_book import RuleBook

Ints = npt.NDArray[np.int64]

POOL_POINTS, FEWEST_SETS = 8_192, 8
"""Points in all of the sets that buildings take theirs from, and how many sets there are at least:
sharing one set would mean sharing its chance error, which learning would then exploit."""

STUDENT_DEGREES = 6.0
_NODES = np.linspace(-7.1, 7.1, 285)
EVERY_GROUP = 0.05
"""Added to each group's share of the points placed: none is left out, as a building may not be of
the years that its register says. Weights of points undo it; it changes no chance, only noise."""
SCORE_NODES = 97
"""Normal scores at which log odds are tabulated, an eighth apart."""


@dataclass(frozen=True)
class Priors:
    """Beta parameters of every rate in every group: K equally likely draws of them.

    Attributes:
        a, b: shape (G, K, 5).
        shares: probability of each group where no year is known, shape (G,); rewired last.
    """

    a: Array
    b: Array
    shares: Array

    def for_kernel(self) -> Prior:
        """The same with its constants worked out."""
        draws = self.a.shape[1]
        anywhere = self.shares + EVERY_GROUP
        return Prior(
            np.ascontiguousarray(self.a),
            np.ascontiguousarray(self.b),
            -special.betaln(self.a, self.b).sum(axis=2) - np.log(draws),
            anywhere / anywhere.sum(),
        )


def group_keys(rule_book: RuleBook) -> list[str]:
    """Keys of the groups in order: the eras, then ``rewired``."""
    return [*rule_book.eras, "rewired"]


def default_priors(rule_book: RuleBook) -> Priors:
    """The rule book's priors, before a portfolio has said anything: one draw."""
    groups = [*rule_book.eras.values(), rule_book.rewired]
    beta = np.array([[getattr(group, rate).beta for rate in RATES] for group in groups])
    shares = np.array([*(float(era.share) for era in rule_book.eras.values()), 0.0])
    return Priors(beta[:, None, :, 0], beta[:, None, :, 1], shares / shares.sum())


def beta_log_odds(a: Array, b: Array, u: Array) -> Array:
    """Quantile of a beta distribution on the log-odds scale, exact in both tails."""
    a, b, u = np.broadcast_arrays(a, b, u)
    low = np.maximum(special.betaincinv(a, b, u), 1e-300)
    result: Array = np.log(low) - np.log1p(-low.clip(max=0.9))
    upper = low >= 0.5
    high = np.maximum(special.betaincinv(b[upper], a[upper], 1 - u[upper]), 1e-300)
    result[upper] = np.log1p(-high) - np.log(high)
    return result


def make_pool(priors: Priors, first: int, second: int, seed: int) -> Pool:
    """Point sets for ``kernel.place_points``.

    Args:
        priors: the priors; every draw of a group has its share of the group's points, for where
            little was learned the draws differ much, and points of their mean would miss some.
        first, second: points of each set, of each group's prior and of the t distribution.
        seed: of the low-discrepancy sequences.
    """
    # The model and the one of slots alone have the same priors: their points are made once.
    return _pool(priors.a.shape, priors.a.tobytes(), priors.b.tobytes(), first, second, seed)


@lru_cache(maxsize=2)
def _curves(shape: tuple[int, int, int], a: bytes, b: bytes) -> tuple[Array, Array]:
    """Quantiles of each draw at ``_NODES``, shape (G, K, 5, nodes), and ``score_tables``."""
    of_a, of_b = (np.frombuffer(each).reshape(shape) for each in (a, b))
    quantiles = beta_log_odds(of_a[..., None], of_b[..., None], special.ndtr(_NODES))
    return quantiles, score_tables(of_a, of_b)


@lru_cache(maxsize=6)
def _pool(
    shape: tuple[int, int, int], a: bytes, b: bytes, first: int, second: int, seed: int
) -> Pool:
    """See ``make_pool``; arrays of the priors as bytes, so that they can be looked up."""
    groups, draws, rates = shape
    sets = max(FEWEST_SETS, POOL_POINTS // first)
    uniform = stats.qmc.Sobol(d=1 + rates, scramble=True, seed=seed).random(sets * first)
    draw = (uniform[:, 0] * draws).astype(int).clip(0, draws - 1)
    # Inverting that many betas would take longer than all else: a smooth curve through the
    # quantiles at evenly spaced normal scores is as good (to 1e-4 of the log odds).
    score = special.ndtri(uniform[:, 1:].clip(1e-12, 1 - 1e-12))
    curves, tables = _curves(shape, a, b)
    points = np.empty((groups, sets * first, rates))
    pieces = np.ascontiguousarray(
        np.moveaxis(interpolate.PchipInterpolator(_NODES, curves, axis=-1).c, (0, 1), (-2, -1))
    )
    for k in range(draws):
        mine = draw == k
        for group, rate in np.ndindex(groups, rates):
            curve = interpolate.PPoly.construct_fast(pieces[group, k, rate], _NODES)
            points[group, mine, rate] = curve(score[mine, rate])
    points = points.clip(-60, 60)
    # A power of two keeps the sequence balanced; what is left over is dropped.
    wanted = 2 ** int(np.ceil(np.log2(sets * second)))
    more = stats.qmc.Sobol(d=1 + rates, scramble=True, seed=seed + 1).random(wanted)
    more = more[: sets * second].clip(1e-9, 1 - 1e-9)
    spread = np.sqrt(stats.chi2.ppf(more[:, :1], STUDENT_DEGREES) / STUDENT_DEGREES)
    student = special.ndtri(more[:, 1:]) / spread
    return Pool(
        np.ascontiguousarray(points.reshape(-1, sets, first, rates).transpose(1, 0, 3, 2)),
        tables,
        np.ascontiguousarray(student.reshape(sets, second, rates).transpose(0, 2, 1)),
        STUDENT_DEGREES,
    )


def score_tables(a: Array, b: Array) -> Array:
    """Log odds of each group's rates, over its draws, at evenly spaced normal scores.

    Args:
        a, b: beta parameters, shape (G, K, 5).

    Returns:
        Rising, shape (G, 5, nodes); see ``kernel.Pool``. Beyond what can be told apart in double
        precision it goes on in a straight line.
    """
    wanted = np.linspace(-SCORES, SCORES, SCORE_NODES)
    few = special.ndtr(np.linspace(-SCORES, SCORES, 25))
    # Every draw's own quantiles are where its mixture is told exactly; lines go between.
    grid = beta_log_odds(a[..., None], b[..., None], few).clip(-60, 60)
    grid = np.sort(grid.transpose(0, 2, 1, 3).reshape(len(a), a.shape[2], -1), axis=2)
    p, rest = special.expit(grid)[:, None], special.expit(-grid)[:, None]
    below = special.betainc(a[..., None], b[..., None], p).mean(axis=1)
    above = special.betainc(b[..., None], a[..., None], rest).mean(axis=1)
    score = np.where(below < 0.5, special.ndtri(below), -special.ndtri(above))
    result = np.empty((*score.shape[:2], SCORE_NODES))
    for place in np.ndindex(score.shape[:2]):
        told = np.isfinite(score[place])
        z, first = np.unique(score[place][told].round(6), return_index=True)
        x = grid[place][told][first]
        line = np.interp(wanted, z, x)
        low, high = wanted < z[0], wanted > z[-1]
        line[low] = x[0] + (wanted[low] - z[0]) * (x[1] - x[0]) / (z[1] - z[0])
        line[high] = x[-1] + (wanted[high] - z[-1]) * (x[-1] - x[-2]) / (z[-1] - z[-2])
        # Where two scores are one in double precision, log odds still rise.
        result[place] = np.maximum.accumulate(line) + 1e-9 * np.arange(SCORE_NODES)
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
        Shape (n, G, K, 5).
    """
    groups, draws, rates = priors.a.shape
    plain = priors.a / (priors.a + priors.b)
    result = np.broadcast_to(plain, (len(shift), groups, draws, rates)).copy()
    for rate in range(rates):
        moved = np.flatnonzero(shift[:, rate])
        if not len(moved):
            continue
        values, inverse = np.unique(shift[moved, rate], return_inverse=True)
        odds = np.exp(values)[:, None]
        for group in range(groups):
            for draw in range(draws):
                a, b = priors.a[group, draw, rate], priors.b[group, draw, rate]
                node, weight = _jacobi(float(b - 1), float(a - 1))
                share = (node + 1) / 2
                moved_share = share * odds / (1 - share + share * odds)
                # Summed row by row: a matrix product's last bits depend on the other rows.
                mean = (moved_share * weight).sum(axis=1) / weight.sum()
                result[moved, group, draw, rate] = mean[inverse]
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
