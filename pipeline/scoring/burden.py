"""What buildings are put in order by: how many people live with how many dangerous openings.

The burden of a building is its number of dangerous openings times the people near each of them:
those of a dwelling, vulnerable ones weighted as the score weights them. An opening on live metal
counts as one dangerous opening like any other. In the score it counts hundreds of times as much,
so that a small chance of one such opening decides a place: the score tells what is at stake, but
its order changes with every draw. Live metal has the urgent list and a column of
its own instead.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
import numpy.typing as npt

from pipeline.evidence.states import Array

Numbers = TypeVar("Numbers", npt.NDArray[np.float64], npt.NDArray[np.float32])

BURDEN_UNIT = (
    "dangerous openings expected × people who live with each (those of a dwelling, vulnerable "
    "ones weighted)"
)
"""What a burden counts, as it is said everywhere."""

ORDER_TOLD = (
    "Buildings stand in order of their burden. Construction era, mixed openings and what looks "
    "found move it through the number of dangerous openings, occupancy through the people; how "
    "bad a danger is moves the score and the urgent list, not the order."
)
"""What moves the order and what does not."""

RANK_TOLD = (
    "The rank goes by the mean, its 90 % interval by what simulation says of the same burden. "
    "Where a few bad cases carry the mean, or nobody is likely to be first, a rank lies outside "
    "its own interval, and is shown so."
)
"""How rank and interval belong together."""


def burden(dangerous: Numbers, exposed: Array) -> Numbers:
    """Burden of each building.

    Args:
        dangerous: number of dangerous openings, expected (B,) or drawn (B, D).
        exposed: people of a dwelling, vulnerable ones weighted, shape (B,).

    Returns:
        Of the shape and type of ``dangerous``.
    """
    people = exposed.astype(dangerous.dtype).reshape(-1, *[1] * (dangerous.ndim - 1))
    return dangerous * people
