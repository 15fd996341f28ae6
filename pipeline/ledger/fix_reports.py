"""Fix reports from a contractor's spreadsheet: every row is reported, a duplicate, or set aside.

Files are read by the landing's own readers, so delimiters, encodings, preambles and workbooks are
dealt with as everywhere. Headers and words are matched by synonyms; a row that fails is kept with
its cells and every reason, can be written out, corrected and fed in again, and then counts once.
"""

from __future__ import annotations

import datetime as dt
import json
import re
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd
import sqlalchemy as sa
from pydantic import ValidationError

from pipeline.landing import cells
from pipeline.landing.arrival import Arrival, receive
from pipeline.landing.cells import DateOrder
from pipeline.landing.quarantine import REASONS, ROW, SOURCE, rows_to_correct, source_text
from pipeline.ledger import events as ev
from pipeline.ledger.database import IMPORTED_ROWS
from pipeline.ledger.fix_report_rows import COLUMNS, report_rows, report_tables
from pipeline.ledger.history import current
from pipeline.ledger.store import Draft, Ledger
from pipeline.offline import connect
from shared.canonical import canonical, utc_text
from shared.faults import CoverplateError
from shared.rule_book import RuleBook

REMEDY_WORDS: dict[str, str] = {
    "two prong again": "two_slot_again",
    "two slot receptacle": "two_slot_again",
    "non grounding receptacle": "two_slot_again",
    "gfci receptacle": "gfci_type_marked",
    "gfci receptacle marked": "gfci_type_marked",
    "gfci upstream": "gfci_upstream_marked",
    "fed from gfci": "gfci_upstream_marked",
    "ground wire added": "grounding_conductor_added",
    "equipment ground added": "grounding_conductor_added",
    "egc added": "grounding_conductor_added",
    "rewired circuit": "circuit_rewired",
    "rewired": "circuit_rewired",
    "polarity corrected": "conductors_put_right",
    "wires swapped back": "conductors_put_right",
    "neutral joined": "conductor_joined_again",
    "loose wire joined": "conductor_joined_again",
    "replaced receptacle": "receptacle_swapped",
    "new receptacle": "receptacle_swapped",
}
"""Words of the trade for the rule book's remedies. "Replaced receptacle" alone is no fix."""

LABEL_WORDS: dict[str, tuple[str, ...]] = {
    "no_equipment_ground": ("no_equipment_ground",),
    "gfci_protected": ("gfci_protected",),
    "both": ("no_equipment_ground", "gfci_protected"),
}


@dataclass(frozen=True)
class Reason:
    """Why a row was set aside: column, what stood there, what was expected."""

    column: str
    found: str
    expected: str


@dataclass
class RowOutcome:
    """What became of one row.

    Attributes:
        row: its number as a person sees it.
        cells: header to original text.
        outcome: reported, duplicate or set_aside.
        finding_id: the finding it is about, where that could be told.
        reasons: why it was set aside.
    """

    row: int
    cells: dict[str, str]
    outcome: str = "set_aside"
    finding_id: str | None = None
    reasons: list[Reason] = field(default_factory=list)


@dataclass(frozen=True)
class FixImport:
    """What became of a table of a file; the three counts add up to the rows read."""

    path: str
    sheet: str
    sha256: str
    rows: tuple[RowOutcome, ...]

    def count(self, outcome: str) -> int:
        """Return how many rows ended so."""
        return sum(each.outcome == outcome for each in self.rows)

    def as_json(self) -> dict[str, Any]:
        """Return the report as plain JSON values."""
        return {
            "path": self.path,
            "sheet": self.sheet,
            "sha256": self.sha256,
            "rows_read": len(self.rows),
            "reported": self.count("reported"),
            "duplicate": self.count("duplicate"),
            "set_aside": self.count("set_aside"),
            "rows": [
                {
                    "row": each.row,
                    "outcome": each.outcome,
                    "finding_id": each.finding_id,
                    "reasons": [vars(reason) for reason in each.reasons],
                }
                for each in self.rows
            ],
        }


