"""Taking the ledger away: back-up and export as JSON Lines, and reading both.

A back-up of an SQLite ledger is a copy made by the database itself while others write. An export is
JSON Lines, one event a line exactly as stored, readable by anything and independent of the
database: it moves a history from SQLite to PostgreSQL. Behind the events stand the rule books that
judged them. The back-up of a PostgreSQL ledger is an export with the rows of imported fix reports
and the records of earlier imports behind it. ``incoming`` brings them back.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from pipeline.ledger.chain import StoredEvent, well_formed
from pipeline.ledger.database import FILE_MARK, IMPORTED_ROWS, IMPORTS, RULE_BOOKS, SET_ASIDE
from pipeline.ledger.imports import import_rows, set_aside_rows
from pipeline.ledger.replay import judged
from pipeline.ledger.rule_books import kept_rows
from pipeline.ledger.store import Ledger, all_stored
from shared.faults import CoverplateError
from shared.records import quoted
from shared.whole_file import appearing_whole

FIELDS = tuple(field.name for field in dataclasses.fields(StoredEvent))

MARKS: dict[str, sa.Table] = {
    "rule_book": RULE_BOOKS,
    "fix_report_row": IMPORTED_ROWS,
    "import": IMPORTS,
    "event_set_aside": SET_ASIDE,
}
"""Keys of the lines that hold a row of another table than the events."""

Rows = dict[str, list[dict[str, Any]]]
"""Rows of other tables, by the mark of their lines."""


@dataclass(frozen=True)
class ExportLine:
    """A line of an export.

    Attributes:
        number: 1, 2, … in the file; the place of the event in an SQLite back-up.
        text: the line itself.
        event: the event that it holds, or None.
        finding_id: the finding that it names; blank where it names none.
        fault: why it is no event.
    """

    number: int
    text: str
    event: StoredEvent | None
    finding_id: str = ""
    fault: str = ""


@dataclass(frozen=True)
class Export:
    """An export or a back-up as read: file name, SHA-256, its lines and the other tables' rows."""

    name: str
    sha256: str
    lines: tuple[ExportLine, ...]
    rows: Rows


def export_events(ledger: Ledger, path: Path) -> int:
    """Write the whole history as JSON Lines, in the order written; return the number of events.

    The file appears whole or not at all.
    """
    with ledger.reading() as con:
        events, books = all_stored(con), _rule_books(ledger, con)
    write_export(path, events, books)
    return len(events)


def line_of(event: StoredEvent) -> dict[str, Any]:
    """Return an event as the content of a line of an export."""
    return {name: getattr(event, name) for name in FIELDS}


def _rule_books(ledger: Ledger, con: sa.Connection) -> list[dict[str, Any]]:
    """Rows of the rule books that judged: those kept, and any at hand from before they were."""
    rows = {row["hash"]: row for row in kept_rows(con)}
    known = ledger.books(con)
    for event in all_stored(con):
        digest = judged(event)
        if digest and digest not in rows and (text := known.text(digest)) is not None:
            first = {"hash": digest, "text": text, "first_used_at": event.recorded_at}
            rows[digest] = first
    return list(rows.values())


def write_export(
    path: Path, events: Iterable[StoredEvent], books: Iterable[dict[str, Any]]
) -> None:
    """Write events and rows of rule books as an export."""
    _write_lines(path, [*map(line_of, events), *({"rule_book": row} for row in books)])


def _write_lines(path: Path, contents: Iterable[dict[str, Any]]) -> None:
    write_texts(path, (json.dumps(content, ensure_ascii=False) for content in contents))


def write_texts(path: Path, lines: Iterable[str]) -> None:
    """Write lines to a file that appears whole or not at all."""
    with (
        appearing_whole(path, durable=True) as partial,
        partial.open("w", encoding="utf-8") as handle,
    ):
        for line in lines:
            handle.write(line + "\n")


def read_export(path: Path) -> Export:
    """Read an export.

    Raises:
        CoverplateError: the file cannot be read, or holds no event at all.
    """
    rows: Rows = {mark: [] for mark in MARKS}
    lines = []
    digest = hashlib.sha256()
    try:
        with path.open("rb") as handle:
            for number, raw in enumerate(handle, 1):
                digest.update(raw)
                text = raw.decode("utf-8").rstrip("\r\n")
                if text.strip() and not _took_row(text, rows):
                    lines.append(_line(number, text))
    except (OSError, UnicodeDecodeError) as fault:
        raise CoverplateError(f"{path} cannot be read: {fault}", to_do="check the path") from fault
    if not any(line.event for line in lines) and lines:
        raise CoverplateError(
            f"{path} holds no event: line {lines[0].number} {lines[0].fault}",
            expected="a file made by `coverplate ledger export`",
            to_do="check the path; nothing was written",
        )
    return Export(path.name, digest.hexdigest(), tuple(lines), rows)


