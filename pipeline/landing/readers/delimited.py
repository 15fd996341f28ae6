"""CSV, TSV and any other delimiter: finds delimiter and header, then takes the quick or careful
way.

The quick way lets DuckDB read the file in parallel, all as text. It is right only where every
record is exactly one line, which is proved by counting: records read + header lines = lines in the
file. Quoted newlines, blank lines, unterminated quotes and rows far too long break that equality,
and then the careful way is taken: line by line, exact about row numbers, streaming, several times
slower.
"""

from __future__ import annotations

import csv
import itertools
import re
from collections import Counter, deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from pipeline.landing.arrival import Arrival
from pipeline.landing.header import LOOK_AT_ROWS, clean_header, find_header, normalised
from pipeline.landing.raw import (
    EXTRAS,
    SAMPLE_ROWS,
    RawRow,
    RawTable,
    store_rows,
    stored_relation,
)
from shared.records import literal

MAX_RECORD_LINES = 200
"""A quoted cell longer than this many lines is taken for an unterminated quote."""

PROSE = 0.5
"""A text with hardly a known header in which fewer lines than this share are alike is no table."""

UNTERMINATED = "a quote that is never closed"

csv.field_size_limit(1 << 27)


@dataclass(frozen=True)
class Dialect:
    """How a text file is divided.

    Attributes:
        delimiter: one character.
        header_line: 1-based number of the line that holds the header.
    """

    delimiter: str
    header_line: int


def read_delimited(
    arrival: Arrival, scratch: Path, is_known: Callable[[str], bool]
) -> list[RawTable]:
    """Read a delimited text file as one table; [] where no header can be found."""
    dialect = find_dialect(arrival.text, is_known)
    if dialect is None:
        return []
    lines = _lines(arrival.text, dialect.header_line)
    number, header_text = next(lines)
    end_of_header, cells = _record(number, header_text, lines, dialect.delimiter)[:2]
    header, findings = clean_header(cells)
    sample = list(itertools.islice(_rows(lines, dialect.delimiter), SAMPLE_ROWS))
    first_row = end_of_header + 1

    def carefully() -> RawTable:
        lines = _lines(arrival.text, first_row)
        path = scratch / f"{arrival.sha256}.raw.parquet"
        stored = store_rows(_rows(lines, dialect.delimiter), len(header), path)
        relation = stored_relation(path)
        return RawTable("", header, relation, None, tuple(stored.sample), tuple(findings))

    if arrival.quotes and arrival.lines <= SAMPLE_ROWS:
        return [carefully()]
    width = len(header)
    relation = quick_relation(arrival.text, dialect.delimiter, width, first_row - 1)
    fitted = tuple((*row.cells[:width], *([None] * (width - len(row.cells)))) for row in sample)
    expected = arrival.lines - (first_row - 1)
    quick = RawTable("", header, relation, first_row, fitted, tuple(findings), expected, carefully)
    return [quick]


def find_dialect(text: Path, is_known: Callable[[str], bool]) -> Dialect | None:
    """Find delimiter and header line from the first lines of a text, or None.

    Every mark that stands in the first lines is tried as a delimiter. The one that brings most
    known headers wins, then the one that gives most lines the same number of cells.
    """
    head = [line for _, line in itertools.islice(_lines(text, 1), LOOK_AT_ROWS)]
    candidates = {mark for line in head for mark in line if not mark.isalnum()}
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
            best = score, Dialect(delimiter, numbered[index][0])
    return best[1] if best else None


def _head_records(head: list[str], delimiter: str) -> Iterator[tuple[int, list[str]]]:
    lines = iter(enumerate(head, 1))
    for number, line in lines:
        yield number, _record(number, line, lines, delimiter)[1]


def _lines(text: Path, first: int) -> Iterator[tuple[int, str]]:
    """Yield (line number, line without its end) from a line onwards; \\r\\n, \\n and \\r all end
    one."""
    with text.open("r", encoding="utf-8-sig", newline=None) as handle:
        for number, line in enumerate(handle, 1):
            if number >= first:
                yield number, line.rstrip("\n")


class _Lines:
    """Numbered lines that can be put back, also after the last one was read."""

    def __init__(self, lines: Iterator[tuple[int, str]]) -> None:
        self._lines = lines
        self._put_back: deque[tuple[int, str]] = deque()

    def __iter__(self) -> Iterator[tuple[int, str]]:
        return self

    def __next__(self) -> tuple[int, str]:
        return self._put_back.popleft() if self._put_back else next(self._lines)

    def put_back(self, lines: list[tuple[int, str]]) -> None:
        self._put_back.extendleft(reversed(lines))


def _rows(lines: Iterator[tuple[int, str]], delimiter: str) -> Iterator[RawRow]:
    """Yield the records of the lines; what cannot be a record becomes a row with a problem."""
    stream = _Lines(lines)
    for number, line in stream:
        if line.strip():
            _, cells, problem, unread = _record(number, line, stream, delimiter)
            stream.put_back(unread)
            yield RawRow(number, cells, problem)


def _record(
    number: int, line: str, lines: Iterator[tuple[int, str]], delimiter: str
) -> tuple[int, list[str], str | None, list[tuple[int, str]]]:
    """Read one record that starts at a line.

    Returns:
        number of its last line, its cells, a problem or None, and lines that were read in vain.
    """
    if '"' not in line:
        return number, line.split(delimiter), None, []
    whole = line
    taken: list[tuple[int, str]] = []
    while True:
        cells = _parse(whole, delimiter)
        if cells is not None:
            return (taken[-1][0] if taken else number), cells, None, []
        following = next(lines, None) if len(taken) < MAX_RECORD_LINES else None
        if following is None:
            return number, _as_written(line, delimiter), UNTERMINATED, taken
        taken.append(following)
        whole += "\n" + following[1]


def _parse(record: str, delimiter: str) -> list[str] | None:
    """Parse one whole record; None while a quote is open or closed in the middle of a cell."""
    if record.count('"') % 2:
        return None
    try:
        lines = [line + "\n" for line in record.split("\n")]
        lines[-1] = lines[-1][:-1]
        rows = list(csv.reader(lines, delimiter=delimiter, strict=True))
    except csv.Error:
        # a quote within an unquoted or after a quoted cell: text, not a delimiter of text
        return _as_written(record, delimiter) if "\n" not in record else None
    return rows[0] if len(rows) == 1 else None


def _as_written(line: str, delimiter: str) -> list[str]:
    return [re.sub(r'^"(.*)"$', r"\1", cell, flags=re.S) for cell in line.split(delimiter)]


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
