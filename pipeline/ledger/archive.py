"""Taking the ledger away and bringing it back: back-up, restore, JSON Lines.

A back-up of an SQLite ledger is a copy made by the database itself while others write. An export is
JSON Lines, one event a line exactly as stored, readable by anything and independent of the
database: it moves a history from SQLite to PostgreSQL. The back-up of a PostgreSQL ledger is an
export with the rows of imported fix reports behind it. Bringing the same export in twice changes
nothing.
"""

from __future__ import annotations

import dataclasses
import json
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

import sqlalchemy as sa

from pipeline.ledger import events as ev
from pipeline.ledger.chain import StoredEvent, breaks, parsed_event
from pipeline.ledger.database import EVENTS, FINDINGS, IMPORTED_ROWS
from pipeline.ledger.store import Ledger, finding_row, move_heads
from shared.canonical import START
from shared.faults import CoverplateError
from shared.records import quoted
from shared.whole_file import appearing_whole

FIELDS = tuple(field.name for field in dataclasses.fields(StoredEvent))


ROW_MARK = "fix_report_row"
"""Key of a back-up's line that holds a row of an imported fix report, not an event."""

ROW_FIELDS = tuple(column.name for column in IMPORTED_ROWS.columns)


def export_events(ledger: Ledger, path: Path) -> int:
    """Write the whole history as JSON Lines, in the order written; return the number of events.

    The file appears whole or not at all.
    """
    events = sorted(ledger.stored(), key=lambda each: each.position)
    _write_lines(path, map(dataclasses.asdict, events))
    return len(events)


def _write_lines(path: Path, contents: Iterable[dict[str, object]]) -> None:
    with (
        appearing_whole(path, durable=True) as partial,
        partial.open("w", encoding="utf-8") as handle,
    ):
        for content in contents:
            handle.write(json.dumps(content, ensure_ascii=False) + "\n")


def _imported_rows(ledger: Ledger) -> list[dict[str, object]]:
    with ledger.reading() as con:
        rows = con.execute(sa.select(IMPORTED_ROWS)).mappings().all()
    return [{name: row[name] for name in ROW_FIELDS} for row in rows]


def read_export(path: Path) -> list[StoredEvent]:
    """Read an export.

    Raises:
        CoverplateError: a line is not an event; names the line.
    """
    events = []
    try:
        with path.open(encoding="utf-8") as handle:
            for number, line in enumerate(handle, 1):
                if line.strip() and not line.startswith(f'{{"{ROW_MARK}"'):
                    events.append(_event_of(line, number, path))
    except (OSError, UnicodeDecodeError) as fault:
        raise CoverplateError(f"{path} cannot be read: {fault}", to_do="check the path") from fault
    return events


def _event_of(line: str, number: int, path: Path) -> StoredEvent:
    try:
        content = json.loads(line)
        event = StoredEvent(**{name: content[name] for name in FIELDS})
        parsed_event(event)
    except (ValueError, KeyError, TypeError) as fault:
        raise CoverplateError(
            f"{path} line {number} is not an event: {fault}",
            expected="a line of `coverplate ledger export`",
            to_do="take the export again, or from a back-up; nothing was written",
        ) from fault
    return event


def import_events(ledger: Ledger, events: Sequence[StoredEvent]) -> int:
    """Write events of an export exactly as they are; those that stand already are left.

    They were judged when they were recorded, by the rule book of the time; here their chains are
    checked, not their content.

    Returns:
        How many were new.

    Raises:
        CoverplateError: they do not join the chains that stand, or were altered.
    """
    ordered = sorted(events, key=lambda each: each.position)
    with ledger.writing() as con:
        standing = ledger.stored_of(con, {event.finding_id for event in events})
        known = {(each.finding_id, each.sequence): each.hash for each in standing}
        clash = [e for e in ordered if known.get((e.finding_id, e.sequence), e.hash) != e.hash]
        if clash:
            raise CoverplateError(
                f"event {clash[0].sequence} of {clash[0].finding_id} stands here with other "
                f"content, and so do {len(clash) - 1} more",
                expected="an export of this ledger, or of one with other findings",
                to_do="bring it into an empty ledger instead",
            )
        fresh = [e for e in ordered if (e.finding_id, e.sequence) not in known]
        heads: dict[str, tuple[int, str]] = {}
        for each in [*standing, *fresh]:
            if each.sequence > heads.get(each.finding_id, (0, START))[0]:
                heads[each.finding_id] = (each.sequence, each.hash)
        chain = sorted([*standing, *fresh], key=lambda each: (each.finding_id, each.sequence))
        found = breaks(chain, heads)
        if found:
            raise CoverplateError(
                f"the export is not sound: {found[0].finding_id} event {found[0].sequence} "
                f"{found[0].what} ({len(found)} such place(s))",
                to_do="take it from a back-up; nothing was written",
            )
        if fresh:
            _write(con, fresh, heads)
        return len(fresh)


