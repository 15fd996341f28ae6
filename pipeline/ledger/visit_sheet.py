"""The sheet of a visit, on paper: what to find at each opening, boxes to tick, lines to sign.

Set for portrait A4 and Letter; forty findings of one dwelling take two pages at most
(``tests/browser/test_visit_sheet.py`` prints it). It says what was reported and what would prove a
repair, and never how anything is to be repaired.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import pandas as pd

from pipeline.ledger.visit_rows import METHOD_SHORT
from pipeline.ledger.visits import STANDING_WORDS, hours_words
from shared.shown import as_html
from shared.standing import FIRST_MEASURE, URGENT_WORDS
from shared.vocabulary import CAUTIONS, Method, Slots

LONGEST_NAME = 28
"""Letters of an opening's or room's name that a row shows; the finding's identifier is whole."""

LONGEST_PAPERS = 300
"""Letters of the line that names permits and files."""

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

STYLE = """
@page { size: portrait; margin: 8mm 8mm 7mm; }
* { box-sizing: border-box; }
body { font: 7pt/1.16 Arial, "Liberation Sans", "DejaVu Sans", sans-serif; color: #000; margin: 0;
  -webkit-print-color-adjust: exact; print-color-adjust: exact; }
h1 { font-size: 12pt; line-height: 1.1; margin: 0 0 0.6mm; }
p { margin: 0 0 0.7mm; } .big { font-size: 8.5pt; } .soft { color: #333; }
.strong { font-weight: bold; } .id { font: 5.6pt/1.1 "DejaVu Sans Mono", monospace; }
table { width: 100%; border-collapse: collapse; table-layout: fixed; }
thead { display: table-header-group; }
th { text-align: left; border-bottom: 0.8pt solid #000; padding: 0.4mm 1mm 0.3mm 0; }
td { border-bottom: 0.4pt solid #888; padding: 0.45mm 1.2mm 0.4mm 0; vertical-align: top;
  overflow-wrap: anywhere; }
tr { break-inside: avoid; }
.no { width: 2.8%; } .where { width: 13.2%; } .said { width: 21.1%; } .remedy { width: 14%; }
.proof { width: 11.5%; } .done { width: 8.6%; }
.legend { font-weight: normal; border: 0; } .legend b { margin-left: 1.5mm; }
tr.urgent td { border-bottom: 0.8pt solid #000; } tr.urgent td:first-child {
  border-left: 1.6mm solid #000; padding-left: 0.6mm; }
.mark { border: 0.7pt solid #000; font-weight: bold; padding: 0 0.5mm; white-space: nowrap; }
.box { display: inline-block; width: 2.3mm; height: 2.3mm; border: 0.6pt solid #000;
  vertical-align: -0.3mm; margin: 0 0.5mm 0 0.7mm; }
.one > .box:first-child { margin-left: 0; }
.line { display: inline-block; border-bottom: 0.5pt solid #000; height: 2.5mm; width: 9.4mm;
  vertical-align: -0.2mm; }
.long { width: 92%; } .one { white-space: nowrap; display: block; line-height: 3.1mm; }
.pair { white-space: nowrap; margin-right: 1.4mm; } .pair:last-child { margin-right: 0; }
td:last-child { padding-right: 0; }
.foot { break-inside: avoid; margin-top: 1.6mm; }
.sign { table-layout: auto; } .sign td { border: 0; padding: 1.8mm 2mm 0 0; white-space: nowrap; }
.sign .line { width: 36mm; height: 3.6mm; } .sign .short { width: 20mm; }
.cautions { border: 0.8pt solid #000; padding: 0.8mm 1.5mm; margin: 1.6mm 0 0; }
.first { border: 1.2pt solid #000; padding: 0.6mm 1.5mm; margin: 0 0 0.8mm; }
@media screen { body { max-width: 198mm; margin: 5mm auto; } }
"""

_COLUMNS = {
    "no": "No.",
    "where": "Opening, room",
    "said": "Reported",
    "remedy": "Remedy",
    "proof": "Would prove it",
    "done": "Done",
    "read": "Readings",
}
_BOX = '<span class="box"></span>'
_LINE = '<span class="line"></span>'


