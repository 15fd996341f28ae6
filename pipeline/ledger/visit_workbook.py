"""The sheet of a visit as a workbook to fill in, which intake reads when it comes back.

A row a finding: what is known stands there, with room for what was done and for the look that is to
prove it; words are picked from lists. The mapping ``visit_sheet`` reads it: a row holds a fix
report where a repair is filled in, and a look where one is.
"""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd
from openpyxl import Workbook
from openpyxl.cell import Cell
from openpyxl.styles import Alignment, Font
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.worksheet import Worksheet

from pipeline.ledger.remedies import allowed_remedies
from shared.records import FIX_REPORTS, OPENING_OBSERVATIONS, Field
from shared.rule_book import RuleBook
from shared.vocabulary import CAUTIONS, Condition, Slots

KNOWN: dict[str, str] = {
    "Visit": "visit_id",
    "Finding": "finding_id",
    "Building": "building_id",
    "Unit": "unit_id",
    "Opening": "opening_id",
    "Room": "room",
    "Reported": "condition",
}
"""Columns that are filled in already, and what of the visit's rows stands there."""

REPAIR: dict[str, str] = {
    "Repair done": "remedy",
    "Repaired on": "fixed_on",
    "Repairing firm": "firm",
    "Repaired by": "worker",
    "Licence of who repaired": "licence",
    "Permit for the repair": "permit",
    "Invoice for the repair": "invoice",
    "Cost of the repair": "cost",
    "Labels put on": "marking",
    "Year of the GFCI": "gfci_year",
    "GFCI last tested on": "gfci_tested_on",
    "Note on the repair": "note",
}
"""Columns of a fix report."""

LOOK: dict[str, str] = {
    "Looked on": "observed_on",
    "Looked by": "inspector",
    "Firm of who looked": "firm_of_inspector",
    "Looked how": "method",
    "Look found": "result",
    "Slots then": "slots",
    "Cover was off": "cover_removed",
    "Ground path in the box": "ground_present",
    "Ground tied to neutral": "neutral_ground_jumper",
    "Polarity then": "polarity",
    "Neutral to ground, V": "neutral_ground_volts",
    "Load at that, A": "load_amps",
    "Ground path, ohms": "ground_path_ohms",
    "Hot to neutral, V": "hot_neutral_volts",
    "Plate to earth, V": "plate_earth_volts",
    "Metal case to earth, V": "case_earth_volts",
    "Ground contact to earth, V": "ground_contact_earth_volts",
    "Detector on metal": "non_contact_detector",
    "Heat or scorch marks": "heat_or_scorch",
    "Shock reported then": "shock_reported",
    "GFCI protected then": "gfci_protected",
    "GFCI trips by its own button": "gfci_button_tripped",
    "Year of the GFCI then": "gfci_year",
    "Labels seen": "marking",
    "Note on the look": "note",
}
"""Columns of a look."""

SPARE = 1
"""Blank rows between the last finding and the cautions."""

LONGEST_LIST = 255
"""Letters that a list of words within a cell's validation may have (ECMA-376, formula1)."""


def visit_workbook(visit: Mapping[str, Any], rows: pd.DataFrame, book: RuleBook) -> bytes:
    """Return the sheet of a visit as XLSX.

    Args:
        visit: ``visits.visit``.
        rows: ``visit_rows.visit_rows`` of it.
        book: the rule book, whose remedies are offered for each finding.
    """
    made = Workbook()
    sheet = made.active
    assert isinstance(sheet, Worksheet)
    sheet.title = "Visit"
    told = [
        {**{str(k): v for k, v in row.items()}, **{n: visit[n] for n in _OF_VISIT}}
        for row in rows.to_dict(orient="records")
    ]
    known = [{name: _shown(row[c], c) for name, c in KNOWN.items()} for row in told]
    place = lay_out(sheet, known, {**REPAIR, **LOOK})
    for name, column in REPAIR.items():
        _check(sheet, FIX_REPORTS.field(column), place[name], max(2, len(rows) + 1))
    for number, row in enumerate(told, start=2):
        if visit["firm"]:
            _text(sheet.cell(number, place["Repairing firm"]), str(visit["firm"]))
        _offer(sheet, _remedies(book, row), place["Repair done"], number, number)
    return saved(made)


