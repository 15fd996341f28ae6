"""The words of the trade that every part of Coverplate uses, and what makes an opening dangerous.

Each word list is a ``StrEnum`` so that the same spelling serves the pydantic models, the SQL that
validates whole files, the printed tables and the documentation.
"""

from __future__ import annotations

from enum import StrEnum


class RecordKind(StrEnum):
    """The kinds of record that an export can hold."""

    BUILDING_REGISTER = "building_register"
    OPENING_OBSERVATIONS = "opening_observations"
    BUILDING_EVALUATIONS = "building_evaluations"
    BUILDING_REPORTS = "building_reports"
    FIX_REPORTS = "fix_reports"


class ReportKind(StrEnum):
    """What sort of paper says something of a building."""

    CITATION = "citation"
    COMPLAINT = "complaint"
    WORK_ORDER = "work_order"
    PERMIT = "permit"


class ReportStatus(StrEnum):
    """What became of it, as the paper says; ``closed`` may be on paper only."""

    OPEN = "open"
    CORRECTED = "corrected"
    CLOSED = "closed"
    DISMISSED = "dismissed"


class ReportSubject(StrEnum):
    """What a report is about; worst first."""

    SHOCK = "shock"
    LIVE_METAL = "live_metal"
    HEAT = "heat"
    FALSE_GROUND = "false_ground"
    REVERSED_POLARITY = "reversed_polarity"
    NO_GROUND = "no_ground"
    REWIRING = "rewiring"
    OUTLETS = "outlets"
    OTHER = "other"


class Method(StrEnum):
    """How an opening was looked at. Each method can see some faults and is blind to others."""

    VISUAL = "visual"
    THREE_LAMP_TESTER = "three_lamp_tester"
    VOLTMETER_UNDER_LOAD = "voltmeter_under_load"
    GROUND_IMPEDANCE_METER = "ground_impedance_meter"
    COVER_OFF_INSPECTION = "cover_off_inspection"
    GROUND_WIRE_CLAMP = "ground_wire_clamp"
    NEUTRAL_LIFTED_TEST = "neutral_lifted_test"
    UPSTREAM_BOX_SEEN = "upstream_box_seen"


OPEN_BOX_METHODS = (
    Method.COVER_OFF_INSPECTION,
    Method.GROUND_WIRE_CLAMP,
    Method.NEUTRAL_LIFTED_TEST,
    Method.UPSTREAM_BOX_SEEN,
)
"""Methods for which a qualified person opens the box, so that the wires in it are seen too."""


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
    FALSE_GROUND_UPSTREAM = "false_ground_upstream"
    POOR_GROUND = "poor_ground"
    ABNORMAL_VOLTAGE = "abnormal_voltage"


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


class WiringMetal(StrEnum):
    """What the branch circuits are of; aluminum connections can overheat (see ``fire_facts``)."""

    COPPER = "copper"
    ALUMINUM = "aluminum"
    MIXED = "mixed"


class PanelType(StrEnum):
    """What interrupts the branch circuits at the panel."""

    FUSES = "fuses"
    CIRCUIT_BREAKERS = "circuit_breakers"
    BOTH = "both"


class PanelCondition(StrEnum):
    """How the panel was found."""

    SOUND = "sound"
    WORN = "worn"
    DAMAGED = "damaged"
    OVERHEATED = "overheated"


