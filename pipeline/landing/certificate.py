"""The certificate of a file: which rows are a table's, and what every other row was taken for.

Stretches follow one another and cover the file from its first row to its last, so that nothing a
file holds can be missing without a line that says so.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from pydantic import BaseModel, ConfigDict

from pipeline.landing.voided import does_not_count
from shared.faults import CoverplateError

Role = Literal[
    "rows", "header", "header again", "preamble", "title", "total", "remark", "blank", "left out"
]
"""What a row is: of a table, naming its columns (again), about it, or of no use to anybody.

``left out`` is a table, or a part of a document, that nobody could read.
"""

SAMPLE_LENGTH = 120

_YEAR = re.compile(r"(19|20)\d\d")


class Stretch(BaseModel):
    """Rows of a file that follow one another and are the same thing.

    Attributes:
        sheet: the worksheet, "" where there is only one.
        table: the table they belong to, "" where there is only one; ``table 1, table 2`` where two
            stand side by side.
        first, last: row numbers as a person sees them, both ends included.
        role: what they are.
        rows: how many of them hold anything.
        sample: the text of the first.
        danger: whether one that is not read as a row holds words of danger or of a result, or says
            that something was not tested or does not count.
    """

    model_config = ConfigDict(frozen=True)

    sheet: str = ""
    table: str = ""
    first: int
    last: int
    role: Role
    rows: int
    sample: str = ""
    danger: bool = False

    @property
    def where(self) -> str:
        """The rows in words."""
        span = f"row {self.first}" if self.first == self.last else f"rows {self.first}–{self.last}"
        return f"sheet {self.sheet}, {span}" if self.sheet else span


@dataclass(slots=True)
class _Run:
    """A stretch that may still grow."""

    first: int
    last: int
    role: Role
    table: str
    rows: int
    sample: str
    danger: bool


class Ledger:
    """Collects what the rows of one sheet are, joining neighbours that are alike."""

    def __init__(self, sheet: str) -> None:
        self._sheet = sheet
        self._runs: list[_Run] = []

    @property
    def stretches(self) -> list[Stretch]:
        """What was collected."""
        return [
            Stretch(
                sheet=self._sheet,
                table=run.table,
                first=run.first,
                last=run.last,
                role=run.role,
                rows=run.rows,
                sample=run.sample,
                danger=run.danger,
            )
            for run in self._runs
        ]

    def add(
        self,
        first: int,
        last: int,
        role: Role,
        *,
        table: str = "",
        text: str | Callable[[], str] = "",
        danger: bool = False,
        rows: int = 1,
    ) -> None:
        """Add one row, or a run of them; a text that is a function is asked only where needed.

        A line about the table that says that something does not count is told like danger.
        """
        apart = danger
        if role in ("preamble", "title", "remark", "total") and isinstance(text, str):
            danger = danger or does_not_count(text)
            # a line that must be read, or that may say what the file is as of, is shown itself
            apart = danger or bool(_YEAR.search(text))
        before = self._runs[-1] if self._runs else None
        end = before.last if before else 0
        if (
            before is not None
            and end + 1 == first
            and before.role == role
            and before.table == table
            and not (apart or before.danger)
        ):
            before.last = last
            before.rows += rows
            return
        if first > end + 1:
            self._runs.append(_Run(end + 1, first - 1, "blank", "", 0, "", False))
        sample = (text if isinstance(text, str) else text())[:SAMPLE_LENGTH]
        self._runs.append(_Run(first, last, role, table, rows, sample, danger))


def check_cover(name: str, sheet: str, stretches: Sequence[Stretch], last: int) -> None:
    """Hold a sheet's stretches against the rows that its bytes have.

    Args:
        name: the file, for the message.
        sheet: the sheet.
        stretches: of that sheet, in order.
        last: its last row, counted apart from reading it.

    Raises:
        CoverplateError: they leave a row out, count one twice, or end elsewhere.
    """
    expected = 1
    for stretch in stretches:
        if stretch.first != expected or stretch.last < stretch.first:
            break
        expected = stretch.last + 1
    if expected != last + 1:
        where = f"sheet {sheet}: " if sheet else ""
        raise CoverplateError(
            f"{name}: {where}the reading accounts for {expected - 1} of {last} row(s)",
            expected="every row of the file accounted for",
            to_do="save the file as CSV in UTF-8 and take that in; this reading was not kept",
        )


def left_out(stretches: Iterable[Stretch]) -> list[Stretch]:
    """Return what holds anything and is not a table's row or header."""
    return [s for s in stretches if s.role not in ("rows", "header", "header again", "blank")]
