"""Ranks and how sure they are, from joint draws of all buildings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.evidence.posterior import on_threads
from pipeline.evidence.states import Array

Draws = npt.NDArray[np.float32] | npt.NDArray[np.uint16]

DRAWS_AT_ONCE, BUILDINGS_AT_ONCE = 16, 4_096
"""Draws, and buildings, that are gone through in one go: as many as lie near the processor."""


@dataclass(frozen=True)
class Ranks:
    """An order of buildings and how sure it is.

    Attributes:
        rank: place by the expected value, 1 for the largest; equals keep their order.
        low, high: interval of the place among the draws, inclusive. It is what the draws say: where
            a few large draws carry a mean, its rank lies outside.
        in_top: probability of being among the first K.
    """

    rank: npt.NDArray[np.int64]
    low: npt.NDArray[np.int64]
    high: npt.NDArray[np.int64]
    in_top: Array


def ranks(value: Array) -> npt.NDArray[np.int64]:
    """Rank of each building, 1 for the largest value; equals keep their order."""
    result = np.empty(len(value), dtype=np.int64)
    result[np.argsort(-value, kind="stable")] = np.arange(1, len(value) + 1)
    return result


def ranked(
    expected: Array, draws: Draws, mass: float, top: int, times: Array | None = None
) -> Ranks:
    """Rank buildings by a quantity, and say how sure that is by draws of the same quantity.

    Buildings that are equal in a draw (as many are that have nothing dangerous) stand there in the
    order of what is expected of them.

    Args:
        expected: the mean, shape (B,).
        draws: joint draws, none below zero, shape (B, D).
        mass: probability held by the interval (equal tails).
        top: K.
        times: what each building's draws are multiplied by, shape (B,); 1 by default.
    """
    size, count = draws.shape
    rank = ranks(expected)
    order = np.argsort(rank)
    factor = np.ones(size, np.float32) if times is None else times.astype(np.float32)[order]
    places = np.empty((count, size), dtype=np.int32)
    steps = np.arange(1, size + 1, dtype=np.int32)

    def some(part: slice) -> None:
        for start in range(part.start, part.stop, DRAWS_AT_ONCE):
            block = np.ascontiguousarray(draws[:, start : min(start + DRAWS_AT_ONCE, part.stop)].T)
            for draw, values in enumerate(block, start):
                places[draw, order[_falling(values[order] * factor)]] = steps

    # Each thread has draws of its own, however many there are: the result is the same.
    on_threads(some, count)
    tail = (1 - mass) / 2
    low, high = int(np.floor(tail * (count - 1))), int(np.ceil((1 - tail) * (count - 1)))
    in_top = np.empty(size)
    bounds = np.empty((2, size), dtype=np.int64)
    for start in range(0, size, BUILDINGS_AT_ONCE):
        part = slice(start, start + BUILDINGS_AT_ONCE)
        block = np.ascontiguousarray(places[:, part].T)
        in_top[part] = (block <= top).mean(axis=1)
        block.partition((low, high), axis=1)
        bounds[0, part], bounds[1, part] = block[:, low], block[:, high]
    return Ranks(rank, bounds[0], bounds[1], in_top)


@dataclass(frozen=True)
class Spread:
    """How a mean of draws lies in them, by building, shape (B,).

    Attributes:
        low, high: equal-tailed interval.
        middle: half of the draws lie below it.
        tail: share of the mean that the draws above ``high`` carry; 0 where all are nothing.
    """

    low: Array
    high: Array
    middle: Array
    tail: Array


def spread_of(draws: Array, mass: float) -> Spread:
    """How draws (B, D) of something that is not below zero spread; ``mass`` is the interval's."""
    beyond = (1 - mass) / 2
    low, middle, high = np.quantile(draws, [beyond, 0.5, 1 - beyond], axis=1)
    total = draws.sum(axis=1)
    worst = np.where(draws > high[:, None], draws, 0.0).sum(axis=1)
    return Spread(low, high, middle, worst / np.where(total > 0, total, 1.0))


def _falling(values: npt.NDArray[np.float32]) -> npt.NDArray[np.int64]:
    """Places of values (none below zero) from the largest on; equals keep their order.

    The bits of such numbers rise as they do, so one whole number holds value and place, and whole
    numbers are sorted much faster than places are.
    """
    bits = np.uint32(0xFFFFFFFF) - (values + np.float32(0.0)).view(np.uint32)
    both = bits.astype(np.uint64) << np.uint64(32) | np.arange(len(values), dtype=np.uint64)
    both.sort()
    result: npt.NDArray[np.int64] = (both & np.uint64(0xFFFFFFFF)).astype(np.int64)
    return result
