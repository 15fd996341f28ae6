"""Bringing a history in: whole chains are written exactly as they are, or set aside.

A chain is written if its hashes hold, it joins what stands, and every event of it could have been
written so (``replay``). Otherwise none of it is, and its lines are kept with the reason. Bringing
the same file in twice changes nothing.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from pipeline.ledger import events as ev
from pipeline.ledger.archive import FIELDS, Export, ExportLine, Rows, read_backup
from pipeline.ledger.chain import LedgerHash, StoredEvent, breaks, parsed_event
from pipeline.ledger.checks import check_actor
from pipeline.ledger.database import EVENTS, FINDINGS, IMPORTED_ROWS, IMPORTS, SET_ASIDE
from pipeline.ledger.families import is_finding_id
from pipeline.ledger.imports import import_rows, record, records_hold
from pipeline.ledger.replay import in_chains, judged, replay
from pipeline.ledger.rule_books import Books, keep_rule_book, kept_texts
from pipeline.ledger.store import Ledger, finding_row, keep_anew, move_heads
from shared.canonical import canonical, utc_text
from shared.faults import CoverplateError

ORIGIN = "import"


@dataclass(frozen=True)
class Imported:
    """What became of a file of events.

    Attributes:
        read: events in it.
        written: how many were new and were written.
        standing: how many stood here already.
        set_aside: lines that were set aside.
        reasons: why, by finding; blank for lines that name none.
    """

    read: int
    written: int
    standing: int
    set_aside: int
    reasons: Mapping[str, str]


@dataclass
class _Sorting:
    """The events of a file by finding, and why some are not taken."""

    lines: dict[str, list[ExportLine]] = field(default_factory=dict)
    fresh: dict[str, list[StoredEvent]] = field(default_factory=dict)
    reasons: dict[str, str] = field(default_factory=dict)
    standing: int = 0

    def refuse(self, finding: str, reason: str) -> None:
        self.reasons.setdefault(finding, reason)


def import_events(
    ledger: Ledger,
    export: Export,
    *,
    who: str,
    vouched: Sequence[str] = (),
    others: Rows | None = None,
) -> Imported:
    """Write the chains of an export that hold and follow the rules; set the others aside.

    Args:
        ledger: the ledger.
        export: what was read.
        who: who brings it in.
        vouched: hashes of rule books of the file by which events may be judged although neither
            this ledger nor the program knows them.
        others: rows of the other tables, where the file is a back-up that is restored.

    Raises:
        CoverplateError: a rule book that is vouched for is not there; nothing was written.
    """
    check_actor(who, ORIGIN)
    now = dt.datetime.now(dt.UTC)
    carried = {row["hash"]: row["text"] for row in export.rows["rule_book"]}
    with ledger.writing() as con:
        if ledger.engine.dialect.name == "postgresql":
            # Every writer takes this table first: no event may come between the two heads.
            con.execute(sa.text("LOCK TABLE findings IN EXCLUSIVE MODE"))
        books = _books(ledger, con, carried, vouched)
        before = _head(con)
        events = [line.event for line in export.lines if line.event is not None]
        earlier = {each for event in events for each in _points_back(event)}
        known = ledger.stored_of(con, {event.finding_id for event in events} | earlier)
        sorting = _sorted(export.lines, known)
        _check_hashes(sorting, known)
        _check_rules(sorting, known, books, now)
        taken = [
            event
            for finding, fresh in sorting.fresh.items()
            if finding not in sorting.reasons
            for event in fresh
        ]
        aside = [
            (line, sorting.reasons[finding])
            for finding, lines in sorting.lines.items()
            if finding in sorting.reasons
            for line in lines
        ]
        aside += [(line, line.fault) for line in export.lines if not line.finding_id]
        if taken:
            _write(con, sorted(taken, key=lambda each: each.position), books)
            for digest in vouched:  # by one of them a due day may have been allowed
                keep_rule_book(con, digest, partial(books.text, digest), utc_text(now))
        if others is not None:
            _write_others(con, others, whole=not aside)
        after = _head(con)
        number = len(import_rows(con)) + 1
        if aside:
            con.execute(sa.insert(SET_ASIDE), list(_aside_rows(number, export, aside)))
        record(
            con,
            {
                "file_name": export.name,
                "file_sha256": export.sha256,
                "who": who,
                "recorded_at": utc_text(now),
                "events_read": len(events),
                "events_written": len(taken),
                "events_standing": sorting.standing,
                "lines_set_aside": len(aside),
                "rule_books_vouched": canonical(sorted(set(vouched))),
                "events_before": before.events,
                "head_before": before.hash,
                "events_after": after.events,
                "head_after": after.hash,
            },
        )
    reasons = {line.finding_id: reason for line, reason in aside}
    return Imported(len(events), len(taken), sorting.standing, len(aside), reasons)


def restore(ledger: Ledger, path: Path, *, who: str, vouched: Sequence[str] = ()) -> Imported:
    """Bring a back-up into an empty ledger, every chain checked.

    Raises:
        CoverplateError: the ledger is not empty, or the file is no back-up.
    """
    if ledger.heads():
        raise CoverplateError(
            "the ledger to restore into is not empty",
            expected="a new ledger",
            to_do="move the old file away first, or name a new one with --ledger; use "
            "`ledger import` to add missing events to a ledger that stands",
        )
    export = read_backup(path)
    return import_events(ledger, export, who=who, vouched=vouched, others=export.rows)


def _books(
    ledger: Ledger, con: Connection, carried: Mapping[str, str], vouched: Sequence[str]
) -> Books:
    kept = kept_texts(con)
    trusted = {each: carried[each] for each in vouched if each in carried}
    books = Books([ledger.rule_book], {**trusted, **kept}, offered=carried)
    unknown = [each for each in vouched if each not in books.hashes]
    if unknown:
        raise CoverplateError(
            f"there is no rule book {unknown[0]} in the file, nor here",
            expected="the hash of one that the file carries: " + (", ".join(carried) or "none"),
            to_do="check --rule-book-hash; nothing was written",
        )
    for each in vouched:
        books.judge(each)  # one that cannot be read is said at once
    return books


def _head(con: Connection) -> LedgerHash:
    head = LedgerHash()
    for (each,) in con.execute(sa.select(EVENTS.c.hash).order_by(EVENTS.c.position)):
        head.add(each)
    return head


def _points_back(event: StoredEvent) -> Iterator[str]:
    if event.sequence == 1:
        try:
            payload = parsed_event(event).payload
        except (ValueError, TypeError, RecursionError):
            return  # told when it is replayed
        if isinstance(payload, ev.Raised) and is_finding_id(payload.recurs_of or ""):
            yield str(payload.recurs_of)


def _sorted(lines: Iterable[ExportLine], known: Iterable[StoredEvent]) -> _Sorting:
    """Sort lines by finding; those that stand already are counted and left."""
    sorting = _Sorting()
    stands = {(each.finding_id, each.sequence): each.hash for each in known}
    seen: dict[tuple[str, int], str] = {}
    for line in lines:
        event, finding = line.event, line.finding_id
        if event is None:
            if finding:
                sorting.refuse(finding, f"line {line.number} {line.fault}")
                sorting.lines.setdefault(finding, []).append(line)
            continue
        place = (finding, event.sequence)
        if stands.get(place) == event.hash:
            sorting.standing += 1
            continue
        sorting.lines.setdefault(finding, []).append(line)
        if place in stands:
            sorting.refuse(finding, f"event {event.sequence} stands here with other content")
        elif seen.setdefault(place, event.hash) != event.hash:
            sorting.refuse(finding, f"event {event.sequence} is in the file twice, and not alike")
        elif event not in (fresh := sorting.fresh.setdefault(finding, [])):
            fresh.append(event)
    return sorting


def _check_hashes(sorting: _Sorting, known: Iterable[StoredEvent]) -> None:
    chain = [e for e in known if e.finding_id in sorting.fresh]
    chain += [e for fresh in sorting.fresh.values() for e in fresh]
    heads: dict[str, tuple[int, str]] = {}
    for each in chain:
        if each.sequence > heads.get(each.finding_id, (0, ""))[0]:
            heads[each.finding_id] = (each.sequence, each.hash)
    for found in breaks(sorted(chain, key=in_chains), heads):
        sorting.refuse(found.finding_id, f"event {found.sequence} {found.what}")


def _check_rules(
    sorting: _Sorting, known: Sequence[StoredEvent], books: Books, now: dt.datetime
) -> None:
    while True:
        fresh = [
            event
            for finding, events in sorting.fresh.items()
            if finding not in sorting.reasons
            for event in events
        ]
        found = [
            each
            for each in replay([*known, *fresh], books, now)
            if each.finding_id in sorting.fresh and each.finding_id not in sorting.reasons
        ]
        for each in found:
            sorting.refuse(each.finding_id, f"event {each.sequence} {each.what}")
        if not found:  # else a recurrence may have lost the occurrence that it points back at
            return


def _write(con: Connection, fresh: Sequence[StoredEvent], books: Books) -> None:
    first = []
    heads: dict[str, tuple[int, str]] = {}
    used: dict[str, str] = {}
    for event in fresh:
        if event.sequence == 1:
            raised = parsed_event(event).payload
            assert isinstance(raised, ev.Raised)
            first.append(finding_row(raised, event))
        if event.sequence > heads.get(event.finding_id, (0, ""))[0]:
            heads[event.finding_id] = (event.sequence, event.hash)
        digest = judged(event)
        if digest:
            used[digest] = min(event.recorded_at, used.get(digest, event.recorded_at))
    if first:
        con.execute(sa.insert(FINDINGS), first)
    names = [name for name in FIELDS if name != "position"]
    con.execute(sa.insert(EVENTS), [{n: getattr(each, n) for n in names} for each in fresh])
    move_heads(con, heads)
    keep_anew(con, sorted(heads))
    for digest, when in used.items():
        keep_rule_book(con, digest, partial(books.text, digest), when)


def _write_others(con: Connection, rows: Rows, *, whole: bool) -> None:
    """Write a back-up's other tables; records of imports only fit a ledger that came in whole."""
    keys = [column.name for column in IMPORTED_ROWS.primary_key]
    reports = {tuple(row[key] for key in keys): row for row in rows["fix_report_row"]}
    if reports:
        con.execute(sa.insert(IMPORTED_ROWS), list(reports.values()))
    kept = {(row["import_number"], row["line"]): row for row in rows["event_set_aside"]}
    if whole and not import_rows(con) and records_hold(rows["import"]):
        for table, found in ((IMPORTS, rows["import"]), (SET_ASIDE, list(kept.values()))):
            if found:
                con.execute(sa.insert(table), found)


def _aside_rows(
    number: int, export: Export, aside: Iterable[tuple[ExportLine, str]]
) -> Iterator[dict[str, Any]]:
    for line, reason in aside:
        yield {
            "import_number": number,
            "line": line.number,
            "file_name": export.name,
            "file_sha256": export.sha256,
            "finding_id": _plain(line.finding_id),
            "reason": _plain(reason),
            "text": _plain(line.text),
        }


def _plain(text: str) -> str:
    """Text that every database can hold."""
    return text.replace("\0", "\ufffd").encode(errors="replace").decode()
