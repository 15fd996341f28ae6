"""The number of dangerous openings: a sum of unlike coins, given the rates; mixed over the rates.

Given the rates the number is Poisson-binomial. Its distribution is taken as the binomial of the
same mean and variance (with a real number of trials), which is exact when all openings are alike;
tests hold it against exact convolution.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import special

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


def _binomial(mean: Array, variance: Array, first: int, last: int) -> Array:
    """Probabilities of first..last under the binomial of that mean and variance.

    Args:
        mean, variance: shape (d,).
        first, last: inclusive support wanted.

    Returns:
        Shape (d, last - first + 1), each row summing to 1.
    """
    count = np.arange(first, last + 1)
    mean = np.maximum(mean, 1e-12)
    miss = (variance / mean).clip(1e-9, 1 - 1e-9)
    trials = mean / (1 - miss)
    below = trials[:, None] - count
    log_pmf = (
        special.gammaln(trials + 1)[:, None]
        - special.gammaln(count + 1)
        - special.gammaln(np.maximum(below, -0.999) + 1)
        + count * np.log1p(-miss)[:, None]
        + below * np.log(miss)[:, None]
    )
    pmf = np.where(below > -1, np.exp(np.minimum(log_pmf, 0.0)), 0.0)
    total = pmf.sum(axis=1, keepdims=True)
    nearest = np.abs(count - mean[:, None]).argmin(axis=1)
    fallback = np.eye(len(count))[nearest]
    result: Array = np.where(total > 1e-12, pmf / np.maximum(total, 1e-300), fallback)
    return result


def distribution(mean: Array, variance: Array, size: float) -> tuple[int, Array]:
    """Distribution of a building's number of dangerous openings.

    Args:
        mean, variance: given the rates at each draw, shape (draws,).
        size: number of openings.

    Returns:
        (first count, probabilities from there on), trimmed of negligible tails.
    """
    spread = np.sqrt(variance)
    first = max(0, int(np.floor((mean - _TAIL * spread).min())) - 1)
    last = min(int(size), int(np.ceil((mean + _TAIL * spread).max())) + 3)
    last = max(last, first)
    # Draws repeat the same point many times: compute each point once.
    distinct, share = np.unique(np.stack([mean, variance], axis=1), axis=0, return_counts=True)
    pmf = share @ _binomial(distinct[:, 0], distinct[:, 1], first, last) / share.sum()
    return first, pmf


def shortest_interval(first: int, pmf: Array, mass: float) -> tuple[int, int]:
    """The shortest run of counts that holds at least ``mass``; the likeliest of equals."""
    cumulative = np.concatenate([[0.0], np.cumsum(pmf)])
    goal = cumulative[:-1] + mass * cumulative[-1] - 1e-12
    stop = np.searchsorted(cumulative, goal, side="left")
    possible = stop <= len(pmf)
    start = np.flatnonzero(possible)
    stop = stop[possible]
    held = cumulative[stop] - cumulative[start]
    best = np.lexsort((-held, stop - start))[0]
    return first + int(start[best]), first + int(stop[best]) - 1


def intervals(
    mean: Array, variance: Array, size: Array, mass: float
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], list[tuple[int, Array]]]:
    """Shortest intervals and distributions of a block of buildings.

    Args:
        mean, variance: of the count at each draw, shape (n, draws).
        size: openings in each building, shape (n,).
        mass: probability to hold.

    Returns:
        Low (n,), high (n,), inclusive; and the distributions.
    """
    pmfs = [distribution(m, v, s) for m, v, s in zip(mean, variance, size, strict=True)]
    ends = np.array([shortest_interval(first, pmf, mass) for first, pmf in pmfs], dtype=np.int64)
    return ends[:, 0], ends[:, 1], pmfs
