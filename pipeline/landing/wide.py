"""Sheets with one column an opening: one row a dwelling, room or visit, the words of the lamps in
the cells.

They are turned into one row a look before anything is typed: in SQL, from the raw table to a raw
table. Every cell is accounted for: rows × columns = looks + cells without one, or the reading is
refused. A look is known by the row it stands in and the place of its column, so that it can be set
aside, corrected and taken in again like a row of any other file.
"""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import duckdb

from pipeline.landing import cells
from pipeline.landing.cells import word_form
from pipeline.landing.column_look import ColumnLook
from pipeline.landing.mapping import Mapping
from pipeline.landing.matching import KNOWN_NAMES, find_column
from pipeline.landing.open_question import Question
from pipeline.landing.questions import HOLDS, WEAK_WORDS, fit, meanings
from pipeline.landing.raw import EXTRAS, SAMPLE_ROWS, RawTable, stored_relation
from pipeline.landing.report import Finding
from pipeline.landing.row_kinds import normalised
from pipeline.landing.workspace import CELLS_A_ROW, HEADING
from shared.faults import CoverplateError
from shared.records import LAYOUTS, literal
from shared.vocabulary import RecordKind

CELL = "cell under it"
"""Column of the turned table that holds the look."""

FEWEST = 2
"""So many columns alike make a wide sheet."""

SPAN = ".."
"""Stands between the first and the last header of a run of columns."""

EMPTY = ("", "-", "--", "–", "—", "n/a", "na", "#n/a", "null")
"""Cells that say that there is no opening, or no look at it; anything else is a look."""

_OUTLET = re.compile(
    r"(outlet|receptacle|recept|recep|opening|socket|plug|point|duplex)s?"
    r"(_(no|number|nr|id))?[_#]*\d+[a-z]?"
)
"""Names of columns that can only be one opening each. Common practice, no source."""


class RowNumbersNeededError(Exception):
    """A wide sheet was read the quick way, which gives no row numbers; the careful way must."""


@dataclass(frozen=True)
class WideColumns:
    """Columns that hold one opening each.

    Attributes:
        headers: of the columns, in the table's order.
        surely: whether their names leave nothing else that they could be.
    """

    headers: tuple[str, ...]
    surely: bool


def find_wide(looks: Sequence[ColumnLook]) -> WideColumns | None:
    """Return the columns of a table that seem to hold one opening each, or None.

    Two columns at least, of words that are mostly those of a result, one of them a word that is
    said of receptacles only; or named as openings. A column named for something that a layout has
    is none of them.
    """
    result = LAYOUTS[RecordKind.OPENING_OBSERVATIONS].field("result")
    known = meanings(result)
    found: list[ColumnLook] = []
    for look in looks:
        plain = normalised(look.header)
        if plain in KNOWN_NAMES:
            continue
        named = _OUTLET.fullmatch(plain) is not None
        if (named and not look.filled) or (look.filled and fit(result, look) >= HOLDS):
            found.append(look)
    telling = any(
        word_form(word) in known and word_form(word) not in WEAK_WORDS
        for look in found
        for word in look.words
    )
    if len(found) < FEWEST or not telling:
        return None
    names = tuple(look.header for look in found)
    surely = all(_OUTLET.fullmatch(normalised(name)) for name in names)
    return WideColumns(names, surely)


def named_as_openings(header: str) -> bool:
    """Say whether a header can only name one opening (``Outlet 3``)."""
    return _OUTLET.fullmatch(normalised(header)) is not None


def resolved(said: Sequence[str], header: Sequence[str]) -> tuple[str, ...]:
    """Return the columns that headers and runs of headers (``Outlet 1..Outlet 8``) name, in the
    table's order.

    Raises:
        CoverplateError: a header is not in the table.
    """
    plain = [normalised(name) for name in header]
    places: set[int] = set()
    strange: list[str] = []
    for text in said:
        ends = [text] if normalised(text) in plain else text.split(SPAN)
        at = [plain.index(normalised(end)) for end in ends if normalised(end) in plain]
        if len(at) != len(ends) or len(ends) > 2:
            strange.append(text)
        else:
            places |= set(range(min(at), max(at) + 1))
    if strange:
        raise CoverplateError(
            f"no such column in the file: {', '.join(strange)}",
            expected="one of " + ", ".join(header) + f", or FIRST{SPAN}LAST",
            to_do="name columns as the file spells them",
        )
    return tuple(name for place, name in enumerate(header) if place in places)


def as_answer(headers: Sequence[str], header: Sequence[str]) -> str:
    """Return the answer that names columns: a run where they stand side by side."""
    places = [list(header).index(name) for name in headers]
    if places == list(range(places[0], places[0] + len(places))) and len(places) > 1:
        return f"wide={headers[0]}{SPAN}{headers[-1]}"
    return "wide=" + "|".join(headers)


