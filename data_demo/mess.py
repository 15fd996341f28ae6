"""How records turn into what people send: rows as written, what they stand for, what is wrong.

Every row that an export writes carries the record it stands for, or the fault that was put in on
purpose; so the expected reconciliation is counted from the making of the files, never from reading
them back.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

import pandas as pd

from shared.records import LAYOUTS
from shared.vocabulary import RecordKind

Value = str | int | float | dt.date | None
Cell = str | int | float | bool | dt.date | None
Record = Mapping[str, Value]


@dataclass(frozen=True)
class Fault:
    """Something wrong that was put in on purpose.

    Attributes:
        column: the canonical column that should be named, or "" where the whole row is wrong.
        found: the offending cell as written.
        whole: whether the row cannot stand without the cell.
    """

    column: str
    found: str
    whole: bool = True


@dataclass(frozen=True)
class Row:
    """One row of an export.

    Attributes:
        cells: as written, in header order; fewer or more than the header in a ragged row.
        record: the canonical record it stands for; empty where the row cannot stand.
        fault: what is wrong with it, if anything is.
        is_record: whether it is a record at all, not a line about the table.
    """

    cells: tuple[Cell, ...]
    record: Record
    fault: Fault | None = None
    is_record: bool = True


@dataclass(frozen=True)
class Column:
    """A column of an export.

    Attributes:
        header: as written, padding and all.
        name: the canonical column it stands for, or "" for one that nobody needs.
        write: from the canonical value to the cell.
    """

    header: str
    name: str
    write: Callable[[Value], Cell] = field(default=lambda value: as_text(value))


@dataclass(frozen=True)
class Style:
    """A layout that somebody uses.

    Attributes:
        kind: the record kind.
        columns: in order.
        constants: canonical columns that hold one value throughout and stand in no column.
    """

    kind: RecordKind
    columns: tuple[Column, ...]
    constants: Mapping[str, Value] = field(default_factory=dict)

    @property
    def headers(self) -> tuple[str, ...]:
        """Headers as written."""
        return tuple(column.header for column in self.columns)

    def row(self, record: Record) -> Row:
        """Write a record; what the style has no column for is not carried."""
        cells = tuple(column.write(record.get(column.name)) for column in self.columns)
        carried = {column.name: record.get(column.name) for column in self.columns if column.name}
        return Row(cells, {**carried, **self.constants})

    def rows(self, records: Iterable[Record]) -> list[Row]:
        """Write records in order."""
        return [self.row(record) for record in records]

    def spoil(self, row: Row, column: str, found: Cell, *, blame: str | None = None) -> Row:
        """Overwrite one cell with something that cannot be accepted.

        Args:
            row: a good row of this style.
            column: canonical name of the column to overwrite.
            found: what stands there instead.
            blame: the column that the fault should be reported on, if it is another.
        """
        place = [known.name for known in self.columns].index(column)
        cells = (*row.cells[:place], found, *row.cells[place + 1 :])
        text = "" if found is None else str(found)
        blanked = self._blanked(row, column, text)
        if blanked is None:
            return Row(cells, {}, Fault(blame or column, text))
        record = {name: value for name, value in row.record.items() if name not in blanked}
        return Row(cells, record, Fault(blame or column, text, whole=False))

    def _blanked(self, row: Row, column: str, text: str) -> set[str] | None:
        """The columns that an intake leaves blank for a spoiled cell; None where the row goes."""
        layout = LAYOUTS[self.kind]
        spoiled = layout.field(column)
        passes = row.record.get("result") == "correct"
        if not spoiled.can_be_blanked or (spoiled.reports_danger and passes):
            return None
        blanked = {column}
        for rule in layout.row_rules:
            pair = {rule.left, rule.right}
            if column in pair and text.isdigit():
                left, right = (
                    {**row.record, column: int(text)}.get(n) for n in (rule.left, rule.right)
                )
                if left is not None and right is not None and float(left) > float(right):
                    if rule.proves_shift:
                        return None
                    blanked |= pair
        return blanked


def cut_short(row: Row, keep: int, column: str) -> Row:
    """Drop the cells after the first ``keep``, so that the required ``column`` is missing."""
    return Row(row.cells[:keep], {}, Fault(column, ""))


def overlong(row: Row, *extra: Cell) -> Row:
    """Add cells beyond the header, as an unquoted delimiter in a remark does."""
    return Row((*row.cells, *extra), {}, Fault("", ""))


def corrected(style: Style, row: Row, **changes: Value) -> Row:
    """Write the same fact again with other content."""
    return style.row({**row.record, **changes})


def with_note(record: Record, note: str) -> Record:
    """Return the record with something written in its note."""
    return {**record, "note": note}


def as_text(value: Value) -> str:
    """Write a value the way the default layout does."""
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.10g}"
    return str(value)


def default_style(kind: RecordKind) -> Style:
    """Return the default layout, which needs no mapping."""
    return Style(kind, tuple(Column(name, name) for name in LAYOUTS[kind].columns))


def records(frame: pd.DataFrame, kind: RecordKind) -> list[Record]:
    """Turn a generated frame into plain canonical records."""
    return [
        {name: _plain(kind, name, value) for name, value in zip(frame.columns, line, strict=True)}
        for line in frame.itertuples(index=False, name=None)
    ]


def _plain(kind: RecordKind, name: str, value: object) -> Value:
    if value is None or pd.isna(value):  # type: ignore[call-overload]
        return None
    declared = LAYOUTS[kind].field(name).type
    if declared == "date":
        return pd.Timestamp(value).date()  # type: ignore[arg-type]
    if declared == "integer":
        return int(value)  # type: ignore[call-overload,no-any-return]
    if declared == "decimal":
        return float(value)  # type: ignore[arg-type]
    return str(value)


@dataclass(frozen=True)
class Table:
    """The rows of one file, or of one sheet or member of a file.

    Attributes:
        style: its layout.
        rows: in order.
        part: name of the sheet or of the member within the file; "" if the file is the table.
        mapping: name of the mapping it needs, "" for the default layout.
        source: who says so, where that is not the mapping; rows of one source correct each other.
    """

    style: Style
    rows: tuple[Row, ...]
    part: str = ""
    mapping: str = ""
    source: str = ""
