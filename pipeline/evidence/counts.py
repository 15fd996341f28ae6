"""The number of dangerous openings: a sum of unlike coins, given the rates; mixed over the rates.

Given the rates the number is Poisson-binomial. Its distribution is taken as a shifted binomial of
the same mean and variance, the whole-number shift chosen by the third cumulant: exact when all
openings are alike, and when some are certain and the rest alike. Tests hold it against exact
convolution: within 3 % in total variation once the variance is 2 or more, within 20 % always.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.evidence.kinds import Array

_TAIL = 6.0


def resample(weight: Array, draws: int, generator: np.random.Generator) -> npt.NDArray[np.int64]:
    """Systematic resampling: ``draws`` point indices a building, shape (n, draws)."""
    start = generator.random((len(weight), 1))
    level = (np.arange(draws) + start) / draws
    cumulative = np.cumsum(weight, axis=1)
    cumulative /= cumulative[:, -1:]
    n, m = weight.shape
    flat = (cumulative + np.arange(n)[:, None]).ravel()
    index = np.searchsorted(flat, (level + np.arange(n)[:, None]).ravel(), side="left")
    result: npt.NDArray[np.int64] = index.reshape(n, draws) - np.arange(n)[:, None] * m
    return result.clip(0, m - 1)


def take(values: Array, picked: npt.NDArray[np.int64]) -> Array:
    """Values (n, M) at the picked points (n, draws)."""
    return np.take_along_axis(values, picked, axis=1)


def draw_positive(mean: Array, variance: Array, generator: np.random.Generator) -> Array:
    """Draw a non-negative sum of given mean and variance (gamma), elementwise."""
    variance = np.maximum(variance, 1e-12 * np.maximum(mean, 1e-300) ** 2)
    shape = np.maximum(mean, 1e-300) ** 2 / variance
    # Below a shape of 0.01 a gamma underflows; the sum is then zero for all purposes but its mean.
    return (
        generator.gamma(np.maximum(shape, 1e-2))
        * np.maximum(mean, 1e-300)
        / np.maximum(shape, 1e-2)
    )


def _shifted_binomials(cumulants: Array) -> tuple[Array, Array, Array]:
    """Shift, trials and log odds of success that match three cumulants (3, ...)."""
    mean, variance, third = cumulants
    variance = np.maximum(variance, 1e-12)
    chance = (1 - (third / variance).clip(-0.98, 0.98)) / 2
    shift = np.round(mean - variance / (1 - chance))
    # A binomial's variance is below its mean: that bounds the shift.
    shift = np.minimum(shift, np.floor(mean - variance - 1e-9)).clip(min=0.0)
    rest = np.maximum(mean - shift, 1e-12)
    chance = (1 - variance / rest).clip(1e-9, 1 - 1e-9)
    return shift, rest / chance, np.log(chance) - np.log1p(-chance)


def distributions(cumulants: Array, size: Array) -> tuple[npt.NDArray[np.int64], Array]:
    """Distributions of the number of dangerous openings in a block of buildings.

    Args:
        cumulants: mean, variance and third cumulant given the rates at each draw, (3, n, draws).
        size: openings in each building, shape (n,).

    Returns:
        First count (n,) and probabilities from there on, (n, W); rows sum to 1.
    """
    mean, spread = cumulants[0], np.sqrt(np.maximum(cumulants[1], 0.0))
    first = np.maximum(0, np.floor((mean - _TAIL * spread).min(axis=1)) - 1).astype(np.int64)
    last = np.minimum(size, np.ceil((mean + _TAIL * spread).max(axis=1)) + 3).astype(np.int64)
    width = int((np.maximum(last, first) - first).max()) + 1
    shift, trials, log_odds = (part[..., None] for part in _shifted_binomials(cumulants))
    past = first[:, None, None] + np.arange(width) - shift
    with np.errstate(divide="ignore", invalid="ignore"):
        # Each probability from the one before it; where that is no count at all, start afresh.
        step = np.log((trials - past + 1) / past) + log_odds
    step = np.where(past >= 1, np.where(trials - past + 1 > 1e-6, step, -1e4), 0.0)
    step[..., 0] = 0.0
    log_pmf = np.cumsum(step, axis=2)
    possible = (past >= 0) & (first[:, None, None] + np.arange(width) <= size[:, None, None])
    log_pmf = np.where(possible, log_pmf, -np.inf)
    top = log_pmf.max(axis=2, keepdims=True)
    pmf = np.exp(log_pmf - np.where(np.isfinite(top), top, 0.0))
    total = pmf.sum(axis=2, keepdims=True)
    mixed = (pmf / np.maximum(total, 1e-300)).mean(axis=1)
    return first, mixed / mixed.sum(axis=1, keepdims=True)


def shortest_intervals(
    first: npt.NDArray[np.int64], pmf: Array, mass: float
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """The shortest run of counts that holds at least ``mass``; of equals, the likeliest.

    Args:
        first: first count, shape (n,).
        pmf: probabilities from there on, shape (n, W).
        mass: probability to hold.

    Returns:
        Lowest and highest count, inclusive, shape (n,) each.
    """
    n, width = pmf.shape
    held = np.concatenate([np.zeros((n, 1)), np.cumsum(pmf, axis=1)], axis=1)
    held /= held[:, -1:]
    # One sorted search over all buildings: each building's run is moved past the one before it.
    move = 3.0 * np.arange(n)[:, None]
    goal = held[:, :-1] + mass - 1e-12
    stop = np.searchsorted((held + move).ravel(), (goal + move).ravel(), side="left")
    stop = stop.reshape(n, width) - np.arange(n)[:, None] * (width + 1)
    reached = stop <= width
    inside = np.take_along_axis(held, stop.clip(max=width), axis=1) - held[:, :-1]
    length = np.where(reached, stop - np.arange(width), 2 * width)
    start = (length - 0.5 * inside).argmin(axis=1)
    end = np.take_along_axis(stop, start[:, None], axis=1)[:, 0]
    return first + start, first + end - 1
