"""The field sheet of a plan of looks: a workbook that comes back by intake, and a page to print."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

import duckdb
from markupsafe import Markup
from openpyxl import Workbook

from pipeline.ledger.visit_workbook import LOOK, lay_out, saved
from pipeline.pages import page
from pipeline.pages.section_drawing import SECTION_CSS, section_drawing
from pipeline.planning.day import DayPlan, clock, way_back_told
from pipeline.screens.section import Section, section
from shared.in_words import words
from shared.plan_marks import marked

SHEET_NAME = 31
"""Letters that the name of a sheet may have (ECMA-376, of the programs that fill it in)."""


MOST_IN_A_ROW = 12
"""Openings chosen at random that one row of the printed page has room for."""


def look_workbook(plan: DayPlan, day: dt.date) -> bytes:
    """Return the sheets of a day as XLSX, one a crew, a row an opening to look at.

    Openings that the electrician chooses have rows without a name, to be filled in. The name of a
    sheet ends with a mark of the plan: what comes back on two of them is no correction of one by
    the other, even where both came in files of one name (sql/02_put_otherwise.sql).
    """
    made = Workbook()
    assert made.active is not None
    made.remove(made.active)
    for number, crew in enumerate(plan.crews["crew"], start=1):
        stops = plan.stops[plan.stops["crew"] == crew].to_dict(orient="records")
        known = [each for stop in stops for each in _rows({str(k): v for k, v in stop.items()})]
        name = "".join(c if c not in r"[]:*?/\'" else " " for c in f"{number} {crew}")
        rows = known or [_HEADER]
        lay_out(made.create_sheet(marked(name, (day, rows), SHEET_NAME)), rows, LOOK)
    return saved(made)


_HEADER = dict.fromkeys(
    (
        "Stop",
        "Building",
        "Unit",
        "Opening",
        "Room",
        "Circuit",
        "Picked",
        "To look how",
        "Why",
        "Must be filled in",
    ),
    "",
)


def _rows(stop: dict[str, Any]) -> list[dict[str, str]]:
    openings = [stop["opening_id"], *stop["also"]] if stop["opening_id"] else []
    return [
        {
            "Stop": str(stop["order"]),
            "Building": str(stop["building_id"]),
            "Unit": stop["unit_id"] or "",
            "Opening": opening,
            "Room": stop["room"] or "",
            "Circuit": stop["circuit_id"] or "",
            "Picked": stop["picked"],
            "To look how": how(stop),
            "Why": stop["why"],
            "Must be filled in": "; ".join(_HEADER_OF[each] for each in stop["must_say"]),
        }
        for opening in openings or [""] * stop["how_many"]
    ]


_HEADER_OF = {column: name for name, column in LOOK.items()}


def sections_of(con: duckdb.DuckDBPyConnection, plan: DayPlan) -> dict[str, Section]:
    """The buildings of a plan, cut open, by their identifiers."""
    return {each: section(con, each) for each in sorted(set(plan.stops["building_id"]))}


def look_page(plan: DayPlan, day: dt.date, sections: Mapping[str, Section]) -> str:
    """Return the sheets as one HTML page for print, a crew a sheet, that fetches nothing.

    Args:
        plan: the plan.
        day: of which day.
        sections: ``sections_of`` it; each is drawn behind the sheet with the stops marked.
    """
    crews = []
    for crew in plan.crews.to_dict(orient="records"):
        stops = plan.stops[plan.stops["crew"] == crew["crew"]].to_dict(orient="records")
        dwellings: list[dict[str, Any]] = []
        for stop in stops:
            key = (stop["building_id"], stop["unit_id"], stop["must_visit"])
            if not dwellings or dwellings[-1]["key"] != key:
                dwellings.append({"key": key, "head": _place(stop), "stops": []})
            dwellings[-1]["stops"].append({
                **{str(k): v for k, v in stop.items()},
                "method": how(stop),
                "must_say": [_HEADER_OF[each] for each in stop["must_say"]],
                "after": clock(stop["begins_after"]),
                "rows": [1] if stop["opening_id"] else _rows_of(stop["how_many"]),
            })  # fmt: skip
        crews.append(
            {
                **crew,
                "back": way_back_told(crew["way_back_minutes"]),
                "dwellings": dwellings,
                "urgent": any(s["must_visit"] for s in stops),
                "buildings": _drawn(stops, sections),
            }
        )
    return page(
        "looks.html",
        title=f"Looks on {day:%A}, {day.day} {day:%B %Y}",
        crews=crews,
        told=plan.told,
        section_css=Markup(SECTION_CSS),
    )


def _drawn(
    stops: list[dict[str, Any]], sections: Mapping[str, Section]
) -> list[tuple[str, Markup]]:  # fmt: skip
    """The buildings of a way, each with its stops marked."""
    by_building: dict[str, dict[tuple[str, str], int]] = {}
    for stop in stops:
        places = by_building.setdefault(stop["building_id"], {})
        if stop["opening_id"]:
            for opening in (stop["opening_id"], *stop["also"]):
                places.setdefault((stop["unit_id"] or "", opening), stop["order"])
    return [
        (
            f"{building} {sections[building].name}",
            Markup(section_drawing(sections[building].marked(places), lambda _: "")),
        )
        for building, places in by_building.items()
        if building in sections
    ]


def _rows_of(many: int) -> list[int]:
    """How many openings stand in each row of a page: a row that is too long is torn apart."""
    return [min(MOST_IN_A_ROW, many - done) for done in range(0, many, MOST_IN_A_ROW)]


def _place(stop: dict[str, Any]) -> str:
    parts = (
        f"building {stop['building_id']}", stop["name"], stop["address"],
        f"unit {stop['unit_id']}" if stop["unit_id"] else "no unit named",
    )  # fmt: skip
    notice = f"notice by {stop['notice_by']}" + (" (past)" if stop["notice_too_late"] else "")
    return ", ".join(str(each) for each in (*parts, notice) if isinstance(each, str) and each)


def how(stop: Mapping[str, Any]) -> str:
    """How a stop is looked at: its method, and those that it takes besides."""
    return ", with ".join(words(each) for each in (stop["method"], *stop["besides"]))
