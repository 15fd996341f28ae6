"""Divides the rows of a sheet into tables and what stands around them, in one pass.

A header opens a table; a second header, of other names, opens the next; the same header again is
passed over. Lines that sum up, date or sign a table are told from its rows; what they say of all
rows (``Building: B-12``) becomes a column. Two tables side by side are divided where a column is
empty. A row as wide as a table that stands above every header is a row of it with a fault, never a
preamble.
"""

from __future__ import annotations

import itertools
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.landing import row_kinds
from pipeline.landing.certificate import Ledger, Stretch
from pipeline.landing.header import LOOK_AT_ROWS, clean_header, find_header
from pipeline.landing.raw import EXTRAS, SAMPLE_ROWS, RawRow, RawTable, RowStore, stored_relation
from pipeline.landing.report import Finding
from pipeline.landing.row_kinds import IsKnown
from shared.records import literal

ABOVE_HEADER = "a row that stands above the header"

SECTION = "title above the row"
"""Name of the column that holds the title a row stands under."""

SHEET = "name of the sheet"
"""Name of the column that holds the worksheet's name."""

PACKED = "a row of several cells that stands in one cell"

LONGEST_NAME = 60
"""Characters of a cell that can be a column's name."""

MOST_REMEMBERED = 50_000
"""Different cells of which it is remembered whether they are names."""

MOST_SHAPES = 40
"""Shapes of first cells that are remembered of a table."""

MOST_HEADER_ROWS = 3
"""Rows that a header may have."""

LOOK_DOWN = 50
"""Rows below a header in which a column must be empty to part two tables."""


@dataclass(frozen=True)
class Division:
    """What a sheet was divided into.

    Attributes:
        tables: the tables, in order.
        stretches: what every row of the sheet is.
        carefully: reads the same file the slow, exact way; None where that was done.
    """

    tables: list[RawTable]
    stretches: list[Stretch]
    carefully: Callable[[], Division] | None = None

    def exact(self) -> Division:
        """The careful reading."""
        return self.carefully() if self.carefully else self


@dataclass
class _Side:
    """One table that is being read: its columns within the sheet's, and where its rows go."""

    name: str
    header: tuple[str, ...]
    plain: tuple[str, ...]
    first: int
    last: int
    store: RowStore
    findings: list[Finding]
    constants: dict[str, str]
    title: str | None = None
    titled: bool = False
    shapes: set[str] = field(default_factory=set)

    def part(self, cells: Sequence[str | None], alone: bool) -> list[str | None]:
        """The cells of a row that are this table's."""
        return list(cells[self.first :] if alone else cells[self.first : self.last])


class _Rows:
    """Rows that can be looked at before they are taken."""

    def __init__(self, rows: Iterable[RawRow]) -> None:
        self._rows = iter(rows)
        self._ahead: deque[RawRow] = deque()

    def peek(self, number: int) -> list[RawRow]:
        """The next rows, as many as there are up to a number."""
        while len(self._ahead) < number:
            row = next(self._rows, None)
            if row is None:
                break
            self._ahead.append(row)
        return [self._ahead[n] for n in range(min(number, len(self._ahead)))]

    def put_back(self, row: RawRow) -> None:
        """Give a row back that was taken."""
        self._ahead.appendleft(row)

    def __iter__(self) -> Iterator[RawRow]:
        return self

    def __next__(self) -> RawRow:
        return self._ahead.popleft() if self._ahead else next(self._rows)


def divide(
    rows: Iterable[RawRow],
    sheet: str,
    path_of: Callable[[int], Path],
    is_known: IsKnown,
    *,
    names_sheet: bool = False,
) -> Division:
    """Divide the rows of a sheet.

    Args:
        rows: all of them in order, those without content too (or their numbers left out).
        sheet: its name, "" where there is only one.
        path_of: where the rows of the first, second … table go.
        is_known: says whether a normalised name is a header that some layout or mapping knows.
        names_sheet: whether the sheet's name becomes a column.
    """
    return _Divider(sheet, path_of, is_known, names_sheet).divide(rows)


