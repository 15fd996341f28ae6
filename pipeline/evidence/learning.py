"""Empirical Bayes: the portfolio corrects the rule book's defaults.

The defaults count as some buildings' worth of experience in each era; the portfolio's own
buildings count by the likelihood of their looks. The beta parameters maximise the two together.
An empty portfolio leaves the defaults as they are; a large one outweighs them.

On top comes the crew: whether owner or manager explains an excess of false grounds beyond era. Its
spread over crews is itself learned, with even odds that there is none, so that an unsupported
excess is shrunk away.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import optimize, special
from threadpoolctl import threadpool_limits

from pipeline.evidence.kinds import RATES, Array
from pipeline.evidence.model import Model
from pipeline.evidence.picking import picking
from pipeline.evidence.points import (
    FIRST_POINTS,
    SECOND_POINTS,
    SHARED_POINTS,
    log_likelihood,
    place_points,
    pool_points,
    row_rates,
    row_weights,
)
from pipeline.evidence.portfolio import Ints, Portfolio, blocks
from pipeline.evidence.priors import Priors, shifted_features
from shared.rule_book import RuleBook

_FALSE_GROUND = RATES.index("false_ground")
_CREW_GRID = np.linspace(-3.0, 4.0, 29)
_SPREADS = 8


@dataclass(frozen=True)
class Learned:
    """What the portfolio taught.

    Attributes:
        priors: the corrected priors.
        buildings: buildings with looks behind them.
        crew: log-odds effect of each owner and manager on false grounds, by factor and name index.
        crew_support: posterior probability that the factor explains anything, by factor.
    """

    priors: Priors
    buildings: int
    crew: dict[str, Array]
    crew_support: dict[str, float]


@dataclass(frozen=True)
class _Sample:
    """Points of the buildings learned from: features of log odds less shift, and the rest."""

    buildings: Ints
    log_odds: Array
    log_rest: Array
    era: Array
    shift: Array

    def features(self, crew: Array) -> Array:
        """Features with the crews' shift of false grounds, (n,), taken off too."""
        shift = self.shift.copy()
        shift[:, _FALSE_GROUND] += crew
        return shifted_features(self.log_odds, shift)


def learn(
    rule_book: RuleBook,
    model: Model,
    portfolio: Portfolio,
    crews: dict[str, Ints],
    progress: Callable[[float], None] | None = None,
) -> Learned:
    """Learn the priors and the crew effects from a portfolio.

    Args:
        rule_book: the rule book; its [learning] section weighs defaults against the portfolio.
        model: the model with the default priors.
        portfolio: the portfolio, without crew shifts.
        crews: for each factor ("owner", "manager") the index of the building's crew, -1 where
            none is known, shape (B,).
        progress: called with the fraction done.
    """
    settings = rule_book.learning
    none = Learned(
        model.priors,
        0,
        {name: np.zeros(int(index.max(initial=-1)) + 1) for name, index in crews.items()},
        dict.fromkeys(crews, 0.0),
    )
    chosen = _choose(portfolio, int(float(settings.buildings_max)), model.seed)
    if not len(chosen):
        return none
    sample = _sample(model, portfolio, chosen, progress)
    default = model.priors
    priors = default
    shift = np.zeros(len(chosen))
    crew, support = none.crew, none.crew_support
    # Eras first, then crews given the eras, then the eras again given the crews.
    for stage in range(3):
        priors = _fit_eras(rule_book, default, priors, sample, shift)
        if stage == 0:
            # The first points were placed under the defaults; place them anew where it matters.
            sample = _sample(replace(model, priors=priors), portfolio, chosen, progress)
        elif stage == 1:
            for factor, index in crews.items():
                here = index[sample.buildings]
                effect, support[factor] = _fit_crews(rule_book, priors, sample, shift, here)
                crew[factor][: len(effect)] = effect
                shift = shift + _of_crews(effect, here)
            if not np.any(shift):
                break
    return Learned(priors, len(chosen), crew, support)


def crew_shift(learned: Learned, crews: dict[str, Ints], size: int) -> Array:
    """Shift of the false-ground log odds of every building, shape (B,)."""
    total = np.zeros(size)
    for factor, index in crews.items():
        total += _of_crews(learned.crew[factor], index)
    return total


def _of_crews(effect: Array, index: Ints) -> Array:
    """Effect of each building's crew, 0 where none is known; shape of ``index``."""
    result = np.zeros(len(index))
    known = index >= 0
    result[known] = effect[index[known]]
    return result


def _choose(portfolio: Portfolio, most: int, seed: int) -> Ints:
    """Buildings with at least one look; a seeded sample of them if there are too many."""
    looked = portfolio.signatures.looked[portfolio.row_signature]
    running = np.concatenate([[0], np.cumsum(looked)])
    with_looks = np.flatnonzero(
        running[portfolio.row_start[1:]] > running[portfolio.row_start[:-1]]
    )
    if len(with_looks) > most:
        with_looks = np.sort(
            np.random.default_rng(seed).choice(with_looks, size=most, replace=False)
        )
    return with_looks


