"""How far a ledger had come, in a number and a hash, so that one cut short can be told.

The ledger's own chains hold each finding together; whole findings, or the newest events together
with their heads, could still be taken out. The head covers all events in the order written: those
that were there then must be the first ones now.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from pipeline.ledger.at_rest import at_rest
from pipeline.ledger.chain import LedgerHash
from pipeline.ledger.damage import check_kind, check_pages, damage, lenient
from pipeline.ledger.database import (
    EVENTS,
    URL_VARIABLE,
    ledger_file,
    ledger_url,
    make_engine,
    unreachable,
)
from pipeline.ledger.store import Ledger
from shared.rule_book import RuleBook

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
    with ledger.reading() as con:
        if wait and ledger.engine.dialect.name == "postgresql":
            # Whoever is writing may hold a lower position than others who have ended.
            con.execute(sa.text("LOCK TABLE events IN SHARE MODE"))
        hashes = event_hashes(con)
    counted = LedgerHash()
    for each in hashes[:first]:
        counted.add(each)
    return Head(ledger_place(), counted.events, counted.hash)


@contextlib.contextmanager
def unwritten(
    workspace: Path | None, rule_book: RuleBook, location: str | Path | None = None
) -> Iterator[Ledger | None]:
    """Open a ledger without writing anything, not even beside it; None if there is none.

    Args:
        workspace: the workspace's folder.
        rule_book: the workspace's rule book.
        location: see ``ledger_url``.

    Raises:
        CoverplateError: the database cannot be reached, is no ledger or is damaged.
    """
    file = ledger_file(location, workspace)
    if file is None:
        ledger = Ledger(make_engine(ledger_url(location, workspace)), rule_book)
        try:
            with ledger.reading() as con:
                begun = sa.inspect(con).has_table(EVENTS.name)
            yield ledger if begun else None
        except sa.exc.OperationalError as fault:
            raise unreachable(ledger.engine, fault) from fault
        finally:
            ledger.close()
        return
    if not file.exists():
        yield None
        return
    check_kind(file)
    with tempfile.TemporaryDirectory() as folder:
        path = at_rest(file, Path(folder))
        uri = f"{path.absolute().as_uri()}?mode=ro{'&immutable=1' if path == file else ''}"
        engine = sa.create_engine("sqlite://", creator=lambda: lenient(uri))
        try:
            check_pages(engine, file, path)
            yield Ledger(engine, rule_book)
        except (sa.exc.DatabaseError, UnicodeDecodeError) as damaged:
            said = str(damaged.orig) if isinstance(damaged, sa.exc.DatabaseError) else "its schema"
            raise damage(file, path, said) from damaged
        finally:
            engine.dispose()


def event_hashes(con: Connection) -> list[str]:
    """Return the hashes of all events in the order written."""
    return list(con.execute(sa.select(EVENTS.c.hash).order_by(EVENTS.c.position)).scalars())
