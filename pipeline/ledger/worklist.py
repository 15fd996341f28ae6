"""Work lists: what a firm has to do, or what stands at a building, as a table and to print."""

from __future__ import annotations

import datetime as dt

import pandas as pd

from pipeline.ledger.due import dated_findings
from pipeline.ledger.families import URGENT_FAMILIES
from pipeline.ledger.remedies import allowed_remedies
from pipeline.ledger.store import Ledger
from pipeline.pages import page
from shared.rule_book import RuleBook
from shared.vocabulary import Condition, Slots

COLUMNS: dict[str, str] = {
    "finding_id": "Finding",
    "version": "Version",
    "building_id": "Building",
    "name": "Name",
    "address": "Address",
    "unit_id": "Unit",
    "opening_id": "Opening",
    "condition": "Condition",
    "grade": "Grade",
    "state": "State",
    "severity_class": "Severity",
    "due_on": "Due",
    "first_target_on": "First target",
    "regulatory_due_at": "Regulatory window ends (UTC)",
    "firm": "Firm",
    "last_access": "Last access",
    "accepted_remedies": "Remedies that would be accepted",
    "check_with_authority": "Check with your authority",
}
"""Columns of a work list and their headings."""


def work_list(
    ledger: Ledger,
    rule_book: RuleBook,
    *,
    firm: str | None = None,
    building_id: str | None = None,
    buildings: pd.DataFrame | None = None,
    now: dt.datetime | None = None,
) -> pd.DataFrame:
    """Return findings at which something is still to be done, most urgent first.

    Args:
        ledger: the ledger.
        rule_book: due dates and remedies.
        firm: those assigned to a firm.
        building_id: those of a building.
        buildings: building_id, name, address, where known.
        now: as of when; now by default.

    Returns:
        The columns of ``COLUMNS``.
    """
    with dated_findings(ledger, rule_book, now, building_id) as con:
        empty = pd.DataFrame({"building_id": [], "name": [], "address": []}, dtype=str)
        places = empty if buildings is None else buildings[["building_id", "name", "address"]]
        con.register("places", places)
        frame = con.execute(
            """
            SELECT
                d.finding_id, d.sequence AS version, d.building_id, p.name, p.address,
                nullif(d.unit_id, '') AS unit_id, d.opening_id,
                coalesce(d.condition, d.family) AS condition, d.grade, d.state,
                d.severity_class, d.present_target_on AS due_on, d.first_target_on,
                d.regulatory_due_at, d.firm,
                d.last_access, d.slots
            FROM due AS d LEFT JOIN places AS p USING (building_id)
            WHERE d.open AND d.grade <> 'record_in_doubt' AND ($firm IS NULL OR d.firm = $firm)
            ORDER BY list_position($classes, d.severity_class), d.first_target_on, d.building_id,
                d.unit_id, d.opening_id, d.finding_id
            """,
            {"firm": firm, "classes": [str(each.value) for each in rule_book.due.target_days]},
        ).df()
    answers = {
        pair: _answers(rule_book, *pair)
        for pair in set(zip(frame["condition"], frame["slots"].fillna(""), strict=True))
    }
    pairs = list(zip(frame["condition"], frame["slots"].fillna(""), strict=True))
    frame["accepted_remedies"] = [answers[pair][0] for pair in pairs]
    frame["check_with_authority"] = [answers[pair][1] for pair in pairs]
    return frame[list(COLUMNS)]


def _answers(book: RuleBook, condition: str, slots: str) -> tuple[str, str]:
    if condition in URGENT_FAMILIES:
        return "", ""  # no condition that a remedy is known for: a later look takes it off
    allowed = allowed_remedies(book, Condition(condition), Slots(slots) if slots else None)
    checks = dict.fromkeys(each for r in allowed.values() for each in r.check_with_authority)
    names = [f"{name} ({remedy.rule})" for name, remedy in allowed.items()]
    return "; ".join(names), "; ".join(checks)


def printable(frame: pd.DataFrame, title: str) -> str:
    """Return a work list as one HTML page for printing, with the cautions, nothing fetched."""
    rows = [[_shown(cell) for cell in row] for row in frame.itertuples(index=False)]
    heads = [COLUMNS[name] for name in frame.columns]
    return page("work_list.html", title=title, heads=heads, rows=rows)


def _shown(cell: object) -> str:
    if cell is None or pd.isna(cell):  # type: ignore[call-overload]
        return ""
    if isinstance(cell, pd.Timestamp):
        midnight = cell.time() == dt.time(0)
        return cell.date().isoformat() if midnight else cell.strftime("%Y-%m-%d %H:%M")
    return str(cell).replace("_", " ") if not str(cell).startswith("F-") else str(cell)
