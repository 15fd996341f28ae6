"""A table as it was found: columns of text, each row with its number, nothing judged yet.

Every reader ends in a ``RawTable``, so that typing, checking and counting exist once. Cells are
``c0, c1, …`` in a DuckDB relation; ``x0 … x7`` hold cells beyond the header's last column. A
missing cell (a row that ends early) is NULL, an empty one is ''.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
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
        expected_rows: rows that the relation must give; anything else, or a fault while reading,
            proves that this quick reading is wrong.
        carefully: reads the same table the slow, exact way.
    """

    sheet: str
    header: tuple[str, ...]
    relation: str
    first_row: int | None
    sample: tuple[tuple[str | None, ...], ...]
    findings: tuple[Finding, ...] = ()
    expected_rows: int | None = None
    carefully: Callable[[], RawTable] | None = None

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
    """

    row: int
    cells: Sequence[str | None]
    problem: str | None = None


@dataclass
class StoredRows:
    """What ``store_rows`` wrote: the file and the first rows of it."""

    path: Path
    sample: list[tuple[str | None, ...]] = field(default_factory=list)
    rows: int = 0


def store_rows(rows: Iterable[RawRow], width: int, path: Path) -> StoredRows:
    """Write rows to a raw Parquet file, batch by batch, so that memory stays small.

    Args:
        rows: the rows, in file order.
        width: columns of the header.
        path: the file to write.
    """
    schema = pa.schema(
        [(f"c{number}", pa.string()) for number in range(width)]
        + [(name, pa.string()) for name in EXTRAS]
        + [("_row", pa.int64()), ("_problem", pa.string())]
    )
    stored = StoredRows(path)
    with pq.ParquetWriter(path, schema, compression="zstd") as writer:
        for batch in _batches(rows):
            columns: list[list[str | None]] = [[] for _ in range(width + EXTRA_COLUMNS)]
            for row in batch:
                for column, cell in zip(columns, _fitted(row.cells, width), strict=True):
                    column.append(cell)
            arrays = [pa.array(column, pa.string()) for column in columns]
            arrays.append(pa.array([row.row for row in batch], pa.int64()))
            arrays.append(pa.array([row.problem for row in batch], pa.string()))
            writer.write_batch(pa.record_batch(arrays, schema=schema))
            stored.rows += len(batch)
            for row in batch[: SAMPLE_ROWS - len(stored.sample)]:
                stored.sample.append(tuple(_fitted(row.cells, width)[:width]))
    return stored


def stored_relation(path: Path) -> str:
    """Return the SQL relation of a raw Parquet file."""
    return f"read_parquet({literal(str(path))})"


def _batches(rows: Iterable[RawRow]) -> Iterator[list[RawRow]]:
    batch: list[RawRow] = []
    for row in rows:
        batch.append(row)
        if len(batch) == BATCH_ROWS:
            yield batch
            batch = []
    yield batch


def _fitted(cells: Sequence[str | None], width: int) -> list[str | None]:
    fitted = list(cells[: width + EXTRA_COLUMNS])
    beyond = [cell or "" for cell in cells[width + EXTRA_COLUMNS :]]
    if beyond:
        fitted[-1] = "\x1f".join([fitted[-1] or "", *beyond])
    return fitted + [None] * (width + EXTRA_COLUMNS - len(fitted))
