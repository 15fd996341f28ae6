"""The letter that announces a visit to whoever lives there.

It says who comes, when and for what; hours that the visit does not say are a blank. Under which law
or lease somebody may enter, and how long before that must be told, differs from place to place:
these are blanks, filled in by whoever gives the notice.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from pipeline.ledger.visit_sheet import day_words, place_words
from pipeline.ledger.visits import hours_words
from shared.shown import as_html
from shared.standing import FIRST_MEASURE
from shared.vocabulary import CAUTIONS

STYLE = """
@page { size: portrait; margin: 20mm 20mm 16mm; }
body { font: 11pt/1.45 Georgia, "Times New Roman", serif; color: #000; margin: 0 auto;
  max-width: 170mm; }
h1 { font-size: 15pt; margin: 0 0 4mm; } p { margin: 0 0 3mm; }
.line { display: inline-block; border-bottom: 0.6pt solid #000; width: 60mm; height: 4mm; }
.short { width: 25mm; } .full { width: 100%; }
.first { border: 1.4pt solid #000; padding: 2mm 3mm; margin: 0 0 4mm; break-inside: avoid; }
.first ul { margin: 0; }
dl { display: grid; grid-template-columns: 42mm 1fr; margin: 0 0 3mm; gap: 1.6mm 2mm; }
dt { font-weight: bold; } dd { margin: 0; overflow-wrap: anywhere; }
.cautions { font-size: 8.5pt; border-top: 0.6pt solid #000; padding-top: 2mm; margin-top: 6mm; }
@media screen { body { margin: 8mm auto; padding: 0 5mm; } }
"""

_LINE = "<span class='line'></span>"
_SHORT = "<span class='line short'></span>"
_FULL = "<span class='line full'></span>"


def entry_letter(
    visit: Mapping[str, Any],
    rows: pd.DataFrame,
    *,
    name: str | None = None,
    address: str | None = None,
    contact: str | None = None,
) -> str:
    """Return the letter as one HTML page for print that fetches nothing.

    Args:
        visit: ``visits.visit``.
        rows: ``visit_rows.visit_rows`` of it.
        name: the building's name, where known.
        address: its address, where known.
        contact: whom to ask; a blank when not given.
    """
    who = visit["person"] + (f", {visit['firm']}" if visit["firm"] else "")
    count = rows["opening_id"].nunique()
    outlets = f"{count} electrical outlet{'' if count == 1 else 's'}"
    facts = (
        ("Day of entry", as_html(day_words(visit["visit_on"]))),
        ("Hours of entry", as_html(hours_words(visit)) or f"{_SHORT} to {_SHORT}"),
        ("Who comes", as_html(who)),
        ("What for", f"{outlets}{_rooms(rows)}: to look at them, measure and repair"),
        ("Questions, another day", as_html(contact) if contact else _FULL),
        ("Law or lease clause that applies", _FULL),
        ("Notice it asks for", _FULL),
    )
    listed = "".join(f"<dt>{label}</dt><dd>{value}</dd>" for label, value in facts)
    cautions = " · ".join(as_html(each) for each in CAUTIONS)
    return (
        "<!doctype html>\n<html lang='en'><head><meta charset='utf-8'>"
        f"<title>Notice of entry {as_html(visit['visit_id'])}</title><style>{STYLE}</style></head>"
        "<body><h1>Notice of entry to your dwelling</h1>"
        f"<p>To whoever lives at: {as_html(place_words(visit, name, address))}</p>"
        f"<p>Date of this letter: {_LINE}</p><dl>{listed}</dl>"
        "<p>Please keep the way to the outlets free. The power of single rooms may be off for a "
        "time. Ask whoever comes to say who they are and whom they come for.</p>"
        f"{_urgent(rows)}"
        f"<p>Name and signature of whoever gives this notice:<br>{_FULL}</p>"
        f"<p>How and when it was handed over:<br>{_FULL}</p>"
        f"<p class='cautions'>{cautions} Visit {as_html(visit['visit_id'])}.</p></body></html>\n"
    )


def _rooms(rows: pd.DataFrame) -> str:
    named = sorted({" ".join(str(each).split()) for each in rows["room"].dropna()})
    return f" ({', '.join(as_html(each) for each in named)})" if named else ""


def _urgent(rows: pd.DataFrame) -> str:
    urgent = rows[rows["urgent"]].drop_duplicates("opening_id")
    if urgent.empty:
        return ""
    named = "; ".join(
        as_html(", ".join(str(e) for e in (row.opening_id, row.room) if isinstance(e, str) and e))
        for row in urgent.itertuples()
    )
    measures = "".join(f"<li>{as_html(each)}</li>" for each in FIRST_MEASURE)
    return (
        "<div class='first'><p><b>Do not wait for that day at these outlets</b> (live metal, heat, "
        "a shock or a wrong supply voltage was reported, measured or is suspected): "
        f"<b>{named}</b></p><ul>{measures}</ul></div>"
    )
