"""Ranks and how sure they are, from joint draws of all scores."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.evidence.states import Array


def ranks(score: Array) -> npt.NDArray[np.int64]:
    """Rank of each building, 1 for the largest score; equals keep their order."""
    result = np.empty(len(score), dtype=np.int64)
    result[np.argsort(-score, kind="stable")] = np.arange(1, len(score) + 1)
    return result


def rank_intervals(
    draws: npt.NDArray[np.float32], mass: float, top: int
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], Array]:
    """Interval of each building's rank and its probability of being in the top K.

    Args:
        draws: draws of the score, shape (B, D).
        mass: probability held by the interval (equal tails).
        top: K.

    Returns:
        Low and high rank (inclusive) and the probability, each of shape (B,).
    """
    size, count = draws.shape
    ranked = np.empty((size, count), dtype=np.int32)
    for draw in range(count):
        order = np.argsort(-draws[:, draw], kind="stable")
        ranked[order, draw] = np.arange(1, size + 1, dtype=np.int32)
    in_top = (ranked <= top).mean(axis=1)
    tail = (1 - mass) / 2
    low, high = int(np.floor(tail * (count - 1))), int(np.ceil((1 - tail) * (count - 1)))
    # In place, so that a large portfolio needs no second copy.
    ranked.partition((low, high), axis=1)
    return ranked[:, low].astype(np.int64), ranked[:, high].astype(np.int64), in_top


def score_intervals(draws: npt.NDArray[np.float32], mass: float) -> tuple[Array, Array]:
    """Equal-tailed interval of each score, from draws of shape (B, D): two arrays (B,)."""
    tail = (1 - mass) / 2
    low = np.empty(len(draws))
    high = np.empty(len(draws))
    for start in range(0, len(draws), 10_000):
        part = slice(start, start + 10_000)
        low[part], high[part] = np.quantile(draws[part], [tail, 1 - tail], axis=1)
    return low, high
