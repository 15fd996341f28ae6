"""The number of dangerous openings: a sum of unlike coins, given the rates; mixed over the rates.

Given the rates the number is Poisson-binomial. It is split in two: openings that are probably
dangerous, all of them less those that are not after all, and openings that are probably not. Each
part is a sum of unlikely events, taken as the binomial of the same mean and variance (with a real
number of trials); that is exact where the openings of a part are alike. Tests hold the whole
against exact convolution.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from pipeline.evidence.kinds import Array

_TAIL = 6.0
_MANY = 9.0
"""Variance from which a sum is as good as normal."""

_CELLS = 1_000_000
"""Cells of the largest array held at once."""


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


@dataclass(frozen=True)
class Parts:
    """Poisson-binomial sums in two parts, given the rates, at each draw; all shaped (n, draws).

    Attributes:
        likely: openings that are dangerous with probability one half or more.
        spared_mean, spared_variance: of how many of these are not dangerous.
        unlikely_mean, unlikely_variance: of how many of the others are dangerous.
    """

    likely: Array
    spared_mean: Array
    spared_variance: Array
    unlikely_mean: Array
    unlikely_variance: Array

    @property
    def mean(self) -> Array:
        """Mean of the whole sum."""
        return self.likely - self.spared_mean + self.unlikely_mean

    @property
    def variance(self) -> Array:
        """Variance of the whole sum."""
        return self.spared_variance + self.unlikely_variance

    def flat(self) -> Parts:
        """All draws of all buildings on one axis."""
        return Parts(*(each.ravel() for each in self._all()))

    def at(self, picked: npt.NDArray[np.int64]) -> Parts:
        """The parts at picked points, (n, draws)."""
        return Parts(*(take(each, picked) for each in self._all()))

    def of(self, buildings: npt.NDArray[np.int64]) -> Parts:
        """The parts of some of the buildings."""
        return Parts(*(each[buildings] for each in self._all()))

    def _all(self) -> tuple[Array, ...]:
        return (
            self.likely,
            self.spared_mean,
            self.spared_variance,
            self.unlikely_mean,
            self.unlikely_variance,
        )


def parts(count: Array, chance: Array) -> Parts:
    """Split sums of openings in two parts.

    Args:
        count: openings in each row, shape (n, G).
        chance: probability that an opening of that row is dangerous at each point, (n, G, M).
    """
    high = chance >= 0.5
    spread = chance * (1 - chance)

    def total(each: Array) -> Array:
        result: Array = np.einsum("ng,ngm->nm", count, each)
        return result

    return Parts(
        likely=total(high.astype(np.float64)),
        spared_mean=total(np.where(high, 1 - chance, 0.0)),
        spared_variance=total(np.where(high, spread, 0.0)),
        unlikely_mean=total(np.where(high, 0.0, chance)),
        unlikely_variance=total(np.where(high, 0.0, spread)),
    )


def _binomials(mean: Array, variance: Array) -> Array:
    """Probabilities of 0, 1, … under binomials of that mean and variance, one more axis.

    Args:
        mean, variance: of sums of events no likelier than one half, any shape; so the variance is
            at least half the mean.
    """
    mean = np.maximum(mean, 1e-12)
    chance = (1 - variance / mean).clip(1e-9, 0.5)
    trials = mean / chance
    last = int(np.ceil((mean + _TAIL * np.sqrt(variance)).max())) + 2
    count = np.arange(1, last + 1)
    left = trials[..., None] - count + 1
    with np.errstate(divide="ignore", invalid="ignore"):
        # Each probability from the one before it.
        step = np.where(left > 1e-9, np.log(left / count), -1e4)
    step += (np.log(chance) - np.log1p(-chance))[..., None]
    log_pmf = np.zeros((*mean.shape, last + 1))
    np.cumsum(step, axis=-1, out=log_pmf[..., 1:])
    pmf = np.exp(log_pmf - log_pmf.max(axis=-1, keepdims=True))
    result: Array = pmf / pmf.sum(axis=-1, keepdims=True)
    return result


def _convolve(first: Array, second: Array) -> Array:
    """Convolve along the last axis."""
    if first.shape[-1] > second.shape[-1]:
        first, second = second, first
    width = second.shape[-1]
    result = np.zeros((*first.shape[:-1], first.shape[-1] + width - 1))
    for place in range(first.shape[-1]):
        result[..., place : place + width] += first[..., place : place + 1] * second
    return result


def _few(sums: Parts) -> tuple[npt.NDArray[np.int64], Array]:
    """First counts and probabilities of sums with a small variance, by their two parts."""
    spared = _binomials(sums.spared_mean, sums.spared_variance)
    unlikely = _binomials(sums.unlikely_mean, sums.unlikely_variance)
    start = np.round(sums.likely).astype(np.int64) - (spared.shape[-1] - 1)
    return start, _convolve(spared[..., ::-1], unlikely)


def _many(sums: Parts) -> tuple[npt.NDArray[np.int64], Array]:
    """First counts and probabilities of sums with a large variance: normal, by unit steps."""
    mean, spread = sums.mean, np.sqrt(sums.variance)
    start = np.floor(mean - _TAIL * spread).astype(np.int64)
    edge = start[:, None] + np.arange(int(np.ceil(2 * _TAIL * spread.max())) + 3) - 0.5
    below = special.ndtr((edge - mean[:, None]) / spread[:, None])
    return start, np.diff(below, axis=1)


def distributions(sums: Parts, size: Array) -> tuple[npt.NDArray[np.int64], Array]:
    """Distributions of the number of dangerous openings in some buildings.

    Args:
        sums: given the rates at each draw, (n, draws).
        size: openings in each building, shape (n,).

    Returns:
        First count (n,) and probabilities from there on, (n, W); rows sum to 1.
    """
    n, draws = sums.likely.shape
    flat = sums.flat()
    building = np.repeat(np.arange(n), draws)
    large = flat.variance >= _MANY
    found = []
    for chosen, solve in ((~large, _few), (large, _many)):
        if chosen.any():
            start, pmf = solve(flat.of(np.flatnonzero(chosen)))
            count = start[:, None] + np.arange(pmf.shape[1])
            most = size[building[chosen], None]
            pmf = np.where((count >= 0) & (count <= most), pmf, 0.0)
            pmf /= np.maximum(pmf.sum(axis=1, keepdims=True), 1e-300)
            found.append((building[chosen], count, pmf))
    # Every draw has its own window; add them up on one line per building.
    first = np.full(n, np.iinfo(np.int64).max)
    for which, count, _ in found:
        np.minimum.at(first, which, count[:, 0].clip(min=0))
    line = 1 + max(int((count[:, -1] - first[which]).max()) for which, count, _ in found)
    mixed = np.zeros(n * line)
    for which, count, pmf in found:
        place = (count - first[which, None]).clip(0, line - 1) + line * which[:, None]
        mixed += np.bincount(place.ravel(), pmf.ravel(), minlength=n * line)
    mixed = mixed.reshape(n, line)
    return first, mixed / mixed.sum(axis=1, keepdims=True)


def intervals(
    sums: Parts, size: Array, mass: float
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], list[tuple[int, Array]]]:
    """Shortest intervals and distributions of a block of buildings, in slices that fit in memory.

    Args:
        sums: given the rates at each draw, (n, draws).
        size: openings in each building, shape (n,).
        mass: probability to hold.

    Returns:
        Lowest and highest count (n,), and (first count, probabilities) of each building.
    """
    low, high = np.empty(len(size), dtype=np.int64), np.empty(len(size), dtype=np.int64)
    kept: dict[int, tuple[int, Array]] = {}
    spread = np.sqrt(sums.spared_variance.max(axis=1)) + np.sqrt(sums.unlikely_variance.max(axis=1))
    cells = sums.likely.shape[1] * (_TAIL * spread + sums.mean.max(axis=1).clip(max=8) + 6)
    order = np.argsort(cells, kind="stable")
    done = 0
    while done < len(order):
        # Sorted by width, so the last one of a slice is the widest.
        fits = cells[order[done:]] * np.arange(1, len(order) - done + 1) <= _CELLS
        part = order[done : done + max(1, int(fits.sum()))]
        first, pmf = distributions(sums.of(part), size[part])
        low[part], high[part] = shortest_intervals(first, pmf, mass)
        kept.update(zip(part.tolist(), zip(first.tolist(), pmf, strict=True), strict=True))
        done += len(part)
    return low, high, [kept[index] for index in range(len(size))]


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
