"""What hands left behind the plates: a hand for each dwelling, a state for each circuit, openings.

The structure is the trade's, the figures are invented. A dwelling was wired with or without a
ground, and then left alone, rewired, or converted from two to three slots by one of three hands:
carefully, without a ground, or with jumpers. A circuit mostly follows its dwelling's hand and an
opening its circuit. A jumper can be in each box, or in the first box with a cable with a ground
wire on from there: then every opening beyond has a ground wire and no jumper, and is falsely
grounded all the same. Reversal is independent of all that; broken conductors are rare.
"""

from __future__ import annotations

import math
from enum import StrEnum

import numpy as np
import pandas as pd

from data_demo.arrays import Bools, Floats, Ints, Words, blanks, is_word, words
from data_demo.layout import ALL_ROOMS, Layout
from shared.vocabulary import Condition, Marking, Slots


class Hand(StrEnum):
    """What somebody did to a dwelling."""

    UNTOUCHED = "untouched"
    REWIRED = "rewired"
    CAREFUL = "converted_carefully"
    OPEN = "converted_without_ground"
    JUMPER = "converted_by_jumper"


class CircuitState(StrEnum):
    """How a hand left a circuit. ``head_jumpered``: bonded in its first box, ground wire beyond."""

    GROUNDED = "grounded"
    POOR = "poor_ground"
    AS_WIRED = "as_wired"
    OPEN_GROUND = "open_ground"
    PROTECTED = "protected"
    JUMPERED = "jumpered"
    HEAD_JUMPERED = "head_jumpered"


CIRCUIT_FOLLOWS = 0.88
"""Share of circuits that are as their dwelling's hand has it; the others had a hand of theirs."""
CAREFUL = 0.4
"""Share of careful hands among those that made no false ground."""
GFCI_ON_CAREFUL = 0.7
"""Share of circuits of a careful hand with three slots behind a GFCI; the rest keep two slots."""
HEAD_SHARE = 0.3
"""Share of jumpered circuits with the jumper in the first box and a ground wire on from there."""
REWIRED_UNRECORDED = 0.02
"""Share of dwellings rewired in a building of which no rewiring is recorded."""
OPENING_CONVERTED = 0.86
"""Share of openings given three slots on a circuit that was converted."""
CONVERTED_MORE = {"kitchen": 1.15, "bathroom": 1.1, "laundry": 1.1, "living": 1.05}
"""Rooms whose openings were converted sooner, as a factor on the share converted."""
LONE_CONVERSION = 0.03
"""Share of openings given three slots on a circuit that is otherwise as wired."""
JUMPERED_SHARE = 0.9
"""Share of converted openings on a jumpered circuit that have the jumper."""
NEUTRAL_OPEN = 0.003
HOT_OPEN = 0.003
HOT_ON_GROUND = 0.0006
CIRCUIT_NEUTRAL_OPEN = 0.0006
"""Share of circuits whose neutral is broken before the first box."""
SHARED_NEUTRAL_OPEN = 0.0012
"""Share of pairs of neighbouring circuits that share a neutral, and it is broken."""
POOR_OHMS = (1.5, 250.0)
"""Resistance of a poor ground path, from and to, evenly in its logarithm, Ω."""
GFCI_FROM = {
    "exterior": 1973,
    "bathroom": 1975,
    "kitchen": 1987,
    "basement": 1987,
    "laundry": 2005,
}
"""Year from which new wiring in a room has GFCI protection here (reference years, rounded)."""

TRUTH_COLUMNS = (
    "building_id",
    "unit_id",
    "opening_id",
    "circuit_id",
    "slots",
    "condition",
    "gfci",
    "room",
    "marking",
    "hand",
    "circuit_state",
    "wiring_ungrounded",
    "converted",
    "ground_wire",
    "jumper_here",
    "run_feet",
    "stretch_feet",
    "poor_ohms",
)

