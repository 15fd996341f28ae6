"""Workbooks (XLSX, and XLS, XLSB and ODS as they come): every sheet that holds a table."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import python_calamine

from pipeline.landing.arrival import Arrival
from pipeline.landing.header import clean_header, find_header
from pipeline.landing.raw import RawRow, RawTable, store_rows, stored_relation
from shared.faults import CoverplateError


def read_spreadsheet(
    arrival: Arrival, scratch: Path, is_known: Callable[[str], bool]
) -> list[RawTable]:
    """Read every sheet with a header as a table; sheets without one give none.

    Raises:
        CoverplateError: the workbook cannot be opened.
    """
    try:
        workbook = python_calamine.CalamineWorkbook.from_path(str(arrival.original))
        names = list(workbook.sheet_names)
        tables = []
        for number, name in enumerate(names):
            cells = workbook.get_sheet_by_name(name).to_python(skip_empty_area=False)
            path = scratch / f"{arrival.sha256}.{number}.raw.parquet"
            table = _table(name if len(names) > 1 else "", cells, path, is_known)
            if table is not None:
                tables.append(table)
    except (python_calamine.CalamineError, OSError) as fault:
        raise CoverplateError(
            f"{arrival.name}: the workbook cannot be opened ({fault})",
            expected="an unlocked workbook",
            to_do="open it, save it without a password, and take it in again",
        ) from fault
    return tables


def _table(
    sheet: str, cells: list[list[Any]], path: Path, is_known: Callable[[str], bool]
) -> RawTable | None:
    head = [[as_text(cell) for cell in row] for row in cells[:100]]
    index = find_header(head, is_known)
    if index is None:
        return None
    header, findings = clean_header(head[index])
    stored = store_rows(_rows(cells, index + 1, len(header)), len(header), path)
    return RawTable(
        sheet, header, stored_relation(path), None, tuple(stored.sample), tuple(findings)
    )


def _rows(cells: list[list[Any]], first: int, width: int) -> Iterator[RawRow]:
    for number, row in enumerate(cells[first:], first + 1):
        texts = [as_text(cell) for cell in row]
        if any(texts):
            while len(texts) > width and not texts[-1]:
                texts.pop()  # a sheet is a rectangle: empty cells beyond the header say nothing
            yield RawRow(number, texts)


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
