"""CSV, TSV and any other delimiter: finds the delimiter, then takes the quick or the careful way.

One grammar: a quote opens a cell only at the very start of it, two quotes within are one, and it
closes before a delimiter or the end of a line; any other quote is text (``box 3" deep``). The
careful way reads by that grammar, line by line, and divides what it reads into tables. The quick
way lets DuckDB read the file in parallel, all as text; it is taken only where every line of the
file is one whole record by that grammar (``one_record_a_line``), one header stands at the top and
no line below could be anything but a row; ``tests/landing/test_quick_reading.py`` holds the two
against each other cell by cell.
"""

from __future__ import annotations

import itertools
import re
from collections import Counter, deque
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import duckdb
import numpy as np
import numpy.typing as npt

from pipeline.landing import row_kinds
from pipeline.landing.arrival import CHUNK, Arrival
from pipeline.landing.certificate import Ledger, Stretch, check_cover
from pipeline.landing.dividing import Division, divide
from pipeline.landing.header import LOOK_AT_ROWS, clean_header, find_header
from pipeline.landing.raw import EXTRAS, SAMPLE_ROWS, RawRow, RawTable
from pipeline.landing.row_kinds import IsKnown, normalised
from shared.records import literal

MAX_RECORD_LINES = 200
"""A quoted cell longer than this many lines is taken for an unterminated quote."""

PROSE = 0.5
"""A text with hardly a known header in which fewer lines than this share are alike is no table."""

SMALL = 5_000
"""Files of at most so many lines are read the careful way: it costs a tenth of a second."""

UNTERMINATED = "a quote that is never closed"


@dataclass(frozen=True)
class Dialect:
    """How a text file is divided.

    Attributes:
        delimiter: one character.
        header_line: 1-based number of the line that the first header begins on.
        width: cells that most lines have.
    """

    delimiter: str
    header_line: int
    width: int


def read_delimited(
    arrival: Arrival, scratch: Path, is_known: IsKnown, con: duckdb.DuckDBPyConnection
) -> Division:
    """Read a delimited text file; no table where no header can be found.

    Raises:
        CoverplateError: the reading does not account for every line of the file.
    """
    dialect = find_dialect(arrival.text, is_known)
    if dialect is None:
        return Division([], _no_table(arrival))

    def carefully() -> Division:
        rows = read_records(arrival.text, dialect)
        division = divide(
            rows, "", lambda n: scratch / f"{arrival.sha256}.{n}.raw.parquet", is_known
        )
        check_cover(arrival.name, "", division.stretches, arrival.lines)
        return division

    if arrival.lines <= SMALL or arrival.lone_returns:
        return carefully()
    quick = _quick(arrival, dialect, is_known, con)
    if quick is None:
        return carefully()
    table, stretches = quick
    return Division([table], stretches, carefully)


def _no_table(arrival: Arrival) -> list[Stretch]:
    ledger = Ledger("")
    if arrival.lines:
        with arrival.text.open("r", encoding="utf-8-sig", errors="replace") as handle:
            first = handle.readline(1000).strip()
        ledger.add(1, arrival.lines, "left out", text=first, rows=arrival.lines)
    return ledger.stretches


def _quick(
    arrival: Arrival, dialect: Dialect, is_known: IsKnown, con: duckdb.DuckDBPyConnection
) -> tuple[RawTable, list[Stretch]] | None:
    """The table as DuckDB reads it, or None where that may differ from the careful reading."""
    head = list(itertools.islice(read_records(arrival.text, dialect), SAMPLE_ROWS))
    index = next((n for n, row in enumerate(head) if row.row == dialect.header_line), None)
    if index is None or any(row.problem or row.last > row.row for row in head):
        return None
    header_row, below = head[index], head[index + 1 :]
    ledger = Ledger("")
    width = len(row_kinds.filled(header_row.cells))
    for row in head[:index]:
        there = len(row_kinds.filled(row.cells))
        if there >= max(3, 0.6 * width) or row_kinds.pairs(row.cells, is_known):
            return None
        danger = row_kinds.speaks_of_danger(row.text)
        role: str = "preamble" if there else "blank"
        ledger.add(row.row, row.row, role, text=row.text, danger=danger, rows=int(there > 0))  # type: ignore[arg-type]
    header, findings = clean_header(header_row.cells)
    gaps = any(not (cell or "").strip() for cell in header_row.cells[: len(header)])
    if gaps or not below or row_kinds.is_heading(below[0].cells, is_known):
        return None
    if not one_record_a_line(arrival, dialect.delimiter, con):
        return None
    first_row = header_row.row + 1
    text = " | ".join(header)
    ledger.add(header_row.row, header_row.row, "header", text=text)
    ledger.add(first_row, arrival.lines, "rows", rows=arrival.lines - header_row.row)
    check_cover(arrival.name, "", ledger.stretches, arrival.lines)
    relation = quick_relation(arrival.text, dialect.delimiter, len(header), header_row.row)
    wide = len(header)
    fitted = tuple((*row.cells[:wide], *([None] * (wide - len(row.cells)))) for row in below)
    expected = arrival.lines - header_row.row
    table = RawTable(
        "", header, relation, first_row, fitted, tuple(findings), expected, arrival.ascii
    )
    return table, ledger.stretches


