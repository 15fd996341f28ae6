"""The letter that announces a visit to whoever lives there.

It says who comes, when and for what; hours that the visit does not say are a blank. Under which law
or lease somebody may enter, and how long before that must be told, differs from place to place:
these are blanks, filled in by whoever gives the notice. Of a visit that was called off, or made, it
says so first.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from pipeline.ledger.visit_beside import NOTHING, UNKNOWN, Beside, opening_words
from pipeline.ledger.visits import STANDING_WORDS, day_words, hours_words, place_words, who_words
from pipeline.pages import page


def entry_letter(
    visit: Mapping[str, Any],
    rows: pd.DataFrame,
    *,
    name: str | None = None,
    address: str | None = None,
    contact: str | None = None,
    beside: Beside = NOTHING,
) -> str:
    """Return the letter as one HTML page for print that fetches nothing.

    Args:
        visit: ``visits.visit``.
        rows: ``visit_rows.visit_rows`` of it.
        name: the building's name, where known.
        address: its address, where known.
        contact: whom to ask; a blank when not given.
        beside: what is urgent there and no part of the visit (``visit_beside.urgent_beside``).
    """
    urgent = [opening_words(row.opening_id, row.room) for row in rows.itertuples() if row.urgent]
    told = list(dict.fromkeys([*urgent, *beside.told()]))
    if beside.papers and UNKNOWN in told:
        told.remove(UNKNOWN)  # a paper says it, and more
    named = [each for each in rows["opening_id"] if each]
    return page(
        "visit_letter.html",
        title=f"Notice of entry {visit['visit_id']}",
        ended="" if visit["standing"] == "planned" else STANDING_WORDS[visit["standing"]].upper(),
        place=place_words(visit, name, address),
        day=day_words(visit["visit_on"]),
        hours=hours_words(visit),
        who=who_words(visit),
        openings=len(set(named)),
        unnamed=len(named) < len(rows),
        rooms=sorted({" ".join(str(each).split()) for each in rows["room"].dropna()}),
        contact=contact,
        urgent=told,
        visit_id=visit["visit_id"],
    )
