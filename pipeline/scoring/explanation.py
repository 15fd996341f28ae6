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

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

SCORE_UNIT = "death equivalents per million years at this building; for ranking, not a forecast"
"""The unit of every score, as it is said everywhere."""

INGREDIENTS = ("era", "mixed_openings", "confirmed_defects", "occupancy")
"""The four ingredients, in the order in which they are told."""


def error_told(error: str) -> str:
    """What simulation leaves unsure of a score, as it is said everywhere.

    Args:
        error: the column score_error of a building, as a percentage in words.
    """
    return f"Simulation leaves the score unsure by {error} at most (one standard error)."


def steps(values: Array) -> Array:
    """Turn the score after each step into a baseline and what each step adds.

    Args:
        values: score with 0, 1, … 4 ingredients known, shape (B, 5).

    Returns:
        Shape (B, 5): baseline, then one column per ingredient; rows sum to ``values[:, 4]``.
    """
    result: Array = np.diff(values, axis=1, prepend=0.0)
    return result