_OF_VISIT = ("visit_id", "building_id", "unit_id")


def lay_out(
    sheet: Worksheet, known: Sequence[Mapping[str, str]], asked: Mapping[str, str]
) -> dict[str, int]:
    """Write one sheet: header, what is known, room for looks with words to pick, cautions.

    Args:
        sheet: an empty one.
        known: by header what stands in each row already; not empty, all of the same headers.
        asked: headers to fill in; those of ``LOOK`` get their words and checks.

    Returns:
        The column of each header.
    """
    header = [*(known[0] if known else KNOWN), *asked]
    sheet.append(header)
    for cell in sheet[1]:
        cell.font = Font(bold=True)
        cell.alignment = Alignment(wrap_text=True, vertical="top")
    place = {name: number for number, name in enumerate(header, start=1)}
    for number, row in enumerate(known, start=2):
        for name, text in row.items():
            _text(sheet.cell(number, place[name]), text)
    last = max(2, len(known) + 1)
    for name, column in LOOK.items():
        _check(sheet, OPENING_OBSERVATIONS.field(column), place[name], last)
    for line, caution in enumerate(CAUTIONS, start=last + SPARE + 1):
        _text(sheet.cell(line, 1), caution)
    sheet.freeze_panes = "F2"
    for name, number in place.items():
        sheet.column_dimensions[get_column_letter(number)].width = max(11, min(22, len(name) + 2))
    return place


def saved(made: Workbook) -> bytes:
    """The bytes of a workbook."""
    written = io.BytesIO()
    made.save(written)
    return written.getvalue()


def _shown(value: object, column: str) -> str:
    if value is None or pd.isna(value):  # type: ignore[call-overload]
        return ""
    return str(value).replace("_", " ") if column == "condition" else str(value)


def _text(cell: Cell | Any, text: str) -> None:  # noqa: ANN401 - a merged cell has another type
    """Write a text that stays one: no formula, no number without its zeros."""
    if not text:
        return
    cell.value = text
    cell.data_type = "s"
    cell.number_format = "@"
    cell.quotePrefix = text[0] in "=+-@\t\r"


def _remedies(book: RuleBook, row: Mapping[str, Any]) -> list[str]:
    try:
        condition = Condition(str(row["condition"]))
    except ValueError:
        return []
    slots = Slots(str(row["slots"])) if isinstance(row["slots"], str) and row["slots"] else None
    return [name.replace("_", " ") for name in allowed_remedies(book, condition, slots)]


def _check(sheet: Worksheet, field: Field, column: int, last: int) -> None:
    if field.type == "choice":
        _offer(sheet, [word.replace("_", " ") for word in field.choices], column, 2, last)
        return
    if field.type not in ("date", "decimal"):
        for number in range(2, last + 1):
            sheet.cell(number, column).number_format = "@"
        return
    if field.type == "date":
        for number in range(2, last + 1):
            sheet.cell(number, column).number_format = "yyyy-mm-dd"
        first = (dt.date(2000, 1, 1) - dt.date(1899, 12, 30)).days
        rule = DataValidation("date", operator="greaterThan", formula1=str(first))
    else:
        rule = DataValidation("decimal", operator="greaterThanOrEqual", formula1="0")
    rule.allow_blank = True
    rule.error = field.expected()
    rule.showErrorMessage = True
    sheet.add_data_validation(rule)
    letter = get_column_letter(column)
    rule.add(f"{letter}2:{letter}{last}")


def _offer(sheet: Worksheet, words: Sequence[str], column: int, first: int, last: int) -> None:
    """Offer words to pick; others are refused by the program that the sheet is filled in with."""
    listed = ",".join(words)
    if not words or len(listed) > LONGEST_LIST:
        return
    rule = DataValidation("list", formula1=f'"{listed}"', allow_blank=True)
    rule.error = "one of " + listed.replace(",", ", ")
    rule.showErrorMessage = True
    sheet.add_data_validation(rule)
    letter = get_column_letter(column)
    rule.add(f"{letter}{first}:{letter}{last}")
