"""The chain of hashes: each event seals the one before it within its finding.

Whoever alters an event breaks every hash after it; whoever takes the last one away breaks the
finding's head. A whole chain made anew, head and all, looks sound by itself; a *seal* tells it: the
heads as they were on a day, kept somewhere else.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from pipeline.ledger import events as ev
from shared.canonical import START, canonical
from shared.faults import CoverplateError

DAMAGED = (
    "run `coverplate ledger verify`, which says where; then bring back a back-up into a new ledger "
    "with `coverplate ledger restore BACKUP --ledger NEW`"
)
"""What to do about a ledger that is damaged."""


def damaged(said: str, expected: str = "every event as it was written") -> CoverplateError:
    """Return the refusal of a ledger in which something is not what was written."""
    return CoverplateError(f"the ledger is damaged: {said}", expected=expected, to_do=DAMAGED)


def event_hash(
    previous: str,
    finding_id: str,
    sequence: int,
    recorded_at: str,
    who: str,
    origin: str,
    payload: str,
) -> str:
    """Return the SHA-256 that seals an event and all before it in its finding.

    Args:
        previous: hash of the event before, or ``START``.
        finding_id, sequence, recorded_at, who, origin: as stored.
        payload: the stored text, so that not a letter of it can change unseen.
    """
    text = "\n".join(
        [previous, canonical([finding_id, sequence, recorded_at, who, origin]), payload]
    )
    return hashlib.sha256(text.encode()).hexdigest()


@dataclass(frozen=True)
class StoredEvent:
    """An event's columns exactly as the database holds them."""

    position: int
    finding_id: str
    sequence: int
    recorded_at: str
    kind: str
    who: str
    origin: str
    payload: str
    previous_hash: str
    hash: str


@dataclass(frozen=True)
class Break:
    """A place where the ledger is not what was written.

    Attributes:
        finding_id: the finding; blank where it is the ledger as a whole.
        sequence: the event at which it shows; 0 where it is the ledger as a whole.
        what: what is wrong there.
    """

    finding_id: str
    sequence: int
    what: str

    @property
    def said(self) -> str:
        """The break as a line; one of the whole ledger names no finding."""
        where = f"{self.finding_id} event {self.sequence} " if self.finding_id else ""
        return where + self.what


Heads = Mapping[str, tuple[int, str]]
"""finding_id to (sequence, hash) of its last event."""


def well_formed(event: StoredEvent) -> bool:
    """Whether a stored event's columns are of their kinds; a damaged file may give any other."""
    return (
        type(event.position) is type(event.sequence) is int
        and type(event.finding_id) is type(event.recorded_at) is type(event.kind) is str
        and type(event.who) is type(event.origin) is type(event.payload) is str
        and type(event.previous_hash) is type(event.hash) is str
    )


def parsed_event(stored: StoredEvent) -> ev.Event:
    """Return a stored event with its content validated.

    Raises:
        CoverplateError: its content is no event's.
        ValueError: its content is no JSON, or its time is none.
    """
    return ev.Event(
        position=stored.position,
        finding_id=stored.finding_id,
        sequence=stored.sequence,
        recorded_at=dt.datetime.fromisoformat(stored.recorded_at),
        who=stored.who,
        origin=stored.origin,
        payload=ev.parse_payload(json.loads(stored.payload)),
        previous_hash=stored.previous_hash,
        hash=stored.hash,
    )


class LedgerHash:
    """The hash of events in the order written, as it grows: the head of the whole ledger."""

    def __init__(self) -> None:
        self.events = 0
        self._digest = hashlib.sha256()

    def add(self, event_hash: str) -> None:
        """Take the next event in."""
        self._digest.update(f"{event_hash}\n".encode())
        self.events += 1

    @property
    def hash(self) -> str:
        """The hash of all events taken in so far."""
        return self._digest.hexdigest()


