"""What is urgent in the dwelling of a visit and no part of it: told on its letter and its sheet."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from pipeline.ledger.due import dated_findings
from pipeline.ledger.families import URGENT_FAMILIES
from pipeline.ledger.store import Ledger
from pipeline.ledger.visits import visit
from shared.in_words import words
from shared.vocabulary import URGENT_CONDITIONS

_OPENINGS, _PAPERS = 8, 3
"""So many are named; the others are counted: the letter has one page, the sheet two."""


@dataclass(frozen=True)
class Beside:
    """What is urgent in a dwelling beside the findings of a visit.

    Attributes:
        openings: opening and room of each.
        papers: open papers and findings that name no opening, in words.
    """

    openings: tuple[str, ...] = ()
    papers: tuple[str, ...] = ()

    def told(self) -> list[str]:
        """Both in words, the first of each."""
        return [*_first(self.openings, _OPENINGS), *_first(self.papers, _PAPERS)]


NOTHING = Beside()


def urgent_beside(
    ledger: Ledger,
    visit_id: str,
    rooms: pd.DataFrame | None = None,
    papers: Iterable[Mapping[str, Any]] = (),
    now: dt.datetime | None = None,
) -> Beside:
    """Return what is urgent in the dwelling of a visit, by the ledger or by the warehouse, and no
    part of the visit.

    Args:
        ledger: the ledger.
        visit_id: the visit.
        rooms: as for ``visit_rows``; None where nothing was built.
        papers: urgent papers that may mean an opening of it (``queries.urgent_papers_of``).
        now: as of when; now by default.

    Raises:
        CoverplateError: there is no such visit.
    """
    found = visit(ledger, visit_id)
    known = ["building_id", "unit_id", "opening_id", "room", "urgent"]
    places = pd.DataFrame(columns=known, dtype=object) if rooms is None else rooms[known]
    with dated_findings(ledger, ledger.rule_book, now, found["building_id"]) as con:
        con.register("places", places)
        con.register("wanted", pd.DataFrame({"finding_id": found["finding_ids"]}))
        urgent = [*URGENT_FAMILIES, *(each.value for each in URGENT_CONDITIONS)]
        rows = con.execute(_BESIDE, {"unit": found["unit_id"] or "", "urgent": urgent}).fetchall()
    openings = [opening_words(opening, room) for opening, room in rows if opening]
    named = [_paper_words(each) for each in papers]
    if not named and any(not opening for opening, _ in rows):
        named = [UNKNOWN]
    return Beside(tuple(openings), tuple(dict.fromkeys(named)))


UNKNOWN = "in this dwelling: which outlet is meant is not known"


def opening_words(opening: object, room: object) -> str:
    """Return an opening and its room, as far as they are known, else that none is named."""
    known = [" ".join(e.split()) for e in (opening, room) if isinstance(e, str) and e]
    return ", ".join(known) if isinstance(opening, str) and opening else UNKNOWN


def _paper_words(paper: Mapping[str, Any]) -> str:
    where = "dwelling: which outlet" if paper["unit_id"] else "building: which dwelling"
    reference = f" {' '.join(paper['reference'].split())}" if paper["reference"] else ""
    return (
        f"in this {where} is meant is not known ({words(paper['report_kind'])}{reference} of "
        f"{paper['reported_on']:%Y-%m-%d}: {words(paper['subject'])})"
    )


def _first(told: Sequence[str], most: int) -> list[str]:
    more = len(told) - most
    return [*told[:most], *([f"and {more} more"] if more > 0 else [])]


_BESIDE = """
WITH there AS (
    SELECT opening_id, finding_id IN (FROM wanted) AS visited,
        open AND (list_contains($urgent, coalesce(condition, family))
            OR list_contains($urgent, family)) AS urgent, NULL AS room
    FROM due WHERE unit_id = $unit
    UNION ALL
    SELECT opening_id, false, coalesce(urgent, false), room
    FROM places WHERE coalesce(unit_id, '') = $unit
)
SELECT opening_id, any_value(room)
FROM there
GROUP BY opening_id
-- A finding without an opening stands for itself; one of an opening says enough of that opening.
HAVING bool_or(urgent AND NOT visited) AND (opening_id = '' OR NOT bool_or(visited))
ORDER BY opening_id
"""
