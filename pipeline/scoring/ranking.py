"""Ranks and how sure they are, from joint draws of all buildings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.evidence.states import Array


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


def ranked(expected: Array, draws: npt.NDArray[np.float32], mass: float, top: int) -> Ranks:
    """Rank buildings by a quantity, and say how sure that is by draws of the same quantity.

    Buildings that are equal in a draw (as many are that have nothing dangerous) stand there in the
    order of what is expected of them.

    Args:
        expected: the mean, shape (B,).
        draws: joint draws, shape (B, D).
        mass: probability held by the interval (equal tails).
        top: K.
    """
    size, count = draws.shape
    rank = ranks(expected)
    order = np.argsort(rank)
    places = np.empty((size, count), dtype=np.int32)
    for draw in range(count):
        inner = np.argsort(-draws[order, draw], kind="stable")
        places[order[inner], draw] = np.arange(1, size + 1, dtype=np.int32)
    in_top = (places <= top).mean(axis=1)
    tail = (1 - mass) / 2
    low, high = int(np.floor(tail * (count - 1))), int(np.ceil((1 - tail) * (count - 1)))
    # In place, so that a large portfolio needs no second copy.
    places.partition((low, high), axis=1)
    return Ranks(rank, places[:, low].astype(np.int64), places[:, high].astype(np.int64), in_top)


def score_intervals(draws: npt.NDArray[np.float32], mass: float) -> tuple[Array, Array]:
    """Equal-tailed interval of each score, from draws of shape (B, D): two arrays (B,)."""
    tail = (1 - mass) / 2
    low = np.empty(len(draws))
    high = np.empty(len(draws))
    for start in range(0, len(draws), 10_000):
        part = slice(start, start + 10_000)
        low[part], high[part] = np.quantile(draws[part], [tail, 1 - tail], axis=1)
    return low, high