def heads_at(hashes: Iterable[str], counts: Iterable[int]) -> dict[int, str]:
    """Return the head of the whole ledger when it held so many events, for each count it reached.

    Args:
        hashes: of all events in the order written.
        counts: the numbers of events that are asked for.
    """
    wanted, grown = set(counts), LedgerHash()
    found = {0: grown.hash}
    for each in hashes:
        grown.add(each)
        if grown.events in wanted:
            found[grown.events] = grown.hash
    return found


@dataclass(frozen=True)
class Held:
    """How far a ledger had come, as written down elsewhere.

    Attributes:
        events, hash: its head then.
        when: the day or moment, as text.
        where: where that is written.
        imports, imports_hash: how many files of events had been brought in, and the hash of the
            record of the last one; 0 and ``START`` where that was not written down.
    """

    events: int
    hash: str
    when: str
    where: str
    imports: int = 0
    imports_hash: str = START


def fallen_short(hashes: Sequence[str], held: Iterable[Held]) -> list[Break]:
    """Return how a ledger falls short of what it held, one break for each place that says so.

    Args:
        hashes: of all events in the order written.
        held: what it held; of several from one place the one with the most events is told.
    """
    told: dict[str, Break] = {}
    known = sorted(held, key=lambda each: -each.events)
    heads = heads_at(hashes, [each.events for each in known])
    for each in known:
        if heads.get(each.events) == each.hash or each.where in told:
            continue
        what = f"held {each.events:,} events on {each.when[:10]}, now {len(hashes):,}"
        if each.events <= len(hashes):
            what = f"held other events on {each.when[:10]} than its first {each.events:,} now"
        told[each.where] = Break("", 0, f"the ledger {what} ({each.where})")
    return list(told.values())


def breaks(events: Iterable[StoredEvent], heads: Heads, seal: Heads | None = None) -> list[Break]:
    """Return every break of the chains.

    Args:
        events: all events, ordered by finding and sequence.
        heads: the heads that the ledger keeps.
        seal: heads kept elsewhere, from an earlier day; each must still stand in its chain.
    """
    found: list[Break] = []
    seen: dict[str, dict[int, str]] = {}
    for event in events:
        chain = seen.setdefault(event.finding_id, {})
        previous = chain.get(event.sequence - 1, START if event.sequence == 1 else None)
        if event.finding_id not in heads and event.sequence == 1:
            found.append(Break(event.finding_id, 1, "the finding itself is missing"))
        if previous is None:
            found.append(Break(event.finding_id, event.sequence, "the event before it is missing"))
        elif event.previous_hash != previous:
            found.append(
                Break(event.finding_id, event.sequence, "does not follow from the event before it")
            )
        if event.hash != _expected(event):
            found.append(Break(event.finding_id, event.sequence, "was altered after being written"))
        chain[event.sequence] = event.hash
    for finding_id, (sequence, digest) in heads.items():
        chain = seen.get(finding_id, {})
        last = max(chain, default=0)
        if last < sequence:
            found.append(
                Break(finding_id, last + 1, f"events {last + 1} to {sequence} are missing")
            )
        elif last > sequence or chain.get(last) != digest:
            found.append(Break(finding_id, last, "the last event is not the one that was written"))
    for finding_id, (sequence, digest) in (seal or {}).items():
        if seen.get(finding_id, {}).get(sequence) != digest:
            found.append(Break(finding_id, sequence, "is not what the seal says"))
    return sorted(found, key=lambda each: (each.finding_id, each.sequence))


def _expected(event: StoredEvent) -> str:
    try:
        kind_ok = json.loads(event.payload)["kind"] == event.kind
        digest = event_hash(
            event.previous_hash,
            event.finding_id,
            event.sequence,
            event.recorded_at,
            event.who,
            event.origin,
            event.payload,
        )
    except (ValueError, TypeError, KeyError, RecursionError):
        return ""
    return digest if kind_ok else ""
