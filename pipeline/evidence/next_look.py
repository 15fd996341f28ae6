"""Which next look at an opening would settle most of whether it is dangerous.

For every method the expected spread of the answer that is left after it: the chance of danger p has
the variance p (1 - p); a look with result r leaves p_r (1 - p_r), averaged over what it may show.
Of the methods that come near the best, the one of least effort is named. What a look would tell of
other openings is not counted.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.evidence.likelihood import Likelihoods
from pipeline.evidence.states import Array
from shared.vocabulary import CONDITIONS, Method, Slots, danger

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

NEAR_BEST = 0.9
"""Share of what the best method settles from which a method of less effort is named instead."""


def next_looks(
    likelihoods: Likelihoods, condition: Array, three_slot: Array, protected: Array
) -> tuple[npt.NDArray[np.int64], Array]:
    """The next look at each of R openings.

    Args:
        likelihoods: the likelihoods.
        condition: probability of each condition, shape (R, C).
        three_slot: chance of three slots, shape (R,).
        protected: chance of GFCI protection, shape (R,).

    Returns:
        Index into ``BY_EFFORT``, -1 where nothing is left to settle, and the share of the variance
        of the answer that the look is expected to settle, 0 to 1; both shape (R,).
    """
    open_to = np.array([danger(c, Slots.THREE_SLOT, 0.0) for c in CONDITIONS])
    guarded = np.array([danger(c, Slots.THREE_SLOT, 1.0) for c in CONDITIONS])
    either = np.array([danger(c, Slots.TWO_SLOT, 0.0) for c in CONDITIONS])
    chance = protected[:, None] * guarded + (1 - protected[:, None]) * open_to
    chance = three_slot[:, None] * chance + (1 - three_slot[:, None]) * either
    dangerous = condition * chance
    p = dangerous.sum(axis=1)
    spread = p * (1 - p)
    settled = np.empty((len(BY_EFFORT), len(p)))
    for index, method in enumerate(BY_EFFORT):
        table = likelihoods.result(method)
        # Row by row: a matrix product would round by how many rows there are.
        shown = np.einsum("rc,cw->rw", condition, table)
        bad = np.einsum("rc,cw->rw", dangerous, table)
        left = (bad * (shown - bad) / np.maximum(shown, 1e-300)).sum(axis=1)
        settled[index] = np.where(spread > 1e-6, 1 - left / np.maximum(spread, 1e-12), 0.0)
    settled = settled.clip(0.0, 1.0)
    best = settled.max(axis=0)
    named = (settled >= NEAR_BEST * best).argmax(axis=0)
    value = settled[named, np.arange(len(p))]
    return np.where(best > 1e-3, named, -1), value
