"""One building on paper."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

import pandas as pd
from markupsafe import Markup

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
from dashboard.components.urgent_rows import grounds
from pipeline.pages import page
from pipeline.pages.section_drawing import SECTION_CSS, place_on_page, section_drawing
from pipeline.screens.section import Section


def building_sheet(
    row: Mapping[str, Any],
    steps: pd.DataFrame,
    section: Section,
    openings: pd.DataFrame,
    facts: pd.DataFrame,
    version: str,
    built: dt.datetime | None,
) -> str:
    """One building as a page of HTML that needs nothing else.

    Args:
        row: the row of ``queries.building``.
        steps: ``whole_building.score_steps``.
        section: the building cut open, on a page of its own.
        openings: ``whole_building.openings``.
        facts: ``whole_building.register_facts``.
        version: of the warehouse.
        built: when it was built.
    """
    of = count(row["openings"])
    numbers = {(each.unit_id, each.opening_id): each.number for each in section.openings}
    place = (row[key] for key in ("address", "postal_code", "city"))
    name = row["building_id"] if missing(row["name"]) else row["name"]
    columns = opening_rows.opening_columns()
    return page(
        "building.html",
        title=f"{name} – Coverplate",
        name=name,
        building_id=row["building_id"],
        place=", ".join(str(each) for each in place if not missing(each)),
        urgent=_urgent(openings) if row["urgent"] else [],
        urgent_openings=plural(row["urgent_openings"], "opening"),
        figures=[
            (f"Rank {row['rank']}", f"({row['rank_low']} to {row['rank_high']} with 90 %)"),
            (f"burden {number(row['burden'])}", ""),
            (
                f"score {number(row['score'])}",
                f"({between(row['score_low'], row['score_high'])} with 90 %)",
            ),
            (f"{row['dangerous_low']}–{row['dangerous_high']}", f"dangerous openings of {of}"),
            ("blind share", percent(row["blind_share"])),
        ],
        order=f"{ORDER_TOLD} Burden: {BURDEN_UNIT}. Score: {SCORE_UNIT}.",
        next_look=row["next_look"],
        reasons=row["reasons"],
        steps=[
            (each.label, each.meaning, told(each.value))
            for each in steps.itertuples()
            for told in (number if each.step in ("baseline", "score") else signed,)
        ],
        section_css=Markup(SECTION_CSS),
        section=Markup(section_drawing(section, place_on_page)),
        heads=[column.label for column in columns],
        openings=[
            (
                numbers[record["unit_id"] or "", record["opening_id"]],
                [Markup(column.cell(record)) for column in columns],
            )
            for record in openings.to_dict(orient="records")
        ],
        facts=[_fact(fact) for fact in facts.to_dict(orient="records")],
        built=None if built is None else day(built),
        version=version,
    )


def _urgent(openings: pd.DataFrame) -> list[dict[str, str]]:
    return [
        {
            "told": (f"unit {opening['unit_id']}, " if opening["unit_id"] else "")
            + f"opening {opening['opening_id']}: {word(opening['urgent_defect'])} "
            f"({opening['standing']})",
            "grounds": Markup(grounds(opening["grounds"])),
        }
        for opening in openings[openings["urgent"]].to_dict(orient="records")
    ]


def _fact(fact: Mapping[Any, Any]) -> tuple[str, str, str, str]:
    value = f"{word(fact['value'])} {fact['unit']}".strip()
    if missing(fact["value"]):
        assumed = fact["assumed"]
        value = "not known" if missing(assumed) else f"assumed: {assumed}"
    source, differs = (fact[key] for key in ("source", "differs"))
    said_by = "–" if missing(source) or not source else source
    return word(fact["fact"]), value, said_by, "" if missing(differs) else differs
