"""A ledger's file that is none, or is damaged: what to say of it, and what can still be read."""

from __future__ import annotations

import contextlib
import dataclasses
import sqlite3
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.engine import Engine

from pipeline.ledger.archive import write_export
from pipeline.ledger.at_rest import at_rest
from pipeline.ledger.chain import Break, StoredEvent, breaks, well_formed
from pipeline.ledger.database import EVENTS, FILE_MARK, FINDINGS, RULE_BOOKS
from pipeline.ledger.replay import in_chains, sound_parts
from shared.faults import CoverplateError

UNREADABLE = (sqlite3.Error, UnicodeDecodeError)
"""What SQLite raises of a damaged file; the second where its own message quotes what is damaged."""

_FIELDS = ", ".join(field.name for field in dataclasses.fields(StoredEvent))
_LEAST_BYTES = 300
"""No event takes less of a file: its three hashes and texts are longer."""

_NAMED = 5
"""So many findings are named, the rest counted."""

_WAY_OUT = (
    "bring back a back-up into a new ledger with `coverplate ledger restore BACKUP --ledger NEW`; "
    "what can still be read is written by `coverplate ledger salvage OUT.jsonl`"
)


@dataclass(frozen=True)
class Readable:
    """What can still be read of a damaged file.

    Attributes:
        events: in the order written; each is whole in itself.
        expected: how many there should be at least, as far as that can be told.
        rule_books: rows of the rule books.
        touched: places where chains do not hold any more.
    """

    events: list[StoredEvent]
    expected: int
    rule_books: list[dict[str, str]]
    touched: list[Break]

    @property
    def holding(self) -> list[StoredEvent]:
        """The events whose chain holds up to them."""
        return sound_parts(self.events, self.touched)


def lenient(uri: str) -> sqlite3.Connection:
    """Open an SQLite file so that damaged text is read as text of another content."""
    con = sqlite3.connect(uri, uri=True)
    con.text_factory = lambda raw: raw.decode("utf-8", "replace")
    return con


def check_kind(file: Path) -> None:
    """Refuse what is no SQLite file, or is one without a ledger in it.

    Raises:
        CoverplateError: in words.
    """
    if not file.is_file():
        raise CoverplateError(f"{file} is no file", to_do="check --ledger")
    try:
        with file.open("rb") as handle:
            mark = handle.read(len(FILE_MARK))
    except OSError as fault:
        raise CoverplateError(
            f"the ledger {file} cannot be read: {fault.strerror}", to_do="check its permissions"
        ) from fault
    if not mark:
        raise CoverplateError(
            f"the ledger {file} is empty: it has no bytes at all",
            expected="an SQLite file with a ledger in it",
            to_do=_WAY_OUT.split(";")[0],
        )
    if mark != FILE_MARK:
        raise CoverplateError(
            f"{file} is no SQLite file, or its beginning is damaged",
            expected="an SQLite file with a ledger in it",
            to_do="check --ledger; " + _WAY_OUT.split(";")[0],
        )


def check_pages(engine: Engine, file: Path, path: Path) -> None:
    """Refuse a file whose tables are missing, or whose pages do not fit together.

    Args:
        engine: opens ``path``.
        file: as it is named to the person.
        path: the file itself, or its copy at rest.

    Raises:
        CoverplateError: in words.
        sqlalchemy.exc.DatabaseError: it cannot be read at all.
    """
    with engine.connect() as con:
        names = set(con.execute(sa.text("SELECT name FROM sqlite_master")).scalars())
        missing = [table.name for table in (FINDINGS, EVENTS) if table.name not in names]
        if missing:
            raise CoverplateError(
                f"{file} is an SQLite file without the ledger's table {' and '.join(missing)}",
                expected="a ledger",
                to_do="check --ledger; " + _WAY_OUT.split(";")[0],
            )
        page = con.execute(sa.text("PRAGMA page_size")).scalar_one()
        said = str(con.execute(sa.text("PRAGMA integrity_check(1)")).scalar())
    if path.stat().st_size % page:
        said = "its end is missing"
    if said != "ok":
        raise damage(file, path, said)


