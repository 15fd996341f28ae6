"""The states that a hand leaves wiring in, and what an opening of each state can be.

A dwelling's hand, a circuit and an opening are each in one of these states. A state and a kind of
trouble (conductors straight, hot and neutral swapped, an open or misplaced conductor) fix the
chances of every *outcome*: slots × condition.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from shared.rule_book import RuleBook
from shared.vocabulary import CONDITIONS, Condition, Slots

Array = npt.NDArray[np.float64]

GROUNDED, POOR, AS_WIRED, OPEN_GROUND, CAREFUL, JUMPERED, HEAD_JUMPERED, HEAD_LIVE = range(8)
STATE_COUNT = 8
FIRST_UNGROUNDED = AS_WIRED
"""States from here on have no grounding conductor of their own."""

STATES = (
    "grounded",
    "poor_ground",
    "as_wired",
    "open_ground",
    "careful",
    "jumpered",
    "head_jumpered",
    "head_live",
)
"""Names in the order of every state axis. ``head_live`` is jumpered at the head, hot and neutral
swapped there: the ground wire is live at every opening beyond, as the circuit solver has it."""

STRAIGHT, SWAPPED, OTHER_FAULT = range(3)
"""The order of every trouble axis."""

RATES = ("ungrounded_origin", "converted", "false_ground", "reversed", "other_fault")
"""The building's rates, in the order of every rate axis (length 5)."""

SLOTS: tuple[Slots, ...] = tuple(Slots)
"""Slots in the order of every slots axis (length 3)."""

_TWO, _THREE, _OTHER_SLOTS = (
    SLOTS.index(s) for s in (Slots.TWO_SLOT, Slots.THREE_SLOT, Slots.OTHER)
)

_GROUND = {
    GROUNDED: Condition.GROUNDED,
    POOR: Condition.POOR_GROUND,
    AS_WIRED: Condition.UNGROUNDED,
    OPEN_GROUND: Condition.UNGROUNDED,
    CAREFUL: Condition.UNGROUNDED,
}


@dataclass(frozen=True)
class Taught:
    """What a portfolio teaches beside its rates; starts as the rule book has it.

    Attributes:
        circuit_follows, origin_follows, opening_follows, opening_own, careful, head: see
            ``kernel.Shares``.
        live: share of false grounds with hot and neutral swapped as well: live metal, at the head
            of a circuit for all that lies beyond.
        gfci: GFCI-protected share by state and location (dry, wet), shape (S, 2).
    """

    circuit_follows: float
    origin_follows: float
    opening_follows: float
    opening_own: float
    careful: float
    head: float
    live: float
    gfci: Array


def rule_book_shares(rule_book: RuleBook) -> Taught:
    """What the rule book holds of these before a portfolio has said anything."""
    hierarchy, counting = rule_book.hierarchy, rule_book.counting
    gfci = np.tile(
        [float(counting.gfci_share_dry), float(counting.gfci_share_wet)], (STATE_COUNT, 1)
    )
    gfci[CAREFUL] = hierarchy.careful_protected.mean
    return Taught(
        circuit_follows=hierarchy.circuit_follows.mean,
        origin_follows=hierarchy.origin_follows.mean,
        opening_follows=hierarchy.opening_follows.mean,
        opening_own=hierarchy.opening_own.mean,
        careful=hierarchy.careful.mean,
        head=hierarchy.head_jumpered.mean,
        live=hierarchy.live_false_ground.mean,
        gfci=gfci,
    )


def outcomes(rule_book: RuleBook, taught: Taught) -> Array:
    """P(slots, condition | state, trouble), shape (S, 3 troubles, 3 slots, conditions).

    Every (state, trouble) sums to 1.
    """
    structure = rule_book.structure
    other = float(structure.other_slots)
    table = np.zeros((STATE_COUNT, 3, len(SLOTS), len(CONDITIONS)))
    slots = np.zeros((STATE_COUNT, len(SLOTS)))
    slots[:, _OTHER_SLOTS] = other
    for state in range(STATE_COUNT):
        two = (
            float(structure.two_slot_on_grounded)
            if state in (GROUNDED, POOR)
            else float(state == AS_WIRED)
        )
        slots[state, _TWO] = (1 - other) * two
        slots[state, _THREE] = (1 - other) * (1 - two)
    for state in range(STATE_COUNT):
        for face in range(len(SLOTS)):
            share = slots[state, face]
            for trouble in range(3):
                for condition, chance in _conditions(rule_book, taught, state, trouble, face):
                    table[state, trouble, face, CONDITIONS.index(condition)] += share * chance
    return table


