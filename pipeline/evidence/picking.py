"""What being picked for a reason says of an opening, and what being passed over says.

An opening of a building is picked for a reason with chance ``c W / (1 + c W)``: W are the rule
book's odds for what the opening is, c is how many openings of that building were picked for that
reason. So c is the number for which, were the building a typical one of its kind, as many would be
picked as were. Where few are left over, these are safer than those picked; where few were picked,
being passed over says next to nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from pipeline.evidence.kernel import Picking
from pipeline.evidence.priors import Priors
from pipeline.evidence.states import STATE_COUNT, Array, Taught, mean_states


@dataclass(frozen=True)
class Odds:
    """Odds of being picked for each of R reasons that prefer some outcomes.

    Attributes:
        reasons: their indices among the selections, shape (R,).
        values: distinct odds of each, padded with 0, shape (R, V).
        shares: chance of each of these odds given state and trouble, shape (R, S, 3, V).
    """

    reasons: npt.NDArray[np.int64]
    values: Array
    shares: Array


def gather_odds(odds: Array, outcome: Array) -> Odds:
    """Gather outcomes of like odds.

    Args:
        odds: odds by selection and outcome, shape (selections, 3 slots, conditions).
        outcome: chance of each outcome, shape (S, 3, 3 slots, conditions).
    """
    reasons = np.flatnonzero(np.ptp(odds.reshape(len(odds), -1), axis=1) > 1e-9)
    # Outcomes that no state has are left aside.
    possible = outcome.sum(axis=(0, 1)) > 0
    found = [np.unique(odds[reason][possible].round(12)) for reason in reasons]
    most = max((len(each) for each in found), default=0)
    values = np.zeros((len(reasons), most))
    shares = np.zeros((len(reasons), *outcome.shape[:2], most))
    for place, (reason, each) in enumerate(zip(reasons, found, strict=True)):
        values[place, : len(each)] = each
        for index, value in enumerate(each):
            here = possible & (np.abs(odds[reason] - value) < 1e-9)
            shares[place, :, :, index] = outcome[:, :, here].sum(axis=2)
    return Odds(reasons, values, shares)


def picking_of(
    odds: Odds,
    priors: Priors,
    taught: Taught,
    group_weights: Array,
    shift: Array,
    poor: Array,
    picked: Array,
    openings: Array,
) -> Picking:
    """What was picked in each of n buildings, for the kernel.

    Args:
        odds: the odds.
        priors: the priors of the rates.
        taught: the portfolio's shares.
        group_weights, shift, poor: of the buildings, see ``posterior.Portfolio``.
        picked: openings picked by each selection, shape (n, selections).
        openings: all openings of each building, shape (n,).
    """
    count, reasons = len(picked), len(odds.reasons)
    number = picked[:, odds.reasons]
    some = number.sum(axis=1) > 0
    shape = (count, reasons, STATE_COUNT, 3)
    found = Picking(some, np.ones(shape), np.ones(shape), np.ones((count, STATE_COUNT, 3)))
    if not some.any():
        return found
    # A typical building of its kind: at mean rates, moved as its own are.
    mean = (priors.a / (priors.a + priors.b)).mean(axis=1)
    rates = (mean[None] * group_weights[:, :, None]).sum(axis=1)
    moved = rates / (rates + (1 - rates) * np.exp(-shift))
    _fill(
        some,
        mean_states(moved, poor, taught),
        odds.values,
        odds.shares,
        number / np.maximum(openings, 1.0)[:, None],
        np.maximum(openings, 1.0),
        found.taken,
        found.chance,
        found.passed,
    )
    return found


@njit(cache=True, nogil=True)
def _fill(
    some: npt.NDArray[np.bool_],
    typical: Array,
    values: Array,
    shares: Array,
    picked: Array,
    openings: Array,
    taken: Array,
    chance: Array,
    passed: Array,
) -> None:
    """Fill a ``Picking``; ``typical`` are chances of states and troubles, ``picked`` is a share."""
    reasons, states, troubles, kinds = shares.shape
    scale, left = np.empty(reasons), np.empty((reasons, states, troubles))
    for n in range(some.shape[0]):
        if not some[n]:
            continue
        for r in range(reasons):
            wanted = min(picked[n, r], 1.0 - 0.5 / openings[n])
            scale[r] = 0.0
            if wanted > 0.0:
                low, high = -30.0, 30.0
                for _ in range(60):
                    middle = 0.5 * (low + high)
                    found = 0.0
                    for v in range(kinds):
                        share = 0.0
                        for s in range(states):
                            for t in range(troubles):
                                share += typical[n, s, t] * shares[r, s, t, v]
                        each = np.exp(middle) * values[r, v]
                        found += share * each / (1.0 + each)
                    if found < wanted:
                        low = middle
                    else:
                        high = middle
                scale[r] = np.exp(0.5 * (low + high))
            for s in range(states):
                for t in range(troubles):
                    left[r, s, t] = 0.0
                    for v in range(kinds):
                        left[r, s, t] += shares[r, s, t, v] / (1.0 + scale[r] * values[r, v])
        for r in range(reasons):
            for s in range(states):
                for t in range(troubles):
                    odds, damped = 0.0, 0.0
                    for v in range(kinds):
                        each = shares[r, s, t, v] * values[r, v]
                        odds += each
                        damped += each / (1.0 + scale[r] * values[r, v])
                    others = 1.0
                    for other in range(reasons):
                        if other != r:
                            others *= left[other, s, t]
                    taken[n, r, s, t] = damped / odds * others
                    chance[n, r, s, t] = damped * others
        for s in range(states):
            for t in range(troubles):
                for r in range(reasons):
                    passed[n, s, t] *= left[r, s, t]
