"""Frames as files that a spreadsheet program opens without running anything.

A text that would be taken for a formula gets an apostrophe in front (``shared.shown``). Numbers are
numbers and stay as they are.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
from typing import Any

import numpy as np
import pandas as pd
from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Font
from openpyxl.utils import get_column_letter

from shared.shown import for_spreadsheet, visible

XLSX_ROWS = 1_048_575
"""Rows below the header that an XLSX sheet can hold."""


def harmless(value: Any) -> Any:  # noqa: ANN401 - any cell of a frame
    """Turn a cell into one that no spreadsheet program takes for a formula.

    Lists become text joined by "; ", missing values None; dates and numbers stay.
    """
    if isinstance(value, (list, tuple, np.ndarray)):
        value = "; ".join(_in_words(member) for member in value)
    if isinstance(value, dict):
        value = _in_words(value)
    if value is None or pd.isna(value):
        return None
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, pd.Timestamp):
        value = value.to_pydatetime()
    if isinstance(value, dt.datetime) and value.time() == dt.time(0):
        return value.date()
    if isinstance(value, dt.datetime) and value.tzinfo is not None:
        return value.isoformat()
    if isinstance(value, str):
        return for_spreadsheet(visible(value))
    if isinstance(value, (bool, int, float, dt.date, dt.datetime)):
        return value
    return harmless(str(value))


def _in_words(value: object) -> str:
    if isinstance(value, dict):
        told = (f"{key}: {member}" for key, member in value.items() if member not in (None, ""))
        return ", ".join(told)
    return str(value)


def _rows(frame: pd.DataFrame) -> list[list[Any]]:
    columns = [[harmless(cell) for cell in frame[name].tolist()] for name in frame.columns]
    return [list(row) for row in zip(*columns, strict=True)]


def as_csv(frame: pd.DataFrame) -> bytes:
    """A frame as CSV: UTF-8 with mark, so that spreadsheet programs show every letter right."""
    written = io.StringIO(newline="")
    writer = csv.writer(written)
    writer.writerow([harmless(str(name)) for name in frame.columns])
    writer.writerows(_rows(frame))
    return written.getvalue().encode("utf-8-sig")


def as_xlsx(frame: pd.DataFrame, title: str = "Coverplate") -> bytes:
    """A frame as XLSX: one sheet, header in bold and kept in view, texts stored as texts."""
    book = Workbook(write_only=True)
    sheet = book.create_sheet(title[:31])
    sheet.freeze_panes = "A2"
    for number, name in enumerate(frame.columns, start=1):
        widest = max((len(str(cell)) for cell in frame[name].head(200)), default=0)
        sheet.column_dimensions[get_column_letter(number)].width = float(
            min(48, max(10, len(str(name)) + 2, widest + 2))
        )
    header = []
    for name in frame.columns:
        cell = WriteOnlyCell(sheet, value=harmless(str(name)))
        cell.font = Font(bold=True)
        header.append(cell)
    sheet.append(header)
    for row in _rows(frame.head(XLSX_ROWS)):
        cells = []
        for value in row:
            cell = WriteOnlyCell(sheet, value=value)
            if isinstance(value, str):
                cell.data_type = "s"
            cells.append(cell)
        sheet.append(cells)
    written = io.BytesIO()
    book.save(written)
    return written.getvalue()