def _sample(
    model: Model,
    portfolio: Portfolio,
    chosen: Ints,
    progress: Callable[[float], None] | None,
) -> _Sample:
    pool = pool_points(model, 1)
    size = len(chosen)
    points_each = SHARED_POINTS + FIRST_POINTS + SECOND_POINTS
    position = np.full(len(portfolio), -1)
    position[chosen] = np.arange(size)
    log_odds = np.empty((size, points_each, len(RATES)))
    log_rest = np.empty((size, points_each))
    done = 0
    # One BLAS thread: see compute_posterior.
    with threadpool_limits(limits=1, user_api="blas"):
        for block in blocks(portfolio, chosen):
            picks = picking(model, portfolio, block)
            weights = row_weights(model, portfolio, block, picks, slots=True, readings=True)
            points = place_points(model, portfolio, block, picks, weights, pool, 1)
            likelihood = log_likelihood(portfolio, block, picks, points, row_rates(points, weights))
            into = position[block.buildings]
            log_odds[into] = points.log_odds
            log_rest[into] = likelihood - points.log_proposal
            done += len(block.buildings)
            if progress is not None:
                progress(done / size)
    return _Sample(
        chosen, log_odds, log_rest, portfolio.era_weights[chosen], portfolio.shift[chosen]
    )


def _fit_eras(
    rule_book: RuleBook, default: Priors, start: Priors, sample: _Sample, crew: Array
) -> Priors:
    """Maximise the marginal likelihood plus the weight of the defaults, by gradient."""
    weight = float(rule_book.learning.default_buildings)
    together = special.digamma(default.a + default.b)
    default_log = special.digamma(default.a) - together
    default_rest = special.digamma(default.b) - together
    features = sample.features(crew)
    flat_features = features.reshape(-1, features.shape[2])
    with np.errstate(divide="ignore"):
        log_rest = np.log(sample.era)[:, None, :] + sample.log_rest[..., None]

    def loss(logs: Array) -> tuple[float, Array]:
        a, b = np.exp(logs.reshape(2, *default.a.shape))
        joint = replace(default, a=a, b=b).log_density(features) + log_rest
        flat = joint.reshape(len(joint), -1)
        top = flat.max(axis=1, keepdims=True)
        share = np.exp(flat - top)
        total = share.sum(axis=1, keepdims=True)
        share /= total
        share = share.reshape(-1, joint.shape[2])
        held = share.sum(axis=0)[:, None] + weight
        moment = share.T @ flat_features
        log_sum = moment[:, 0::2] + weight * default_log
        rest_sum = moment[:, 1::2] + weight * default_rest
        both = special.digamma(a + b)
        gradient = np.stack(
            [
                a * (log_sum - held * (special.digamma(a) - both)),
                b * (rest_sum - held * (special.digamma(b) - both)),
            ]
        )
        value = (top + np.log(total)).sum() + weight * (
            a * default_log + b * default_rest - special.betaln(a, b)
        ).sum()
        return -float(value), -gradient.ravel()

    # Below 0.05 pseudo-openings nearly all weight would lie on 0 or 1.
    found = optimize.minimize(
        loss,
        np.log([start.a, start.b]).ravel().clip(np.log(0.05), np.log(1e4)),
        jac=True,
        method="L-BFGS-B",
        bounds=[(np.log(0.05), np.log(1e4))] * (2 * default.a.size),
        options={"maxiter": int(float(rule_book.learning.rounds))},
    )
    a, b = np.exp(found.x.reshape(2, *default.a.shape))
    return replace(default, a=a, b=b)


def _fit_crews(
    rule_book: RuleBook, priors: Priors, sample: _Sample, before: Array, index: Ints
) -> tuple[Array, float]:
    """Effects of one factor's crews and the probability that the factor explains anything."""
    crews = int(index.max(initial=-1)) + 1
    if crews < 2:
        return np.zeros(max(crews, 0)), 0.0
    with np.errstate(divide="ignore"):
        log_era = np.log(sample.era)[:, None, :]
    evidence = np.empty((len(_CREW_GRID), len(sample.buildings)))
    for position, effect in enumerate(_CREW_GRID):
        joint = (
            priors.log_density(sample.features(before + effect))
            + log_era
            + sample.log_rest[..., None]
        )
        evidence[position] = special.logsumexp(joint, axis=(1, 2))
    evidence -= evidence[np.abs(_CREW_GRID).argmin()]
    of_crew: Array = np.zeros((len(_CREW_GRID), crews))
    known = index >= 0
    np.add.at(of_crew.T, index[known], evidence[:, known].T)

    most = float(rule_book.learning.crew_spread_max)
    spreads = np.linspace(most / _SPREADS, most, _SPREADS)
    log_grid = -0.5 * (_CREW_GRID / spreads[:, None]) ** 2
    log_grid -= special.logsumexp(log_grid, axis=1, keepdims=True)
    joint = log_grid[:, :, None] + of_crew[None]
    marginal = special.logsumexp(joint, axis=1)
    nothing = float(rule_book.learning.crew_none_probability)
    log_spread = marginal.sum(axis=1) + np.log((1 - nothing) / _SPREADS)
    posterior: npt.NDArray[np.float64] = np.concatenate([[np.log(nothing)], log_spread])
    posterior = np.exp(posterior - special.logsumexp(posterior))
    mean = np.einsum("sgc,g->sc", np.exp(joint - marginal[:, None, :]), _CREW_GRID)
    return posterior[1:] @ mean, float(posterior[1:].sum())