def visit_sheet(
    visit: Mapping[str, Any],
    rows: pd.DataFrame,
    *,
    name: str | None = None,
    address: str | None = None,
    papers: Sequence[str] = (),
) -> str:
    """Return the sheet as one HTML page for print that fetches nothing.

    Args:
        visit: ``visits.visit``.
        rows: ``visit_rows.visit_rows`` of it.
        name: the building's name, where known.
        address: its address, where known.
        papers: what belongs to the visit besides, such as permits (``papers.papers_words``).
    """
    urgent = int(rows["urgent"].sum()) if len(rows) else 0
    lines: list[dict[str, Any]] = [
        {str(name): cell for name, cell in row.items()} for row in rows.to_dict(orient="records")
    ]
    body = "".join(_row(number, row) for number, row in enumerate(lines, start=1))
    heads = "".join(f"<th>{words}</th>" for words in _COLUMNS.values())
    columns = "".join(f'<col class="{kind}">' for kind in _COLUMNS)
    title = f"Visit {visit['visit_id']}"
    return (
        "<!doctype html>\n<html lang='en'><head><meta charset='utf-8'>"
        f"<title>{as_html(title)}</title><style>{STYLE}</style></head><body>"
        f"<h1>{as_html(title)}: {as_html(place_words(visit, name, address))}</h1>"
        f"<p class='big'>{_header(visit, len(rows), urgent)}</p>"
        f"{_papers(papers)}{_first(urgent)}"
        f"<table><colgroup>{columns}</colgroup><thead>"
        f"<tr><th class='legend' colspan='{len(_COLUMNS)}'>{_legend()}</th></tr>"
        f"<tr>{heads}</tr></thead><tbody>{body}</tbody></table>"
        f"{_foot()}</body></html>\n"
    )


def place_words(visit: Mapping[str, Any], name: str | None, address: str | None) -> str:
    """Return where a visit goes: name, address, building and unit, as far as known."""
    unit = f"unit {visit['unit_id']}" if visit["unit_id"] else "no unit named"
    return ", ".join(filter(None, (name, address, f"building {visit['building_id']}", unit)))


def day_words(day: dt.date) -> str:
    """Return a day with its weekday, such as Tuesday, 1 April 2025."""
    return f"{day:%A}, {day.day} {day:%B %Y}"


def when_words(visit: Mapping[str, Any]) -> str:
    """Return the day of a visit, and its hours where they are said."""
    return ", ".join(filter(None, (day_words(visit["visit_on"]), hours_words(visit))))


def _header(visit: Mapping[str, Any], findings: int, urgent: int) -> str:
    who = visit["person"] + (f", {visit['firm']}" if visit["firm"] else "")
    standing = "" if visit["standing"] == "planned" else STANDING_WORDS[visit["standing"]].upper()
    notice = "with notice" if visit["noticed"] == visit["findings"] else "WITHOUT NOTICE SO FAR"
    parts = [
        standing,
        when_words(visit),
        who,
        f"{findings} finding{'' if findings == 1 else 's'}, {urgent} urgent",
        notice if visit["standing"] == "planned" else "",
        f"note: {_cut(visit['note'], 160)}" if visit["note"] else "",
    ]
    return " · ".join(as_html(each) for each in parts if each)


def _papers(papers: Sequence[str]) -> str:
    if not papers:
        return ""
    return f"<p>{as_html(_cut(' · '.join(papers), LONGEST_PAPERS))}</p>"


def _first(urgent: int) -> str:
    if not urgent:
        return ""
    measures = " ".join(as_html(each) for each in FIRST_MEASURE)
    return (
        f"<p class='first'><span class='strong'>URGENT ones first</span> "
        f"({as_html(URGENT_WORDS)}, or is suspected): {measures}</p>"
    )


def _row(number: int, row: Mapping[str, Any]) -> str:
    room = _cut(row["room"])
    opening = _cut(row["opening_id"]) or "no opening named"
    where = f"<span class='strong'>{as_html(opening)}</span>" + (
        f", {as_html(room)}" if room else ""
    )
    cells = (
        f"{number}",
        f"{where}<br><span class='id'>{as_html(row['finding_id'])}@{row['version']}</span>",
        _said(row),
        _remedy(row),
        _proof(row),
        _DONE,
        _READINGS,
    )
    kind = ' class="urgent"' if row["urgent"] else ""
    return f"<tr{kind}>" + "".join(f"<td>{cell}</td>" for cell in cells) + "</tr>"


