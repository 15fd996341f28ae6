"""How much hangs on the order: told for sets of first buildings, from joint draws.

One building's place is often unsure where a set's worth is not: the first five may hold much the
same share of all dangerous openings whichever of them is first.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

SIZES = (1, 3, 5, 10, 20, 50, 100, 200, 500)
"""Sizes of sets that are told, as far as there are buildings."""


def first_buildings(
    rank: npt.NDArray[np.int64], draws: npt.NDArray[np.uint16], mass: float
) -> pd.DataFrame:
    """What the first buildings of an order hold of all dangerous openings.

    Args:
        rank: place of each building, 1 for the first, shape (B,).
        draws: draws of its number of dangerous openings, shape (B, D).
        mass: probability held by intervals (equal tails).

    Returns:
        One row a set: first (how many buildings), share (mean share of all dangerous openings),
        share_low, share_high, regret (mean share of what the best set of that size in each draw
        holds that this set misses), by size. Empty where there are no draws or no buildings.
    """
    columns = ["first", "share", "share_low", "share_high", "regret"]
    size, count = draws.shape
    if not size or not count:
        return pd.DataFrame({name: pd.Series(dtype=np.float64) for name in columns})
    order = np.argsort(rank, kind="stable")
    total = draws.sum(axis=0, dtype=np.float64)
    wanted = [number for number in SIZES if number < size] or [size]
    most = wanted[-1]
    chosen = np.cumsum(draws[order[:most]], axis=0, dtype=np.float64)
    best = np.empty((most, count))
    for draw in range(count):
        column = draws[:, draw]
        top = column if most >= size else np.partition(column, size - most)[size - most :]
        best[:, draw] = np.cumsum(np.sort(top)[::-1], dtype=np.float64)[:most]
    tail = (1 - mass) / 2
    rows = []
    for number in wanted:
        held, could = chosen[number - 1], best[number - 1]
        share = held / np.maximum(total, 1.0)
        missed = 1 - held / np.maximum(could, 1.0)
        low, high = np.quantile(share, [tail, 1 - tail])
        rows.append(
            (number, share.mean(), low, high, float(np.where(could > 0, missed, 0.0).mean()))
        )
    return pd.DataFrame(rows, columns=columns)
