"""Writes and reads the history: append-only events, each checked against what stands.

Every event is written in one transaction with the finding's new head. A writer first takes the
database (SQLite) or the findings concerned (PostgreSQL), then reads, checks and writes, so that two
people who act on one finding come one after the other: the second is told what changed if it named
the version that it had seen, and is checked against the new state in any case.
"""

from __future__ import annotations

import datetime as dt
import itertools
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, TypeVar

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.engine import Connection, Engine

from pipeline.ledger import events as ev
from pipeline.ledger.at_rest import at_rest
from pipeline.ledger.chain import (
    Break,
    Heads,
    Held,
    StoredEvent,
    breaks,
    damaged,
    event_hash,
    fallen_short,
    parsed_event,
    well_formed,
)
from pipeline.ledger.checks import (
    all_of,
    check_actor,
    check_expected,
    check_has_come,
    check_notice_was_given,
    check_own_note,
    check_raised,
    check_time,
    checked_payload,
)
from pipeline.ledger.current_states import behind, keep, kept, state_breaks
from pipeline.ledger.database import (
    EVENTS,
    FINDINGS,
    ledger_file,
    ledger_url,
    make_engine,
    prepare,
    transaction,
    unreachable,
)
from pipeline.ledger.families import identity_of
from pipeline.ledger.imports import import_breaks
from pipeline.ledger.replay import IDENTITY, identity_breaks, in_chains, replay, sound_parts
from pipeline.ledger.rule_books import Books, altered, keep_rule_book, kept_texts
from pipeline.ledger.state import Finding, after, fold, start
from pipeline.ledger.verification import Judge
from shared.canonical import START, canonical, utc_text
from shared.faults import CoverplateError
from shared.rule_book import RuleBook, load_rule_book

CHUNK = 500
"""Findings looked up in one query."""

T = TypeVar("T")


@dataclass(frozen=True)
class Draft:
    """An event to be written.

    Attributes:
        finding_id: the finding.
        payload: what happened.
        expected: the version (sequence of the last event) that the writer had seen; None writes on
            whatever stands, if the state allows it.
        at: when it was written down, for histories brought in from elsewhere; the call's time
            when None.
    """

    finding_id: str
    payload: ev.Payload
    expected: int | None = None
    at: dt.datetime | None = None


def open_ledger(
    location: str | Path | None = None,
    *,
    workspace: Path | None = None,
    rule_book: RuleBook | None = None,
) -> Ledger:
    """Open a ledger, made where it is missing.

    Args:
        location: see ``ledger_url``.
        workspace: the workspace's folder.
        rule_book: what remedies and looks are judged by; the default one when None.

    Raises:
        CoverplateError: the database cannot be reached.
    """
    file = ledger_file(location, workspace)
    copy: TemporaryDirectory[str] | None = None
    url = ledger_url(location, workspace)
    if file is not None and file.exists() and not os.access(file.parent, os.W_OK):
        # SQLite writes beside a file to read it; a copy is read in place of one that must stay.
        copy = TemporaryDirectory(prefix="coverplate-ledger-")
        url = f"sqlite:///{at_rest(file, Path(copy.name), always=True)}"
    engine = make_engine(url)
    prepare(engine)
    ledger = Ledger(engine, rule_book or load_rule_book())
    try:
        with ledger.reading() as con:
            _check_pages(con)
            late = behind(con)
        if late:
            ledger.state_anew(late)
        ledger.copy_of = (copy, file) if copy is not None and file is not None else None
    except (sa.exc.DatabaseError, UnicodeDecodeError) as fault:
        raise unreachable(engine, fault) from fault
    return ledger


def _check_pages(con: Connection) -> None:
    """Refuse an SQLite file whose pages do not fit together; no list reads all of them."""
    if con.dialect.name == "sqlite":
        said = str(con.exec_driver_sql("PRAGMA quick_check(1)").scalar())
        if said != "ok":
            raise damaged(said)