_REVERSED = {
    Condition.GROUNDED: Condition.REVERSED,
    Condition.UNGROUNDED: Condition.REVERSED_UNGROUNDED,
    Condition.FALSE_GROUND: Condition.REVERSED_FALSE_GROUND,
}
_NEUTRAL_BROKEN = {
    Condition.GROUNDED: Condition.OPEN_NEUTRAL,
    Condition.POOR_GROUND: Condition.OPEN_NEUTRAL,
    Condition.UNGROUNDED: Condition.OPEN_NEUTRAL_UNGROUNDED,
    Condition.FALSE_GROUND: Condition.OPEN_NEUTRAL_FALSE_GROUND,
    Condition.FALSE_GROUND_UPSTREAM: Condition.OPEN_NEUTRAL_FALSE_GROUND,
}


def wire(
    rng: np.random.Generator, register: pd.DataFrame, hands: pd.DataFrame, layout: Layout
) -> pd.DataFrame:
    """Draw what is behind every plate.

    Args:
        rng: the source of chance.
        register: the building register, complete.
        hands: the buildings' rates; see ``data_demo.truth.Truth``.
        layout: where the openings are.

    Returns:
        One row an opening, ``TRUTH_COLUMNS``; see ``data_demo.truth.Truth``.
    """
    dwelling_hand, hand, ungrounded = _hands(rng, hands, layout)
    state = _states(rng, hands, layout, hand, ungrounded)

    n = len(layout.building)
    at = layout.circuit
    circuit_state = state[at]
    room = words(ALL_ROOMS)[layout.room]
    no_ground = ~is_word(circuit_state, CircuitState.GROUNDED, CircuitState.POOR)
    converted = _converted(rng, circuit_state, room)
    rate = hands["false_ground_rate"].to_numpy()[layout.building]
    chance = rng.random(n)
    jumper = converted & np.where(
        circuit_state == CircuitState.JUMPERED,
        chance < JUMPERED_SHARE,
        (circuit_state == CircuitState.AS_WIRED) & (chance < rate),
    )
    headed = np.asarray(circuit_state == CircuitState.HEAD_JUMPERED, dtype=bool)
    jumper |= headed & (layout.place == 0)
    beyond = headed & (layout.place > 0)

    base = words(
        np.select(
            [
                jumper,
                beyond,
                no_ground,
                np.asarray(circuit_state == CircuitState.POOR, dtype=bool),
            ],
            [
                Condition.FALSE_GROUND.value,
                Condition.FALSE_GROUND_UPSTREAM.value,
                Condition.UNGROUNDED.value,
                Condition.POOR_GROUND.value,
            ],
            Condition.GROUNDED.value,
        )
    )
    slots = _slots(rng, no_ground, converted)
    condition = _troubles(rng, hands, layout, base, slots)
    gfci, marking = _protection(rng, register, hands, layout, circuit_state, hand[at], converted)
    first = np.flatnonzero(layout.place == 0)
    head_feet = layout.run_feet[first][at]
    least, most = POOR_OHMS
    poor = np.exp(rng.uniform(math.log(least), math.log(most), len(state)))[at]
    return pd.DataFrame(
        {
            "building_id": register["building_id"].to_numpy()[layout.building],
            "unit_id": layout.unit,
            "opening_id": layout.opening_id,
            "circuit_id": layout.circuit_id,
            "slots": slots,
            "condition": condition,
            "gfci": gfci,
            "room": room,
            "marking": marking,
            "hand": dwelling_hand[layout.dwelling],
            "circuit_state": circuit_state,
            "wiring_ungrounded": no_ground,
            "converted": converted,
            "ground_wire": ~no_ground | beyond,
            "jumper_here": jumper,
            "run_feet": layout.run_feet,
            "stretch_feet": np.where(beyond, layout.run_feet - head_feet, np.nan).round(1),
            "poor_ohms": np.where(base == Condition.POOR_GROUND, poor, np.nan).round(1),
        }
    )[list(TRUTH_COLUMNS)]