@dataclass
class _Divider:
    sheet: str
    path_of: Callable[[int], Path]
    is_known: IsKnown
    names_sheet: bool
    sides: list[_Side] = field(default_factory=list)
    done: list[_Side] = field(default_factory=list)
    constants: dict[str, str] = field(default_factory=dict)
    remembered: dict[str, bool] = field(default_factory=dict)
    name: str = ""
    pending: bool = False

    def divide(self, rows: Iterable[RawRow]) -> Division:
        stream = _Rows(rows)
        self.ledger = Ledger(self.sheet)
        top = self._top(stream)
        if top is None:
            self._nothing(stream)
            return Division([], self.ledger.stretches)
        self._above(stream, *top)
        self._open(stream)
        for row in stream:
            self._take(row, stream)
        self._close()
        tables = [self._table(side) for side in self.done]
        names = {s.name: t.sheet for s, t in zip(self.done, tables, strict=True)}
        return Division(tables, [_renamed(s, names) for s in self.ledger.stretches])

    def _top(self, stream: _Rows) -> tuple[int, int] | None:
        """How many rows stand above the first header, and how many of these are part of it."""
        ahead = [row.cells for row in stream.peek(LOOK_AT_ROWS)]
        index = find_header(ahead, self.is_known)
        if index is None:
            return None
        upper = 0
        while upper < min(index, MOST_HEADER_ROWS - 1) and _is_upper(
            ahead[index - upper - 1], ahead[index - upper]
        ):
            upper += 1
        return index - upper, upper

    def _nothing(self, stream: _Rows) -> None:
        for row in stream:
            if row_kinds.filled(row.cells):
                self._note(row, "left out")
            else:
                self.ledger.add(row.row, row.last, "blank", rows=0)

    def _above(self, stream: _Rows, count: int, upper: int) -> None:
        """Account for what stands above the first header; wide rows wait for it."""
        ahead = stream.peek(count + upper + 1)
        width = len(row_kinds.filled(ahead[-1].cells))
        self.waiting: list[RawRow] = []
        for _ in range(count):
            row = next(stream)
            there = len(row_kinds.filled(row.cells))
            if not there:
                self.ledger.add(row.row, row.last, "blank", rows=0)
            elif there >= max(3, 0.6 * width) and not self._says(row):
                self.waiting.append(row)
                self.ledger.add(row.row, row.last, "rows", table="1", text=row.text)
            else:
                self.constants |= self._says(row)
                self._note(row, "preamble")

    def _says(self, row: RawRow) -> dict[str, str]:
        return row_kinds.pairs(row.cells, self.is_known)

    def _open(self, stream: _Rows) -> None:
        """Read a header, of one row or of up to three, and open the table or tables below it."""
        row = next(stream)
        cells = list(row.cells)
        used = [row]
        below = stream.peek(1)
        while (
            below
            and len(used) < MOST_HEADER_ROWS
            and (
                _is_upper(cells, below[0].cells)
                or self._completes(cells, below[0].cells)
                or self._goes_on(cells, below[0].cells)
            )
        ):
            used.append(next(stream))
            cells = _merged(cells, used[-1].cells)
            below = stream.peek(1)
        if below and row_kinds.are_units(below[0].cells):
            used.append(next(stream))
            cells = [
                f"{name} {unit.strip()}" if name and unit and unit.strip() else name
                for name, unit in itertools.zip_longest(cells, used[-1].cells[: len(cells)])
            ]
        groups = self._groups(cells, stream.peek(LOOK_DOWN))
        numbers = []
        for first, last in groups:
            number = str(len(self.done) + len(self.sides) + 1)
            numbers.append(number)
            header, findings = clean_header(cells[first:last])
            constants = {k: v for k, v in self.constants.items() if k not in header}
            if self.names_sheet:
                constants[SHEET] = self.sheet
            plain = tuple(
                row_kinds.normalised(cell or "") for cell in cells[first : first + len(header)]
            )
            store = RowStore(len(header) + 1, self.path_of(int(number)))
            self.sides.append(_Side(number, header, plain, first, last, store, findings, constants))
        name = self.name = ", ".join(numbers)
        for line in used:
            self.ledger.add(line.row, line.last, "header", table=name, text=line.text)
        self.constants = {}
        self.pending = False
        for waited in self.waiting:
            side = self.sides[0]
            width = len(side.header)
            part = [*waited.cells[:width]]
            part += [None] * (width - len(part))
            side.store.add(
                RawRow(
                    waited.row, [*part, "", *waited.cells[width:]], waited.problem or ABOVE_HEADER
                )
            )
        self.waiting = []

    def _completes(self, upper: Sequence[str | None], lower: Sequence[str | None]) -> bool:
        """Say whether a second row of names fills what the first leaves blank."""
        there, below = set(row_kinds.filled(upper)), set(row_kinds.filled(lower))
        return (
            len(below) >= 2
            and row_kinds.is_heading(lower, self.is_known)
            and not self._same([row_kinds.normalised(c or "") for c in upper], lower)
            and len(below - there) >= 1
        )

    def _goes_on(self, upper: Sequence[str | None], lower: Sequence[str | None]) -> bool:
        """Say whether a second row of names says some of the first again, merged over both, and
        others below them."""
        there = row_kinds.filled(upper)
        said = [place for place in there if place < len(lower) and lower[place] == upper[place]]
        return (
            bool(said)
            and len(said) < len(row_kinds.filled(lower))
            and set(there) <= set(row_kinds.filled(lower))
            and row_kinds.is_heading(lower, self.is_known)
        )

    def _groups(
        self, cells: Sequence[str | None], below: Sequence[RawRow]
    ) -> list[tuple[int, int]]:
        """The runs of columns that are tables of their own."""
        there = row_kinds.filled(cells)
        parts: list[tuple[int, int]] = []
        first = there[0] if there else 0
        for left, right in itertools.pairwise(there):
            if right > left + 1 and all(
                not (row.cells[c] or "").strip()
                for row in below
                for c in range(left + 1, min(right, len(row.cells)))
            ):
                parts.append((first, left + 1))
                first = right
        parts.append((first, len(cells)))
        known = [row_kinds.count_known(cells[a:b], self.is_known) for a, b in parts]
        if len(parts) == 1 or min(known) < 2:
            return [(0, len(cells))]
        return parts

    def _take(self, row: RawRow, stream: _Rows) -> None:
        cells = row.cells
        there = row_kinds.filled(cells)
        if not there and row.problem is None:
            self.ledger.add(row.row, row.last, "blank", rows=0)
            return
        if row.problem is None and self._begins_block(row, there):
            return
        if (
            row.problem is None
            and self._may_head(cells)
            and row_kinds.is_heading(cells, self.is_known)
        ):
            same = any(self._same(side.plain, side.part(cells, False)) for side in self.sides)
            if same and not self.constants:
                self.ledger.add(row.row, row.last, "header again", table=self.name, text=row.text)
                return
            if same or self._other(cells):
                self._close()
                stream.put_back(row)
                self._open(stream)
                return
        if self.pending:
            self._go_on()
        if len(self.sides) == 1:
            roles = {self._place(self.sides[0], row, len(there), stream)}
        else:
            roles = {
                self._place(side, row, len(row_kinds.filled(side.part(cells, False))), stream)
                for side in self.sides
            }
            self._beside(row, there, roles)
        roles.discard("blank")
        role = "rows" if "rows" in roles or not roles else sorted(roles)[0]
        if role == "rows":
            self.ledger.add(row.row, row.last, "rows", table=self.name, text=lambda: row.text)
        else:
            self.constants |= self._says(row)
            self._note(row, role, self.name)

    def _begins_block(self, row: RawRow, there: Sequence[int]) -> bool:
        """Say whether a line tells of what the rows below it are (``Building: B-13``); if so the
        table ends, and those rows are another's, with the same columns unless a header follows."""
        if len(there) > 4 or len(self.sides) != 1 or len(self.sides[0].header) < 3:
            return False
        if 2 * len(there) > len(self.sides[0].header) + 1:
            return False
        says = self._says(row)
        if all(name.endswith(row_kinds.ABOVE) for name in says):
            return False  # a note or a date says nothing of where the rows below are
        self.constants |= says
        self._note(row, "preamble", self.name)
        self.pending = True
        return True

    def _beside(self, row: RawRow, there: Sequence[int], roles: set[str]) -> None:
        """Keep what a row holds beside the rows of tables that stand side by side: a remark on one
        side, cells between them."""
        told = [
            (row.cells[place] or "").strip()
            for place in there
            if not any(side.first <= place < side.last for side in self.sides)
        ]
        if "rows" in roles and roles - {"rows", "blank"}:
            told.append(row.text)
        if told:
            text = f"row {row.row}: {' | '.join(told)}"
            danger = " HOLDS WORDS OF DANGER" if row_kinds.speaks_of_danger(text) else ""
            finding = Finding(
                kind="beside_rows",
                message=f"stands beside the tables and was left out: {text}{danger}",
                rows=(row.row,),
            )
            self.sides[0].findings.append(finding)

    def _go_on(self) -> None:
        """Open a table with the columns of the one before, for the rows of another block."""
        before = self.sides[0]
        self._close()
        number = str(len(self.done) + 1)
        store = RowStore(len(before.header) + 1, self.path_of(int(number)))
        constants = {**before.constants, **self.constants}
        self.sides = [
            _Side(
                number,
                before.header,
                before.plain,
                before.first,
                before.last,
                store,
                list(before.findings),
                constants,
                shapes=set(before.shapes),
            )
        ]
        self.name = number
        self.constants = {}
        self.pending = False

    def _may_head(self, cells: Sequence[str | None]) -> bool:
        """Say quickly whether two cells of a row are known names, which most rows of data lack."""
        known = 0
        remembered = self.remembered
        for cell in cells:
            if not cell:
                continue
            answer = remembered.get(cell)
            if answer is None:
                answer = len(cell) <= LONGEST_NAME and self.is_known(row_kinds.normalised(cell))
                if len(remembered) < MOST_REMEMBERED:
                    remembered[cell] = answer
            known += answer
            if known == 2:
                return True
        return False

    def _other(self, cells: Sequence[str | None]) -> bool:
        """Say whether a heading within a table is one of another table, not a row of odd words."""
        known = row_kinds.count_known(cells, self.is_known)
        there = len(row_kinds.filled(cells))
        return known >= 3 or known == there

    def _same(self, plain: Sequence[str], cells: Sequence[str | None]) -> bool:
        """Say whether a row names the very columns of a table, all of them in their order."""
        other = [row_kinds.normalised(cell or "") for cell in cells]
        while len(other) > len(plain) and not other[-1]:
            other.pop()
        return tuple(other) == tuple(plain)

    def _place(self, side: _Side, row: RawRow, there: int, stream: _Rows) -> str:
        """Say what a row is to one table, and keep it where it is a row of it."""
        cells = side.part(row.cells, len(self.sides) == 1)
        if not there and row.problem is None:
            return "blank"
        width = len(side.header)
        if row.problem is None and row_kinds.is_packed(cells, width):
            row = RawRow(row.row, row.cells, PACKED)
        # a line about the table leaves most of its cells empty
        if row.problem is None and (width <= 4 or 2 * there <= width):
            if row_kinds.is_total(cells):
                return "total"
            if row_kinds.is_remark(cells, width):
                return "remark"
            if row_kinds.is_title(cells, width) and not self._like_its_rows(side, cells, stream):
                side.title = (cells[0] or "").strip()
                return "title"
        if side.store.rows < SAMPLE_ROWS and len(side.shapes) < MOST_SHAPES:
            side.shapes.add(row_kinds.shape(cells[0] or ""))
        fitted = cells[:width] + [None] * (width - len(cells))
        side.store.add(RawRow(row.row, [*fitted, side.title or "", *cells[width:]], row.problem))
        side.titled |= side.title is not None
        return "rows"

    def _like_its_rows(self, side: _Side, cells: Sequence[str | None], stream: _Rows) -> bool:
        """Say whether a lone first cell looks like the first cells of the table's rows."""
        shapes = side.shapes
        if not shapes:
            below = [side.part(row.cells, False) for row in stream.peek(5)]
            shapes = {
                row_kinds.shape(row[0] or "") for row in below if len(row_kinds.filled(row)) > 1
            }
        return row_kinds.shape(cells[0] or "") in shapes

    def _note(self, row: RawRow, role: str, table: str = "") -> None:
        text = row.text
        danger = row_kinds.speaks_of_danger(text)
        self.ledger.add(row.row, row.last, role, table=table, text=text, danger=danger)  # type: ignore[arg-type]

    def _close(self) -> None:
        for side in self.sides:
            side.store.close()
        self.done += self.sides
        self.sides = []

    def _table(self, side: _Side) -> RawTable:
        several = len(self.done) > 1
        name = " ".join(filter(None, [self.sheet, f"table {side.name}" if several else ""]))
        header = list(side.header)
        extra = dict(side.constants)
        kept = len(header) + int(side.titled)
        columns = [f"c{number}" for number in range(kept)]
        columns += [
            f"{literal(text)} AS c{number}" for number, text in enumerate(extra.values(), kept)
        ]
        names = ", ".join([*columns, *EXTRAS, "_row", "_problem"])
        relation = f"(SELECT {names} FROM {stored_relation(side.store.path)})"
        header += [SECTION] if side.titled else []
        taken = {column.casefold() for column in header}
        header += [key if key.casefold() not in taken else f"{key} above" for key in extra]
        sample = tuple((*cells[:kept], *extra.values()) for cells in side.store.sample)
        return RawTable(
            name,
            tuple(header),
            relation,
            None,
            sample,
            tuple(side.findings),
            stored=side.store.path,
            constants=tuple(extra.values()),
        )