def _said(row: Mapping[str, Any]) -> str:
    mark = '<span class="mark">URGENT</span> ' if row["urgent"] else ""
    slots = _FACES.get(row["slots"], "")
    seen = row["last_seen_on"]
    when = "" if pd.isna(seen) else f" {pd.Timestamp(seen):%Y-%m-%d}"
    by = _letters(row["methods"])
    how = ", ".join(filter(None, (_words(row["grade"]), _words(row["standing"]))))
    severity = "" if row["urgent"] else _words(row["severity_class"])  # urgent says it already
    told = [slots, f"{how}{when}{' by ' + by if by else ''}", severity]
    return (
        f"{mark}<span class='strong'>{as_html(_cut(_words(row['condition']), 60))}</span> "
        f"<span class='soft'>{as_html('; '.join(filter(None, told)))}</span>"
    )


_FACES = {Slots.TWO_SLOT.value: "2 slots", Slots.THREE_SLOT.value: "3 slots"}


def _letters(methods: Iterable[str]) -> str:
    return " ".join(METHOD_LETTERS[Method(each)] for each in methods)


def _legend() -> str:
    named = " ".join(
        f"<b>{letter}</b> {as_html(METHOD_SHORT[method])}"
        for method, letter in METHOD_LETTERS.items()
    )
    return (
        f"Looks by: {named}. One proves a repair only if by another person than who worked, on a "
        "later day, by a method named in the row, with the readings of that method and what the "
        "row asks for. <b>As left</b>: as the remedy leaves it (no false ground; ohms; two slots; "
        "GFCI by its own button, marked)."
    )


def _proof(row: Mapping[str, Any]) -> str:
    says = [*row["proof_says"], *(["as left"] if len(row["proof_hangs_on"]) else [])]
    letters = f"<span class='strong'>{_letters(row['proof_methods'])}</span>"
    told = as_html("; ".join(filter(None, (*says, row["proof_note"]))))
    return f"{letters}: {told}" if len(row["proof_methods"]) and told else letters + told


def _remedy(row: Mapping[str, Any]) -> str:
    label = row["remedy_label"]
    if isinstance(label, str) and label:
        reported = row["remedy_is"] == "reported"
        when = f" {pd.Timestamp(row['fixed_on']):%Y-%m-%d}" if reported else ""
        lead = f"reported{when}" if reported else "quoted"
        return f"{as_html(_cut(label, LONGEST_REMEDY))} <span class='soft'>({lead})</span>"
    return "<span class='line long'></span><br><span class='line long'></span>"


_DONE = "".join(
    f"<span class='one'>{_BOX}{words}</span>" for words in ("repaired", "not", "no access")
)


def _either(label: str, one: str, other: str) -> str:
    return f"<span class='pair'>{label} {_BOX}{one} {_BOX}{other}</span>"


_READINGS = "".join(
    f"<span class='one'>{line}</span>"
    for line in (
        f"ohms {_LINE} volts {_LINE} load {_LINE} A",
        _either("own GFCI button", "trips", "not") + _either("jumper", "y", "n"),
        _either("polarity", "right", "swapped") + _either("ground", "y", "n"),
    )
)


def _foot() -> str:
    def signed(role: str, more: str) -> str:
        return (
            f"<tr><td><span class='strong'>{role}</span>, name <span class='line'></span></td>"
            f"<td>{more} <span class='line short'></span></td>"
            "<td>date <span class='line short'></span></td>"
            "<td>signature <span class='line'></span></td></tr>"
        )

    cautions = " · ".join(as_html(each) for each in CAUTIONS)
    return (
        "<div class='foot'><table class='sign'>"
        + signed("Worked", "licence, permit")
        + signed("Looked (another person)", "method")
        + "</table><p class='cautions'>What is ticked here is a report, and reported is not "
        f"proven. <span class='strong'>{cautions}</span></p></div>"
    )


def _words(cell: object) -> str:
    return "" if cell is None or pd.isna(cell) else str(cell).replace("_", " ")  # type: ignore[call-overload]


def _cut(cell: object, most: int = LONGEST_NAME) -> str:
    """Return a text of data in one line, no longer than a row has room for."""
    text = "" if cell is None or pd.isna(cell) else " ".join(str(cell).split())  # type: ignore[call-overload]
    return text if len(text) <= most else text[: most - 1] + "…"