def _write(
    con: sa.Connection, fresh: Sequence[StoredEvent], heads: dict[str, tuple[int, str]]
) -> None:
    first = list(_identities(fresh))
    if first:
        con.execute(sa.insert(FINDINGS), first)
    names = [name for name in FIELDS if name != "position"]
    con.execute(sa.insert(EVENTS), [{n: getattr(each, n) for n in names} for each in fresh])
    changed = {each.finding_id for each in fresh}
    move_heads(con, {each: heads[each] for each in changed})


def _identities(events: Sequence[StoredEvent]) -> Iterator[dict[str, object]]:
    for event in events:
        raised = parsed_event(event).payload if event.sequence == 1 else None
        if isinstance(raised, ev.Raised):
            yield finding_row(raised, event)


def back_up(ledger: Ledger, path: Path) -> None:
    """Copy the ledger while it is in use: an SQLite file, or JSON Lines from PostgreSQL.

    Raises:
        CoverplateError: something stands at that path already.
    """
    if path.exists():
        raise CoverplateError(
            f"{path} exists",
            expected="a path where nothing stands",
            to_do="name another file; back-ups are never overwritten",
        )
    path.parent.mkdir(parents=True, exist_ok=True)
    if ledger.engine.dialect.name != "sqlite":
        events = sorted(ledger.stored(), key=lambda each: each.position)
        rows: list[dict[str, object]] = [{ROW_MARK: row} for row in _imported_rows(ledger)]
        _write_lines(path, [*map(dataclasses.asdict, events), *rows])
        return
    with appearing_whole(path, durable=True) as partial:
        source = sqlite3.connect(str(ledger.engine.url.database))
        target = sqlite3.connect(partial)
        try:
            source.backup(target)
            target.execute("PRAGMA journal_mode = DELETE")  # one file, no -wal beside it
        finally:
            target.close()
            source.close()


def restore(ledger: Ledger, path: Path) -> int:
    """Bring a back-up into an empty ledger; return the number of events.

    Raises:
        CoverplateError: the ledger is not empty, or the back-up is not sound.
    """
    if ledger.heads():
        raise CoverplateError(
            "the ledger to restore into is not empty",
            expected="a new ledger",
            to_do="move the old file away first, or name a new one with --ledger; use "
            "`ledger import` to add missing events to a ledger that stands",
        )
    events, rows = read_backup(path)
    count = import_events(ledger, events)
    if rows:
        with ledger.writing() as con:
            con.execute(sa.insert(IMPORTED_ROWS), rows)
    return count


def read_backup(path: Path) -> tuple[list[StoredEvent], list[dict[str, object]]]:
    """Return the events of a back-up and its rows of imported fix reports.

    Raises:
        CoverplateError: it is no back-up.
    """
    if not path.is_file():
        raise CoverplateError(f"{path} is no file", to_do="check the path")
    with path.open("rb") as handle:
        is_sqlite = handle.read(16) == b"SQLite format 3\0"
    if not is_sqlite:
        events = read_export(path)
        with path.open(encoding="utf-8") as lines:
            marked = [json.loads(line) for line in lines if line.startswith(f'{{"{ROW_MARK}"')]
        return events, [content[ROW_MARK] for content in marked]
    con = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    try:
        found = con.execute(f"SELECT {', '.join(FIELDS)} FROM events ORDER BY position").fetchall()
        kept = con.execute(f"SELECT {', '.join(map(quoted, ROW_FIELDS))} FROM fix_report_rows")
        rows = [dict(zip(ROW_FIELDS, row, strict=True)) for row in kept.fetchall()]
    except sqlite3.DatabaseError as fault:
        raise CoverplateError(
            f"{path} is no back-up of a ledger: {fault}",
            to_do="name a file made by `coverplate ledger backup`",
        ) from fault
    finally:
        con.close()
    return [StoredEvent(*row) for row in found], rows
