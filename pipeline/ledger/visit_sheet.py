"""The sheet of a visit, on paper: what to find at each opening, boxes to tick, lines to sign.

Set for portrait A4 and Letter; forty findings of one dwelling take two pages at most
(``tests/browser/test_visit_sheet.py`` prints it). It says what was reported and what would prove a
repair, and never how anything is to be repaired.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import pandas as pd

from pipeline.ledger.visit_beside import NOTHING, Beside
from pipeline.ledger.visit_rows import METHOD_SHORT
from pipeline.ledger.visits import STANDING_WORDS, place_words, when_words, who_words
from pipeline.pages import page
from shared.in_words import plural
from shared.standing import URGENT_WORDS
from shared.vocabulary import Method, Slots

LONGEST_NAME = 28
"""Letters of an opening's or room's name that a row shows; the finding's identifier is whole."""

LONGEST_PAPERS = 300
"""Letters of the line that names permits and files."""

LONGEST_BESIDE = 640
"""Letters of the line that names what is urgent there and no part of the visit."""

LONGEST_REMEDY = 42
"""Letters of a remedy's name that a row shows."""

METHOD_LETTERS: dict[Method, str] = {
    Method.VISUAL: "E",
    Method.THREE_LAMP_TESTER: "L",
    Method.VOLTMETER_UNDER_LOAD: "V",
    Method.GROUND_IMPEDANCE_METER: "O",
    Method.COVER_OFF_INSPECTION: "C",
    Method.GROUND_WIRE_CLAMP: "G",
    Method.NEUTRAL_LIFTED_TEST: "N",
    Method.UPSTREAM_BOX_SEEN: "B",
}
"""Letters for methods on the sheet; what they mean stands on top of each page."""


def visit_sheet(
    visit: Mapping[str, Any],
    rows: pd.DataFrame,
    *,
    name: str | None = None,
    address: str | None = None,
    papers: Sequence[str] = (),
    beside: Beside = NOTHING,
) -> str:
    """Return the sheet as one HTML page for print that fetches nothing.

    Args:
        visit: ``visits.visit``.
        rows: ``visit_rows.visit_rows`` of it.
        name: the building's name, where known.
        address: its address, where known.
        papers: what belongs to the visit besides, such as permits (``papers.papers_words``).
        beside: what is urgent there and no part of the visit (``visit_beside.urgent_beside``).
    """
    urgent = int(rows["urgent"].sum()) if len(rows) else 0
    return page(
        "visit_sheet.html",
        title=f"Visit {visit['visit_id']}",
        place=place_words(visit, name, address),
        told=_header(visit, len(rows), urgent),
        papers=_cut(" · ".join(papers), LONGEST_PAPERS),
        urgent=urgent,
        beside=_cut("; ".join(beside.told()), LONGEST_BESIDE),
        urgent_words=URGENT_WORDS,
        methods=[(letter, METHOD_SHORT[method]) for method, letter in METHOD_LETTERS.items()],
        rows=[_told(row) for row in rows.to_dict(orient="records")],
    )


def _header(visit: Mapping[str, Any], findings: int, urgent: int) -> str:
    standing = "" if visit["standing"] == "planned" else STANDING_WORDS[visit["standing"]].upper()
    notice = "with notice" if visit["noticed"] == visit["findings"] else "WITHOUT NOTICE SO FAR"
    parts = [
        standing,
        when_words(visit),
        who_words(visit),
        f"{plural(findings, 'finding')}, {urgent} urgent",
        notice if visit["standing"] == "planned" else "",
        f"note: {_cut(visit['note'], 160)}" if visit["note"] else "",
    ]
    return " · ".join(filter(None, parts))


def _told(row: Mapping[Any, Any]) -> dict[str, Any]:
    """Return what the sheet's row says of a finding."""
    by = _letters(row["methods"])
    how = ", ".join(filter(None, (_words(row["grade"]), _words(row["standing"]))))
    proof = [*row["proof_says"], *(["as left"] if len(row["proof_hangs_on"]) else [])]
    severity = "" if row["urgent"] else _words(row["severity_class"])  # urgent says it already
    seen = f"{how}{_on(row['last_seen_on'])}{' by ' + by if by else ''}"
    fixed = f"reported{_on(row['fixed_on'])}" if row["remedy_is"] == "reported" else "quoted"
    return {
        **{name: row[name] for name in ("finding_id", "version", "urgent")},
        "opening": _cut(row["opening_id"]) or "no opening named",
        "where": _cut(row["room"]),
        "said": _cut(_words(row["condition"]), 60),
        "how": "; ".join(filter(None, (_FACES.get(row["slots"]), seen, severity))),
        "remedy": _cut(row["remedy_label"], LONGEST_REMEDY),
        "lead": fixed,
        "letters": _letters(row["proof_methods"]),
        "proof": "; ".join(filter(None, (*proof, row["proof_note"]))),
    }


_FACES = {Slots.TWO_SLOT.value: "2 slots", Slots.THREE_SLOT.value: "3 slots"}


def _letters(methods: Iterable[str]) -> str:
    return " ".join(METHOD_LETTERS[Method(each)] for each in methods)


def _on(day: object) -> str:
    return "" if pd.isna(day) else f" {pd.Timestamp(day):%Y-%m-%d}"  # type: ignore[arg-type, call-overload]


def _words(cell: object) -> str:
    return "" if cell is None or pd.isna(cell) else str(cell).replace("_", " ")  # type: ignore[call-overload]


def _cut(cell: object, most: int = LONGEST_NAME) -> str:
    """Return a text of data in one line, no longer than a row has room for."""
    text = "" if cell is None or pd.isna(cell) else " ".join(str(cell).split())  # type: ignore[call-overload]
    return text if len(text) <= most else text[: most - 1] + "…"
