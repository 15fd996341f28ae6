"""One building on paper."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

import pandas as pd

from dashboard.components import opening_rows
from dashboard.components.figures import (
    BURDEN_UNIT,
    ORDER_TOLD,
    SCORE_UNIT,
    between,
    count,
    day,
    missing,
    number,
    percent,
    plural,
    signed,
    word,
)
from dashboard.components.plate import text
from dashboard.components.urgent_rows import first_measure, grounds
from shared.vocabulary import CAUTIONS

STYLE = """
@page { margin: 15mm 14mm 18mm; }
* { box-sizing: border-box; }
body { font: 10pt/1.4 Georgia, "Times New Roman", serif; color: #1d1f20; max-width: 182mm;
  margin: 0 auto; padding: 4mm; }
h1 { font-size: 17pt; margin: 0 0 1mm; } h2 { font-size: 12pt; margin: 6mm 0 1.5mm;
  border-bottom: 1.5pt solid #8a4518; padding-bottom: 0.6mm; break-after: avoid; }
p { margin: 0 0 1.5mm; } .soft { color: #55524a; } .strong { font-weight: bold; }
.small { font-size: 8.5pt; } .num { white-space: nowrap; }
table { width: 100%; border-collapse: collapse; font-size: 8.5pt; }
th { text-align: left; border-bottom: 1pt solid #1d1f20; padding: 1mm 2mm 1mm 0; }
td { border-bottom: 0.4pt solid #b9b2a4; padding: 1mm 2mm 1mm 0; vertical-align: top; }
tr { break-inside: avoid; } thead { display: table-header-group; }
.right { text-align: right; } .total td { border-top: 1pt solid #1d1f20; font-weight: bold; }
.chip { border: 0.6pt solid currentColor; padding: 0 1mm; font-size: 8pt; white-space: nowrap; }
.urgent { border: 1.5pt solid #98231c; padding: 2mm 3mm; margin: 2mm 0; }
.cautions { margin-top: 6mm; border: 1pt solid #1d1f20; padding: 2mm 3mm; break-inside: avoid; }
ul { margin: 0 0 1.5mm; padding-left: 5mm; }
@media print { body { padding: 0; max-width: none; } }
"""


def building_sheet(
    row: Mapping[str, Any],
    steps: pd.DataFrame,
    openings: pd.DataFrame,
    facts: pd.DataFrame,
    version: str,
    built: dt.datetime | None,
) -> str:
    """One building as a page of HTML that needs nothing else.

    Args:
        row: the row of ``queries.building``.
        steps: ``whole_building.score_steps``.
        openings: ``whole_building.openings``.
        facts: ``whole_building.register_facts``.
        version: of the warehouse.
        built: when it was built.
    """
    name = row["name"] if not missing(row["name"]) else row["building_id"]
    place = ", ".join(
        str(row[key]) for key in ("address", "postal_code", "city") if not missing(row[key])
    )
    urgent = _urgent(row, openings) if row["urgent"] else ""
    cautions = "".join(f"<li>{text(caution)}</li>" for caution in CAUTIONS)
    reasons = "".join(f"<li>{text(reason)}</li>" for reason in row["reasons"])
    made = f"Built {day(built)}. " if built is not None else ""
    return f"""<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>{text(name)} – Coverplate</title>
<meta name="viewport" content="width=device-width, initial-scale=1"><style>{STYLE}</style></head>
<body>
<h1>{text(name)}</h1>
<p class="soft">{text(row["building_id"])}{" · " + text(place) if place else ""}</p>
{urgent}
<p><b>Rank {row["rank"]}</b> ({row["rank_low"]} to {row["rank_high"]} with 90 %) ·
<b>burden {number(row["burden"])}</b> ·
<b>score {number(row["score"])}</b> ({between(row["score_low"], row["score_high"])} with 90 %) ·
<b>{row["dangerous_low"]}–{row["dangerous_high"]}</b> dangerous openings of {count(row["openings"])}
· blind share {percent(row["blind_share"])}</p>
<p class="soft small">{ORDER_TOLD} Burden: {BURDEN_UNIT}. Score: {SCORE_UNIT}.</p>
<h2>Look at next</h2><p>{text(row["next_look"])}</p><ul>{reasons}</ul>
<h2>How the score comes about</h2>{_steps(steps)}
<h2>Openings</h2>{_openings(row, openings)}
<h2>Facts</h2>{_facts(facts)}
<div class="cautions"><ul>{cautions}</ul></div>
<p class="soft small">{made}Warehouse {text(version)}. Coverplate.</p>
</body></html>
"""


def _urgent(row: Mapping[str, Any], openings: pd.DataFrame) -> str:
    lines = []
    for opening in openings[openings["urgent"]].to_dict(orient="records"):
        unit = f"unit {opening['unit_id']}, " if opening["unit_id"] else ""
        lines.append(
            f"<li>{text(unit)}opening {text(opening['opening_id'])}: "
            f"{text(word(opening['urgent_defect']))} ({text(opening['standing'])})"
            f"<ul>{grounds(opening['grounds'])}</ul></li>"
        )
    return (
        '<div class="urgent"><p><b>▲ Urgent, whatever the score:</b> '
        f"{plural(row['urgent_openings'], 'opening')} plainly reported or measured.</p>"
        f"<ul>{''.join(lines)}</ul>{first_measure()}</div>"
    )


def _steps(steps: pd.DataFrame) -> str:
    lines = []
    for step in steps.itertuples():
        whole = step.step in ("baseline", "score")
        value = number(step.value) if whole else signed(step.value)
        kind = ' class="total"' if step.step == "score" else ""
        lines.append(
            f"<tr{kind}><td>{text(step.label)}</td><td>{text(step.meaning)}</td>"
            f'<td class="right num">{value}</td></tr>'
        )
    return (
        "<table><thead><tr><th>Step</th><th>What it is</th><th class='right'>Adds</th></tr></thead>"
        f"<tbody>{''.join(lines)}</tbody></table>"
    )


def _openings(row: Mapping[str, Any], openings: pd.DataFrame) -> str:
    unseen = int(row["openings_unseen"])
    never = (
        f"<p>{plural(unseen, 'opening')} of {count(row['openings'])} never recorded"
        f"{' (number of openings assumed)' if row['openings_assumed'] else ''}.</p>"
        if unseen
        else ""
    )
    if openings.empty:
        return never + "<p>No opening is recorded.</p>"
    columns = opening_rows.opening_columns()
    head = "".join(f"<th>{column.label}</th>" for column in columns)
    body = "".join(
        "<tr>" + "".join(f"<td>{column.cell(record)}</td>" for column in columns) + "</tr>"
        for record in openings.to_dict(orient="records")
    )
    return f"{never}<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def _facts(facts: pd.DataFrame) -> str:
    lines = []
    for fact in facts.to_dict(orient="records"):
        value = fact["value"] if not missing(fact["value"]) else None
        shown = (
            text(f"{word(value)} {fact['unit']}".strip())
            if value is not None
            else text(
                f"assumed: {fact['assumed']}" if not missing(fact["assumed"]) else "not known"
            )
        )
        lines.append(
            f"<tr><td>{text(word(fact['fact']))}</td><td>{shown}</td>"
            f"<td>{text(fact['source']) or '–'}</td><td>{text(fact['differs'])}</td></tr>"
        )
    return (
        "<table><thead><tr><th>Fact</th><th>Value</th><th>Source</th><th>Others say</th></tr>"
        f"</thead><tbody>{''.join(lines)}</tbody></table>"
    )