def import_fix_reports(
    ledger: Ledger,
    path: Path,
    *,
    who: str,
    firm: str | None = None,
    date_order: DateOrder | None = None,
    at: dt.datetime | None = None,
) -> list[FixImport]:
    """Report the fixes in a file; one result a table.

    Args:
        ledger: the ledger.
        path: CSV and the like, XLSX, JSON, JSON Lines or Parquet.
        who: who takes it in.
        firm: the firm where the file names none.
        date_order: how the file writes dates, where it can be read two ways.
        at: when it is written down; now by default.

    Raises:
        CoverplateError: no table in it, a column that is needed is missing, or dates that can be
            read two ways. Nothing was written then.
    """
    if not path.is_file():
        raise CoverplateError(f"no such file: {path}", to_do="check the path")
    now = at or dt.datetime.now(dt.UTC)
    with tempfile.TemporaryDirectory() as folder, connect() as con:
        work = Path(folder)
        arrival = receive(path, path.name, work)
        tables = report_tables(arrival, con, work)
        if not tables:
            raise CoverplateError(
                f"{path} holds no table",
                expected="a table with the columns " + ", ".join(COLUMNS),
                to_do="check that this is the file you meant",
            )
        read = [(table, report_rows(con, table, path, firm, date_order)) for table in tables]
    identity = _Identity(current(ledger))
    results = []
    for table, rows in read:
        outcomes = []
        for row in rows:
            outcome = _taken_in(ledger, identity, row, firm, who, at)
            _keep(ledger, arrival, table.sheet, outcome, row, now)
            outcomes.append(outcome)
        results.append(FixImport(str(path), table.sheet, arrival.sha256, tuple(outcomes)))
    return results


class _Identity:
    """Finds the finding that a row is about."""

    def __init__(self, frame: pd.DataFrame) -> None:
        self._known = set(frame["finding_id"])
        self._by_opening: dict[tuple[str, str, str], list[tuple[str, str, str]]] = {}
        columns = ("building_id", "unit_id", "opening_id", "finding_id", "family", "treatment")
        for row in zip(*(frame[name].tolist() for name in columns), strict=True):
            self._by_opening.setdefault(row[:3], []).append(row[3:])

    def find(self, row: Mapping[str, Any]) -> tuple[str | None, list[Reason]]:
        given = row.get("finding_id")
        if given:
            if given in self._known:
                return str(given), []
            return None, [Reason("finding_id", str(given), "a finding of this ledger")]
        key = tuple(str(row.get(name) or "") for name in ("building_id", "unit_id", "opening_id"))
        missing = [
            Reason(name, "", "a value")
            for name, text in zip(("building_id", "opening_id"), (key[0], key[2]), strict=True)
            if not text
        ]
        if missing:
            return None, missing
        shown = " ".join(each for each in key if each)
        found = self._by_opening.get((key[0], key[1], key[2]), [])
        family = row.get("family")
        if family:
            found = [each for each in found if each[1] == cells.word_form(str(family))]
        standing = [each for each in found if each[2] not in ("set_aside", "withdrawn")]
        latest = [each for each in standing if each[2] != "proven"] or standing
        if len(latest) == 1:
            return latest[0][0], []
        if not latest:
            return None, [Reason("opening_id", shown, "an opening with a finding that stands")]
        families = ", ".join(sorted(each[1] for each in latest))
        return None, [Reason("family", shown, f"one of {families}: this opening has several")]


def _markings(text: str | None) -> tuple[list[str], list[Reason]]:
    found: list[str] = []
    reasons = []
    for part in re.split(r"[;,/+&]|\band\b", text or ""):
        word = cells.word_form(part)
        if word in LABEL_WORDS:
            found += LABEL_WORDS[word]
        elif word:
            reasons.append(
                Reason("markings", part.strip(), "no equipment ground, gfci protected or both")
            )
    return found, reasons


def _remedy(book: RuleBook, text: str | None) -> tuple[str, list[Reason]]:
    names = {cells.word_form(name): name for name in book.remedies}
    names |= {cells.word_form(remedy.label): name for name, remedy in book.remedies.items()}
    names |= {cells.word_form(word): name for word, name in REMEDY_WORDS.items()}
    word = cells.word_form(text or "")
    if word in names:
        return names[word], []
    return "", [Reason("remedy", text or "", "one of " + ", ".join(book.remedies))]


