"""How many openings to look at, and what clean ones prove: exact for sampling without replacement.

So many of ``openings`` are bad; ``looked`` of them are picked by lot and looked at once, and a look
at a bad one finds it with probability ``detection``. The number found is hypergeometric, thinned
where detection is imperfect. Nothing is known beforehand: what holds, holds however the bad ones
are spread.

Source of the rule that a share or a number must be exceeded to matter: Guidelines for the
Evaluation and Control of Lead-Based Paint Hazards in Housing (2nd edition, 2012), chapter 7, table
7.3, from memory; its row for 110 units built 1960 to 1977 asks for 26 units, quoted, and so does
this module (``tests/planning/test_sample_size.py``).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy import stats

from shared.faults import CoverplateError

EXACTLY = 1e-12
"""Room for rounding where a probability is compared with a bound."""


def chance_of_at_most(
    found: int, openings: int, bad: int, looked: int, detection: float = 1.0
) -> float:
    """Return the chance that so many looks find at most ``found`` bad openings.

    Args:
        found: how many at most.
        openings: all of them.
        bad: how many of them are bad.
        looked: how many are picked by lot and looked at.
        detection: chance that a look at a bad one finds it.
    """
    if detection >= 1.0:
        return float(stats.hypergeom.cdf(found, openings, bad, looked))
    among = np.arange(max(0, looked - (openings - bad)), min(bad, looked) + 1)
    met = stats.hypergeom.pmf(among, openings, bad, looked)
    told = np.vdot(met, stats.binom.cdf(found, among, detection))
    return min(float(told), 1.0)


def number_that_matters(openings: int, share: float, most: int | None = None) -> int:
    """Return the smallest number of bad openings that is so large a share, or ``most`` if fewer."""
    number = max(math.ceil(share * openings - EXACTLY), 1)
    return number if most is None else min(number, most)


def looks_needed(
    openings: int, bad: int, confidence: float, detection: float = 1.0, found: int = 0
) -> int | None:
    """Return how many looks rule out that so many openings are bad, if at most ``found`` are found.

    Args:
        openings: all of them, at least 1.
        bad: the number to rule out, 1 to ``openings``; with fewer bad ones it is no better known.
        confidence: how sure, such as 0.95: with so many bad ones, looks find no more than ``found``
            with a chance of at most 1 − confidence.
        detection: chance that a look at a bad one finds it.
        found: how many may be found.

    Returns:
        The number, or None where a look at every opening is not enough.

    Raises:
        CoverplateError: a number that cannot be.
    """
    _check(openings, bad, confidence, detection)
    beyond = 1.0 - confidence + EXACTLY

    def enough(looked: int) -> bool:
        return chance_of_at_most(found, openings, bad, looked, detection) <= beyond

    if not enough(openings):
        return None
    low, high = 0, openings  # low is not enough, high is
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def may_be_bad(
    openings: int, looked: int, found: int, confidence: float, detection: float = 1.0
) -> int:
    """Return the largest number of bad openings that the looks do not rule out.

    Args:
        openings: all of them.
        looked: how many were picked by lot and looked at.
        found: how many of these were found bad.
        confidence, detection: as of ``looks_needed``.

    Returns:
        The upper limit of a one-sided interval, the found ones included.

    Raises:
        CoverplateError: a number that cannot be.
    """
    _check(openings, 1, confidence, detection)
    if not 0 <= found <= looked <= openings:
        raise CoverplateError(
            f"{found} found among {looked} looked at of {openings} openings cannot be",
            expected="found ≤ looked at ≤ openings",
        )
    beyond = 1.0 - confidence + EXACTLY

    def ruled_out(bad: int) -> bool:
        return chance_of_at_most(found, openings, bad, looked, detection) <= beyond

    if not ruled_out(openings):
        return openings
    low, high = found, openings  # low is not ruled out, high is
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if ruled_out(middle) else (middle, high)
    return low


def _check(openings: int, bad: int, confidence: float, detection: float) -> None:
    if openings < 1 or not 1 <= bad <= openings:
        raise CoverplateError(
            f"{bad} bad among {openings} openings cannot be ruled out",
            expected="at least one opening, and a number of bad ones from 1 to all of them",
        )
    if not 0.0 < confidence < 1.0 or not 0.0 <= detection <= 1.0:
        raise CoverplateError(
            f"a confidence of {confidence:g} with a detection of {detection:g} cannot be",
            expected="a confidence between 0 and 1, a detection from 0 to 1",
        )


def spread_of(openings: int, expected: float, variance: float) -> npt.NDArray[np.float64]:
    """Return chances of 0 to all openings being bad with a given mean and variance.

    A beta-binomial distribution; where the variance asks for less than that of independent
    openings, or for more than can be, the nearest there is.

    Returns:
        Shape (openings + 1,), sums to 1.
    """
    mean = min(max(expected / openings, 1e-9), 1.0 - 1e-9)
    alone = openings * mean * (1.0 - mean)
    numbers = np.arange(openings + 1)
    if openings == 1 or variance <= alone * (1.0 + 1e-9):
        chances = stats.binom.pmf(numbers, openings, mean)
    else:
        alike = min((variance / alone - 1.0) / (openings - 1.0), 0.999)
        weight = (1.0 - alike) / alike
        chances = stats.betabinom.pmf(numbers, openings, mean * weight, (1.0 - mean) * weight)
    result: npt.NDArray[np.float64] = chances / chances.sum()
    return result


def looks_needed_given(
    spread: npt.NDArray[np.float64], bad: int, confidence: float, detection: float = 1.0
) -> int | None:
    """Return how many clean looks make it so likely that fewer than ``bad`` openings are bad.

    Args:
        spread: chances of 0 to all openings being bad before these looks, see ``spread_of``.
        bad: the number to be fewer than.
        confidence: how likely it must become.
        detection: chance that a look at a bad one finds it.

    Returns:
        0 where it is so likely already; None where a look at every opening is not enough.
    """
    openings = len(spread) - 1

    def fewer(looked: int) -> float:
        clean = np.array(
            [chance_of_at_most(0, openings, each, looked, detection) for each in range(len(spread))]
        )
        after = spread * clean
        return float(after[:bad].sum() / after.sum())

    if fewer(0) >= confidence:
        return 0
    if fewer(openings) < confidence - EXACTLY:
        return None
    low, high = 0, openings
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if fewer(middle) >= confidence else (middle, high)
    return high
