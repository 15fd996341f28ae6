"""What the ledger says to the score: proven repairs count, unproven ones are only expected."""

from __future__ import annotations

import pandas as pd
import sqlalchemy as sa

from pipeline.ledger.database import EVENTS, FINDINGS
from pipeline.ledger.events import Look
from pipeline.ledger.families import URGENT_FAMILIES
from pipeline.ledger.history import history
from pipeline.ledger.store import Ledger
from pipeline.ledger.verification import LOOK_COLUMNS

CAME_BACK = """(
    SELECT recurs_of FROM findings WHERE recurs_of IS NOT NULL AND treatment <> 'withdrawn'
)"""
"""Findings whose defect came back after the repair: SQL of their ids, over ``findings``."""

_REPAIRS = """
SELECT
    finding_id, building_id, nullif(unit_id, '') AS unit_id, opening_id, family, condition,
    fixed_on, {more} leaves_condition, leaves_slots, leaves_protected, remedy, fixed_by
FROM findings
WHERE
    treatment = '{treatment}' AND fixed_on IS NOT NULL
    -- a repair after which the defect came back counts no longer
    AND finding_id {back} {came_back}
QUALIFY row_number() OVER (
    PARTITION BY building_id, unit_id, opening_id{each} ORDER BY fixed_on DESC, finding_id
) = 1
ORDER BY building_id, unit_id, opening_id, family
"""


def _repairs(ledger: Ledger, treatment: str, *, back: str) -> pd.DataFrame:
    """Return the latest repairs of a treatment: proven ones of each family, others of an opening.

    Args:
        back: IN or NOT IN: whether the defect came back after them.
    """
    proven = treatment == "proven"
    query = _REPAIRS.format(
        treatment=treatment,
        more="verified_on," if proven else "",
        each=", family" if proven else "",
        back=back,
        came_back=CAME_BACK,
    )
    with history(ledger) as con:
        return con.execute(query).df()


def verified_fixes(ledger: Ledger) -> pd.DataFrame:
    """Return the latest proven repair of each family of defects at each opening.

    Looks from ``fixed_on`` or before say nothing of the opening as it is now.

    Returns:
        Columns finding_id, building_id, unit_id (missing where there is none), opening_id, family,
        condition (before), fixed_on, verified_on, leaves_condition, leaves_slots,
        leaves_protected, remedy, fixed_by. One row an opening and family.
    """
    return _repairs(ledger, "proven", back="NOT IN")


def recurred_fixes(ledger: Ledger) -> pd.DataFrame:
    """Return the latest proven repair of each family at each opening after which it came back.

    What was said before it is of before that repair.

    Returns:
        Columns as ``verified_fixes``.
    """
    return _repairs(ledger, "proven", back="IN")


def unproven_fixes(ledger: Ledger) -> pd.DataFrame:
    """Return reported fixes that no capable look has proven: their effect is expected, not counted.

    Returns:
        Columns as ``verified_fixes`` without verified_on. One row an opening.
    """
    return _repairs(ledger, "fix_reported", back="NOT IN")


_PROOFS = """
SELECT
    f.finding_id, f.building_id, nullif(f.unit_id, '') AS unit_id, f.opening_id, f.fixed_on,
    origin = 'evidence' OR (proof -> '$.landed') IS NOT NULL AS landed,
    {columns}
FROM findings AS f
JOIN (
    SELECT finding_id, arg_max(payload, sequence) AS proof, arg_max(origin, sequence) AS origin
    FROM history WHERE kind = 'verified' GROUP BY finding_id
) USING (finding_id)
WHERE f.treatment = 'proven'
ORDER BY f.building_id, f.unit_id, f.opening_id, f.finding_id
"""


def proving_looks(ledger: Ledger) -> pd.DataFrame:
    """Return the looks that proved repairs, in the columns of opening observations.

    They are evidence of the opening as it now is, whether or not the same look was also landed.

    Returns:
        Columns finding_id, building_id, unit_id, opening_id, fixed_on, landed (it came with an
        export; nobody wrote it down by hand), then those of ``events.Look``. One row a proven
        finding.
    """
    columns = ", ".join(
        f"(proof ->> '$.look.{name}')::{_look_type(name)} AS {name}" for name in Look.model_fields
    )
    with history(ledger, kinds=("verified",)) as con:
        return con.execute(_PROOFS.format(columns=columns)).df()


_BY_HAND = """
SELECT
    f.finding_id, f.building_id, nullif(f.unit_id, '') AS unit_id, f.opening_id,
    {columns}
FROM (
    SELECT finding_id, sequence, payload FROM history
    WHERE origin <> 'evidence' AND (payload -> '$.landed') IS NULL
) AS h
JOIN findings AS f USING (finding_id)
WHERE f.opening_id <> ''
ORDER BY f.building_id, f.unit_id, f.opening_id, f.finding_id, h.sequence
"""


def looks_by_hand(ledger: Ledger) -> pd.DataFrame:
    """Return the looks that somebody wrote down beside a reported repair; none of them landed.

    Returns:
        Columns finding_id, building_id, unit_id, opening_id, then those of ``events.Look``; the
        face is the finding's where the look names none and no repair may have changed it.
    """
    columns = ", ".join(
        _face_seen() if name == "slots"
        else f"(payload ->> '$.look.{name}')::{_look_type(name)} AS {name}"
        for name in Look.model_fields
    )  # fmt: skip
    with history(ledger, kinds=("verified", "verification_failed")) as con:
        return con.execute(_BY_HAND.format(columns=columns)).df()


def urgent_by_hand(ledger: Ledger) -> pd.DataFrame:
    """Return the events by which a person raised, or saw again, what is urgent and no condition of
    the wiring: finding_id and sequence of each."""
    query = (
        sa.select(EVENTS.c.finding_id, EVENTS.c.sequence)
        .join(FINDINGS, FINDINGS.c.finding_id == EVENTS.c.finding_id)
        .where(
            FINDINGS.c.family.in_(URGENT_FAMILIES),
            EVENTS.c.kind.in_(("raised", "seen_again")),
            EVENTS.c.origin != "evidence",
        )
        .order_by(EVENTS.c.finding_id, EVENTS.c.sequence)
    )
    with ledger.reading() as con:
        found = [tuple(row) for row in con.execute(query)]
    frame = pd.DataFrame(found, columns=["finding_id", "sequence"])
    return frame.astype({"finding_id": str, "sequence": "int64"})


def urgent_set_aside(ledger: Ledger) -> pd.DataFrame:
    """Return findings of what is urgent and no condition of the wiring that a person set aside and
    that was not seen since.

    Returns:
        Columns finding_id, building_id, unit_id, opening_id, family, last_seen_on.
    """
    with history(ledger) as con:
        return con.execute(
            "SELECT finding_id, building_id, nullif(unit_id, '') AS unit_id, opening_id, family, "
            "last_seen_on FROM findings WHERE treatment = 'set_aside' AND NOT seen_since_set_aside "
            "AND list_contains(?, family) ORDER BY finding_id",
            [list(URGENT_FAMILIES)],
        ).df()


def _face_seen() -> str:
    """The face at a look: as it says, else the finding's, unless a repair may have changed it."""
    return (
        "coalesce(payload ->> '$.look.slots', CASE WHEN f.leaves_slots IS NULL THEN f.slots END) "
        "AS slots"
    )


def _look_type(name: str) -> str:
    if name == "observed_on":
        return "DATE"
    return LOOK_COLUMNS.get(name, "VARCHAR")
