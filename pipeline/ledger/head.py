"""How far a ledger had come, in a number and a hash, so that one cut short can be told.

The ledger's own chains hold each finding together; whole findings, or the newest events together
with their heads, could still be taken out. The head covers all events in the order written: those
that were there then must be the first ones now.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import sqlalchemy as sa

from pipeline.ledger.database import EVENTS, FILE_NAME, URL_VARIABLE, ledger_url, make_engine
from pipeline.ledger.store import Ledger
from shared.faults import CoverplateError
from shared.rule_book import RuleBook

_COPIES = 5
"""A ledger may be written to while it is copied; so often it is tried again."""

OWN = "workspace"


@dataclass(frozen=True)
class Head:
    """How far a ledger had come.

    Attributes:
        place: ``OWN``, or a hash of the URL of another database.
        events: how many.
        hash: of their hashes, in the order written.
    """

    place: str
    events: int
    hash: str


def ledger_place() -> str:
    """Which ledger is a workspace's: its own, or the one that the environment names."""
    url = os.environ.get(URL_VARIABLE)
    if not url:
        return OWN
    shown = sa.make_url(ledger_url(url)).render_as_string(hide_password=True)
    return hashlib.sha256(shown.encode()).hexdigest()[:16]


def head_of(ledger: Ledger, first: int | None = None, *, wait: bool = False) -> Head:
    """The head of a ledger.

    Args:
        ledger: the ledger.
        first: as it was when it held so many events; None for now.
        wait: whether to wait for those who are writing, so that no event can come to stand before
            one that is counted.
    """
    query = sa.select(EVENTS.c.hash).order_by(EVENTS.c.position)
    digest, events = hashlib.sha256(), 0
    with ledger.reading() as con:
        if wait and ledger.engine.dialect.name == "postgresql":
            # Whoever is writing may hold a lower position than others who have ended.
            con.execute(sa.text("LOCK TABLE events IN SHARE MODE"))
        for (each,) in con.execute(query if first is None else query.limit(first)):
            digest.update(f"{each}\n".encode())
            events += 1
    return Head(ledger_place(), events, digest.hexdigest())


@contextlib.contextmanager
def unwritten(workspace: Path, rule_book: RuleBook) -> Iterator[Ledger | None]:
    """Open a workspace's ledger without writing anything, not even beside it; None if there is
    none.

    Raises:
        CoverplateError: the database cannot be reached or read.
    """
    if os.environ.get(URL_VARIABLE):
        ledger = Ledger(make_engine(ledger_url(None, workspace)), rule_book)
        try:
            yield ledger
        finally:
            ledger.close()
        return
    file = workspace / "ledger" / FILE_NAME
    if not file.is_file():
        yield None
        return
    with tempfile.TemporaryDirectory() as folder:
        path = _at_rest(file, Path(folder))
        uri = f"{path.absolute().as_uri()}?mode=ro{'&immutable=1' if path == file else ''}"
        engine = sa.create_engine("sqlite://", creator=lambda: sqlite3.connect(uri, uri=True))
        try:
            yield Ledger(engine, rule_book)
        except sa.exc.DatabaseError as damaged:
            raise CoverplateError(
                f"the ledger {file} cannot be read: {damaged.orig}",
                to_do="bring back a back-up with `coverplate ledger restore`",
            ) from damaged
        finally:
            engine.dispose()


def _at_rest(file: Path, folder: Path) -> Path:
    """The file itself where nothing is written beside it, else a copy of both."""
    log = file.with_name(file.name + "-wal")
    for _ in range(_COPIES):
        before = _stamps(file, log)
        if not before[1]:
            return file
        for each in (file, log):
            with contextlib.suppress(FileNotFoundError):
                shutil.copyfile(each, folder / each.name)
        if _stamps(file, log) == before:
            break
    return folder / file.name


def _stamps(*files: Path) -> list[tuple[int, int] | None]:
    """Size and time of each file; None where there is none or it is empty."""
    found: list[tuple[int, int] | None] = []
    for file in files:
        try:
            stat = file.stat()
        except FileNotFoundError:
            found.append(None)
        else:
            found.append((stat.st_size, stat.st_mtime_ns) if stat.st_size else None)
    return found
