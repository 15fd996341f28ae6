"""Defect families and the identity of a finding.

A family is what is wrong with the opening, coarse enough that every method which sees the defect at
all would name the same family: a ground-path impedance meter cannot tell a false ground from a
reversed false ground, lamps cannot tell an ungrounded opening from a reversed one without a ground.
Same opening and same family seen again is therefore the same finding.
"""

from __future__ import annotations

import re

import duckdb

from pipeline.ledger.events import Raised
from shared.finding_identity import DefectFamily as DefectFamily
from shared.finding_identity import FindingKey as FindingKey
from shared.finding_identity import finding_id as finding_id
from shared.standing import UrgentDefect
from shared.vocabulary import Condition, Result

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


ALSO: dict[Condition, DefectFamily] = {
    # With two slots the want of a ground is no defect: what is left of it is the polarity.
    Condition.REVERSED_UNGROUNDED: DefectFamily.POLARITY,
}
"""The family that a condition is of at two slots, or where a finding of that family stands."""

_JUMPERED = (
    Condition.FALSE_GROUND,
    Condition.REVERSED_FALSE_GROUND,
    Condition.OPEN_NEUTRAL_FALSE_GROUND,
    Condition.FALSE_GROUND_UPSTREAM,
    Condition.REVERSED_FALSE_GROUND_UPSTREAM,
)

NAMED: dict[Result, tuple[DefectFamily, tuple[Condition, ...]]] = {
    Result.FALSE_GROUND: (DefectFamily.FALSE_GROUND, _JUMPERED),
    Result.REVERSED_FALSE_GROUND: (DefectFamily.FALSE_GROUND, _JUMPERED),
    # A bond here says nothing of one further up: another box, other remedies, other proofs.
    Result.FALSE_GROUND_UPSTREAM: (DefectFamily.FALSE_GROUND_UPSTREAM, ()),
    Result.POOR_GROUND: (
        DefectFamily.POOR_GROUND,
        (Condition.UNGROUNDED, Condition.REVERSED_UNGROUNDED, *_JUMPERED),
    ),
    Result.HOT_NEUTRAL_REVERSED: (
        DefectFamily.POLARITY,
        (
            Condition.REVERSED_UNGROUNDED,
            Condition.REVERSED_FALSE_GROUND,
            Condition.REVERSED_FALSE_GROUND_UPSTREAM,
        ),
    ),
    Result.HOT_GROUND_REVERSED: (DefectFamily.HOT_ON_GROUND, ()),
}
"""The family that a word of a look able to tell raises whatever its probability, and the conditions
of other families that say as much where they are confirmed."""


URGENT_FAMILIES: tuple[str, ...] = tuple(each.value for each in UrgentDefect)
"""Families of what is urgent and no condition of the wiring: seen by a look, gone by a look."""


def urgent_family(defect: str) -> UrgentDefect:
    """Return the family of a danger that a look written by hand tells of: urgent conditions of the
    wiring stand as live metal beside the finding of the wiring itself."""
    return UrgentDefect(defect) if defect in URGENT_FAMILIES else UrgentDefect.LIVE_METAL


def create_urgent_family(con: duckdb.DuckDBPyConnection) -> None:
    """Make ``urgent_family`` a macro of a connection."""
    named = ", ".join(f"'{each}'" for each in URGENT_FAMILIES)
    con.execute(
        "CREATE OR REPLACE TEMP MACRO urgent_family(told) AS "
        f"(CASE WHEN told IN ({named}) THEN told ELSE '{UrgentDefect.LIVE_METAL}' END)"
    )


def members(family: str) -> tuple[Condition, ...]:
    """Return the conditions of a family; none for a record conflict."""
    return tuple(condition for condition in FAMILY if family in families_of(condition))


def families_of(condition: Condition) -> tuple[DefectFamily, ...]:
    """Return the families that a condition can be of, its own first."""
    also = ALSO.get(condition)
    return (FAMILY[condition],) if also is None else (FAMILY[condition], also)


def is_family(text: str) -> bool:
    """Say whether a text names a defect family, an urgent one or a record conflict."""
    return text in {*DefectFamily, *URGENT_FAMILIES} or text.split(":")[0] == RECORD_CONFLICT


def is_finding_id(text: str) -> bool:
    """Say whether a text can be the identifier of a finding."""
    return re.fullmatch("F-[0-9a-f]{16}", text) is not None


def identity_of(raised: Raised) -> str:
    """Return the identifier of the finding that an event raises."""
    key = FindingKey(raised.building_id, raised.unit_id, raised.opening_id, raised.family)
    return finding_id(key, raised.occurrence)
