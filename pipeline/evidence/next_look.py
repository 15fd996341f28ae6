"""Which next look at an opening would settle most of whether it is dangerous.

For every method the expected spread of the answer that is left after it: the chance of danger p has
the variance p (1 - p); a look with result r leaves p_r (1 - p_r), averaged over what it may show.
Of the methods that come near the best, the one of least effort is named. What a look would tell of
other openings is not counted.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from pipeline.evidence.likelihood import Likelihoods
from pipeline.evidence.states import Array
from shared.vocabulary import CONDITIONS, Condition, Method, Slots, danger

BY_EFFORT: tuple[Method, ...] = (
    Method.VISUAL,
    Method.THREE_LAMP_TESTER,
    Method.VOLTMETER_UNDER_LOAD,
    Method.GROUND_IMPEDANCE_METER,
    Method.GROUND_WIRE_CLAMP,
    Method.COVER_OFF_INSPECTION,
    Method.NEUTRAL_LIFTED_TEST,
    Method.UPSTREAM_BOX_SEEN,
)
"""Methods by the effort of a look, least first; judgement."""


_WITH_A_CONTACT = (
    Condition.FALSE_GROUND,
    Condition.REVERSED_FALSE_GROUND,
    Condition.FALSE_GROUND_UPSTREAM,
    Condition.REVERSED_FALSE_GROUND_UPSTREAM,
    Condition.OPEN_NEUTRAL_FALSE_GROUND,
)
"""Conditions that need a ground contact in the model (``states.outcomes``), dangerous there."""

_PLUGGED_IN = (
    Method.THREE_LAMP_TESTER,
    Method.VOLTMETER_UNDER_LOAD,
    Method.GROUND_IMPEDANCE_METER,
)
"""Methods that read at a ground contact: at two slots there is none to read at."""
_NEEDS_CONTACT = np.array([method in _PLUGGED_IN for method in BY_EFFORT])


def dangerous_by_condition(
    condition: Array, contact: Array, protected: Array, dangerous: Array
) -> Array:
    """The chance of each condition together with danger, shape (R, C).

    Condition and face are not independent: wiring without a ground mostly ends in two slots, where
    it is no danger, while a jumper means a ground contact. So what is dangerous wherever it occurs
    counts in full, and the conditions whose danger hangs on face and protection share what is left
    of the chance of danger, as if these were independent of them.

    Args:
        condition: probability of each condition, shape (R, C).
        contact: chance of a face with a ground contact, shape (R,).
        protected: chance of GFCI protection, shape (R,).
        dangerous: chance of danger, which each row adds up to as far as its conditions allow,
            shape (R,).
    """
    always = np.array([
        c in _WITH_A_CONTACT or danger(c, Slots.TWO_SLOT, 0.0) == 1.0 for c in CONDITIONS
    ])  # fmt: skip
    open_to = np.array([danger(c, Slots.THREE_SLOT, 0.0) for c in CONDITIONS])
    guarded = np.array([danger(c, Slots.THREE_SLOT, 1.0) for c in CONDITIONS])
    chance = protected[:, None] * guarded + (1 - protected[:, None]) * open_to
    full = condition * always
    rest = condition * np.where(always, 0.0, contact[:, None] * chance)
    by_full, by_rest = full.sum(axis=1), rest.sum(axis=1)
    full *= np.minimum(1.0, dangerous / np.maximum(by_full, 1e-12))[:, None]
    left = np.maximum(dangerous - by_full, 0.0)
    rest *= (left / np.maximum(by_rest, 1e-12))[:, None]
    return np.asarray(np.minimum(full + rest, condition))


def next_looks(
    likelihoods: Likelihoods,
    condition: Array,
    contact: Array,
    protected: Array,
    chance_of_danger: Array,
) -> tuple[npt.NDArray[np.int64], Array]:
    """The next look at each of R openings.

    Args:
        likelihoods: the likelihoods.
        condition: probability of each condition, shape (R, C).
        contact: chance of a face with a ground contact, shape (R,).
        protected: chance of GFCI protection, shape (R,).
        chance_of_danger: shape (R,).

    Returns:
        Index into ``BY_EFFORT``, -1 where nothing is left to settle, and the share of the variance
        of the answer that the look is expected to settle, 0 to 1; both shape (R,).
    """
    dangerous = dangerous_by_condition(condition, contact, protected, chance_of_danger)
    p = dangerous.sum(axis=1)
    spread = p * (1 - p)
    tables = np.stack([likelihoods.result(method) for method in BY_EFFORT])
    left = np.empty((len(tables), len(p)))
    spread_left(np.ascontiguousarray(condition), np.ascontiguousarray(dangerous), tables, left)
    settled = np.where(spread > 1e-6, 1 - left / np.maximum(spread, 1e-12), 0.0).clip(0.0, 1.0)
    settled[np.ix_(_NEEDS_CONTACT, contact < 0.5)] = 0.0
    best = settled.max(axis=0)
    named = (settled >= likelihoods.near_best * best).argmax(axis=0)
    value = settled[named, np.arange(len(p))]
    return np.where(best > 1e-3, named, -1), value


@njit(cache=True, fastmath=True, nogil=True, error_model="numpy")
def spread_left(condition: Array, dangerous: Array, tables: Array, out: Array) -> None:
    """Expected variance of the answer that is left after a look by each of M methods.

    Row by row: a matrix product would round by how many rows there are.

    Args:
        condition: probability of each condition, shape (R, C).
        dangerous: of each condition together with danger, shape (R, C).
        tables: chance of each result by condition, shape (M, C, W).
        out: filled, shape (M, R).
    """
    results = tables.shape[2]
    shown, bad = np.empty(results), np.empty(results)
    for row in range(condition.shape[0]):
        for method in range(tables.shape[0]):
            for w in range(results):
                shown[w], bad[w] = 0.0, 0.0
            for c in range(condition.shape[1]):
                chance, danger_too = condition[row, c], dangerous[row, c]
                for w in range(results):
                    shown[w] += chance * tables[method, c, w]
                    bad[w] += danger_too * tables[method, c, w]
            left = 0.0
            for w in range(results):
                left += bad[w] * (shown[w] - bad[w]) / max(shown[w], 1e-300)
            out[method, row] = left
