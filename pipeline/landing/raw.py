"""A table as it was found: columns of text, each row with its number, nothing judged yet.

Every reader ends in a ``RawTable``, so that typing, checking and counting exist once. Cells are
``c0, c1, …`` in a DuckDB relation; ``x0 … x7`` hold cells beyond the header's last column. A
missing cell (a row that ends early) is NULL, an empty one is ''.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.landing.report import Finding
from shared.records import literal

EXTRA_COLUMNS = 8
"""Cells beyond the header that are kept apart; the last one holds the rest of a longer row."""

SAMPLE_ROWS = 500
"""Rows looked at before a mapping is chosen."""

BATCH_ROWS = 20_000


@dataclass(frozen=True)
class RawTable:
    """One table of a file, as text.

    Attributes:
        sheet: worksheet or table name, "" where there is only one.
        header: unique column names in order, padding cut, repeats numbered.
        relation: SQL that gives ``c0…``, ``x0…``, and, where ``first_row`` is None, ``_row``
            (BIGINT, as a person sees it) and ``_problem`` (a fault of the row as a whole, or NULL).
        first_row: row number of the first record of a relation in file order without ``_row``.
        sample: the first rows, for choosing a mapping.
        findings: what was odd about the table.
        expected_rows: rows that a quick reading must give; anything else, or a fault while reading,
            proves that it is wrong. None for a careful reading.
        ascii: whether all of its text is known to be ASCII.
        stored: where its rows are stored as a raw Parquet file, if they are; the relation is that
            file's columns, those of ``constants`` after the last of its own.
        constants: text of the columns that are the same in every row and not stored.
    """

    sheet: str
    header: tuple[str, ...]
    relation: str
    first_row: int | None
    sample: tuple[tuple[str | None, ...], ...]
    findings: tuple[Finding, ...] = ()
    expected_rows: int | None = None
    ascii: bool = False
    stored: Path | None = None
    constants: tuple[str, ...] = ()

    @property
    def cells(self) -> tuple[str, ...]:
        """Names of the relation's text columns that the header covers."""
        return tuple(f"c{number}" for number in range(len(self.header)))


EXTRAS: tuple[str, ...] = tuple(f"x{number}" for number in range(EXTRA_COLUMNS))


@dataclass
class RawRow:
    """One row on its way into a raw table.

    Attributes:
        row: its number as a person sees it.
        cells: its cells; may be shorter or longer than the header.
        problem: a fault of the row as a whole, or None.
        ends: the number of its last line, where it runs over several.
    """

    row: int
    cells: Sequence[str | None]
    problem: str | None = None
    ends: int = 0

    @property
    def text(self) -> str:
        """What it holds, for people."""
        return " | ".join(cell.strip() for cell in self.cells if cell and cell.strip())

    @property
    def last(self) -> int:
        """The number of its last line."""
        return max(self.row, self.ends)


class RowStore:
    """A raw Parquet file that rows are added to, batch by batch, so that memory stays small.

    Args:
        width: columns, those beyond the header that hold more cells not counted.
        path: the file to write.

    Attributes:
        path: the file.
        sample: the first rows, each ``width`` cells.
        rows: how many were added.
    """

    def __init__(self, width: int, path: Path) -> None:
        self.path = path
        self.sample: list[tuple[str | None, ...]] = []
        self.rows = 0
        self._width = width
        self._schema = pa.schema(
            [(f"c{number}", pa.string()) for number in range(width)]
            + [(name, pa.string()) for name in EXTRAS]
            + [("_row", pa.int64()), ("_problem", pa.string())]
        )
        self._writer = pq.ParquetWriter(path, self._schema, compression="zstd")
        self._batch: list[tuple[Sequence[str | None], int, str | None]] = []
        self._beyond: dict[int, list[str | None]] = {}

    def add(self, row: RawRow) -> None:
        """Add a row."""
        self.put(row.row, row.cells, row.problem)

    def put(self, number: int, cells: Sequence[str | None], problem: str | None = None) -> None:
        """Add a row by its number and cells."""
        there = len(cells)
        if there != self._width:
            if there > self._width:
                self._beyond[len(self._batch)] = _beyond(cells, self._width)
            cells = [*cells[: self._width], *[None] * (self._width - there)]
        self._batch.append((cells, number, problem))
        self.rows += 1
        if len(self.sample) < SAMPLE_ROWS:
            self.sample.append(tuple(cells))
        if len(self._batch) == BATCH_ROWS:
            self._write()

    def put_columns(self, numbers: Sequence[int], columns: Sequence[pa.Array]) -> None:
        """Add whole rows by their numbers and columns of text, as many as the header has."""
        self._write()
        missing = SAMPLE_ROWS - len(self.sample)
        if missing > 0:
            first = [column.slice(0, missing).to_pylist() for column in columns]
            self.sample += list(zip(*first, strict=True))
        count = len(numbers)
        self.rows += count
        nothing = pa.nulls(count, pa.string())
        arrays = [*columns, *[nothing] * EXTRA_COLUMNS, pa.array(numbers, pa.int64()), nothing]
        self._writer.write_batch(pa.record_batch(arrays, schema=self._schema))

    def close(self) -> None:
        """Write what is left; the file is whole then."""
        self._write()
        self._writer.close()

    def _write(self) -> None:
        if not self._batch and self.rows:
            return
        columns = list(zip(*(cells for cells, _, _ in self._batch), strict=True))
        columns = columns or [()] * self._width
        arrays = [pa.array(column, pa.string()) for column in columns]
        count = len(self._batch)
        if self._beyond:
            none: list[str | None] = [None] * EXTRA_COLUMNS
            extras = zip(*(self._beyond.get(n, none) for n in range(count)), strict=True)
            arrays += [pa.array(column, pa.string()) for column in extras]
        else:
            arrays += [pa.nulls(count, pa.string())] * EXTRA_COLUMNS
        arrays.append(pa.array([row for _, row, _ in self._batch], pa.int64()))
        arrays.append(pa.array([problem for _, _, problem in self._batch], pa.string()))
        self._writer.write_batch(pa.record_batch(arrays, schema=self._schema))
        self._batch, self._beyond = [], {}


def stored_relation(path: Path) -> str:
    """Return the SQL relation of a raw Parquet file."""
    return f"read_parquet({literal(str(path))})"


def _beyond(cells: Sequence[str | None], width: int) -> list[str | None]:
    """The cells of a row behind the header's last column, the last one with all that follow."""
    own = list(cells[width : width + EXTRA_COLUMNS])
    rest = [cell or "" for cell in cells[width + EXTRA_COLUMNS :]]
    if rest:
        own[-1] = "\x1f".join([own[-1] or "", *rest])
    return own + [None] * (EXTRA_COLUMNS - len(own))