def wide_question(found: WideColumns, header: Sequence[str]) -> Question:
    """Ask whether columns hold one opening each."""
    told = ", ".join(repr(name) for name in found.headers[:6])
    told += " …" if len(found.headers) > 6 else ""
    return Question(
        "wide",
        "result",
        f"the columns {told} hold words of a result: each may be one opening, or something else "
        "(what was found in a room as a whole, one test after the other)",
        (as_answer(found.headers, header), "wide="),
    )


def beside_wide(
    looks: Sequence[ColumnLook], used: Sequence[str], ignored: Sequence[str]
) -> list[Question]:
    """Ask about columns of a turned table that nobody reads and that hold words of a result: they
    may be openings that an earlier file of the kind did not have."""
    result = LAYOUTS[RecordKind.OPENING_OBSERVATIONS].field("result")
    allowed = {normalised(name) for name in ignored}
    return [
        Question(
            "beside_wide",
            "result",
            f"{look.header!r} would stay unread and holds words of a result ({look.told()}): it "
            "may be an opening like those beside it",
            (f"wide={look.header}", f"ignore={look.header}"),
        )
        for look in looks
        if look.filled
        and look.header not in used
        and normalised(look.header) not in allowed
        and fit(result, look) >= HOLDS
    ]


def turned_looks(looks: Sequence[ColumnLook], wide: Sequence[str]) -> list[ColumnLook]:
    """What ``look_at`` would give of the turned table, for choosing how it is read."""
    own = [look for look in looks if look.header in wide]
    words: Counter[str] = Counter()
    for look in own:
        words.update({w: n for w, n in look.words.items() if w.lower() not in EMPTY})
    return [
        *(look for look in looks if look.header not in wide),
        ColumnLook(HEADING, {look.header: look.filled for look in own}),
        ColumnLook(CELL, dict(words.most_common()), sum(look.others for look in own)),
    ]


def wide_places(header: Sequence[str], wide: Sequence[str]) -> list[int]:
    """Return the places of the columns that a mapping calls wide in a table, and of others of the
    same name with another number (``Outlet 9`` beside ``Outlet 1``)."""
    places = {found[0] for name in wide if (found := find_column([name], header))}
    stems = {_stem(name) for name in wide}
    places |= {place for place, name in enumerate(header) if _stem(name) in stems - {None}}
    return sorted(places)


def _stem(header: str) -> str | None:
    plain = normalised(header)
    stem = re.sub(r"[_#]*\d+[a-z]?$", "", plain)
    return stem if stem and stem != plain else None


def turned(con: duckdb.DuckDBPyConnection, table: RawTable, mapping: Mapping) -> RawTable:
    """Return a table with one row a look, where its mapping says that it is a wide sheet; else the
    table itself; see ``turn``."""
    if not mapping.wide:
        return table
    return turn(con, table, mapping.wide, mapping.null_tokens, _place_and_time(table, mapping))


_NOTHING = ("", "no", "n", "false", "0", "none")
"""What a cell says that reports nothing."""

_PLACE_AND_TIME = frozenset(
    [
        *("building_id", "unit_id", "room", "opening_id", "circuit_id"),
        *("observed_on", "inspector", "firm_of_inspector", "method", "selection"),
    ]
)
"""Columns that say nothing by themselves where nobody looked at any opening."""


def _place_and_time(table: RawTable, mapping: Mapping) -> frozenset[int]:
    """The places of the columns that tell only where, when, by whom and how."""
    named = (
        name
        for record in mapping.records
        for column, spec in record.columns.items()
        if column in _PLACE_AND_TIME
        for name in (*spec.from_, *spec.join)
    )
    return frozenset(found[0] for name in named if (found := find_column([name], table.header)))