def one_record_a_line(arrival: Arrival, delimiter: str, con: duckdb.DuckDBPyConnection) -> bool:
    """Say whether every line of a text is one whole record whose quotes are all where they may be.

    Args:
        arrival: the file; one without a quote needs no look.
        delimiter: one character.
        con: any connection.
    """
    if not arrival.quotes or _plainly_quoted(arrival.text, delimiter):
        return True
    mark = re.escape(delimiter)
    # DuckDB takes a quote behind spaces for one that opens, so such a cell is not left to it
    cell = f'("([^"]|"")*"|[ \\t]*([^" \\t{mark}][^{mark}]*)?)'
    pattern = f"{cell}({mark}{cell})*"
    lines = (
        f"read_csv({literal(str(arrival.text))}, columns = {{'line': 'VARCHAR'}}, "
        "auto_detect = false, header = false, delim = chr(2), quote = '', escape = '', "
        "nullstr = chr(1), skip = 0)"
    )
    try:
        (found,) = con.execute(
            f"SELECT count(*) FROM {lines} WHERE contains(line, '\"') "
            f"AND NOT regexp_full_match(rtrim(line, chr(13)), {literal(pattern)}, 's')"
        ).fetchall()
    except duckdb.Error:
        return False  # a text that DuckDB cannot take as lines is read the careful way
    return found == (0,)


def _plainly_quoted(text: Path, delimiter: str) -> bool:
    """Say whether all quotes of a text come in pairs around a whole cell, within one line.

    Quicker than the whole grammar, and true of most files: every first quote stands at the start of
    a cell, every second one at the end of it.
    """
    ends = np.frombuffer(b"\n\r" + delimiter.encode(), np.uint8)
    if len(ends) != 3:
        return False  # a delimiter of several bytes
    with text.open("rb") as handle:
        rest = b"\n"
        while chunk := handle.read(CHUNK):
            whole = rest + chunk
            cut = whole.rfind(b"\n") + 1
            rest = b"\n" + whole[cut:]
            if not _pairs_around_cells(whole[:cut], ends):
                return False
    return _pairs_around_cells(rest + b"\n", ends)


def _pairs_around_cells(lines: bytes, ends: npt.NDArray[np.uint8]) -> bool:
    numbers = np.frombuffer(lines, np.uint8)
    quotes = np.flatnonzero(numbers == ord('"'))
    if len(quotes) % 2:
        return False
    first, second = quotes[::2], quotes[1::2]
    if not np.isin(numbers[first - 1], ends).all() or not np.isin(numbers[second + 1], ends).all():
        return False
    breaks = np.flatnonzero(numbers == ord("\n"))
    return bool((np.searchsorted(breaks, first) == np.searchsorted(breaks, second)).all())


def find_dialect(text: Path, is_known: IsKnown) -> Dialect | None:
    """Find delimiter and header line from the first lines of a text, or None.

    Every mark that stands in the first lines is tried as a delimiter. The one that brings most
    known headers wins, then the one that gives most lines the same number of cells.
    """
    head = list(itertools.islice(_lines(text), LOOK_AT_ROWS))
    marks = set[str]().union(*(line for _, line, _ in head))
    candidates = {mark for mark in marks if not mark.isalnum()}
    candidates -= set("\"'_ .-()\r\n\ufeff") | {"/", "\\", "%", "#", "°", "Ω", "+", "*", "$", "€"}
    best: tuple[tuple[float, float, int], Dialect] | None = None
    for delimiter in sorted(candidates):
        numbered = list(_head_records(head, delimiter))
        rows = [cells for _, cells in numbered]
        index = find_header(rows, is_known)
        if index is None:
            continue
        known = sum(is_known(normalised(cell)) for cell in rows[index] if cell)
        below = [len(row) for row in rows[index:] if any(cell.strip() for cell in row)]
        width, alike = Counter(below).most_common(1)[0]
        if (width < 2 and known < 2) or (known < 3 and alike < PROSE * len(below)):
            continue
        score = (known if known >= 2 else 0, alike / len(below), width)
        if best is None or score > best[0]:
            best = score, Dialect(delimiter, numbered[index][0], width)
    return best[1] if best else None


def _head_records(head: list[Line], delimiter: str) -> Iterator[tuple[int, list[str]]]:
    lines = _Lines(iter(head))
    for line in lines:
        row, unread = _record(line, lines, delimiter)
        lines.put_back(unread)
        yield line[0], list(_unwrapped(row, delimiter).cells)  # type: ignore[arg-type]


Line = tuple[int, str, str]
"""Number of a line, its text, and what ends it."""


def _lines(text: Path) -> Iterator[Line]:
    """Yield the lines of a text; \\r\\n, \\n and \\r all end one."""
    with text.open("r", encoding="utf-8-sig", newline="") as handle:
        for number, line in enumerate(handle, 1):
            plain = line.rstrip("\r\n")
            yield number, plain, line[len(plain) :]


