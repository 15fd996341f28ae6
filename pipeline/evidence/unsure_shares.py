"""How the doubt about the portfolio's shares reaches every building, visited or not.

The sums of ``kernel`` take the shares as single numbers. What another draw of them would make of an
opening follows from its posterior by state and trouble: weighed anew by how much likelier the draw
makes the state and the evidence, with the danger and harm that the draw gives each. So a building's
expected number of dangerous openings, and its harm, under each draw is a multiple of what it is
under the shares themselves; its draws are multiplied by these, the same draw of shares at the same
place in all buildings. That openings of a circuit are weighed anew one by one, not together, is the
one thing left out: what a draw would change of the circuit is what it changes of its openings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from pipeline.evidence.classes import Classes, Stakes, weigh_classes
from pipeline.evidence.posterior import Part, Portfolio
from pipeline.evidence.states import (
    CAREFUL,
    HEAD_JUMPERED,
    HEAD_LIVE,
    OPEN_GROUND,
    STATE_COUNT,
    Array,
    Taught,
)
from shared.rule_book import RuleBook

Ints = npt.NDArray[np.int64]
Table = npt.NDArray[np.float32]


@dataclass(frozen=True)
class Unsure:
    """N evidence classes under K draws of the shares, by state and trouble.

    Attributes:
        weight: by what an opening's chance of this state and trouble is to be multiplied.
        danger, harm: the same times the chance of danger, times the expected harm.

    All of shape (N, S * 3, K).
    """

    weight: Table
    danger: Table
    harm: Table


def state_weights(taught: Taught, drawn: Taught) -> Array:
    """How much likelier a draw of the shares makes each state, rates given, shape (S,)."""
    result = np.ones(STATE_COUNT)
    result[CAREFUL] = drawn.careful / taught.careful
    result[OPEN_GROUND] = (1 - drawn.careful) / (1 - taught.careful)
    result[HEAD_LIVE] = drawn.live / taught.live
    result[HEAD_JUMPERED] = (1 - drawn.live) / (1 - taught.live)
    return result


def unsure_classes(
    rule_book: RuleBook,
    classes: Classes,
    at_stake: Stakes,
    taught: Taught,
    draws: Sequence[Taught],
) -> Unsure:
    """Weigh the classes under each draw of the shares."""
    plain = weigh_classes(rule_book, classes, at_stake, taught).evidence
    shape = (len(classes), STATE_COUNT * 3, len(draws))
    found = Unsure(*(np.empty(shape, dtype=np.float32) for _ in range(3)))
    for place, drawn in enumerate(draws):
        evidence = weigh_classes(rule_book, classes, at_stake, drawn).evidence
        # Tables are scaled class by class, which a row's own sum undoes.
        weight = evidence.table / plain.table * state_weights(taught, drawn)[:, None]
        for target, value in (
            (found.weight, weight),
            (found.danger, weight * (1 - evidence.safe / evidence.table)),
            (found.harm, weight * evidence.harm),
        ):
            target[:, :, place] = value.reshape(shape[:2])
    return found


def multiples(unsure: Unsure, portfolio: Portfolio, part: Part, times: Array) -> Array:
    """By what each draw of the shares multiplies a building's dangerous openings and its harm.

    Args:
        unsure: from ``unsure_classes``.
        portfolio, part: the buildings, weighed.
        times: openings behind each row, shape (R,).

    Returns:
        Shape (2, n, K), K = 0 where nothing was drawn; their mean over the draws is 1, so that no
        mean moves.
    """
    if not unsure.weight.shape[2]:
        return np.zeros((2, len(part.buildings), 0))
    start = portfolio.building_row[part.buildings[0] : part.buildings[-1] + 2] - part.first_row
    rows = len(part.found.joint)
    index = portfolio.tree.row_class[part.first_row : part.first_row + rows]
    draws = unsure.weight.shape[2]
    sums = np.zeros((2, len(part.buildings), draws))
    _add_up(
        part.found.joint.reshape(rows, -1),
        np.ascontiguousarray(index),
        times,
        np.ascontiguousarray(start),
        unsure.weight,
        unsure.danger,
        unsure.harm,
        sums,
    )
    mean = sums.mean(axis=2, keepdims=True)
    result: Array = np.where(mean > 0, sums / np.maximum(mean, 1e-300), 1.0)
    return result


@njit(cache=True, fastmath=True, nogil=True, error_model="numpy")
def _add_up(
    chances: Array,
    index: Ints,
    times: Array,
    start: Ints,
    weight: Table,
    danger: Table,
    harm: Table,
    out: Array,
) -> None:
    """Add danger and harm of rows up by building and draw, into ``out`` (2, n, K)."""
    draws = out.shape[2]
    whole, bad, hurt = np.empty(draws), np.empty(draws), np.empty(draws)
    for b in range(out.shape[1]):
        for row in range(start[b], start[b + 1]):
            for k in range(draws):
                whole[k] = bad[k] = hurt[k] = 0.0
            own = index[row]
            for s in range(chances.shape[1]):
                share = chances[row, s]
                for k in range(draws):
                    whole[k] += share * weight[own, s, k]
                    bad[k] += share * danger[own, s, k]
                    hurt[k] += share * harm[own, s, k]
            for k in range(draws):
                out[0, b, k] += times[row] * bad[k] / whole[k]
                out[1, b, k] += times[row] * hurt[k] / whole[k]