def _renamed(stretch: Stretch, names: dict[str, str]) -> Stretch:
    if len(names) < 2 or not stretch.table:
        return stretch.model_copy(update={"table": ""})
    known = [names.get(number, number) for number in stretch.table.split(", ")]
    return stretch.model_copy(update={"table": ", ".join(known)})


def _is_upper(upper: Sequence[str | None], lower: Sequence[str | None]) -> bool:
    """Say whether a row names groups of the columns that the next row names.

    Fewer names than the row below, words only, none further right, and one name at least stands
    over several columns.
    """
    there, below = row_kinds.filled(upper), row_kinds.filled(lower)
    if not 2 <= len(there) < len(below) or not row_kinds.all_words(upper):
        return False
    if not set(there) <= set(below) or not row_kinds.all_words(lower):
        return False
    names = [row_kinds.normalised(lower[place] or "") for place in below]
    return len(set(names)) < len(names)


def _merged(upper: Sequence[str | None], lower: Sequence[str | None]) -> list[str | None]:
    """Join a header of two rows: the lower name, led by the upper one where it stands twice."""
    width = max(len(upper), len(lower))
    above = [*upper, *([None] * (width - len(upper)))]
    below = [*lower, *([None] * (width - len(lower)))]
    plain = [row_kinds.normalised(cell or "") for cell in below]
    merged: list[str | None] = []
    group = ""
    for place in range(width):
        own = (above[place] or "").strip()
        group = own or group
        name = (below[place] or "").strip()
        if not name:
            merged.append(own)
            group = ""
        elif plain.count(plain[place]) > 1 and group:
            merged.append(f"{group} {name}")
        else:
            merged.append(name)
    return merged
