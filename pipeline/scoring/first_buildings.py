"""How much hangs on the order: told for sets of first buildings, from joint draws.

One building's place is often unsure where a set's worth is not: the first five may hold much the
same share of all dangerous openings whichever of them is first.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from pipeline.evidence.states import Array
from pipeline.scoring.burden import burden

SIZES = (1, 3, 5, 10, 20, 50, 100, 200, 500)
"""Sizes of sets that are told, as far as there are buildings."""


def first_buildings(
    rank: npt.NDArray[np.int64],
    dangerous: npt.NDArray[np.uint16],
    exposed: Array,
    mass: float,
) -> pd.DataFrame:
    """What the first buildings of an order hold of all dangerous openings, and of all burden.

    Args:
        rank: place of each building, 1 for the first, shape (B,).
        dangerous: draws of its number of dangerous openings, shape (B, D).
        exposed: people of a dwelling, vulnerable ones weighted, by which they count as burden (see
            ``scoring.burden``), shape (B,).
        mass: probability held by intervals (equal tails).

    Returns:
        One row a set: first (how many buildings), share (mean share of all dangerous openings),
        share_low, share_high, regret (mean share of what the best set of that size in each draw
        holds that this set misses), and burden_regret, the same of the burden, by size. Empty where
        there are no draws or no buildings.
    """
    columns = ["first", "share", "share_low", "share_high", "regret", "burden_regret"]
    size, count = dangerous.shape
    if not size or not count:
        return pd.DataFrame({name: pd.Series(dtype=np.float64) for name in columns})
    order = np.argsort(rank, kind="stable")
    total = dangerous.sum(axis=0, dtype=np.float64)
    wanted = [number for number in SIZES if number < size] or [size]
    held, could = _held(order, dangerous, np.ones(size), wanted)
    missed = _missed(held, could)
    burden_missed = _missed(*_held(order, dangerous, exposed, wanted))
    tail = (1 - mass) / 2
    rows = []
    for place, number in enumerate(wanted):
        share = held[place] / np.maximum(total, 1.0)
        low, high = np.quantile(share, [tail, 1 - tail])
        rows.append((number, share.mean(), low, high, missed[place], burden_missed[place]))
    return pd.DataFrame(rows, columns=columns)


def _held(
    order: npt.NDArray[np.int64],
    dangerous: npt.NDArray[np.uint16],
    exposed: Array,
    wanted: list[int],
) -> tuple[Array, Array]:
    """What the first of an order hold in each draw, and the best could: (sizes, D) each."""
    people = exposed.astype(np.float32)
    draws = dangerous
    size, count = draws.shape
    most = wanted[-1]
    first = burden(draws[order[:most]].astype(np.float32), exposed[order[:most]])
    chosen = np.cumsum(first, axis=0, dtype=np.float64)
    best = np.empty((most, count))
    for draw in range(count):
        column = draws[:, draw] * people
        top = column if most >= size else np.partition(column, size - most)[size - most :]
        best[:, draw] = np.cumsum(np.sort(top)[::-1], dtype=np.float64)[:most]
    places = np.array(wanted) - 1
    return chosen[places], best[places]


def _missed(held: Array, could: Array) -> Array:
    """Mean share of what could be held that is not, by size; nothing where nothing could be."""
    share = np.divide(held, could, out=np.ones_like(held), where=could > 0)
    missed: Array = 1 - share.mean(axis=1)
    return missed
