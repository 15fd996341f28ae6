"""Workbooks (XLSX, and XLS, XLSB and ODS as they come): every sheet, every table on it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import python_calamine

from pipeline.landing.arrival import Arrival
from pipeline.landing.certificate import Stretch, check_cover
from pipeline.landing.dividing import Division, divide
from pipeline.landing.raw import RawRow, RawTable
from pipeline.landing.readers.extent import Extent, extents
from pipeline.landing.report import Finding
from pipeline.landing.row_kinds import IsKnown
from shared.faults import CoverplateError

LARGEST_AREA = 20_000_000
"""Cells of the rectangle around a sheet's content, filled or not, that are read at once."""


def read_spreadsheet(arrival: Arrival, scratch: Path, is_known: IsKnown) -> Division:
    """Read every table of every sheet.

    Raises:
        CoverplateError: the workbook cannot be opened, or a row of it would go unread.
    """
    tables: list[RawTable] = []
    stretches: list[Stretch] = []
    try:
        workbook = python_calamine.CalamineWorkbook.from_path(str(arrival.original))
        names = list(workbook.sheet_names)
        spans = extents(arrival.original)
        for number, name in enumerate(names):
            label = name if len(names) > 1 else ""
            span = spans.get(name)
            counted = _Counted(_rows(arrival.original, workbook, name, span))
            division = divide(
                counted,
                label,
                lambda n, sheet=number: scratch / f"{arrival.sha256}.{sheet}.{n}.raw.parquet",  # type: ignore[misc]
                is_known,
                names_sheet=len(names) > 1,
            )
            last = counted.last if span is None else span.last_row
            check_cover(arrival.name, label, division.stretches, max(last, counted.last))
            tables += _with_unread(division.tables, span)
            stretches += division.stretches
    except CoverplateError:
        raise
    except (python_calamine.CalamineError, OSError, ValueError, KeyError, EOFError) as fault:
        raise CoverplateError(
            f"{arrival.name}: the workbook cannot be opened ({fault})",
            expected="an unlocked workbook",
            to_do="open it, save it without a password, and take it in again",
        ) from fault
    return Division(tables, stretches)


def _with_unread(tables: list[RawTable], span: Extent | None) -> list[RawTable]:
    """The tables of a sheet, told of cells that hold something and read as blank."""
    if span is None or not span.unread or not tables:
        return tables
    finding = Finding(
        kind="cells_without_value",
        message="cells of the sheet hold an error, or a formula that was never worked out, and are "
        "read as blank: open the workbook, let it work them out, and save it",
        count=span.unread,
    )
    first = replace(tables[0], findings=(*tables[0].findings, finding))
    return [first, *tables[1:]]


class _Counted:
    """Rows, and the number of the last one that passed."""

    def __init__(self, rows: Iterator[RawRow]) -> None:
        self._rows = rows
        self.last = 0

    def __iter__(self) -> Iterator[RawRow]:
        for row in self._rows:
            self.last = row.row
            yield row


def _rows(
    path: Path, workbook: python_calamine.CalamineWorkbook, name: str, span: Extent | None
) -> Iterator[RawRow]:
    """The rows of a sheet, as a stream where its content is strewn over a vast rectangle."""
    if span is not None and span.area > LARGEST_AREA and span.area > 20 * span.cells:
        cells = _streamed(path, name)
    else:
        cells = _piecewise(workbook.get_sheet_by_name(name))
    for number, row in enumerate(cells, 1):
        texts = [as_text(cell) for cell in row]
        while texts and not texts[-1]:
            texts.pop()  # a sheet is a rectangle: empty cells at the end of a row say nothing
        yield RawRow(number, texts)


def _piecewise(sheet: Any) -> Iterator[list[Any]]:  # noqa: ANN401 - the library has no types
    """The rows of a sheet from its first row and column on, made one at a time."""
    before = [""] * (sheet.start[1] if sheet.start else 0)
    for row in sheet.iter_rows():
        yield before + row


def _streamed(path: Path, name: str) -> Iterator[Any]:
    import openpyxl  # takes longer to load than most workbooks to read

    book = openpyxl.load_workbook(path, read_only=True, data_only=True)
    try:
        sheet = book[name]
        sheet.reset_dimensions()
        yield from sheet.iter_rows(values_only=True)
    finally:
        book.close()


def as_text(cell: Any) -> str:  # noqa: ANN401 - whatever a workbook or a JSON text holds
    """Return a cell as the text that a person would read: whole floats without ``.0``, ISO
    dates."""
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, float) and cell.is_integer() and abs(cell) < 1e15:
        return str(int(cell))
    if isinstance(cell, dt.datetime):
        midnight = cell.time() == dt.time()
        return cell.date().isoformat() if midnight else cell.isoformat(" ")
    if isinstance(cell, dt.date | dt.time):
        return cell.isoformat()
    return str(cell)