def turn(
    con: duckdb.DuckDBPyConnection,
    table: RawTable,
    wide: Sequence[str],
    null_tokens: Sequence[str] = (),
    place_and_time: frozenset[int] | None = None,
) -> RawTable:
    """Return a wide sheet as a table with one row a look.

    Args:
        con: any connection.
        table: with the numbers of its rows (a careful reading).
        wide: its columns that are one opening each; others of their name count as well.
        null_tokens: more words that mean that there is no look.
        place_and_time: columns that say nothing by themselves. Where any other one says something
            in a row without a look, the row is kept, to be set aside; None where it is only shown.

    Raises:
        CoverplateError: it has none of the columns, or cells are not accounted for.
        RowNumbersNeededError: it has no row numbers.
    """
    if table.first_row is not None or table.stored is None:
        raise RowNumbersNeededError
    places = wide_places(table.header, wide)
    if not places:
        raise CoverplateError(
            "the mapping does not fit: the file has none of the columns with one opening each "
            f"({', '.join(wide)}; its columns are {', '.join(table.header)})",
            expected="these columns, or others of their name",
            to_do="name another mapping, or correct `wide` in the mapping",
        )
    kept = [place for place in range(len(table.header)) if place not in places]
    beside = [] if place_and_time is None else [p for p in kept if p not in place_and_time]
    sign = hashlib.sha256(repr((places, null_tokens, beside)).encode()).hexdigest()[:12]
    target = table.stored.with_name(f"{table.stored.stem}.{sign}.wide")
    columns = [f"c{old} AS c{new}" for new, old in enumerate(kept)]
    columns += [f"heading AS c{len(kept)}", f"said AS c{len(kept) + 1}"]
    empty = {*EMPTY, *(token.strip().lower() for token in null_tokens)}
    plain = f"lower({cells.trimmed('said')})"
    blank = f"(said IS NULL OR {cells.is_one_of(plain, sorted(empty))})"
    extra = f"concat({', '.join(EXTRAS)}) <> ''"
    nothing = sorted({*empty, *_NOTHING})
    for place in beside:
        cell = f"coalesce({cells.trimmed(f'c{place}')}, '')"
        extra += f" OR NOT ({cells.is_one_of(f'lower({cell})', nothing)})"
    listed = ", ".join(f"c{place}" for place in places)
    names = ", ".join(f"'c{p}': {{n: {p + 1}, h: {literal(table.header[p])}}}" for p in places)
    turned = (
        "WITH turned AS (SELECT *, (MAP {" + names + "})[place] AS own FROM "
        f"(SELECT * FROM {table.relation}) UNPIVOT INCLUDE NULLS (said FOR place IN ({listed}))), "
        f"told AS (SELECT * EXCLUDE (_row), own.h AS heading, _row AS of_row, "
        f"_row * {CELLS_A_ROW} + own.n AS _row, {blank} AS blank, "
        # a row with a fault of its own is never gone because its cells are blank
        f"(_problem IS NOT NULL OR ({extra})) AND bool_and({blank}) OVER (PARTITION BY _row) "
        f"AND own.n = {places[0] + 1} AS fault FROM turned)"
    )
    con.execute(
        f"COPY ({turned} SELECT {', '.join(columns)}, {', '.join(EXTRAS)}, _row, _problem "
        f"FROM told WHERE NOT blank OR fault ORDER BY _row) TO {literal(str(target))} "
        "(FORMAT parquet, COMPRESSION zstd)"
    )
    ((rows, cells_read, looks, blanks, without),) = con.execute(
        f"{turned} SELECT count(DISTINCT of_row), count(*), count(*) FILTER (NOT blank), "
        "count(*) FILTER (blank), "
        "count(DISTINCT of_row) - count(DISTINCT of_row) FILTER (NOT blank) FROM told"
    ).fetchall()
    ((stored,),) = con.execute(f"SELECT count(*) FROM {table.relation}").fetchall()
    if cells_read != stored * len(places) or looks + blanks != cells_read or rows != stored:
        raise CoverplateError(
            f"{looks + blanks:,} of {stored * len(places):,} cells are accounted for",
            expected="every cell of a column with one opening each",
            to_do="save the file as CSV in UTF-8 and take that in; this reading was not kept",
        )
    said = con.execute(
        f"{turned} SELECT coalesce({cells.trimmed('said')}, '') AS t, count(*) FROM told "
        "WHERE blank GROUP BY 1 ORDER BY 2 DESC, 1 LIMIT 4"
    ).fetchall()
    header = (*(table.header[place] for place in kept), HEADING, CELL)
    sample = con.execute(
        f"SELECT {', '.join(f'c{n}' for n in range(len(header)))} "
        f"FROM {stored_relation(target)} ORDER BY _row LIMIT {SAMPLE_ROWS}"
    ).fetchall()
    told = ", ".join(f"{text or 'nothing'!r} ×{count}" for text, count in said)
    finding = Finding(
        kind="wide_sheet",
        message=f"a sheet with one column an opening: {rows:,} rows × {len(places)} columns = "
        f"{cells_read:,} cells; {looks:,} looks, {blanks:,} cells without one"
        + (f" (they say {told})" if told else "")
        + (f"; {without:,} rows without any look" if without else ""),
        count=looks,
    )
    return RawTable(
        table.sheet,
        header,
        stored_relation(target),
        None,
        tuple(tuple(row) for row in sample),
        (*table.findings, finding),
        stored=target,
    )