def _taken_in(
    ledger: Ledger,
    identity: _Identity,
    row: dict[str, Any],
    firm: str | None,
    who: str,
    at: dt.datetime | None,
) -> RowOutcome:
    outcome = RowOutcome(int(row["row_number"]), row["original"])
    outcome.finding_id, outcome.reasons = identity.find(row)
    remedy, wrong = _remedy(ledger.rule_book, row.get("remedy"))
    outcome.reasons += wrong
    markings, wrong = _markings(row.get("markings"))
    outcome.reasons += wrong
    if row["fixed_on_read"] is None:
        outcome.reasons.append(Reason("fixed_on", row.get("fixed_on") or "", "a date"))
    if row.get("cost") is not None and row["cost_read"] is None:
        outcome.reasons.append(Reason("cost", str(row["cost"]), "an amount of money"))
    if outcome.reasons or outcome.finding_id is None:
        return outcome
    links = [each.strip() for each in re.split(r"[;\n]", row.get("attachments") or "")]
    try:
        fix = ev.FixReported(
            remedy=remedy,
            fixed_on=pd.Timestamp(row["fixed_on_read"]).date(),
            firm=row.get("firm") or firm or "",
            cost=row["cost_read"],
            markings=tuple(markings),
            attachments=tuple(each for each in links if each),
            **{name: row.get(name) for name in ("worker", "licence", "permit", "note")},
        )
    except ValidationError as fault:
        outcome.reasons += [
            Reason(".".join(map(str, e["loc"])), str(e.get("input", "")), e["msg"])
            for e in fault.errors()
        ]
        return outcome
    if _reported_before(ledger.history(outcome.finding_id), fix):
        outcome.outcome = "duplicate"
        return outcome
    try:
        draft = Draft(outcome.finding_id, fix)
        ledger.append_many([draft], who=who, origin="import", at=at)
        outcome.outcome = "reported"
    except CoverplateError as refusal:
        outcome.reasons.append(Reason("remedy", remedy, refusal.found))
    return outcome


_OWN = {"leaves_condition", "leaves_slots", "leaves_protected", "rule_book_hash"}


def _reported_before(history: Sequence[ev.Event], fix: ev.FixReported) -> bool:
    said = fix.model_dump(exclude=_OWN)
    return any(
        isinstance(event.payload, ev.FixReported) and event.payload.model_dump(exclude=_OWN) == said
        for event in history
    )


def _keep(
    ledger: Ledger,
    arrival: Arrival,
    sheet: str,
    outcome: RowOutcome,
    row: Mapping[str, Any],
    now: dt.datetime,
) -> None:
    """Store what became of a row; a row of a correction settles the row that it corrects."""
    table = IMPORTED_ROWS
    key = sa.and_(
        table.c.file_sha256 == arrival.sha256, table.c.sheet == sheet, table.c.row == outcome.row
    )
    values = {
        "file_name": arrival.name,
        "recorded_at": utc_text(now),
        "outcome": outcome.outcome,
        "cells": canonical(outcome.cells),
        "reasons": canonical([vars(each) for each in outcome.reasons]),
        "finding_id": outcome.finding_id,
    }
    origin = re.fullmatch(r".*\[([0-9a-f]{16})\](?: sheet (.*))?", str(row.get(SOURCE) or ""))
    with ledger.writing() as con:
        before = con.execute(sa.select(table.c.outcome).where(key)).scalar()
        if before is None:
            con.execute(
                sa.insert(table).values(
                    file_sha256=arrival.sha256, sheet=sheet, row=outcome.row, **values
                )
            )
        elif before == "set_aside":
            con.execute(sa.update(table).where(key).values(**values))
        if origin and outcome.outcome != "set_aside" and str(row.get(ROW) or "").isdigit():
            con.execute(
                sa.update(table)
                .where(
                    table.c.file_sha256.startswith(origin[1], autoescape=True),
                    table.c.sheet == (origin[2] or ""),
                    table.c.row == int(row[ROW]),
                    table.c.outcome == "set_aside",
                )
                .values(outcome="corrected")
            )


def rows_set_aside(ledger: Ledger) -> list[dict[str, Any]]:
    """Return rows still set aside: source, sheet, row, cells, reasons, in the order they came."""
    table = IMPORTED_ROWS
    query = (
        sa.select(table)
        .where(table.c.outcome == "set_aside")
        .order_by(table.c.recorded_at, table.c.file_sha256, table.c.sheet, table.c.row)
    )
    with ledger.reading() as con:
        found = con.execute(query).mappings().all()
    return [
        {
            "source": source_text(row["file_name"], row["file_sha256"], row["sheet"]),
            "sheet": row["sheet"],
            "row": row["row"],
            "cells": json.loads(row["cells"]),
            "reasons": json.loads(row["reasons"]),
        }
        for row in found
    ]


def export_set_aside(ledger: Ledger, path: Path) -> int:
    """Write rows still set aside to a CSV for correction; return how many.

    The columns that begin with ``coverplate_`` lead back to the rows they correct.
    """
    rows = rows_set_aside(ledger)
    columns = list(dict.fromkeys(name for row in rows for name in row["cells"]))
    columns = [name for name in columns if name not in (SOURCE, ROW, REASONS)]
    with rows_to_correct(path, columns) as write:
        for row in rows:
            said = "; ".join(
                f"{r['column']}: found {r['found']!r}, expected {r['expected']}"
                for r in row["reasons"]
            )
            own = [str(row["cells"].get(name, "")) for name in columns]
            write(row["source"], int(row["row"]), said, own)
    return len(rows)
