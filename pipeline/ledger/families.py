"""Defect families and the identity of a finding.

A family is what is wrong with the opening, coarse enough that every method which sees the defect at
all would name the same family: a ground-path impedance meter cannot tell a false ground from a
reversed false ground, lamps cannot tell an ungrounded opening from a reversed one without a ground.
Same opening and same family seen again is therefore the same finding.
"""

from __future__ import annotations

import hashlib
import json
import re
from enum import StrEnum
from typing import NamedTuple

from pipeline.ledger.events import Raised
from shared.standing import UrgentDefect
from shared.vocabulary import Condition


class DefectFamily(StrEnum):
    """What is wrong, as far as ordinary methods agree on it."""

    NO_GROUND = "no_ground"
    FALSE_GROUND = "false_ground"
    FALSE_GROUND_UPSTREAM = "false_ground_upstream"
    POOR_GROUND = "poor_ground"
    POLARITY = "polarity"
    OPEN_CONDUCTOR = "open_conductor"
    HOT_ON_GROUND = "hot_on_ground"


RECORD_CONFLICT = "record_conflict"
"""Prefix of the family of a data-quality conflict: ``record_conflict:<kind>:<column>``."""

FAMILY: dict[Condition, DefectFamily] = {
    Condition.UNGROUNDED: DefectFamily.NO_GROUND,
    Condition.REVERSED_UNGROUNDED: DefectFamily.NO_GROUND,
    Condition.FALSE_GROUND: DefectFamily.FALSE_GROUND,
    Condition.REVERSED_FALSE_GROUND: DefectFamily.FALSE_GROUND,
    Condition.REVERSED: DefectFamily.POLARITY,
    Condition.OPEN_NEUTRAL: DefectFamily.OPEN_CONDUCTOR,
    Condition.OPEN_HOT: DefectFamily.OPEN_CONDUCTOR,
    Condition.HOT_ON_GROUND: DefectFamily.HOT_ON_GROUND,
    Condition.POOR_GROUND: DefectFamily.POOR_GROUND,
    Condition.FALSE_GROUND_UPSTREAM: DefectFamily.FALSE_GROUND_UPSTREAM,
    Condition.REVERSED_FALSE_GROUND_UPSTREAM: DefectFamily.FALSE_GROUND_UPSTREAM,
    Condition.OPEN_NEUTRAL_UNGROUNDED: DefectFamily.OPEN_CONDUCTOR,
    # The jumper is what makes its metal live, and an open box names it.
    Condition.OPEN_NEUTRAL_FALSE_GROUND: DefectFamily.FALSE_GROUND,
    Condition.SHARED_NEUTRAL_OPEN: DefectFamily.OPEN_CONDUCTOR,
}


URGENT_FAMILIES: tuple[str, ...] = tuple(each.value for each in UrgentDefect)
"""Families of what is urgent and no condition of the wiring: seen by a look, gone by a look."""


def members(family: str) -> tuple[Condition, ...]:
    """Return the conditions of a family; none for a record conflict."""
    return tuple(condition for condition, each in FAMILY.items() if each == family)


def is_family(text: str) -> bool:
    """Say whether a text names a defect family, an urgent one or a record conflict."""
    return text in {*DefectFamily, *URGENT_FAMILIES} or text.split(":")[0] == RECORD_CONFLICT


class FindingKey(NamedTuple):
    """What makes two sightings the same finding; blanks are empty texts."""

    building_id: str
    unit_id: str
    opening_id: str
    family: str


def finding_id(key: FindingKey, occurrence: int) -> str:
    """Return the identifier of the n-th time that this defect stands at this opening.

    It is a hash of the key, so that two people who raise the same finding at once raise one.

    Args:
        key: opening and family.
        occurrence: 1, and one more for each recurrence after a verified repair.
    """
    text = json.dumps([*key, occurrence], ensure_ascii=False, separators=(",", ":"))
    return "F-" + hashlib.sha256(text.encode()).hexdigest()[:16]


def is_finding_id(text: str) -> bool:
    """Say whether a text can be the identifier of a finding."""
    return re.fullmatch("F-[0-9a-f]{16}", text) is not None


def identity_of(raised: Raised) -> str:
    """Return the identifier of the finding that an event raises."""
    key = FindingKey(raised.building_id, raised.unit_id, raised.opening_id, raised.family)
    return finding_id(key, raised.occurrence)