def damage(file: Path, path: Path, said: str) -> CoverplateError:
    """Return the refusal of a damaged file: how much can still be read, what is touched.

    Args:
        file: as it is named to the person.
        path: the file itself, or its copy at rest.
        said: what the database said.
    """
    found = read_what_can_be(path)
    lost = found.expected - len(found.events)
    told = f"{len(found.events):,} events can still be read"
    if lost > 0:
        told += f", {lost:,} cannot"
    touched = sorted({each.finding_id for each in found.touched})
    if touched:
        told += "; findings touched: " + ", ".join(touched[:_NAMED])
        told += f" and {len(touched) - _NAMED} more" if len(touched) > _NAMED else ""
    else:
        told += "; no finding among these is seen to be touched"
    first = " ".join(said.split())
    return CoverplateError(
        f"the ledger {file} is damaged ({first[:200]}): {told}",
        expected="a file as the database wrote it",
        to_do=_WAY_OUT,
    )


def read_what_can_be(file: Path) -> Readable:
    """Read every event that a damaged file, at rest, still gives, one by one where need be."""
    heads: dict[str, tuple[int, str]] = {}
    rows: dict[int, StoredEvent] = {}
    books: list[dict[str, str]] = []
    highest = 0
    with contextlib.suppress(*UNREADABLE), contextlib.closing(opened_still(file)) as con:
        for query in (
            f"SELECT {_FIELDS} FROM events NOT INDEXED ORDER BY position",
            f"SELECT {_FIELDS} FROM events NOT INDEXED ORDER BY position DESC",
        ):
            with contextlib.suppress(*UNREADABLE):
                for row in con.execute(query):
                    _take(rows, row)
        for query in (
            "SELECT max(position) FROM events",
            "SELECT seq FROM sqlite_sequence WHERE name = 'events'",
        ):
            with contextlib.suppress(*UNREADABLE):
                value = con.execute(query).fetchone()
                if value and isinstance(value[0], int):
                    highest = max(highest, value[0])
        highest = min(highest, file.stat().st_size // _LEAST_BYTES)
        for position in range(1, highest + 1):
            if position not in rows:
                with contextlib.suppress(*UNREADABLE):
                    query = f"SELECT {_FIELDS} FROM events WHERE position = ?"
                    for row in con.execute(query, [position]):
                        _take(rows, row)
        with contextlib.suppress(*UNREADABLE):
            query = "SELECT finding_id, head_sequence, head_hash FROM findings NOT INDEXED"
            for finding, sequence, digest in con.execute(query):
                if [type(each) for each in (finding, sequence, digest)] == [str, int, str]:
                    heads[finding] = (sequence, digest)
        names = [column.name for column in RULE_BOOKS.columns]
        with contextlib.suppress(*UNREADABLE):
            for row in con.execute(f"SELECT {', '.join(names)} FROM rule_books NOT INDEXED"):
                books.append(dict(zip(names, row, strict=True)))
    events = [rows[position] for position in sorted(rows)]
    for each in events:
        heads.setdefault(each.finding_id, (0, ""))
    touched = [
        each
        for each in breaks(sorted(events, key=in_chains), heads)
        # Without a head nothing is known of a chain's end.
        if heads.get(each.finding_id, (0, ""))[0] or "last event" not in each.what
    ]
    expected = max([highest, len(events), sum(sequence for sequence, _ in heads.values())])
    return Readable(events, expected, books, touched)


def opened_still(file: Path) -> sqlite3.Connection:
    """Open a file to read it only, writing nothing beside it where nothing stands there."""
    beside = file.with_name(file.name + "-wal")
    still = not beside.exists() or not beside.stat().st_size
    return lenient(f"{file.absolute().as_uri()}?mode=ro{'&immutable=1' if still else ''}")


def salvage(file: Path, out: Path) -> Readable:
    """Write every event that can still be read, and whose chain holds up to it, as an export.

    Args:
        file: the ledger's file.
        out: the export, with the rule books that can be read.

    Raises:
        CoverplateError: nothing can be read.
    """
    check_kind(file)
    with tempfile.TemporaryDirectory() as folder:
        found = read_what_can_be(at_rest(file, Path(folder)))
    if not found.holding:
        raise CoverplateError(
            f"no event of {file} can be read",
            to_do=_WAY_OUT.split(";")[0],
        )
    write_export(out, found.holding, found.rule_books)
    return found


def _take(rows: dict[int, StoredEvent], row: Iterable[object]) -> None:
    event = StoredEvent(*row)  # type: ignore[arg-type]
    if well_formed(event):
        rows.setdefault(event.position, event)
