"""What makes two sightings the same finding, and its identifier: a hash of place and family."""

from __future__ import annotations

import hashlib
import json
from enum import StrEnum
from typing import NamedTuple

from shared.standing import UrgentDefect


class DefectFamily(StrEnum):
    """What is wrong, as far as ordinary methods agree on it."""

    NO_GROUND = "no_ground"
    FALSE_GROUND = "false_ground"
    FALSE_GROUND_UPSTREAM = "false_ground_upstream"
    POOR_GROUND = "poor_ground"
    POLARITY = "polarity"
    OPEN_CONDUCTOR = "open_conductor"
    HOT_ON_GROUND = "hot_on_ground"


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


MOST_OCCURRENCES = 20
"""Occurrences up to which ``is_of_place_sql`` knows an identifier."""


def is_of_place_sql(identifier: str, building_id: str, unit_id: str, opening_id: str) -> str:
    """Return SQL that is true where an identifier can be of a finding at a place, or at its unit or
    building without an opening. The hash is that of ``finding_id``.

    Args:
        identifier, building_id, unit_id, opening_id: SQL of texts; NULL counts as blank.
    """
    families = ", ".join(f"'{each.value}'" for each in (*DefectFamily, *UrgentDefect))
    unit, opening = f"coalesce({unit_id}, '')", f"coalesce({opening_id}, '')"
    places = ", ".join(f"[{u}, {o}]" for u in (unit, "''") for o in (opening, "''"))
    parts = f"to_json({building_id}), ',', to_json(place[1]), ',', to_json(place[2])"
    text = f"concat('[', {parts}, ',\"', family, '\",', occurrence, ']')"
    hashes = (
        f"[concat('F-', sha256({text})[:16]) FOR occurrence IN range(1, {MOST_OCCURRENCES + 1})]"
    )
    return (
        f"list_contains(flatten(flatten([[{hashes} FOR family IN [{families}]] "
        f"FOR place IN [{places}]])), {identifier})"
    )