class Ledger:
    """The history of all findings; open one with ``open_ledger``.

    Args:
        engine: the database.
        rule_book: what remedies and looks are judged by.
    """

    def __init__(self, engine: Engine, rule_book: RuleBook) -> None:
        self.engine = engine
        self.rule_book = rule_book
        self.judge = Judge(rule_book)
        self.copy_of: tuple[TemporaryDirectory[str], Path] | None = None
        """Where this is a copy of a ledger that may only be read: the folder, and the ledger."""

    def close(self) -> None:
        """Give up all connections."""
        self.engine.dispose()
        if self.copy_of is not None:
            self.copy_of[0].cleanup()

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Open a transaction that sees one state of the ledger and writes nothing."""
        with transaction(self.engine, writes=False) as con:
            yield con

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """Open a transaction that writes; in SQLite it holds the database until it ends.

        Raises:
            CoverplateError: the ledger may only be read.
        """
        if self.copy_of is not None:
            raise CoverplateError(
                f"the ledger {self.copy_of[1]} lies where nothing may be written",
                expected="a ledger that may be written",
                to_do="write in the workspace that this is a copy of, or copy it to where you may "
                "write",
            )
        with transaction(self.engine, writes=True) as con:
            yield con

    def raise_finding(
        self, raised: ev.Raised, *, who: str, origin: str, at: dt.datetime | None = None
    ) -> ev.Event:
        """Raise one finding.

        Raises:
            CoverplateError: it stands already, or a recurrence does not follow a proven repair.
        """
        written = self.raise_many([raised], who=who, origin=origin, at=at)
        if not written:
            identity = identity_of(raised)
            raise CoverplateError(
                f"{identity} stands already for {raised.building_id} {raised.opening_id} "
                f"({raised.family})",
                to_do="add to that finding instead of raising it again",
            )
        return written[0]

    def raise_many(
        self,
        raised: Sequence[ev.Raised],
        *,
        who: str,
        origin: str,
        at: dt.datetime | None = None,
    ) -> list[ev.Event]:
        """Raise many findings in one transaction; those that stand already are left as they are.

        Returns:
            The events written, in the order given.
        """
        with self.writing() as con:
            return self.raise_in(con, raised, who=who, origin=origin, at=at)

    def raise_in(
        self,
        con: Connection,
        raised: Sequence[ev.Raised],
        *,
        who: str,
        origin: str,
        at: dt.datetime | None = None,
    ) -> list[ev.Event]:
        """Raise findings as ``raise_many`` does, within a transaction that writes."""
        check_actor(who, origin)
        clock = dt.datetime.now(dt.UTC)
        standing = self._standing(con, [identity_of(each) for each in raised])
        before = self._before(con, raised)
        events = []
        for each in raised:
            identity, earlier = identity_of(each), before.get(each.recurs_of or "")
            last = earlier.last_at if earlier else None
            moment = _moment(at, last, clock)
            check_raised(
                each,
                earlier,
                proven=earlier is not None and earlier.treatment == "proven",
                at=moment,
            )
            check_time(identity, moment, last, clock)
            if identity in standing:
                continue
            standing.add(identity)
            events.append(_next_event(identity, 0, START, each, moment, who, origin))
        inserted = self._insert_findings(con, events)
        events = [event for event in events if event.finding_id in inserted]
        self._insert_events(con, events)
        keep(con, [start(event.finding_id, event) for event in events])
        return events

    def _before(self, con: Connection, raised: Sequence[ev.Raised]) -> dict[str, Finding]:
        """Return the findings that recurrences point back at."""
        _, histories = self._locked(con, [each.recurs_of for each in raised if each.recurs_of])
        return {each: fold(history) for each, history in histories.items()}

    def _standing(self, con: Connection, ids: list[str]) -> set[str]:
        found: set[str] = set()
        for chunk in _chunks(ids):
            query = sa.select(FINDINGS.c.finding_id).where(FINDINGS.c.finding_id.in_(chunk))
            found |= set(con.execute(query).scalars())
        return found

    def _insert_findings(self, con: Connection, events: Sequence[ev.Event]) -> set[str]:
        rows = []
        for event in events:
            raised = event.payload
            assert isinstance(raised, ev.Raised)
            rows.append(finding_row(raised, event))
        inserted: set[str] = set()
        insert = (sqlite if self.engine.dialect.name == "sqlite" else postgresql).insert(FINDINGS)
        for chunk in _chunks(rows):
            # another writer may have raised the same finding since; its event is then the one
            statement = (
                insert.values(chunk).on_conflict_do_nothing().returning(FINDINGS.c.finding_id)
            )
            inserted |= set(con.execute(statement).scalars())
        return inserted

    def _insert_events(self, con: Connection, events: Sequence[ev.Event]) -> None:
        if events:
            con.execute(sa.insert(EVENTS), [_row(event) for event in events])
            named = [
                utc_text(event.recorded_at)
                for event in events
                if getattr(event.payload, "rule_book_hash", "") == self.rule_book.hash
                or isinstance(event.payload, ev.Assigned)  # its target was held against the book
            ]
            if named:
                book = self.rule_book
                keep_rule_book(con, book.hash, lambda: book.text, min(named))

    def append(
        self,
        finding: str,
        payload: ev.Payload,
        *,
        who: str,
        origin: str,
        expected: int | None = None,
        at: dt.datetime | None = None,
    ) -> ev.Event:
        """Write one event; see ``append_many``."""
        draft = Draft(finding, payload, expected)
        return self.append_many([draft], who=who, origin=origin, at=at)[0]

    def append_many(
        self,
        drafts: Sequence[Draft],
        *,
        who: str,
        origin: str,
        at: dt.datetime | None = None,
        before_commit: Callable[[Connection, list[ev.Event]], None] | None = None,
        refused: dict[int, CoverplateError] | None = None,
        dry: bool = False,
    ) -> list[ev.Event]:
        """Write events in one transaction, all or none.

        Each is checked against the state that the finding is in at that moment: what may follow
        what, whether the remedy is one, whether the look is capable.

        Args:
            drafts: the events; several of one finding are written in the order given.
            who: who says so.
            origin: from where: cli, dashboard, import or evidence.
            at: when it was written down; now by default, or the time of the finding's last event
                where that is later. Another time, not before that event, is for histories that are
                brought in from elsewhere.
            before_commit: writes in the same transaction what must stand or fall with the events.
            refused: where it is given, drafts that cannot be written are left out and told here by
                their place, and the others are written.
            dry: only find out what would be written.

        Returns:
            The events as stored, in the order given.

        Raises:
            CoverplateError: naming every draft that cannot be written; nothing was.
        """
        check_actor(who, origin)
        if not drafts and before_commit is None:
            return []
        clock = dt.datetime.now(dt.UTC)
        with self.reading() if dry else self.writing() as con:
            heads, histories = self._locked(con, [draft.finding_id for draft in drafts])
            current = {each: fold(history) for each, history in histories.items()}
            written: list[ev.Event] = []
            faults: list[CoverplateError] = []
            for place, draft in enumerate(drafts):
                try:
                    finding = current.get(draft.finding_id)
                    if finding is None:
                        raise _unknown(draft.finding_id)
                    check_expected(
                        draft.finding_id,
                        draft.expected,
                        heads[draft.finding_id][0],
                        histories[draft.finding_id],
                    )
                    moment = _moment(draft.at or at, finding.last_at, clock)
                    check_time(draft.finding_id, moment, finding.last_at, clock)
                    if draft.at is None and at is None:
                        check_has_come(draft.finding_id, draft.payload, dt.date.today())
                        check_notice_was_given(draft.finding_id, draft.payload, dt.date.today())
                    check_own_note(self.rule_book, draft.finding_id, draft.payload)
                    payload = checked_payload(self.judge, finding, draft.payload, moment)
                    event = _next_event(
                        draft.finding_id, *heads[draft.finding_id], payload, moment, who, origin
                    )
                    current[draft.finding_id] = after(finding, event)
                    heads[draft.finding_id] = (event.sequence, event.hash)
                    written.append(event)
                except CoverplateError as fault:
                    if refused is None:
                        faults.append(fault)
                    else:
                        refused[place] = fault
            if faults:
                raise all_of(faults, len(drafts))
            if dry:
                return written
            self._insert_events(con, written)
            move_heads(con, {each.finding_id: (each.sequence, each.hash) for each in written})
            keep(con, [current[each] for each in dict.fromkeys(e.finding_id for e in written)])
            if before_commit is not None:
                before_commit(con, written)
            return written

    def _locked(
        self, con: Connection, ids: Iterable[str]
    ) -> tuple[dict[str, tuple[int, str]], dict[str, list[ev.Event]]]:
        wanted = sorted(set(ids))
        heads: dict[str, tuple[int, str]] = {}
        histories: dict[str, list[ev.Event]] = {}
        for chunk in _chunks(wanted):
            query = (
                sa.select(FINDINGS.c.finding_id, FINDINGS.c.head_sequence, FINDINGS.c.head_hash)
                .where(FINDINGS.c.finding_id.in_(chunk))
                .order_by(FINDINGS.c.finding_id)
            )
            if self.engine.dialect.name == "postgresql":
                query = query.with_for_update()
            heads |= {row[0]: (row[1], row[2]) for row in con.execute(query)}
            for event in _events(con, EVENTS.c.finding_id.in_(chunk)):
                histories.setdefault(event.finding_id, []).append(event)
        return heads, histories

    def state_anew(self, findings: Iterable[str] | None = None) -> int:
        """Keep anew what the events of findings amount to, of all of them by default.

        A finding whose events cannot be read is left as it is: ``verify`` tells of it.

        Returns:
            How many were made anew.
        """
        with self.writing() as con:
            wanted = self.heads_in(con) if findings is None else findings
            return keep_anew(con, sorted(set(wanted)))

    def check_states(self) -> None:
        """Follow all chains, and hold what is kept of each finding against its events.

        Lists trust what is kept. Whatever takes a finding off a list, or a defect out of a score,
        asks here first.

        Raises:
            CoverplateError: something is not what was written.
        """
        with self.reading() as con:
            everything, heads, states = all_stored(con), self.heads_in(con), kept(con)
            rows = [tuple(row) for row in con.execute(sa.select(*IDENTITY))]
        stored = sorted(filter(well_formed, everything), key=in_chains)
        found = breaks(stored, heads) or identity_breaks(stored, rows)
        if len(stored) < len(everything):
            unread = next(each for each in everything if not well_formed(each))
            found.append(Break(str(unread.finding_id), 0, "an event cannot be read"))
        if not found:
            chains = itertools.groupby(map(_parsed, stored), key=lambda each: each.finding_id)
            found = state_breaks(states, {name: fold(chain) for name, chain in chains})
        if found:
            raise damaged(
                found[0].said, "every event as it was written, and every state as the events say"
            )

    def record_look(
        self,
        finding: str,
        look: ev.Look,
        *,
        who: str,
        origin: str,
        expected: int | None = None,
        at: dt.datetime | None = None,
    ) -> ev.Event:
        """Write what a look after a reported fix amounts to: ``verified`` or not.

        Raises:
            CoverplateError: the look proves nothing either way; says which methods would.
        """
        payload = self.judge.verified(self.finding(finding), look)
        return self.append(finding, payload, who=who, origin=origin, expected=expected, at=at)

    def finding(self, finding: str) -> Finding:
        """Return a finding as its events leave it.

        Raises:
            CoverplateError: there is none of that identifier.
        """
        return fold(self.history(finding))

    def history(self, finding: str) -> list[ev.Event]:
        """Return the events of one finding in order.

        Raises:
            CoverplateError: there is none of that identifier.
        """
        with self.reading() as con:
            found = list(_events(con, EVENTS.c.finding_id == finding))
        if not found:
            raise _unknown(finding)
        return found

    def stored(self) -> list[StoredEvent]:
        """Return every event as the database holds it, by finding and sequence."""
        with self.reading() as con:
            return sorted(all_stored(con), key=in_chains)

    def stored_of(self, con: Connection, findings: Iterable[str]) -> list[StoredEvent]:
        """Return the events of some findings as stored, within a transaction."""
        return [
            _stored(row)
            for chunk in _chunks(sorted(findings))
            for row in con.execute(sa.select(*_STORED).where(EVENTS.c.finding_id.in_(chunk)))
        ]

    def heads(self) -> Heads:
        """Return the head of every finding: its last sequence and hash. Kept elsewhere, a seal."""
        with self.reading() as con:
            return self.heads_in(con)

    def heads_in(self, con: Connection) -> dict[str, tuple[int, str]]:
        """Return the same within a transaction."""
        query = sa.select(FINDINGS.c.finding_id, FINDINGS.c.head_sequence, FINDINGS.c.head_hash)
        return {row[0]: (row[1], row[2]) for row in con.execute(query)}

    def books(self, con: Connection) -> Books:
        """Return the rule books that events can be judged by again, within a transaction."""
        return Books([self.rule_book], kept_texts(con))

    def verify(self, seal: Heads | None = None, held: Iterable[Held] = ()) -> list[Break]:
        """Return every place where the ledger is not what was written, or does not follow the
        rules of writing; none if it is sound.

        Args:
            seal: heads from an earlier day that were kept elsewhere; they prove even that no
                chain was made anew.
            held: how far it had come, as written down elsewhere.
        """
        held = list(held)
        with self.reading() as con:
            everything = all_stored(con)
            rows = [tuple(row) for row in con.execute(sa.select(*IDENTITY))]
            stored = [each for each in everything if well_formed(each)]
            hashes = [each.hash for each in stored]
            imported = import_breaks(con, hashes, held)
            books = self.books(con)
            states = kept(con)
            altered_books = [Break("", 0, words) for words in altered(con)]
        unread = [
            Break(str(each.finding_id), 0, "an event cannot be read")
            for each in everything
            if len(stored) < len(everything) and not well_formed(each)
        ]
        heads = {}
        for row in rows:
            if [type(row[0]), type(row[-2]), type(row[-1])] == [str, int, str]:
                heads[str(row[0])] = (int(str(row[-2])), str(row[-1]))
            else:
                unread.append(Break(str(row[0]), 0, "the finding's row cannot be read"))
        found = breaks(sorted(stored, key=in_chains), heads, seal)
        standing: dict[str, Finding] = {}
        rest = replay(sound_parts(stored, found), books, dt.datetime.now(dt.UTC), standing)
        named = identity_breaks(stored, rows)
        broken = {each.finding_id for each in (*unread, *found, *rest, *named)}
        sound = {name: finding for name, finding in standing.items() if name not in broken}
        told = [*unread, *found, *rest, *named, *state_breaks(states, sound)]
        told = sorted(told, key=in_chains)
        return [*told, *altered_books, *imported, *fallen_short(hashes, held)]


_STORED = (
    EVENTS.c.position,
    EVENTS.c.finding_id,
    EVENTS.c.sequence,
    EVENTS.c.recorded_at,
    EVENTS.c.kind,
    EVENTS.c.who,
    EVENTS.c.origin,
    EVENTS.c.payload,
    EVENTS.c.previous_hash,
    EVENTS.c.hash,
)


def _chunks(items: Sequence[T]) -> Iterator[Sequence[T]]:
    for begin in range(0, len(items), CHUNK):
        yield items[begin : begin + CHUNK]


def _moment(given: dt.datetime | None, last: dt.datetime | None, clock: dt.datetime) -> dt.datetime:
    """Return when an event is recorded: as given, else now, never before the event before it."""
    if given is not None:
        return given.astimezone(dt.UTC)
    return clock if last is None else max(clock, last)


def _next_event(
    identity: str,
    sequence: int,
    previous: str,
    payload: ev.Payload,
    now: dt.datetime,
    who: str,
    origin: str,
) -> ev.Event:
    content = canonical(payload.model_dump(mode="json", exclude_none=True))
    stamp = utc_text(now)
    digest = event_hash(previous, identity, sequence + 1, stamp, who, origin, content)
    return ev.Event(
        finding_id=identity,
        sequence=sequence + 1,
        recorded_at=now.astimezone(dt.UTC),
        who=who,
        origin=origin,
        payload=payload,
        previous_hash=previous,
        hash=digest,
    )


def _row(event: ev.Event) -> dict[str, Any]:
    return {
        "finding_id": event.finding_id,
        "sequence": event.sequence,
        "recorded_at": utc_text(event.recorded_at),
        "kind": event.kind,
        "who": event.who,
        "origin": event.origin,
        "payload": canonical(event.content()),
        "previous_hash": event.previous_hash,
        "hash": event.hash,
    }


def _stored(row: Sequence[Any]) -> StoredEvent:
    return StoredEvent(*row)


def finding_row(raised: ev.Raised, event: ev.Event | StoredEvent) -> dict[str, object]:
    """Return the row of a finding that this event, its first, begins."""
    return {
        "finding_id": event.finding_id,
        "building_id": raised.building_id,
        "unit_id": raised.unit_id,
        "opening_id": raised.opening_id,
        "family": raised.family,
        "occurrence": raised.occurrence,
        "head_sequence": event.sequence,
        "head_hash": event.hash,
    }


def move_heads(con: Connection, heads: Heads) -> None:
    """Write down the last event of findings, in the transaction that wrote the events."""
    if heads:
        con.execute(
            sa.update(FINDINGS)
            .where(FINDINGS.c.finding_id == sa.bindparam("which"))
            .values(head_sequence=sa.bindparam("last"), head_hash=sa.bindparam("digest")),
            [
                {"which": each, "last": sequence, "digest": digest}
                for each, (sequence, digest) in heads.items()
            ],
        )


def keep_anew(con: Connection, ids: Sequence[str]) -> int:
    """Keep what the events of findings amount to; see ``Ledger.state_anew``."""
    folded = list(folded_of(con, ids))
    keep(con, folded)
    return len(folded)


def folded_of(con: Connection, ids: Sequence[str]) -> Iterator[Finding]:
    """Yield findings as their events leave them; those whose events cannot be read are left out."""
    for chunk in _chunks(ids):
        try:
            histories: dict[str, list[ev.Event]] = {}
            for event in _events(con, EVENTS.c.finding_id.in_(chunk)):
                histories.setdefault(event.finding_id, []).append(event)
            found = [fold(history) for history in histories.values()]
        except CoverplateError:
            if len(chunk) > 1:
                for each in chunk:
                    yield from folded_of(con, [each])
            continue
        yield from found


def all_stored(con: Connection) -> list[StoredEvent]:
    """Return every event as stored, in the order written."""
    query = sa.select(*_STORED).order_by(EVENTS.c.position)
    return [_stored(row) for row in con.execute(query)]


def _events(con: Connection, where: sa.ColumnElement[bool]) -> Iterator[ev.Event]:
    query = sa.select(*_STORED).where(where).order_by(EVENTS.c.finding_id, EVENTS.c.sequence)
    for row in con.execute(query):
        yield _parsed(_stored(row))


def _parsed(stored: StoredEvent) -> ev.Event:
    try:
        return parsed_event(stored)
    except (CoverplateError, ValueError, TypeError, RecursionError) as fault:
        place = f"{stored.finding_id} event {stored.sequence}"
        raise damaged(f"{place} cannot be read") from fault


def _unknown(identity: str) -> CoverplateError:
    return CoverplateError(
        f"there is no finding {identity}",
        expected="an identifier such as F-0123456789abcdef",
        to_do="list them with `coverplate findings list`",
    )