def _draw_hands(
    rng: np.random.Generator, hands: pd.DataFrame, building: Ints
) -> tuple[Words, Bools]:
    """Draw a hand for each place in a building, and whether it was first wired without a ground."""
    n = len(building)

    def happens(share: Floats) -> Bools:
        return np.asarray(rng.random(n) < share, dtype=bool)

    def rate(name: str) -> Floats:
        return hands[name].to_numpy()[building]

    ungrounded = happens(rate("ungrounded_rate"))
    rewired = happens(np.maximum(rate("rewired_share"), REWIRED_UNRECORDED))
    converted = happens(rate("conversion_rate"))
    jumper = happens(rate("false_ground_rate"))
    careful = happens(np.full(n, CAREFUL))
    hand = np.select(
        [~ungrounded, rewired, ~converted, jumper, careful],
        [Hand.UNTOUCHED.value, Hand.REWIRED.value, Hand.UNTOUCHED.value, Hand.JUMPER.value,
         Hand.CAREFUL.value],
        Hand.OPEN.value,
    )  # fmt: skip
    return words(hand), ungrounded & ~rewired


def _hands(
    rng: np.random.Generator, hands: pd.DataFrame, layout: Layout
) -> tuple[Words, Words, Bools]:
    """Draw the dwellings' hands; the circuits' hands, most of them the same; no ground or not."""
    home, home_ungrounded = _draw_hands(rng, hands, layout.dwelling_building)
    at = layout.circuit_dwelling
    own, own_ungrounded = _draw_hands(rng, hands, layout.dwelling_building[at])
    follows = rng.random(len(at)) < CIRCUIT_FOLLOWS
    hand = words(np.where(follows, home[at], own))
    return home, hand, np.where(follows, home_ungrounded[at], own_ungrounded)


def _states(
    rng: np.random.Generator, hands: pd.DataFrame, layout: Layout, hand: Words, ungrounded: Bools
) -> Words:
    chance = rng.random(len(hand))
    building = layout.dwelling_building[layout.circuit_dwelling]
    poor = (hand == Hand.UNTOUCHED) & (chance < hands["poor_rate"].to_numpy()[building])
    state = np.select(
        [
            ungrounded & (hand == Hand.UNTOUCHED),
            hand == Hand.OPEN,
            hand == Hand.CAREFUL,
            hand == Hand.JUMPER,
            poor,
        ],
        [
            CircuitState.AS_WIRED.value,
            CircuitState.OPEN_GROUND.value,
            np.where(
                chance < GFCI_ON_CAREFUL,
                CircuitState.PROTECTED.value,
                CircuitState.AS_WIRED.value,
            ),
            np.where(
                chance < HEAD_SHARE,
                CircuitState.HEAD_JUMPERED.value,
                CircuitState.JUMPERED.value,
            ),
            CircuitState.POOR.value,
        ],
        CircuitState.GROUNDED.value,
    )
    return words(state)


def _converted(rng: np.random.Generator, state: Words, room: Words) -> Bools:
    factor = np.asarray([CONVERTED_MORE.get(word, 0.95) for word in ALL_ROOMS])
    by_room = dict(zip(ALL_ROOMS, np.minimum(0.98, OPENING_CONVERTED * factor), strict=True))
    share = np.select(
        [
            is_word(state, CircuitState.GROUNDED, CircuitState.POOR),
            is_word(state, CircuitState.AS_WIRED),
            is_word(state, CircuitState.HEAD_JUMPERED),
        ],
        [0.0, LONE_CONVERSION, 1.0],
        np.asarray([by_room[word] for word in room]),
    )
    return np.asarray(rng.random(len(state)) < share, dtype=bool)


def _slots(rng: np.random.Generator, no_ground: Bools, converted: Bools) -> Words:
    slots = np.where(no_ground & ~converted, Slots.TWO_SLOT.value, Slots.THREE_SLOT.value)
    odd = rng.random(len(slots))
    slots = np.where(~no_ground & (odd < 0.01), Slots.TWO_SLOT.value, slots)
    return words(np.where(~no_ground & (odd > 0.992), Slots.OTHER.value, slots))


