"""The words of the trade that every part of Coverplate uses, and what makes an opening dangerous.

Each word list is a ``StrEnum`` so that the same spelling serves the pydantic models, the SQL that
validates whole files, the printed tables and the documentation.
"""

from __future__ import annotations

from enum import StrEnum


class RecordKind(StrEnum):
    """The three kinds of record that an export can hold."""

    BUILDING_REGISTER = "building_register"
    OPENING_OBSERVATIONS = "opening_observations"
    BUILDING_EVALUATIONS = "building_evaluations"


class Method(StrEnum):
    """How an opening was looked at. Each method can see some faults and is blind to others."""

    VISUAL = "visual"
    THREE_LAMP_TESTER = "three_lamp_tester"
    VOLTMETER_UNDER_LOAD = "voltmeter_under_load"
    GROUND_IMPEDANCE_METER = "ground_impedance_meter"
    COVER_OFF_INSPECTION = "cover_off_inspection"


class Selection(StrEnum):
    """Why this opening, of all in the building, was looked at."""

    RANDOM = "random"
    TARGETED = "targeted"
    COMPLAINT = "complaint"
    SURVEY = "survey"
    UNKNOWN = "unknown"


class Slots(StrEnum):
    """What the face of the opening offers a plug."""

    TWO_SLOT = "two_slot"
    THREE_SLOT = "three_slot"
    OTHER = "other"


class Result(StrEnum):
    """What the inspector reported. A report, not the truth: see ``Condition``."""

    CORRECT = "correct"
    OPEN_GROUND = "open_ground"
    OPEN_NEUTRAL = "open_neutral"
    OPEN_HOT = "open_hot"
    HOT_NEUTRAL_REVERSED = "hot_neutral_reversed"
    HOT_GROUND_REVERSED = "hot_ground_reversed"
    FALSE_GROUND = "false_ground"
    REVERSED_FALSE_GROUND = "reversed_false_ground"
    NO_POWER = "no_power"
    NOT_ACCESSIBLE = "not_accessible"
    NOT_TESTED = "not_tested"


NO_LOOK_RESULTS = (Result.NO_POWER, Result.NOT_ACCESSIBLE, Result.NOT_TESTED)
"""Results that say nothing about the wiring by themselves: "not looked at" is not "safe"."""


class Polarity(StrEnum):
    """Whether hot and neutral are on their proper contacts, as measured."""

    CORRECT = "correct"
    REVERSED = "reversed"


class YesNo(StrEnum):
    """A yes/no column; a blank cell is a third, honest answer."""

    YES = "yes"
    NO = "no"


class Marking(StrEnum):
    """Labels found on the receptacle or cover."""

    NO_EQUIPMENT_GROUND = "no_equipment_ground"
    GFCI_PROTECTED = "gfci_protected"
    BOTH = "both"


class WiringMethod(StrEnum):
    """How the branch circuits were originally run; decides whether a ground path can exist."""

    KNOB_AND_TUBE = "knob_and_tube"
    CABLE_WITHOUT_GROUND = "cable_without_ground"
    CABLE_WITH_GROUND = "cable_with_ground"
    ARMORED_CABLE = "armored_cable"
    METAL_RACEWAY = "metal_raceway"
    MIXED = "mixed"
    OTHER = "other"


class Condition(StrEnum):
    """The latent state of an opening: what a perfect look would find."""

    GROUNDED = "grounded"
    UNGROUNDED = "ungrounded"
    FALSE_GROUND = "false_ground"
    REVERSED = "reversed"
    REVERSED_UNGROUNDED = "reversed_ungrounded"
    REVERSED_FALSE_GROUND = "reversed_false_ground"
    OPEN_NEUTRAL = "open_neutral"
    OPEN_HOT = "open_hot"
    HOT_ON_GROUND = "hot_on_ground"


CONDITIONS: tuple[Condition, ...] = tuple(Condition)
"""Every condition in the one order used by all arrays with a condition axis (length 9)."""

URGENT_CONDITIONS = (Condition.REVERSED_FALSE_GROUND, Condition.HOT_ON_GROUND)
"""Conditions that energise metal in normal use: urgent whatever the score says."""


def danger(condition: Condition, slots: Slots, gfci: float) -> float:
    """Probability that an opening is dangerous, given its condition, slots and protection.

    A dangerous opening is one with hot_on_ground, or a three-slot one with false_ground,
    reversed_false_ground or reversed_ungrounded, or a three-slot one that is ungrounded without
    GFCI protection. A GFCI never makes the other dangerous conditions safe.

    Args:
        condition: the latent condition.
        slots: the face of the opening.
        gfci: probability (0 to 1) that the opening is GFCI-protected.

    Returns:
        A probability, 0 to 1.
    """
    if condition is Condition.HOT_ON_GROUND:
        return 1.0
    if slots is not Slots.THREE_SLOT:
        return 0.0
    if condition is Condition.UNGROUNDED:
        return 1.0 - gfci
    always = (
        Condition.FALSE_GROUND,
        Condition.REVERSED_FALSE_GROUND,
        Condition.REVERSED_UNGROUNDED,
    )
    return 1.0 if condition in always else 0.0


CAUTIONS: tuple[str, ...] = (
    "Only a qualified person may open a box or work on wiring.",
    "De-energise the circuit and verify that it is dead before any work.",
    "Local code and the authority having jurisdiction decide what is required.",
    "Coverplate orders evidence; it is no substitute for a licensed electrician.",
)
"""Printed on every screen, report and in the README."""

WET_ROOM_WORDS: tuple[str, ...] = (
    "kitchen",
    "kitchenette",
    "scullery",
    "bath",
    "bathroom",
    "shower",
    "toilet",
    "washroom",
    "powder room",
    "laundry",
    "wash house",
    "utility",
    "basement",
    "cellar",
    "garage",
    "exterior",
    "outdoor",
    "outside",
    "patio",
    "porch",
    "balcony",
)
"""Words (as whole words) in a room's name that make it a kitchen, wet or damp location."""
