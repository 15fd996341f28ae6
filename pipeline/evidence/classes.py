"""Evidence classes: openings of which the same is known, weighed once by state and trouble."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

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
_AT_ONCE = 2_000


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
    # A class was picked for one reason; its likelihood includes the odds of that.
    size, troubles = len(classes), 3
    shape = (size, STATE_COUNT, troubles)
    table, safe, dead, harm, plain, plain_safe = (np.empty(shape) for _ in range(6))
    protected = np.empty(shape)
    condition = np.empty((*shape, len(CONDITIONS)), dtype=np.float32)
    faces = np.empty((*shape, len(SLOTS)), dtype=np.float32)
    wrong = float(rule_book.structure.slots_wrong)
    seen = np.vstack([np.eye(len(SLOTS)) * (1 - wrong) + wrong / len(SLOTS), np.ones(len(SLOTS))])
    for start in range(0, size, _AT_ONCE):
        part = slice(start, min(start + _AT_ONCE, size))
        gfci = _protection(classes, taught, part)
        alone = outcome[None] * seen[classes.slots[part]][:, None, None, :, None]
        plain[part] = alone.sum(axis=(3, 4))
        calm = _by_protection(alone, 1 - at_stake.danger)
        plain_safe[part] = np.einsum("nstg,nsg->nst", calm, gfci)
        if readings:
            gfci = gfci * classes.gfci_weights[part, None, :]
        weight = seen[classes.slots[part]][:, :, None] * odds[classes.selection[part]]
        if readings:
            weight = weight * classes.condition_weights[part, None, :]
        # Slots × condition × protection, given state and trouble: (n, S, 3, 3, C) then protection.
        joint = outcome[None] * weight[:, None, None]
        guard = gfci.sum(axis=2)[:, :, None]
        total = joint.sum(axis=(3, 4))
        both = _by_protection(joint, 1 - at_stake.danger)
        table[part] = total * guard
        safe[part] = np.einsum("nstg,nsg->nst", both, gfci)
        dead[part] = (joint * (1 - _LIVE)).sum(axis=(3, 4)) * guard
        hurt = _by_protection(joint, at_stake.harm)
        share = np.maximum(table[part], 1e-300)
        harm[part] = np.einsum("nstg,nsg->nst", hurt, gfci) / share
        protected[part] = (gfci[:, :, 1] / guard[:, :, 0])[:, :, None]
        inner = np.maximum(total, 1e-300)
        condition[part] = joint.sum(axis=3) / inner[..., None]
        faces[part] = joint.sum(axis=4) / inner[..., None]
        _mend(classes, at_stake, part, safe, dead, harm, table, condition, faces, protected)
    gathered = gather_odds(odds, outcome)
    reason = np.full(len(SELECTIONS), NOT_PICKED)
    reason[gathered.reasons] = np.arange(len(gathered.reasons))
    alone = outcome[None] * seen[:, None, None, :, None]
    wet = float(rule_book.counting.wet_share)
    share = wet * taught.gfci[:, 1] + (1 - wet) * taught.gfci[:, 0]
    calm = _by_protection(alone, 1 - at_stake.danger)
    faces_safe = np.einsum("nstg,sg->nst", calm, np.stack([1 - share, share], axis=-1))
    scale = table.max(axis=(1, 2), keepdims=True)
    flat = classes.flat
    scale[flat] = 1.0
    table, safe, dead = (np.maximum(array / scale, 1e-280) for array in (table, safe, dead))
    joined = (size, STATE_COUNT * troubles)
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
        slots=faces.reshape(*joined, -1),
        protected=protected.reshape(joined),
        odds=gathered,
        faces=alone.sum(axis=(3, 4)),
        faces_safe=faces_safe,
    )


def _by_protection(joint: Array, worth: Array) -> Array:
    """Sum over slots and conditions of worth without and with protection: (n, S, 3, 2).

    Summed class by class: a matrix product's last bits depend on how many classes it is given, and
    a building's result must not depend on the evidence of others.

    Args:
        joint: by class, state, trouble, slots and condition, shape (n, S, 3, 3, C).
        worth: by slots, condition and protection, shape (3, C, 2).
    """
    return np.stack([(joint * worth[..., guard]).sum(axis=(3, 4)) for guard in range(2)], axis=-1)


def _protection(classes: Classes, taught: Taught, part: slice) -> Array:
    """Chance of no protection and of protection, by state, before anything was said: (n, S, 2)."""
    wet = classes.wet[part, None]
    share = wet * taught.gfci[None, :, 1] + (1 - wet) * taught.gfci[None, :, 0]
    return np.stack([1 - share, share], axis=-1)


def _mend(
    classes: Classes,
    at_stake: Stakes,
    part: slice,
    safe: Array,
    dead: Array,
    harm: Array,
    table: Array,
    condition: npt.NDArray[np.float32],
    faces: npt.NDArray[np.float32],
    protected: Array,
) -> None:
    """Where a repair was proven, what it left is so, but for the doubt in the proof."""
    index = np.flatnonzero(classes.repaired[part] >= 0) + part.start
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
    faces[index] = doubt * faces[index] + sure * np.eye(len(SLOTS))[face][:, None, None]
    protected[index] = doubt * protected[index] + sure * guard[:, None, None]