class _Lines:
    """Lines that can be put back, also after the last one was read."""

    def __init__(self, lines: Iterator[Line]) -> None:
        self._lines = lines
        self._put_back: deque[Line] = deque()

    def __iter__(self) -> Iterator[Line]:
        return self

    def __next__(self) -> Line:
        return self._put_back.popleft() if self._put_back else next(self._lines)

    def put_back(self, lines: list[Line]) -> None:
        self._put_back.extendleft(reversed(lines))


def read_records(text: Path, dialect: Dialect) -> Iterator[RawRow]:
    """Yield every record of a text, blank ones too; one that is not whole has a problem.

    Args:
        text: a UTF-8 file.
        dialect: how it is divided.
    """
    stream = _Lines(_lines(text))
    for line in stream:
        number, plain, _ = line
        if '"' not in plain:
            yield RawRow(number, plain.split(dialect.delimiter) if plain.strip() else [])
            continue
        row, unread = _record(line, stream, dialect.delimiter, dialect.width)
        stream.put_back(unread)
        yield _unwrapped(row, dialect.delimiter, dialect.width)


def _unwrapped(row: RawRow, delimiter: str, width: int = 0) -> RawRow:
    """A record, or the one that it holds as its only cell: spreadsheet programs write a row that
    they took for one text in quotes (``"B-12,1A,01"``)."""
    if row.problem or row.last > row.row or row_kinds.filled(row.cells) != [0]:
        return row
    inner, _ = _record((row.row, row.cells[0] or "", ""), iter(()), delimiter)
    cells = len(inner.cells)
    fits = cells == width if width else cells >= 3
    return inner if fits and cells >= 3 and not inner.problem else row


def _record(
    line: Line, lines: Iterator[Line], delimiter: str, width: int = 0
) -> tuple[RawRow, list[Line]]:
    """Read one record that starts at a line; return it and lines that were read in vain."""
    number, plain, end = line
    cells: list[str] = []
    rest: str | None = plain
    read: list[Line] = []
    while rest is not None:
        if not rest.startswith('"'):
            place = rest.find(delimiter + '"')
            if place < 0:
                cells += rest.split(delimiter)
                break
            cells += rest[:place].split(delimiter)
            rest = rest[place + len(delimiter) :]
            continue
        closed = _closing(rest, delimiter)
        whole = rest
        several = closed is None
        while closed is None and len(read) < MAX_RECORD_LINES:
            following = next(lines, None)
            if following is None:
                break
            read.append(following)
            whole += end + following[1]
            end = following[2]
            closed = _closes_exactly(whole, delimiter)
            if closed == BROKEN:
                closed = None
                break
        physical = [plain, *(text for _, text, _ in read)]
        if closed is None or (several and _all_rows(physical, delimiter, width)):
            # the line stands alone, and those after it are their own
            return RawRow(number, plain.split(delimiter), UNTERMINATED), read
        cells.append(whole[1:closed].replace('""', '"'))
        behind = whole[closed + 1 :]
        rest = behind[len(delimiter) :] if behind else None
    return RawRow(number, cells, None, read[-1][0] if read else number), []


def _closing(text: str, delimiter: str) -> int | None:
    """The place of the quote that closes a cell on its own line; None without one."""
    place = 1
    while (place := text.find('"', place)) >= 0:
        after = text[place + 1 : place + 2]
        if after == '"':
            place += 2
        elif after in ("", delimiter):
            return place
        else:
            place += 1  # a quote within the text: 3" deep
    return None


BROKEN = -1
"""A quote that neither closes a cell nor is one of two."""


def _closes_exactly(text: str, delimiter: str) -> int | None:
    """The place of the closing quote of a cell of several lines; None while it is open.

    Over several lines no quote but doubled ones is text, else one stray quote would swallow rows.
    """
    place = 1
    while (place := text.find('"', place)) >= 0:
        after = text[place + 1 : place + 2]
        if after != '"':
            return place if after in ("", delimiter) else BROKEN
        place += 2
    return None


def _all_rows(lines: list[str], delimiter: str, width: int) -> bool:
    """Say whether every line of a record would be a whole row by itself."""
    return width >= 3 and all(line.count(delimiter) + 1 >= width for line in lines)


def quick_relation(text: Path, delimiter: str, width: int, skip: int) -> str:
    """Return the SQL relation that reads a text in parallel, every line one record.

    Args:
        text: a UTF-8 file.
        delimiter: one character.
        width: columns of the header.
        skip: lines up to and including the header.
    """
    names = [f"c{number}" for number in range(width)] + list(EXTRAS)
    columns = ", ".join(f"{literal(name)}: 'VARCHAR'" for name in names)
    # nullstr is a character that no export holds, so that '' (an empty cell) and NULL (a cell that
    # the row is too short for) stay apart
    return (
        f"read_csv({literal(str(text))}, columns = {{{columns}}}, auto_detect = false, "
        f"delim = {literal(delimiter)}, quote = '\"', escape = '\"', header = false, "
        f"skip = {skip}, null_padding = true, nullstr = chr(1))"
    )