def _took_row(text: str, rows: Rows) -> bool:
    """Whether a line holds a row of another table; takes it."""
    mark = next((mark for mark in MARKS if text.startswith(f'{{"{mark}"')), None)
    if mark is None:
        return False
    content = _json(text)
    row = _fitting(mark, content[mark]) if isinstance(content, dict) else None
    if row is None:
        return False
    rows[mark].append(row)
    return True


def _fitting(mark: str, row: Any) -> dict[str, Any] | None:  # noqa: ANN401 - any JSON value
    """Return a row as its table takes it; None where it is none of that table."""
    found = {}
    for column in MARKS[mark].columns:
        value = row.get(column.name) if isinstance(row, dict) else None
        kind = int if isinstance(column.type, sa.Integer) else str
        if not (type(value) is kind or (value is None and column.nullable)):
            return None
        if isinstance(value, str) and not _storable(value):
            return None
        found[column.name] = value
    return found


def _storable(text: str) -> bool:
    """Whether every database can hold a text."""
    return "\0" not in text and text.encode(errors="replace").decode() == text


def _line(number: int, text: str) -> ExportLine:
    try:
        content = _json(text)
        event = StoredEvent(**{name: content[name] for name in FIELDS})
    except (KeyError, TypeError) as fault:
        named = content.get("finding_id") if isinstance(content, dict) else ""
        lacks = f"it lacks {fault}" if isinstance(fault, KeyError) else "it is no JSON object"
        why = f"is not an event: {lacks}"
        return ExportLine(number, text, None, named if isinstance(named, str) else "", why)
    if not well_formed(event):
        named = str(event.finding_id)
        return ExportLine(number, text, None, named, "is not an event: a column of another kind")
    if not all(_storable(value) for value in vars(event).values() if isinstance(value, str)):
        why = "is not an event: it holds characters that cannot be stored"
        return ExportLine(number, text, None, event.finding_id, why)
    return ExportLine(number, text, event, event.finding_id)


def _json(text: str) -> Any:  # noqa: ANN401 - any JSON value
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        return None


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
        with ledger.reading() as con:
            con.execute(sa.text("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ"))
            events, books = all_stored(con), _rule_books(ledger, con)
            others = {
                "rule_book": books,
                "fix_report_row": con.execute(sa.select(IMPORTED_ROWS)).mappings().all(),
                "import": import_rows(con),
                "event_set_aside": set_aside_rows(con),
            }
        rows = [{mark: dict(row)} for mark, found in others.items() for row in found]
        _write_lines(path, [*map(line_of, events), *rows])
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


def read_backup(path: Path) -> Export:
    """Read a back-up.

    Raises:
        CoverplateError: it is no back-up.
    """
    if not path.is_file():
        raise CoverplateError(f"{path} is no file", to_do="check the path")
    with path.open("rb") as handle:
        is_sqlite = handle.read(len(FILE_MARK)) == FILE_MARK
    if not is_sqlite:
        return read_export(path)
    con = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro&immutable=1", uri=True)
    try:
        query = f"SELECT {', '.join(FIELDS)} FROM events ORDER BY position"
        events = [StoredEvent(*row) for row in con.execute(query).fetchall()]
        rows = {mark: list(_table_rows(con, mark)) for mark in MARKS}
    except (sqlite3.DatabaseError, UnicodeDecodeError) as fault:
        raise CoverplateError(
            f"{path} is no back-up of a ledger, or it is damaged: {fault}",
            to_do="name a file made by `coverplate ledger backup`; what a damaged one still holds "
            "is written by `coverplate ledger salvage OUT.jsonl --ledger FILE`",
        ) from fault
    finally:
        con.close()
    with path.open("rb") as handle:
        digest = hashlib.file_digest(handle, "sha256").hexdigest()
    lines = []
    for number, event in enumerate(events, 1):
        text = json.dumps(line_of(event), ensure_ascii=False, default=repr)
        lines.append(_line(number, text))
    return Export(path.name, digest, tuple(lines), rows)


def _table_rows(con: sqlite3.Connection, mark: str) -> Iterator[dict[str, Any]]:
    table = MARKS[mark]
    known = con.execute("SELECT 1 FROM sqlite_master WHERE name = ?", [table.name]).fetchone()
    if known is None:
        return  # a back-up from before that table was kept
    names = [column.name for column in table.columns]
    listed = ", ".join(map(quoted, names))
    for row in con.execute(f"SELECT {listed} FROM {quoted(table.name)}"):
        fitting = _fitting(mark, dict(zip(names, row, strict=True)))
        if fitting is not None:
            yield fitting
