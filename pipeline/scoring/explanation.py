"""How a score comes about: a baseline plus four ingredients, whatever the order of telling.

The score is computed with each ingredient known or hidden, all sixteen ways; the Shapley value
(Shapley 1953, from memory) shares the difference fairly: it is the average, over every order in
which the ingredients could be revealed, of what each one adds. Baseline and ingredients add up to
the score exactly.

* ``era``: when (and how, and by whom) the building was wired; hidden: any era.
* ``mixed_openings``: which slots were seen; hidden: the mix that the era implies.
* ``confirmed_defects``: what the looks reported and measured; hidden: nobody looked.
* ``occupancy``: who is near which opening; hidden: a typical dwelling and room.
"""

from __future__ import annotations

from itertools import combinations
from math import factorial

import numpy as np

from pipeline.evidence.kinds import Array

SCORE_UNIT = "death equivalents per million years at this building; for ranking, not a forecast"
"""The unit of every score, as it is said everywhere."""

INGREDIENTS = ("era", "mixed_openings", "confirmed_defects", "occupancy")
"""The four ingredients, in the order of the axes of the values."""


def shapley(values: Array) -> Array:
    """Split values by ingredient.

    Args:
        values: value with each ingredient hidden (0) or known (1), shape (B, 2, 2, 2, 2).

    Returns:
        Shape (B, 5): baseline, then one column per ingredient; rows sum to values[:, 1, 1, 1, 1].
    """
    players = range(len(INGREDIENTS))
    # One column per set of known ingredients, numbered in binary, the last ingredient lowest.
    flat = values.reshape(len(values), -1)
    bit = [1 << (len(INGREDIENTS) - 1 - player) for player in players]
    result = np.zeros((len(values), 1 + len(INGREDIENTS)))
    result[:, 0] = flat[:, 0]
    for player in players:
        others = [other for other in players if other != player]
        for size in range(len(others) + 1):
            weight = factorial(size) * factorial(len(others) - size) / factorial(len(INGREDIENTS))
            for known in combinations(others, size):
                without = sum(bit[p] for p in known)
                result[:, 1 + player] += weight * (
                    flat[:, without + bit[player]] - flat[:, without]
                )
    return result


def occupancy_values(
    split: Array, exposed: Array, typical_exposed: float, typical_location: float
) -> Array:
    """Turn the posterior's counterfactual harms into the sixteen values of the score.

    Args:
        split: harm per person and year, shape (B, 2, 2, 2, 2), axes era, slots, readings, location.
        exposed: exposed people per dwelling, shape (B,).
        typical_exposed: the same in a typical dwelling.
        typical_location: mean exposure factor of rooms.

    Returns:
        Shape (B, 2, 2, 2, 2), axes era, slots, readings, occupancy; same unit times people.
    """
    hidden = split[..., 0] * typical_location * typical_exposed
    known = split[..., 1] * exposed[:, None, None, None]
    return np.stack([hidden, known], axis=-1)