class Condition(StrEnum):
    """The latent state of an opening: what a perfect look would find.

    * ``poor_ground``: a ground path of high resistance (armoured cable without a bonding strip,
      corroded raceway);
    * ``false_ground_upstream``: the ground wire here is bonded to the neutral in a box further up
      and reaches no further; no jumper in this box;
    * ``reversed_false_ground_upstream``: the box further up is a reversed false ground and this
      opening is fed through its terminals;
    * ``open_neutral_ungrounded``: neutral open on wiring without a ground;
    * ``open_neutral_false_ground``: a false ground whose neutral is open further up: what is
      plugged in feeds the ground contact;
    * ``shared_neutral_open``: the neutral that two circuits share is broken: the voltage at the
      slots is divided by the loads of both.
    """

    GROUNDED = "grounded"
    UNGROUNDED = "ungrounded"
    FALSE_GROUND = "false_ground"
    REVERSED = "reversed"
    REVERSED_UNGROUNDED = "reversed_ungrounded"
    REVERSED_FALSE_GROUND = "reversed_false_ground"
    OPEN_NEUTRAL = "open_neutral"
    OPEN_HOT = "open_hot"
    HOT_ON_GROUND = "hot_on_ground"
    POOR_GROUND = "poor_ground"
    FALSE_GROUND_UPSTREAM = "false_ground_upstream"
    REVERSED_FALSE_GROUND_UPSTREAM = "reversed_false_ground_upstream"
    OPEN_NEUTRAL_UNGROUNDED = "open_neutral_ungrounded"
    OPEN_NEUTRAL_FALSE_GROUND = "open_neutral_false_ground"
    SHARED_NEUTRAL_OPEN = "shared_neutral_open"


CONDITIONS: tuple[Condition, ...] = tuple(Condition)
"""Every condition in the one order used by all arrays with a condition axis (length C, 15)."""

URGENT_CONDITIONS = (
    Condition.REVERSED_FALSE_GROUND,
    Condition.HOT_ON_GROUND,
    Condition.REVERSED_FALSE_GROUND_UPSTREAM,
    Condition.OPEN_NEUTRAL_FALSE_GROUND,
)
"""Conditions that energise metal in normal use: urgent whatever the score says."""

_DANGEROUS_ON_ANY_FACE = (Condition.HOT_ON_GROUND, Condition.SHARED_NEUTRAL_OPEN)
_DANGEROUS_WITH_A_GROUND_CONTACT = (
    Condition.FALSE_GROUND,
    Condition.REVERSED_FALSE_GROUND,
    Condition.REVERSED_UNGROUNDED,
    Condition.FALSE_GROUND_UPSTREAM,
    Condition.REVERSED_FALSE_GROUND_UPSTREAM,
    Condition.OPEN_NEUTRAL_UNGROUNDED,
    Condition.OPEN_NEUTRAL_FALSE_GROUND,
)
_SAFE_BEHIND_A_GFCI = (Condition.UNGROUNDED, Condition.POOR_GROUND)


def danger(condition: Condition, slots: Slots, gfci: float) -> float:
    """Probability that an opening is dangerous, given its condition, slots and protection.

    Judgement, after what the circuit model shows of each condition:

    * on any face: hot_on_ground; shared_neutral_open, which puts up to twice the supply voltage on
      whatever is plugged in, so that insulation fails and things burn;
    * on three slots, and on any other face but two slots (a 20 A slot, a range, a locking
      receptacle: they have a ground contact): every false ground, here or further up, since its
      metal is live or one open neutral away from it; reversed_ungrounded;
      open_neutral_ungrounded, where a fault leaves the case live and a GFCI beyond the break has no
      supply;
    * on these unless GFCI-protected: ungrounded, and poor_ground, whose path is too poor for
      a breaker (at 8 Ω a 15 A breaker stays closed and the case stands at 114 V) and yet plenty for
      a GFCI, wherever it is.

    A GFCI never makes the other dangerous conditions safe.

    Args:
        condition: the latent condition.
        slots: the face of the opening.
        gfci: probability (0 to 1) that the opening is GFCI-protected.

    Returns:
        A probability, 0 to 1.
    """
    if condition in _DANGEROUS_ON_ANY_FACE:
        return 1.0
    if slots is Slots.TWO_SLOT:
        return 0.0
    if condition in _SAFE_BEHIND_A_GFCI:
        return 1.0 - gfci
    return 1.0 if condition in _DANGEROUS_WITH_A_GROUND_CONTACT else 0.0


def defect_at(condition: Condition, slots: Slots | None) -> bool:
    """Say whether a condition is a defect of an opening with a face (None: not known).

    Want of a ground is none where the face has no ground contact: so it was wired. Anything else,
    a jumper or conductors on each other's terminals too, is a defect at any face.
    """
    if condition is Condition.GROUNDED:
        return False
    return slots is not Slots.TWO_SLOT or condition not in _SAFE_BEHIND_A_GFCI


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
