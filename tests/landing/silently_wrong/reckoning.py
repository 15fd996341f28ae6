"""Takes a trap in and counts what went wrong without a word."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.landing import Workspace, intake
from pipeline.landing.answers import parse_answers
from shared.faults import CoverplateError
from shared.records import LAYOUTS
from shared.vocabulary import RecordKind
from tests.landing.landed import query
from tests.landing.silently_wrong.traps import Trap

TODAY = dt.date(2026, 6, 30)


@dataclass(frozen=True)
class Verdict:
    """What became of a trap.

    Attributes:
        asked: it was refused with a question or a fault.
        wrong: cells in force that say something else than the file, and rows in force that are no
            rows of it.
        lost: cells that the file has, that are blank and that nothing says so of.
        uncounted: rows of the file that are neither in force, repeated, replaced nor set aside.
        told: what was found, for people.
    """

    asked: bool
    wrong: int
    lost: int
    uncounted: int
    told: tuple[str, ...]

    @property
    def silently_wrong(self) -> int:
        """The number that must be zero."""
        return self.wrong + self.lost + self.uncounted


def judge(trap: Trap, folder: Path) -> Verdict:
    """Take a trap in and reckon."""
    path = folder / trap.file
    path.write_bytes(trap.content)
    workspace = Workspace(folder / "workspace")
    try:
        intake(workspace, [path], answers=parse_answers(trap.settings), today=TODAY)
    except CoverplateError as refusal:
        return Verdict(True, 0, 0, 0, (str(refusal),))
    stood = _rows(workspace)
    listed = query(workspace, "SELECT root_row, level, reasons FROM quarantine WHERE NOT resolved")
    aside = {row for row, level, _ in listed if level == "row"}
    blanked = {
        (row, reason["column"])
        for row, level, reasons in listed
        if level == "cell"
        for reason in reasons
    }
    told: list[str] = []
    wrong = lost = 0
    for number, row in stood:
        truth = _meant(trap, number, row)
        if truth is None:
            wrong += 1
            told.append(f"row {number} is no row of the file: {row}")
            continue
        for column, value in truth.items():
            found = row.get(column)
            if found is None and value is not None and (number, column) not in blanked:
                lost += 1
                told.append(f"row {number}: {column} is blank, the file says {value!r}")
            elif found is not None and not _alike(found, value):
                wrong += 1
                told.append(f"row {number}: {column} is {found!r}, the file says {value!r}")
    missing = set(trap.rows) - {number for number, _ in stood} - aside
    told += [f"row {number} went nowhere" for number in sorted(missing)]
    return Verdict(False, wrong, lost, len(missing), tuple(told))


def _meant(trap: Trap, number: int, row: dict[str, Any]) -> dict[str, Any] | None:
    """What the file says in a row, of the record kind that was read where it says two things."""
    truth = trap.rows.get(number)
    if not isinstance(truth, list):
        return truth
    return next((t for t in truth if ("opening_id" in t) == ("opening_id" in row)), None)


def _rows(workspace: Workspace) -> list[tuple[int, dict[str, Any]]]:
    """Every valid row by its number, repeated and replaced ones too."""
    found: list[tuple[int, dict[str, Any]]] = []
    for kind in RecordKind:
        names = list(LAYOUTS[kind].columns)
        listed = ", ".join(f'"{name}"' for name in names)
        for number, *values in query(workspace, f"SELECT _row, {listed} FROM {kind}_valid"):
            found.append((number, dict(zip(names, values, strict=True))))
    return found


def _alike(found: Any, truth: Any) -> bool:
    if isinstance(found, dt.date):
        return found.isoformat() == truth
    if isinstance(found, float) or isinstance(truth, float):
        return truth is not None and abs(float(found) - float(truth)) < 1e-9
    return bool(found == truth)
