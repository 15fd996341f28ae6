"""Evidence classes: openings of which the same is known, weighed once by state and trouble."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt
from numba import njit

from pipeline.evidence.kernel import NOT_PICKED, Evidence
from pipeline.evidence.picking import Odds, gather_odds
from pipeline.evidence.states import SLOTS, STATE_COUNT, Array, Taught, outcomes
from shared.rule_book import RuleBook
from shared.vocabulary import CONDITIONS, URGENT_CONDITIONS, Selection, Slots, danger

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

SELECTIONS: tuple[Selection, ...] = tuple(Selection)
"""Selections in the order of every selection axis (length 5)."""

UNKNOWN_SLOTS = -1
NOT_REPAIRED = -1

_LIVE = np.isin(np.array(CONDITIONS, dtype=object), URGENT_CONDITIONS).astype(np.float64)


@dataclass(frozen=True)
class Classes:
    """What is known of an opening, N distinct cases; the last one: nothing is.

    Attributes:
        condition_weights: relative likelihood of all its looks together, shape (N, conditions).
        slots: index into SLOTS or UNKNOWN_SLOTS, shape (N,).
        selection: index into SELECTIONS, shape (N,); what picked it.
        gfci_weights: likelihood of what was said of protection, without and with, shape (N, 2).
        wet: chance that the room is wet, shape (N,).
        location: exposure factor of the room (1 is a dry room), shape (N,).
        looked: whether anybody recorded it, shape (N,).
        repaired: condition that a proven repair left behind, index into CONDITIONS, or
            NOT_REPAIRED, shape (N,). The looks are those from before; they still tell of the hand.
        repaired_slots: index into SLOTS after that repair, shape (N,).
        repaired_protection: probability of GFCI protection after it, shape (N,).
    """

    condition_weights: Array
    slots: Ints
    selection: Ints
    gfci_weights: Array
    wet: Array
    location: Array
    looked: Bools
    repaired: Ints
    repaired_slots: Ints
    repaired_protection: Array

    def __len__(self) -> int:
        return len(self.slots)

    @property
    def flat(self) -> int:
        """Number of the class of which nothing is known."""
        return len(self.slots) - 1


def by_slots_alone(classes: Classes) -> tuple[Classes, Ints]:
    """The classes where nothing counts but slots, picking, room and repair: there are few.

    Returns:
        These classes, that of which nothing is known last again, and for each of the given ones
        which of these it is, shape (N,).
    """
    told = np.column_stack(
        [
            classes.slots,
            classes.selection,
            classes.wet,
            classes.location,
            classes.looked,
            classes.repaired,
            classes.repaired_slots,
            classes.repaired_protection,
        ]
    )[:-1]
    _, first, which = np.unique(told, axis=0, return_index=True, return_inverse=True)
    chosen = np.append(first, classes.flat)
    few = Classes(**{field.name: getattr(classes, field.name)[chosen] for field in fields(Classes)})
    return few, np.append(which.ravel(), len(first)).astype(np.int64)


@dataclass(frozen=True)
class Weighed:
    """The classes weighed under one rule book and what the portfolio taught.

    Attributes:
        evidence: tables for the kernel; ``harm`` is per person and year, without the room's factor.
        condition, slots: given state, trouble and evidence, shape (N, S * 3, conditions or 3),
            float32.
        protected: chance of GFCI protection likewise, shape (N, S * 3).
        odds: odds of being picked for a reason.
        faces, faces_safe: likelihood of slots alone (in the order of SLOTS, then not known), and
            that without danger, in a room that is not known, shape (4, S, 3).
    """

    evidence: Evidence
    condition: npt.NDArray[np.float32]
    slots: npt.NDArray[np.float32]
    protected: Array
    odds: Odds
    faces: Array
    faces_safe: Array


@dataclass(frozen=True)
class Stakes:
    """What an opening's outcome means: by slots, condition, and protection (without, with).

    Attributes:
        harm: expected harm per person, opening and year, shape (3, conditions, 2).
        danger: chance of being dangerous, same shape.
        repair_doubt: chance that a proven repair is not what it was proven to be.
    """

    harm: Array
    danger: Array
    repair_doubt: float


def stakes(rule_book: RuleBook, severity: Array) -> Stakes:
    """Assemble stakes; ``severity`` from ``scoring.severity``, shape (3, conditions, 2)."""
    return Stakes(
        harm=severity,
        danger=np.array(
            [[[danger(c, s, guard) for guard in (0.0, 1.0)] for c in CONDITIONS] for s in SLOTS]
        ),
        repair_doubt=float(rule_book.evidence.repair_doubt),
    )


def picking_odds(rule_book: RuleBook, at_stake: Stakes, taught: Taught) -> Array:
    """Odds that an opening of each outcome is picked, by selection: shape (5, 3, conditions)."""
    dry = taught.gfci[:, 0].mean()
    dangerous = (1 - dry) * at_stake.danger[..., 0] + dry * at_stake.danger[..., 1]
    odds = np.ones((len(SELECTIONS), len(SLOTS), len(CONDITIONS)))
    for index, selection in enumerate(SELECTIONS):
        numbers = rule_book.selection[selection]
        odds[index, SLOTS.index(Slots.THREE_SLOT)] *= float(numbers.three_slot)
        odds[index] *= dangerous * float(numbers.dangerous) + (1 - dangerous)
    return odds


def weigh_classes(
    rule_book: RuleBook,
    classes: Classes,
    at_stake: Stakes,
    taught: Taught,
    *,
    readings: bool = True,
) -> Weighed:
    """Weigh every class.

    Args:
        rule_book: the rule book.
        classes: the classes.
        at_stake: what outcomes mean.
        taught: what the portfolio taught.
        readings: whether what was read and said counts, or only the slots that were seen.
    """
    outcome = outcomes(rule_book, taught)
    odds = picking_odds(rule_book, at_stake, taught)
    calm = 1 - at_stake.danger
    wrong = float(rule_book.structure.slots_wrong)
    seen = np.vstack([np.eye(len(SLOTS)) * (1 - wrong) + wrong / len(SLOTS), np.ones(len(SLOTS))])
    # Slots alone: a matter of the four things that can be known of them.
    alone = outcome[None] * seen[:, None, None, :, None]
    faces, calm_faces = alone.sum(axis=(3, 4)), _by_protection(alone, calm)
    gfci = _protection(classes, taught)
    plain = faces[classes.slots]
    plain_safe = np.einsum("nstg,nsg->nst", calm_faces[classes.slots], gfci)
    # A class was picked for one reason; its likelihood includes the odds of that.
    weight = seen[classes.slots][:, :, None] * odds[classes.selection]
    if readings:
        gfci = gfci * classes.gfci_weights[:, None, :]
        weight = weight * classes.condition_weights[:, None, :]
    size, shape = len(classes), (len(classes), STATE_COUNT, 3)
    total, dead, (both, hurt) = np.empty(shape), np.empty(shape), np.empty((2, *shape, 2))
    condition = np.empty((*shape, len(CONDITIONS)), dtype=np.float32)
    slots = np.empty((*shape, len(SLOTS)), dtype=np.float32)
    _add_up(
        outcome, weight, calm, at_stake.harm, 1 - _LIVE, total, dead, both, hurt, condition, slots
    )
    guard = gfci.sum(axis=2)[:, :, None]
    table, safe = total * guard, np.einsum("nstg,nsg->nst", both, gfci)
    dead *= guard
    harm = np.einsum("nstg,nsg->nst", hurt, gfci) / np.maximum(table, 1e-300)
    protected = np.repeat((gfci[:, :, 1] / guard[:, :, 0])[:, :, None], shape[2], axis=2)
    _mend(classes, at_stake, safe, dead, harm, table, condition, slots, protected)
    gathered = gather_odds(odds, outcome)
    reason = np.full(len(SELECTIONS), NOT_PICKED)
    reason[gathered.reasons] = np.arange(len(gathered.reasons))
    wet = float(rule_book.counting.wet_share)
    share = wet * taught.gfci[:, 1] + (1 - wet) * taught.gfci[:, 0]
    faces_safe = np.einsum("nstg,sg->nst", calm_faces, np.stack([1 - share, share], axis=-1))
    scale = table.max(axis=(1, 2), keepdims=True)
    flat = classes.flat
    scale[flat] = 1.0
    table, safe, dead = (np.maximum(array / scale, 1e-280) for array in (table, safe, dead))
    joined = (size, STATE_COUNT * shape[2])
    return Weighed(
        evidence=Evidence(
            table,
            safe,
            dead,
            harm * classes.location[:, None, None],
            plain,
            plain_safe,
            reason[classes.selection],
        ),
        condition=condition.reshape(*joined, -1),
        slots=slots.reshape(*joined, -1),
        protected=protected.reshape(joined),
        odds=gathered,
        faces=faces,
        faces_safe=faces_safe,
    )


@njit(cache=True, fastmath=True, nogil=True, error_model="numpy")
def _add_up(
    outcome: Array,
    weight: Array,
    calm: Array,
    harm: Array,
    not_live: Array,
    total: Array,
    dead: Array,
    both: Array,
    hurt: Array,
    condition: npt.NDArray[np.float32],
    slots: npt.NDArray[np.float32],
) -> None:
    """Add up what each class says of slots and conditions, given state and trouble.

    Class by class: a matrix product's last bits depend on how many classes it is given, and a
    building's result must not depend on the evidence of others.

    Args:
        outcome: chance of slots and condition, shape (S, 3, 3, C).
        weight: likelihood of each, shape (n, 3, C).
        calm, harm: chance of no danger and expected harm without and with protection, (3, C, 2).
        not_live: 1 for conditions without live metal, else 0, shape (C,).
        total, dead: filled with the likelihood, all in all and without live metal, (n, S, 3).
        both, hurt: filled with it times calm and harm, shape (n, S, 3, 2).
        condition, slots: filled with shares of each, shapes (n, S, 3, C), (n, S, 3, 3).
    """
    faces, conditions = weight.shape[1], weight.shape[2]
    of_condition, of_slots = np.empty(conditions), np.empty(faces)
    for n in range(weight.shape[0]):
        for s in range(outcome.shape[0]):
            for t in range(outcome.shape[1]):
                of_condition[:] = 0.0
                sums = np.zeros(4)
                for f in range(faces):
                    of_slots[f] = 0.0
                    for c in range(conditions):
                        joint = outcome[s, t, f, c] * weight[n, f, c]
                        of_condition[c] += joint
                        of_slots[f] += joint
                        sums[0] += joint * calm[f, c, 0]
                        sums[1] += joint * calm[f, c, 1]
                        sums[2] += joint * harm[f, c, 0]
                        sums[3] += joint * harm[f, c, 1]
                whole, quiet = 0.0, 0.0
                for c in range(conditions):
                    whole += of_condition[c]
                    quiet += of_condition[c] * not_live[c]
                total[n, s, t], dead[n, s, t] = whole, quiet
                both[n, s, t, 0], both[n, s, t, 1] = sums[0], sums[1]
                hurt[n, s, t, 0], hurt[n, s, t, 1] = sums[2], sums[3]
                whole = max(whole, 1e-300)
                for c in range(conditions):
                    condition[n, s, t, c] = of_condition[c] / whole
                for f in range(faces):
                    slots[n, s, t, f] = of_slots[f] / whole


def _by_protection(joint: Array, worth: Array) -> Array:
    """Sum over slots and conditions of worth without and with protection.

    Args:
        joint: shape (n, S, 3, slots, C).
        worth: shape (slots, C, 2).

    Returns:
        Shape (n, S, 3, 2).
    """
    return np.stack([(joint * worth[..., guard]).sum(axis=(3, 4)) for guard in range(2)], axis=-1)


def _protection(classes: Classes, taught: Taught) -> Array:
    """Chance of no protection and of protection, by state, before anything was said: (n, S, 2)."""
    wet = classes.wet[:, None]
    share = wet * taught.gfci[None, :, 1] + (1 - wet) * taught.gfci[None, :, 0]
    return np.stack([1 - share, share], axis=-1)


def _mend(
    classes: Classes,
    at_stake: Stakes,
    safe: Array,
    dead: Array,
    harm: Array,
    table: Array,
    condition: npt.NDArray[np.float32],
    slots: npt.NDArray[np.float32],
    protected: Array,
) -> None:
    """Where a repair was proven, what it left is so, but for the doubt in the proof."""
    index = np.flatnonzero(classes.repaired >= 0)
    if not len(index):
        return
    sure, doubt = 1 - at_stake.repair_doubt, at_stake.repair_doubt
    left, face = classes.repaired[index], classes.repaired_slots[index].clip(min=0)
    guard = classes.repaired_protection[index]
    both = np.stack([1 - guard, guard], axis=-1)
    danger_left = (at_stake.danger[face, left] * both).sum(axis=-1)[:, None, None]
    harm_left = (at_stake.harm[face, left] * both).sum(axis=-1)[:, None, None]
    live_left = _LIVE[left][:, None, None]
    safe[index] = doubt * safe[index] + sure * table[index] * (1 - danger_left)
    dead[index] = doubt * dead[index] + sure * table[index] * (1 - live_left)
    harm[index] = doubt * harm[index] + sure * harm_left
    condition[index] = (
        doubt * condition[index] + sure * np.eye(len(CONDITIONS))[left][:, None, None]
    )
    slots[index] = doubt * slots[index] + sure * np.eye(len(SLOTS))[face][:, None, None]
    protected[index] = doubt * protected[index] + sure * guard[:, None, None]
