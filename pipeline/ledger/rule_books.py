"""The rule books that judged events: kept whole, each with a judge to judge by it again.

A hash proves which rule book it is, so one that the program or the workspace has need not be kept
to be used. Any other is taken only from the ledger's own table.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import cache, lru_cache
from operator import attrgetter

import pyarrow as pa
import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.engine import Connection

from pipeline.ledger import events as ev
from pipeline.ledger.database import RULE_BOOKS
from pipeline.ledger.state import Finding
from pipeline.ledger.verification import LOOK_COLUMNS, Judge
from pipeline.offline import scratch
from shared.faults import CoverplateError
from shared.rule_book import RuleBook, check_kept, kept_rule_book, load_rule_book
from shared.vocabulary import Condition, Method

JUDGED = ("fix_reported", "verified", "verification_failed")
"""Kinds of event that a rule book judged when they were written."""


def keep_rule_book(
    con: Connection, digest: str, text: Callable[[], str | None], first_used_at: str
) -> None:
    """Keep a rule book, if it is not kept, in the transaction of the events that name it.

    Args:
        con: the transaction.
        digest: its hash.
        text: gives ``RuleBook.text``; asked only where it is not kept.
        first_used_at: when the first event that names it was recorded.
    """
    known = con.execute(sa.select(RULE_BOOKS.c.hash).where(RULE_BOOKS.c.hash == digest)).first()
    content = text() if known is None else None
    if content is not None:
        insert = (sqlite if con.dialect.name == "sqlite" else postgresql).insert(RULE_BOOKS)
        row = {"hash": digest, "text": content, "first_used_at": first_used_at}
        # another writer may have kept it since
        con.execute(insert.values([row]).on_conflict_do_nothing())


def kept_rows(con: Connection) -> list[dict[str, str]]:
    """Return the rule books that are kept: hash, text, first_used_at."""
    if not sa.inspect(con).has_table(RULE_BOOKS.name):
        return []  # written before rule books were kept, and opened without writing
    query = sa.select(RULE_BOOKS).order_by(RULE_BOOKS.c.first_used_at, RULE_BOOKS.c.hash)
    rows = [dict(row) for row in con.execute(query).mappings()]
    return [row for row in rows if all(isinstance(value, str) for value in row.values())]


def kept_texts(con: Connection) -> dict[str, str]:
    """Return the texts of the rule books that are kept, by hash."""
    return {row["hash"]: row["text"] for row in kept_rows(con)}


def altered(con: Connection) -> list[str]:
    """Say which of the rule books that are kept are not what their hashes say."""
    found = []
    for digest, text in kept_texts(con).items():
        try:
            check_kept(text, digest)
        except CoverplateError as fault:
            found.append(str(fault).splitlines()[0])
    return found


@cache
def _shipped() -> RuleBook:
    return load_rule_book()


class Books:
    """Rule books by their hash.

    Args:
        own: rule books at hand; the one shipped with the program is always among them.
        kept: texts of others that may judge, by hash.
        offered: hashes of rule books that a file carries and nobody vouched for.
    """

    def __init__(
        self, own: Iterable[RuleBook], kept: Mapping[str, str], offered: Iterable[str] = ()
    ) -> None:
        self._own = {book.hash: book for book in (*own, _shipped())}
        self._kept = dict(kept)
        self._offered = frozenset(offered)
        self._judges: dict[str, Rejudge | CoverplateError] = {}

    @property
    def hashes(self) -> frozenset[str]:
        """The hashes of all that may judge."""
        return frozenset(self._own) | frozenset(self._kept)

    @property
    def own(self) -> frozenset[str]:
        """The hashes of those at hand, whether kept or not."""
        return frozenset(self._own)

    def known(self) -> Iterator[RuleBook]:
        """Yield all that may judge and can be read."""
        for digest in {**self._own, **self._kept}:
            with contextlib.suppress(CoverplateError):
                yield self.judge(digest).book

    def text(self, digest: str) -> str | None:
        """Return the text of a rule book that may judge, None if there is none of that hash."""
        own = self._own.get(digest)
        return own.text if own is not None else self._kept.get(digest)

    def judge(self, digest: str) -> Rejudge:
        """Return the judge by a rule book.

        Raises:
            CoverplateError: it is not kept here, is not vouched for, or cannot be read.
        """
        if digest not in self._judges:
            try:
                self._judges[digest] = _rejudge(self._found(digest).text)
            except CoverplateError as fault:
                self._judges[digest] = fault
        found = self._judges[digest]
        if isinstance(found, CoverplateError):
            raise found
        return found

    def _found(self, digest: str) -> RuleBook:
        if digest in self._own:
            return self._own[digest]
        if digest in self._kept:
            return kept_rule_book(self._kept[digest], digest)
        if digest in self._offered:
            raise CoverplateError(
                f"judged by the rule book {digest}, which the file brings along and neither this "
                f"ledger nor the program knows; who trusts it gives --rule-book-hash {digest}"
            )
        if not digest:
            raise CoverplateError("does not say which rule book judged it")
        raise CoverplateError(f"judged by a rule book that is not kept here ({digest})")


@lru_cache(maxsize=4)
def _rejudge(text: str) -> Rejudge:
    """The judge by a rule book; its tables take a while to build and are the same each time."""
    return Rejudge(RuleBook.model_validate_json(text))


class Rejudge(Judge):
    """A judge of many events at once: what it worked out for one it keeps for the others alike.

    Args:
        book: the rule book.
        knows: a judge under the same book, whose evidence tables need not be worked out anew.
    """

    def __init__(self, book: RuleBook, knows: Judge | None = None) -> None:
        super().__init__(book)
        if knows is not None:
            self.likelihoods = knows.likelihoods
            self._distances = knows._distances
        self._codes: dict[tuple[object, ...], str] = {}
        self._capable: dict[tuple[object, ...], tuple[Method, ...]] = {}
        self._excluded: dict[tuple[object, ...], frozenset[Condition]] = {}
        self._blind: dict[tuple[object, ...], str | None] = {}

    def prepare(self, looks: Iterable[ev.Look]) -> None:
        """Work out the codes of many looks in one query."""
        wanted = [each for each in dict.fromkeys(map(_read, looks)) if each not in self._codes]
        if not wanted:
            return
        typed = ", ".join(f"{name} {kind}" for name, kind in LOOK_COLUMNS.items())
        names = ", ".join(LOOK_COLUMNS)
        with scratch() as con:
            con.execute(f"CREATE TEMP TABLE looks (number INTEGER, {typed})")
            con.register("handed_over", _table(wanted))
            con.execute(f"INSERT INTO looks SELECT number, {names} FROM handed_over")
            found = con.execute(
                f"SELECT {self.likelihoods.reading_code_sql()} "
                f"FROM (SELECT *, NULL::VARCHAR AS reader FROM looks) ORDER BY number"
            ).fetchall()
        self._codes |= dict(zip(wanted, (str(row[0]) for row in found), strict=True))

    def code(self, look: ev.Look) -> str:
        """Return the evidence code of a look; see ``Likelihoods.reading_code_sql``."""
        known = self._codes.get(_read(look))
        return super().code(look) if known is None else known

    def capable(self, finding: Finding) -> tuple[Method, ...]:
        """Return the methods whose evidence tables can prove the reported fix."""
        key = _alike(finding)
        if key not in self._capable:
            self._capable[key] = super().capable(finding)
        return self._capable[key]

    def must_exclude(self, finding: Finding) -> frozenset[Condition]:
        """Return the conditions that a look must exclude before the reported fix is proven."""
        key = _alike(finding)
        if key not in self._excluded:
            self._excluded[key] = super().must_exclude(finding)
        return self._excluded[key]

    def why_blind(self, finding: Finding, method: Method) -> str | None:
        """Return why a method cannot prove the reported fix, or None if it can."""
        key = (method, *_alike(finding))
        if key not in self._blind:
            self._blind[key] = super().why_blind(finding, method)
        return self._blind[key]


def _alike(finding: Finding) -> tuple[object, ...]:
    """All that is known of a finding and of its fix but what no method sees more or less for."""
    return (
        finding.condition,
        finding.grade,
        finding.seen_standing,
        *_raised_as(finding.raised),
        *(() if finding.fix is None else _fixed_as(finding.fix)),
    )


_OF_NO_ACCOUNT = frozenset(
    [
        "building_id",
        "unit_id",
        "opening_id",
        "occurrence",
        "recurs_of",
        "first_seen_on",
        "last_seen_on",
        "pointed_on",
        "notified_on",
        "probability",
        "regulation",
        "rule_book_hash",
        "note",
        "fixed_on",
        "firm",
        "worker",
        "licence",
        "permit",
        "cost",
        "gfci_year",
        "gfci_tested_on",
        "attachments",
    ]
)
"""Which opening it is, days, people and money: no method sees more or less for them."""

_raised_as = attrgetter(*(each for each in ev.Raised.model_fields if each not in _OF_NO_ACCOUNT))
_fixed_as = attrgetter(
    *(each for each in ev.FixReported.model_fields if each not in _OF_NO_ACCOUNT)
)


def _read(look: ev.Look) -> tuple[object, ...]:
    """The columns of a look that bear on its code."""
    found: tuple[object, ...] = _columns(look)
    return found


_columns = attrgetter(*LOOK_COLUMNS)


def _table(rows: Sequence[tuple[object, ...]]) -> pa.Table:
    """The columns of looks as a table, numbered."""
    kinds = {"VARCHAR": pa.string(), "DOUBLE": pa.float64()}
    columns = {
        name: pa.array([row[place] for row in rows], kinds[kind])
        for place, (name, kind) in enumerate(LOOK_COLUMNS.items())
    }
    return pa.table({"number": pa.array(range(len(rows)), pa.int32()), **columns})
