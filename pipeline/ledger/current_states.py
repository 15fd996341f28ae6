"""The current state of every finding, kept in the database beside its events.

A projection: what the events of each finding amount to (``state.fold``), one row a finding,
written in the transaction that writes its events, so that no list has to load them. It says nothing
that the events do not: it can be made anew at any time, and ``ledger verify`` compares the two.
Lists cannot: each row carries a hash of itself, so that one that was changed by another hand is
refused. Whoever also makes that hash anew is found by ``verify`` only.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from pipeline.ledger.chain import Break
from pipeline.ledger.database import CURRENT_STATES, FINDINGS
from pipeline.ledger.state import Finding
from shared.canonical import utc_text
from shared.faults import CoverplateError
from shared.finding_states import TREATMENTS

CHUNK = 500
"""Findings named in one statement."""

FORM = 3
"""What a row holds; a row of another form is made anew when the ledger is opened."""

HASH_LETTERS = 64
"""Letters of the hash (SHA-256) that stands before the content of a row."""


@dataclass(frozen=True)
class Column:
    """A column of the current states.

    Attributes:
        type: its SQL type; for a list, that of what it holds: for records the
            types by field.
        value: reads it off a finding.
    """

    type: str | list[str] | list[dict[str, str]]
    value: Callable[[Finding], Any]


def _of_fix(name: str) -> Callable[[Finding], Any]:
    return lambda finding: None if finding.fix is None else getattr(finding.fix, name)


def _of_proof(name: str) -> Callable[[Finding], Any]:
    return lambda finding: None if finding.proven_by is None else getattr(finding.proven_by, name)


COLUMNS: dict[str, Column] = {
    "finding_id": Column("VARCHAR", lambda f: f.finding_id),
    "building_id": Column("VARCHAR", lambda f: f.raised.building_id),
    "unit_id": Column("VARCHAR", lambda f: f.raised.unit_id),
    "opening_id": Column("VARCHAR", lambda f: f.raised.opening_id),
    "family": Column("VARCHAR", lambda f: f.raised.family),
    "occurrence": Column("INTEGER", lambda f: f.raised.occurrence),
    "recurs_of": Column("VARCHAR", lambda f: f.raised.recurs_of),
    "sequence": Column("BIGINT", lambda f: f.sequence),
    "state": Column("VARCHAR", lambda f: f.state),
    "treatment": Column("VARCHAR", lambda f: f.treatment),
    "open": Column("BOOLEAN", lambda f: TREATMENTS[f.treatment].open),
    "live": Column("BOOLEAN", lambda f: TREATMENTS[f.treatment].live),
    "grade": Column("VARCHAR", lambda f: f.grade),
    "condition": Column("VARCHAR", lambda f: f.condition),
    "standing": Column("VARCHAR", lambda f: f.standing),
    "probability": Column("DOUBLE", lambda f: f.probability),
    "slots": Column("VARCHAR", lambda f: f.raised.slots),
    "first_seen_on": Column("DATE", lambda f: f.raised.first_seen_on),
    "last_seen_on": Column("DATE", lambda f: f.last_seen_on),
    "pointed_on": Column("DATE", lambda f: f.pointed_on),
    "defect_last_seen_on": Column("DATE", lambda f: f.defect_last_seen_on),
    "times_seen_again": Column("BIGINT", lambda f: f.times_seen_again),
    "raised_at": Column("TIMESTAMP", lambda f: f.raised_at),
    "notified_on": Column("DATE", lambda f: f.raised.notified_on),
    "regulation": Column("VARCHAR", lambda f: f.raised.regulation),
    "last_at": Column("TIMESTAMP", lambda f: f.last_at),
    "accepted": Column("BOOLEAN", lambda f: f.accepted),
    "firm": Column("VARCHAR", lambda f: f.firm),
    "person": Column("VARCHAR", lambda f: f.person),
    "assigned_due_on": Column("DATE", lambda f: f.due_on),
    "quoted_by": Column("VARCHAR", lambda f: f.quoted_by),
    "quoted": Column("DOUBLE", lambda f: f.quoted),
    "remedy": Column("VARCHAR", _of_fix("remedy")),
    "fixed_on": Column("DATE", _of_fix("fixed_on")),
    "fix_reported_at": Column("TIMESTAMP", lambda f: f.fix_reported_at),
    "fixed_by": Column("VARCHAR", _of_fix("firm")),
    "cost": Column("DOUBLE", _of_fix("cost")),
    "leaves_condition": Column("VARCHAR", _of_fix("leaves_condition")),
    "leaves_slots": Column("VARCHAR", _of_fix("leaves_slots")),
    "leaves_protected": Column("VARCHAR", _of_fix("leaves_protected")),
    "verified_on": Column("DATE", _of_proof("observed_on")),
    "verified_by_method": Column("VARCHAR", _of_proof("method")),
    "set_aside_reason": Column(
        "VARCHAR", lambda f: f.set_aside_reason if f.treatment == "set_aside" else None
    ),
    "seen_since_set_aside": Column("BOOLEAN", lambda f: f.seen_since_set_aside),
    "failed_fixes": Column("BIGINT", lambda f: f.failed_fixes),
    "last_access": Column("VARCHAR", lambda f: f.last_access),
    "paused_since": Column("DATE", lambda f: f.paused_since),
    "resumed_on": Column("DATE", lambda f: f.resumed_on),
    "seen_by": Column(["VARCHAR"], lambda f: f.seen_by),
    "changes": Column(
        [
            {
                "sequence": "BIGINT",
                "recorded_at": "TIMESTAMP",
                "kind": "VARCHAR",
                "state": "VARCHAR",
                "treatment": "VARCHAR",
                "open": "BOOLEAN",
                "firm": "VARCHAR",
            }
        ],
        lambda f: f.changes,
    ),
    "target_steps": Column(
        [
            {
                "sequence": "BIGINT",
                "recorded_at": "TIMESTAMP",
                "who": "VARCHAR",
                "kind": "VARCHAR",
                "condition": "VARCHAR",
                "day": "DATE",
                "reason": "VARCHAR",
            }
        ],
        lambda f: f.target_steps,
    ),
}
"""Every column of the current states; ``changes`` and ``target_steps`` hold lists in the order
written (``state.Change``, ``state.TargetStep``)."""

LISTS = tuple(name for name, column in COLUMNS.items() if isinstance(column.type, list))
"""The columns that hold lists."""


def content_of(finding: Finding) -> str:
    """Return what is kept of a finding: one JSON object, the columns by name in their order."""
    return _ENCODER.encode({name: column.value(finding) for name, column in COLUMNS.items()})


def stored_of(finding: Finding) -> str:
    """Return the text that is stored of a finding: its content behind a hash of it."""
    content = content_of(finding)
    return _hash(finding.sequence, content) + content


def _hash(sequence: int, content: str) -> str:
    digest = hashlib.sha256(content.encode(errors="surrogatepass"))
    digest.update(b" %d" % sequence)
    return digest.hexdigest()


def _plain(value: object) -> object:
    """What JSON can say of a value that it does not know."""
    if isinstance(value, dt.datetime):
        return utc_text(value)
    if isinstance(value, dt.date):
        return value.isoformat()
    return vars(value)


_ENCODER = json.JSONEncoder(ensure_ascii=False, separators=(",", ":"), default=_plain)


def keep(con: Connection, findings: Iterable[Finding]) -> None:
    """Write down how findings now stand, in the transaction that wrote their events."""
    rows = [
        {
            "finding_id": finding.finding_id,
            "sequence": finding.sequence,
            "form": FORM,
            "content": stored_of(finding),
        }
        for finding in findings
    ]
    if rows:
        ids = [row["finding_id"] for row in rows]
        for begin in range(0, len(ids), CHUNK):
            old = CURRENT_STATES.c.finding_id.in_(ids[begin : begin + CHUNK])
            con.execute(sa.delete(CURRENT_STATES).where(old))
        con.execute(sa.insert(CURRENT_STATES), rows)


def kept(con: Connection) -> dict[str, str | None]:
    """Return the text stored of each finding; None where that is not of its last event."""
    return {row[0]: row[1] for row in _rows(con, None)}


def contents(con: Connection, building_id: str | None = None) -> dict[str, str | None]:
    """Return what is kept of each finding as JSON; None where that is not of its last event.

    Args:
        con: a transaction.
        building_id: one building's findings only.

    Raises:
        CoverplateError: a row was changed since it was written.
    """
    found: dict[str, str | None] = {}
    for identity, text, sequence in _rows(con, building_id):
        content = None if text is None else text[HASH_LETTERS:]
        if content is not None and not text.startswith(_hash(sequence, content)):
            raise CoverplateError(
                f"the kept state of {identity} was changed since it was written",
                expected="every state as the events say",
                to_do="see `coverplate ledger verify`; where it finds nothing else, `coverplate "
                "ledger restate` works the states out anew from the events",
            )
        found[identity] = content
    return found


def _rows(con: Connection, building_id: str | None) -> Iterable[Sequence[Any]]:
    """Yield finding, stored text or None, and the sequence of its last event."""
    named = FINDINGS.c.building_id == building_id if building_id is not None else sa.true()
    if not sa.inspect(con).has_table(CURRENT_STATES.name):  # a ledger of before it was kept
        query = sa.select(FINDINGS.c.finding_id, sa.null(), FINDINGS.c.head_sequence).where(named)
    else:
        query = (
            sa.select(FINDINGS.c.finding_id, CURRENT_STATES.c.content, FINDINGS.c.head_sequence)
            .outerjoin(
                CURRENT_STATES,
                sa.and_(
                    CURRENT_STATES.c.finding_id == FINDINGS.c.finding_id,
                    CURRENT_STATES.c.sequence == FINDINGS.c.head_sequence,
                    CURRENT_STATES.c.form == FORM,
                ),
            )
            .where(named)
        )
    return con.execute(query)


def behind(con: Connection) -> list[str]:
    """Return the findings of which nothing is kept, or not as of their last event."""
    query = (
        sa.select(FINDINGS.c.finding_id)
        .outerjoin(CURRENT_STATES, CURRENT_STATES.c.finding_id == FINDINGS.c.finding_id)
        .where(
            sa.or_(
                CURRENT_STATES.c.sequence.is_(None),
                CURRENT_STATES.c.sequence != FINDINGS.c.head_sequence,
                CURRENT_STATES.c.form != FORM,
            )
        )
    )
    return list(con.execute(query).scalars())


def state_breaks(
    kept_by_finding: Mapping[str, object], findings: Mapping[str, Finding]
) -> list[Break]:
    """Return the findings of which something else is kept than their events amount to.

    Args:
        kept_by_finding: as ``kept`` returns it; what is behind its events is not compared, since
            nothing reads it.
        findings: what the events amount to, of those findings whose events are sound.
    """
    found = []
    for identity, finding in findings.items():
        stored = kept_by_finding.get(identity)
        if stored is not None and stored != stored_of(finding):
            what = "its kept state is not what its events amount to" + _first_difference(
                str(stored)[HASH_LETTERS:], content_of(finding)
            )
            what += "; `coverplate ledger restate` works it out anew"
            found.append(Break(identity, finding.sequence, what))
    return found


def _first_difference(content: str, right: str) -> str:
    try:
        said, meant = json.loads(content), json.loads(right)
        differing = [name for name in meant if said.get(name) != meant[name]]
        name = next((name for name in differing if name not in LISTS), differing[0])
    except (ValueError, AttributeError, IndexError, RecursionError):
        return ""
    shown = "" if name in LISTS else f": {said.get(name)} for {meant[name]}"
    return f" ({name}{shown})"
