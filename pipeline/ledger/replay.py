"""Whether a history follows the rules by which it was written: every event judged once more.

Hashes prove that nothing was changed since; they say nothing of a history that was made up and
hashed afterwards. So each event of a chain is put through the same checks as when it is written,
at the time that it says, by the rule book that it names. What does not pass is a ``Break``.

Only reported fixes and looks after them are judged by a rule book. How a proof was worded is not
compared; the odds that it states are.
"""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Iterable, Iterator, Sequence

import sqlalchemy as sa

from pipeline.ledger import events as ev
from pipeline.ledger.chain import Break, StoredEvent, parsed_event
from pipeline.ledger.checks import (
    check_actor,
    check_evidence,
    check_has_come,
    check_raised,
    check_time,
    check_was_seen,
    checked_payload,
)
from pipeline.ledger.database import FINDINGS
from pipeline.ledger.families import identity_of
from pipeline.ledger.rule_books import JUDGED, Books
from pipeline.ledger.state import Finding, after, check_follows, latest_day, start
from pipeline.ledger.targets import check_some_target
from shared.canonical import canonical, utc_text
from shared.faults import CoverplateError

ODDS_APART = 0.01
"""By such a share the odds of a proof may differ: arithmetic is not the same on all machines."""

IDENTITY: tuple[sa.Column[object], ...] = tuple(FINDINGS.columns)
"""The columns of a finding's row, its head last."""


def in_chains(event: StoredEvent | Break) -> tuple[str, int]:
    """Sort key: by finding, and within it in the order of its chain."""
    return event.finding_id, event.sequence


def sound_parts(events: Iterable[StoredEvent], found: Iterable[Break]) -> list[StoredEvent]:
    """Return of every chain what stands before the first place where its hashes do not hold."""
    first: dict[str, int] = {}
    for each in found:
        first[each.finding_id] = min(each.sequence, first.get(each.finding_id, each.sequence))
    return [e for e in events if e.sequence < first.get(e.finding_id, e.sequence + 1)]


def replay(
    events: Iterable[StoredEvent],
    books: Books,
    now: dt.datetime,
    standing: dict[str, Finding] | None = None,
) -> list[Break]:
    """Return every event that could not have been written as it stands.

    Args:
        events: whole chains, in any order; a recurrence needs the occurrence before it among them.
        books: the rule books that may judge.
        now: the time that it is; nothing can have been recorded after it.
        standing: takes up, by identifier, what the chains amount to.
    """
    found: list[Break] = []
    chains: dict[str, list[ev.Event]] = {}
    for stored in sorted(events, key=in_chains):
        chain = chains.setdefault(stored.finding_id, [])
        if stored.sequence != len(chain) + 1:
            continue  # after an event that is missing or cannot be read
        try:
            chain.append(_parsed(stored))
        except CoverplateError as fault:
            found.append(Break(stored.finding_id, stored.sequence, _words(fault, stored)))
    _prepare(books, chains.values())
    proven: dict[str, dt.datetime] = {}
    standing = {} if standing is None else standing
    for chain in sorted(chains.values(), key=_occurrence):
        found += _replayed(chain, books, now, standing, proven)
    return found


def _parsed(stored: StoredEvent) -> ev.Event:
    try:
        event = parsed_event(stored)
        written = utc_text(event.recorded_at) == stored.recorded_at
        written &= canonical(json.loads(stored.payload)) == stored.payload
    except CoverplateError:
        raise
    except (ValueError, TypeError, RecursionError, OverflowError) as fault:
        raise CoverplateError(f"cannot be read: {fault}") from fault
    if not written:
        raise CoverplateError("is not written as this program writes")
    return event


def _prepare(books: Books, chains: Iterable[Sequence[ev.Event]]) -> None:
    looks: dict[str, list[ev.Look]] = {}
    for chain in chains:
        for event in chain:
            if isinstance(event.payload, ev.Verified | ev.VerificationFailed):
                looks.setdefault(event.payload.rule_book_hash, []).append(event.payload.look)
    for digest, seen in looks.items():
        try:
            books.judge(digest).prepare(seen)
        except CoverplateError:
            continue  # told of every event that names it


def _occurrence(chain: Sequence[ev.Event]) -> int:
    first = chain[0].payload if chain else None
    return first.occurrence if isinstance(first, ev.Raised) else 0