def _translated(base: Words, here: Bools, table: dict[Condition, Condition]) -> Words:
    plain = {before.value: after.value for before, after in table.items()}
    return words([plain.get(b, b) if yes else b for b, yes in zip(base, here, strict=True)])


def _troubles(
    rng: np.random.Generator, hands: pd.DataFrame, layout: Layout, base: Words, slots: Words
) -> Words:
    """Swap and break conductors: at single openings, and for all that lies beyond."""
    n = len(base)
    at = layout.circuit
    swapped = rng.random(n) < hands["reversal_rate"].to_numpy()[layout.building]
    condition = _translated(base, swapped, _REVERSED)
    head_swapped = swapped[np.flatnonzero(layout.place == 0)][at]
    upstream = np.asarray(base == Condition.FALSE_GROUND_UPSTREAM, dtype=bool)
    condition[upstream & head_swapped] = Condition.REVERSED_FALSE_GROUND_UPSTREAM.value

    rare = rng.random(n)
    broken = rare < NEUTRAL_OPEN
    circuits = len(layout.circuit_dwelling)
    broken |= (rng.random(circuits) < CIRCUIT_NEUTRAL_OPEN)[at]
    condition = words(np.where(broken, _translated(base, broken, _NEUTRAL_BROKEN), condition))
    condition[rare > 1 - HOT_OPEN] = Condition.OPEN_HOT.value
    three = np.asarray(slots == Slots.THREE_SLOT.value, dtype=bool)
    bonded = is_word(base, Condition.FALSE_GROUND, Condition.FALSE_GROUND_UPSTREAM)
    hot = three & ~bonded & (np.abs(rare - 0.5) < HOT_ON_GROUND / 2)
    condition[hot] = Condition.HOT_ON_GROUND.value

    number = np.arange(circuits)
    pair = rng.random(circuits + 1) < SHARED_NEUTRAL_OPEN
    neighbour = np.append(layout.circuit_dwelling[1:], -1) == layout.circuit_dwelling
    starts = pair[:-1] & neighbour & (number % 2 == 0)
    shares = starts | np.append(False, starts[:-1])
    grounded = np.asarray(base == Condition.GROUNDED, dtype=bool)
    condition[shares[at] & grounded] = Condition.SHARED_NEUTRAL_OPEN.value
    return condition


def _protection(
    rng: np.random.Generator,
    register: pd.DataFrame,
    hands: pd.DataFrame,
    layout: Layout,
    state: Words,
    hand: Words,
    converted: Bools,
) -> tuple[Bools, Words]:
    """GFCI protection and labels, shape (N,) each."""
    n = len(state)
    built = register["year_built"].to_numpy(dtype=np.int64)[layout.building]
    renewed = register["year_rewired"].fillna(0).to_numpy(dtype=np.int64)[layout.building]
    wired = np.where(hand == Hand.REWIRED, np.maximum(built, renewed), built)
    since = np.asarray([GFCI_FROM.get(word, 9999) for word in ALL_ROOMS])[layout.room]
    retrofit = hands["retrofit_rate"].to_numpy()[layout.building]
    chance = np.where(wired >= since, 0.92, np.where(since < 9999, retrofit, 0.02))
    careful = np.asarray(state == CircuitState.PROTECTED, dtype=bool)
    gfci = np.asarray(rng.random(n) < np.where(careful, 0.95, chance), dtype=bool)
    labelled = rng.random(n)
    marking = blanks(n)
    honest = converted & ~is_word(state, CircuitState.JUMPERED, CircuitState.HEAD_JUMPERED)
    marking[gfci & (labelled < 0.3)] = Marking.GFCI_PROTECTED.value
    marking[honest & gfci & (labelled < 0.55)] = Marking.BOTH.value
    marking[honest & ~gfci & (labelled < 0.05)] = Marking.NO_EQUIPMENT_GROUND.value
    return gfci, marking