def _conditions(
    rule_book: RuleBook, taught: Taught, state: int, trouble: int, face: int
) -> list[tuple[Condition, float]]:
    """Conditions of one face in one state with one trouble, with their chances."""
    jumpered = state >= JUMPERED
    if trouble == OTHER_FAULT:
        structure = rule_book.structure
        if state in (GROUNDED, POOR):
            neutral = Condition.OPEN_NEUTRAL
        else:
            neutral = (
                Condition.OPEN_NEUTRAL_FALSE_GROUND
                if jumpered
                else Condition.OPEN_NEUTRAL_UNGROUNDED
            )
        shares = {
            neutral: float(structure.open_neutral_share),
            Condition.OPEN_HOT: float(structure.open_hot_share),
            Condition.HOT_ON_GROUND: float(structure.hot_on_ground_share),
            Condition.SHARED_NEUTRAL_OPEN: float(structure.shared_neutral_share),
        }
        if face == _TWO:
            # A two-slot face has no ground contact that a hot conductor could be on.
            del shares[Condition.HOT_ON_GROUND]
        total = sum(shares.values())
        return [(condition, share / total) for condition, share in shares.items()]
    if state == JUMPERED:
        # Whether hot and neutral are swapped too is a share of its own: the portfolio teaches it.
        return [
            (Condition.FALSE_GROUND, 1 - taught.live),
            (Condition.REVERSED_FALSE_GROUND, taught.live),
        ]
    if jumpered:
        # One swap at the head is a swap for all of the circuit; so it is a state of its own.
        head = float(rule_book.hierarchy.head_opening)
        here, beyond = (
            (Condition.FALSE_GROUND, Condition.FALSE_GROUND_UPSTREAM)
            if state == HEAD_JUMPERED
            else (Condition.REVERSED_FALSE_GROUND, Condition.REVERSED_FALSE_GROUND_UPSTREAM)
        )
        return [(here, head), (beyond, 1 - head)]
    ground = _GROUND[state]
    if trouble == STRAIGHT:
        return [(ground, 1.0)]
    return [
        (
            Condition.REVERSED_UNGROUNDED if ground is Condition.UNGROUNDED else Condition.REVERSED,
            1.0,
        )
    ]


def mean_states(rates: Array, poor: Array, taught: Taught) -> Array:
    """Chance of each state and trouble of an opening of which nothing is known.

    Args:
        rates: mean rates, shape (..., 5).
        poor: share of poor grounds among the grounded, broadcastable to (...).
        taught: what the portfolio taught.

    Returns:
        Shape (..., S, 3); sums to 1 over the last two axes.
    """
    u, c, j, r, f = (rates[..., index] for index in range(5))
    state = np.empty((*u.shape, STATE_COUNT))
    state[..., GROUNDED] = (1 - u) * (1 - poor)
    state[..., POOR] = (1 - u) * poor
    state[..., AS_WIRED] = u * (1 - c)
    state[..., OPEN_GROUND] = u * c * (1 - j) * (1 - taught.careful)
    state[..., CAREFUL] = u * c * (1 - j) * taught.careful
    jumpered = u * c * j
    # An opening with a style of its own on a circuit jumpered at the head has a jumper of its own.
    at_head = taught.head * (taught.opening_own + (1 - taught.opening_own) * taught.opening_follows)
    state[..., JUMPERED] = jumpered * (1 - at_head)
    state[..., HEAD_JUMPERED] = jumpered * at_head * (1 - taught.live)
    state[..., HEAD_LIVE] = jumpered * at_head * taught.live
    trouble = np.stack([(1 - f) * (1 - r), (1 - f) * r, f], axis=-1)
    result: Array = state[..., :, None] * trouble[..., None, :]
    return result
