"""Workbooks (XLSX, and XLS, XLSB and ODS as they come): every sheet, every table on it."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import python_calamine

from pipeline.landing.arrival import Arrival
from pipeline.landing.certificate import Stretch, check_cover
from pipeline.landing.dividing import Division, divide
from pipeline.landing.raw import RawRow, RawTable
from pipeline.landing.readers.extent import Extent, extents
from pipeline.landing.report import Finding
from pipeline.landing.row_kinds import IsKnown, speaks_of_danger
from pipeline.landing.voided import does_not_count
from shared.faults import CoverplateError
from shared.plan_marks import plan_mark

COMMENTS_TOLD = 5
"""Comments of a sheet that are told in full."""

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
        shown = {each.name: each.visible for each in workbook.sheets_metadata}
        spans = extents(arrival.original)
        for number, name in enumerate(names):
            # where it is alone its name says nothing, but for the mark of a plan of looks
            label = name if len(names) > 1 or plan_mark(name) else ""
            span = spans.get(name)
            merges = _Merges()
            counted = _Counted(_rows(arrival.original, workbook, name, span, merges))
            division = divide(
                counted,
                label,
                lambda n, sheet=number: scratch / f"{arrival.sha256}.{sheet}.{n}.raw.parquet",  # type: ignore[misc]
                is_known,
                names_sheet=len(names) > 1,
            )
            last = counted.last if span is None else span.last_row
            check_cover(arrival.name, label, division.stretches, max(last, counted.last))
            hidden = shown.get(name) != python_calamine.SheetVisibleEnum.Visible
            told = [
                *_told_of(span),
                *_told_of_looks(span, division.stretches),
                *merges.told(division.stretches),
            ]
            if hidden:
                told.append(_HIDDEN_SHEET)
            if does_not_count(name, alone=True):
                told.append(
                    Finding(
                        kind="sheet_may_not_count",
                        message=f"the sheet is called {name!r} and was read like any other: see "
                        "whether its rows are what was found",
                    )
                )
            tables += _with_told(division.tables, told)
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


_HIDDEN_SHEET = Finding(
    kind="hidden_sheet",
    message="the sheet is hidden in the workbook and was read like the others: see whether its "
    "rows are meant",
)


def _told_of(span: Extent | None) -> list[Finding]:
    """What stands in a sheet beside the texts of its cells."""
    if span is None:
        return []
    told = []
    if span.unread:
        told.append(
            Finding(
                kind="cells_without_value",
                message="cells of the sheet hold an error, or a formula that was never worked out, "
                "and are read as blank: open the workbook, let it work them out, and save it",
                count=span.unread,
            )
        )
    if span.hidden_rows:
        told.append(
            Finding(
                kind="hidden_rows",
                message="rows that are hidden in the workbook were read like the others",
                count=span.hidden_rows,
            )
        )
    if span.padded:
        told.append(
            Finding(
                kind="leading_zeros_shown",
                message="numbers whose format shows leading zeros were read without them (0042 as "
                "42): where they are identifiers, save them as text",
                count=span.padded,
            )
        )
    if span.worded:
        told.append(
            Finding(
                kind="formats_not_read",
                message="numbers whose format shows words or a part of the number were read as the "
                "bare numbers: save what is shown as text",
                count=span.worded,
            )
        )
    if span.from_1904:
        told.append(
            Finding(kind=FROM_1904, message="the workbook counts its days from 1904, not from 1900")
        )
    for line in span.margins:
        plain = re.sub(r"&([LCRDTPNFAZBIUES]|\"[^\"]*\"|\d+|K[0-9A-F]{6})", " ", line).strip()
        if speaks_of_danger(plain) or does_not_count(plain):
            message = (
                f"what is printed above or below each page is read by nobody: READ IT: {plain}"
            )
            told.append(Finding(kind="margins_of_danger", message=message))
    if span.comments:
        danger = [f"{cell}: {text}" for cell, text in span.comments if speaks_of_danger(text)]
        listed = danger or [f"{cell}: {text}" for cell, text in span.comments]
        told.append(
            Finding(
                kind="comments_of_danger" if danger else "comments",
                message=f"{len(span.comments)} comments beside cells are read by nobody"
                + (", WORDS OF DANGER among them" if danger else "")
                + f": {' | '.join(listed[:COMMENTS_TOLD])}",
                count=len(danger) or len(span.comments),
            )
        )
    return told


FROM_1904 = "days_from_1904"


def _told_of_looks(span: Extent | None, stretches: Sequence[Stretch]) -> list[Finding]:
    """Colours that differ among the rows of tables, and rows with cells that are struck through."""
    if span is None or not (span.fills or span.struck):
        return []
    runs = [(each.first, each.last) for each in stretches if each.role == "rows"]
    data = {row for first, last in runs for row in range(first, last + 1)}
    told = []
    fills = {colour: rows & data for colour, rows in span.fills.items()}
    fills = {colour: rows for colour, rows in fills.items() if rows}
    if any(rows != data for rows in fills.values()):
        counted = sorted(fills.items(), key=lambda each: len(each[1]))
        listed = ", ".join(f"{colour} in {len(rows)} rows" for colour, rows in counted[:4])
        told.append(
            Finding(
                kind="colours_not_read",
                message="cells are coloured otherwise from row to row, and what a colour means is "
                f"read by nobody: {listed}",
                count=len(set().union(*fills.values())),
                rows=tuple(sorted(counted[0][1])[:5]),
            )
        )
    if struck := span.struck & data:
        told.append(
            Finding(
                kind="struck_through",
                message="rows with cells that are struck through were read like the others",
                count=len(struck),
                rows=tuple(sorted(struck)[:5]),
            )
        )
    return told


def _with_told(tables: list[RawTable], told: list[Finding]) -> list[RawTable]:
    """The tables of a sheet, the first of them with what is told of the sheet."""
    if not told or not tables:
        return tables
    first = replace(tables[0], findings=(*tables[0].findings, *told))
    return [first, *tables[1:]]


@dataclass
class _Merges:
    """Merged cells of a sheet: only the first of them holds their text.

    One over several rows of one column says it of every row; one over several columns could mean
    anything, and is told.
    """

    ranges: list[tuple[tuple[int, int], tuple[int, int]]] = field(default_factory=list)
    filled: list[int] = field(default_factory=list)

    def rows(self, rows: Iterable[list[Any]]) -> Iterator[list[Any]]:
        """The rows, each with what merged cells say of it."""
        begins: dict[int, list[tuple[int, int]]] = {}
        for (top, left), (bottom, right) in self.ranges:
            if left == right and bottom > top:
                begins.setdefault(top, []).append((left, bottom))
        if not begins:
            yield from rows
            return
        going: dict[int, tuple[int, Any]] = {}
        for number, row in enumerate(rows):
            for column, (bottom, value) in list(going.items()):
                if number > bottom:
                    del going[column]
                elif column < len(row) and row[column] in ("", None):
                    row[column] = value
                    self.filled.append(number + 1)
            for column, bottom in begins.get(number, ()):
                if column < len(row) and row[column] not in ("", None):
                    going[column] = (bottom, row[column])
            yield row

    def told(self, stretches: Sequence[Stretch]) -> list[Finding]:
        """What was filled in rows of tables, and what could mean anything there."""
        runs = [(each.first, each.last) for each in stretches if each.role == "rows"]

        def is_data(row: int) -> bool:
            return any(first <= row <= last for first, last in runs)

        found = []
        filled = list(filter(is_data, self.filled))
        if filled:
            found.append(
                Finding(
                    kind="merged_cells",
                    message="cells are merged over several rows; what they say was read in each of "
                    "these rows",
                    count=len(filled),
                    rows=tuple(filled[:5]),
                )
            )
        wide = [t[0] + 1 for t, b in self.ranges if b[1] > t[1] and is_data(t[0] + 1)]
        if wide:
            found.append(
                Finding(
                    kind="merged_columns",
                    message="cells are merged over several columns; what they say was read in the "
                    "first of these columns only",
                    count=len(wide),
                    rows=tuple(sorted(wide)[:5]),
                )
            )
        return found


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
    path: Path,
    workbook: python_calamine.CalamineWorkbook,
    name: str,
    span: Extent | None,
    merges: _Merges,
) -> Iterator[RawRow]:
    """The rows of a sheet, as a stream where its content is strewn over a vast rectangle."""
    if span is not None and span.area > LARGEST_AREA and span.area > 20 * span.cells:
        cells = _streamed(path, name)
    else:
        sheet = workbook.get_sheet_by_name(name)
        merges.ranges = list(sheet.merged_cell_ranges or ())
        cells = merges.rows(_piecewise(sheet))
    shown: dict[int, list[int]] = {}
    for at, column in span.shown if span else ():
        shown.setdefault(at, []).append(column - 1)
    for number, row in enumerate(cells, 1):
        texts = [as_text(cell) for cell in row]
        for place in shown.get(number, ()):
            if place < len(texts) and isinstance(row[place], int | float):
                texts[place] += span.shown[number, place + 1]  # type: ignore[union-attr]
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
