"""How a score comes about: a baseline plus four kinds of knowledge, told one after the other.

The score is worked out five times, each time with one more thing known; what each one adds is the
difference to the step before, so that baseline and ingredients add up to the score exactly and
every step can be said as before → after.

* baseline: as many openings in a building of any era, with typical occupants;
* ``era``: when (and how, and by whom) the building was wired;
* ``mixed_openings``: which slots were seen, and where they stand beside each other;
* ``confirmed_defects``: what the looks reported and measured;
* ``occupancy``: who is near which opening.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

SCORE_UNIT = "death equivalents per million years at this building; for ranking, not a forecast"
"""The unit of every score, as it is said everywhere."""

INGREDIENTS = ("era", "mixed_openings", "confirmed_defects", "occupancy")
"""The four ingredients, in the order in which they are told."""


def before_after(row: Mapping[Any, Any]) -> list[tuple[str, float, float]]:
    """Each kind of knowledge of a ranked building: its name, the score before it and after it.

    Args:
        row: columns baseline and contribution_* of ``queries.ranking`` or ``queries.building``.
    """
    told, before = [], float(row["baseline"])
    for name in INGREDIENTS:
        after = before + float(row[f"contribution_{name}"])
        told.append((name, before, after))
        before = after
    return told


def next_look_told(row: Mapping[Any, Any]) -> str:
    """What lies where the next look is due, in words; empty where it is urgent or nothing is left.

    Args:
        row: columns next_openings, next_expected and next_share of ``queries.building``.
    """
    count, expected, share = (row[f"next_{name}"] for name in ("openings", "expected", "share"))
    if any(value is None or value != value for value in (count, expected, share)):
        return ""
    return (
        f"Openings there: {int(count)}, of which {expected:.2g} expected to be dangerous; "
        f"{100 * share:.0f} % of what is unsettled in this building lies there."
    )


def error_told(error: str) -> str:
    """What simulation leaves unsure of a score, as it is said everywhere.

    Args:
        error: the column score_error of a building, as a percentage in words.
    """
    return f"Simulation leaves the score unsure by {error} at most (one standard error)."


def spread_told(row: Mapping[Any, Any]) -> str:
    """How a building's score lies in what it is the mean of, as it is said everywhere.

    Args:
        row: columns score, score_high, score_median and score_tail of ``queries.building``.
    """
    score, middle, tail = (float(row[f"score{name}"]) for name in ("", "_median", "_tail"))
    if not score > 0 or tail != tail:
        return ""
    told = (
        "The score is the mean of what may lie behind the covers: the worst twentieth of these "
        f"cases carries {100 * tail:.0f} % of it, half of them lie below "
        f"{100 * middle / score:.0f} % of it."
    )
    if score > float(row["score_high"]):
        told += (
            " So the mean lies above the interval, which holds nine cases of ten: a few bad ones, "
            "mostly live metal, carry it."
        )
    return told


def steps(values: Array) -> Array:
    """Turn the score after each step into a baseline and what each step adds.

    Args:
        values: score with 0, 1, … 4 ingredients known, shape (B, 5).

    Returns:
        Shape (B, 5): baseline, then one column per ingredient; rows sum to ``values[:, 4]``.
    """
    result: Array = np.diff(values, axis=1, prepend=0.0)
    return result