def _replayed(
    chain: Sequence[ev.Event],
    books: Books,
    now: dt.datetime,
    standing: dict[str, Finding],
    proven: dict[str, dt.datetime],
) -> Iterator[Break]:
    """Yield what does not follow in one chain; notes how it stands and since when it was proven."""
    finding: Finding | None = None
    for event in chain:
        try:
            check_actor(event.who, event.origin)
            last = finding.last_at if finding else None
            check_time(event.finding_id, event.recorded_at, last, now)
            if finding is None:
                _check_first(event, standing, proven)
            else:
                _check_next(finding, event, books)
        except CoverplateError as fault:
            yield Break(event.finding_id, event.sequence, _words(fault, event))
        try:
            finding = start(event.finding_id, event) if finding is None else after(finding, event)
        except CoverplateError:
            return  # what does not begin with a raising event amounts to nothing; it was told
        standing[event.finding_id] = finding
        if finding.treatment == "proven":
            proven.setdefault(event.finding_id, event.recorded_at)


def _words(fault: CoverplateError, event: ev.Event | StoredEvent) -> str:
    return " ".join(fault.found.removeprefix(f"{event.finding_id}: ").split())


def _check_first(
    event: ev.Event, standing: dict[str, Finding], proven: dict[str, dt.datetime]
) -> None:
    raised = event.payload
    if not isinstance(raised, ev.Raised):
        raise CoverplateError(f"begins with {event.kind}, not with the raising of a finding")
    if identity_of(raised) != event.finding_id:
        raise CoverplateError(
            f"raises what would be {identity_of(raised)}: another opening, family or occurrence"
        )
    earlier = raised.recurs_of or ""
    since = proven.get(earlier)
    check_raised(
        raised,
        standing.get(earlier),
        proven=since is not None and since <= event.recorded_at,
        at=event.recorded_at,
    )


def _check_next(finding: Finding, event: ev.Event, books: Books) -> None:
    payload = event.payload
    if not isinstance(payload, ev.FixReported | ev.Verified | ev.VerificationFailed):
        if isinstance(payload, ev.Raised):
            raise CoverplateError("raises a finding that was raised already")
        check_follows(finding, payload, event.recorded_at)
        check_evidence(finding, payload)
        check_has_come(finding.finding_id, payload, latest_day(event.recorded_at))
        check_some_target(books.known, finding, payload, event.recorded_at)
        check_was_seen(finding.finding_id, payload, latest_day(event.recorded_at))
        return
    judge = books.judge(payload.rule_book_hash)
    differs = _differs(payload, checked_payload(judge, finding, payload, event.recorded_at))
    if differs:
        raise CoverplateError(differs)


def _differs(written: ev.Payload, judged: ev.Payload) -> str:
    """Say how what is written differs from what the rules give; "" where it does not."""
    if isinstance(written, ev.FixReported) and isinstance(judged, ev.FixReported):
        for name in ("leaves_condition", "leaves_slots", "leaves_protected"):
            said, given = getattr(written, name), getattr(judged, name)
            if said != given:
                return f"says {name} {said or 'nothing'}; the rules give {given or 'nothing'}"
    if isinstance(written, ev.Verified) and isinstance(judged, ev.Verified):
        said, given = written.odds, judged.odds
        alike = (
            said == given
            if said is None or given is None
            else math.isclose(said, given, rel_tol=ODDS_APART)
        )
        if not alike:
            return f"states odds of {said}; the rules give {given}"
    return ""


def identity_breaks(
    events: Iterable[StoredEvent], rows: Iterable[tuple[object, ...]]
) -> list[Break]:
    """Return the findings whose row (``IDENTITY``) names another opening than their first event."""
    known = {row[0]: row[:-2] for row in rows}
    found = []
    for event in events:
        if event.sequence != 1 or event.finding_id not in known:
            continue
        try:
            content = json.loads(event.payload)
            names = [column.name for column in IDENTITY[1:-2]]
            said = tuple(content.get(name, _DEFAULT.get(name)) for name in names)
        except (ValueError, AttributeError, RecursionError):
            continue  # told where the event is read
        if known[event.finding_id][1:] != said:
            found.append(
                Break(event.finding_id, 1, "the finding's row names another opening or family")
            )
    return found


_DEFAULT = {"unit_id": "", "opening_id": "", "occurrence": 1}


def judged(event: StoredEvent) -> str | None:
    """Return the hash of the rule book that judged an event, None where none did.

    Raises:
        ValueError: its content cannot be read.
    """
    if event.kind not in JUDGED:
        return None
    content = json.loads(event.payload)
    return str(content.get("rule_book_hash", "")) if isinstance(content, dict) else None
