"""Day of looks: which crew goes where on a day, in which order, to which openings, and how."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pandas as pd
import streamlit as st

from dashboard.charts.looks import stops_by_place
from dashboard.components import plate
from dashboard.components.downloads import XLSX_TYPE, downloads
from dashboard.components.enough_looks import panel
from dashboard.components.figures import day, missing, number, plural, word
from dashboard.components.frame import follow, opened, screen, state_of_build
from dashboard.components.picture import picture, tone
from dashboard.components.planned_looks import Asked, plan_of
from dashboard.components.source import Source, rule_book
from dashboard.components.urgent_rows import first_measure
from pipeline.planning.day import DayPlan, clock, way_back_told
from pipeline.planning.look_sheet import how as looked_how
from pipeline.planning.look_sheet import look_page, look_workbook
from pipeline.screens.section import section


def asked() -> Asked | None:
    """The controls; what was asked for last, once the button was pressed."""
    with st.form("looks"):
        columns = st.columns(4)
        with columns[0]:
            crews = st.number_input("Crews", 1, 20, 1, key="crews")
        with columns[1]:
            hours = st.number_input(
                "Hours of each", 0.5, 24.0, 8.0, step=0.5, format="%g", key="hours"
            )
        with columns[2]:
            on = st.date_input("Day", value="today", key="looks-on", format="YYYY-MM-DD")
        with columns[3]:
            lot = st.number_input(
                "By lot, % of the time",
                0.0,
                100.0,
                100 * float(rule_book().looks.random_share),
                step=5.0,
                format="%g",
                key="lot",
                help="Visits drawn by lot, so that rates stay honest where nobody expects much.",
            )
        columns = st.columns([3, 3, 2], vertical_alignment="bottom")
        with columns[0]:
            apart = st.checkbox("Others go to what is urgent: leave it out", key="urgent-apart")
        with columns[1]:
            reports = st.checkbox(
                "Go wherever an open citation or complaint speaks of outlets", key="open-reports"
            )
        with columns[2]:
            unseen = st.number_input(
                "Not looked at for, years",
                0.5,
                100.0,
                None,
                step=0.5,
                format="%g",
                key="unseen-years",
                placeholder="no cycle",
                help="Go to buildings at which nobody looked for so long by a method able to see "
                "a false ground, as a statutory cycle may ask; the longest first.",
            )
        if st.form_submit_button("Plan the day", type="primary"):
            st.session_state["looks-asked"] = (
                *(int(crews), float(hours), on, lot / 100, not apart, reports),
                None if unseen is None else float(unseen),
            )
    found: Asked | None = st.session_state.get("looks-asked")
    return found


def answer(found: DayPlan, wanted: Asked) -> str:
    """The plan in a sentence, and what is to be known of it."""
    crews, _, on, _, urgent, *_ = wanted
    told = list(found.told)
    if not urgent:
        told.insert(0, "What is urgent is left out of this plan; others must go there.")
    lines = "".join(f"<p>▲ {plate.text(line)}</p>" for line in told)
    listed = (
        f"<p>All that is urgent stands on top of {plate.link('Where next?', 'where-next')}</p>"
        if found.left or not urgent
        else ""
    )
    return (
        f'<section class="panel next"><h3>{plural(len(found.stops), "stop")} for '
        f"{plural(crews, 'crew')} on {on:%A}, {day(on)}</h3>"
        f"<p>{plate.text(found.how_made())}</p>{lines}{listed}"
        f"{first_measure() if found.stops['must_visit'].any() else ''}</section>"
    )


def columns() -> list[plate.Column]:
    """The columns of a crew's stops."""

    def place(row: dict[str, Any]) -> str:
        shown = row["building_id"] if missing(row["name"]) else row["name"]
        unit = "no unit named" if missing(row["unit_id"]) else f"unit {row['unit_id']}"
        facts = [row["building_id"], None if row["address"] == shown else row["address"]]
        told = " · ".join(str(each) for each in facts if not missing(each) and each != shown)
        return (
            f'<span class="strong">{plate.link(shown, "building", id=row["building_id"])}</span>'
            f'<br>{plate.text(unit)}<br><span class="soft small">{plate.text(told)}</span>'
        )

    def opening(row: dict[str, Any]) -> str:
        known = not missing(row["opening_id"])
        shown = plate.text(row["opening_id"] if known else f"{row['how_many']} at random")
        beside = [None if missing(row["room"]) else word(row["room"])]
        beside += [f"speaks of {', '.join(row['also'])} too" if len(row["also"]) else None]
        told = ", ".join(each for each in beside if each)
        return shown + (f'<br><span class="soft small">{plate.text(told)}</span>' if told else "")

    def how(row: dict[str, Any]) -> str:
        chip = ""
        if row["must_visit"]:
            chip = '<br><span class="chip urgent">▲ Urgent</span>'
        elif row["asked_for"]:
            chip = '<br><span class="chip quiet">asked for</span>'
        elif row["random_pick"]:
            chip = '<br><span class="chip quiet">by lot</span>'
        return plate.text(looked_how(row)) + chip

    def notice(row: dict[str, Any]) -> str:
        past = '<br><span class="chip quiet">▲ past</span>' if row["notice_too_late"] else ""
        return plate.text(day(row["notice_by"])) + past

    def counted(shown: str) -> str:
        return f'<span class="num">{shown}</span>'

    return [
        plate.Column("Stop", lambda r: counted(f"{r['order']}"), half=True, width="3rem"),
        plate.Column("After", lambda r: counted(clock(r["begins_after"])), half=True, width="3rem"),
        plate.Column("Building and unit", place, heads=True, width="10rem"),
        plate.Column("Opening", opening, half=True, width="6rem"),
        plate.Column("How", how, half=True, width="7rem"),
        plate.Column("Minutes", lambda r: counted(f"{r['minutes']:g}"), half=True, width="4rem"),
        plate.Column(
            "Finds", lambda r: counted(number(r["expected_new_dangerous"])), half=True, width="4rem"
        ),
        plate.Column("Notice by", notice, half=True, width="6rem"),
        plate.Column("Why", lambda r: plate.text(r["why"]), width="20rem"),
    ]


def sheets(source: Source, found: DayPlan, on: dt.date) -> None:
    """The field sheet to fill in, and the page to print."""
    cut = {each: source.ask(section, each) for each in set(found.stops["building_id"])}

    def printed(plan: DayPlan, day: dt.date) -> str:
        return look_page(plan, day, cut)

    with st.container(horizontal=True, gap="small"):
        for label, made, ending, mime in (
            ("Sheet to fill in and take in (XLSX)", look_workbook, "xlsx", XLSX_TYPE),
            ("Sheet to print (HTML)", printed, "html", "text/html"),
        ):
            st.download_button(
                label,
                data=lambda made=made: made(found, on),
                file_name=f"looks-{on}.{ending}",
                mime=mime,
                key=f"sheet-{ending}",
                on_click="ignore",
                icon=":material/print:",
            )


def crew_table(crew: dict[str, Any], stops: pd.DataFrame) -> None:
    """One crew's stops."""
    told = (
        f"{plural(crew['stops'], 'stop')}, {crew['minutes'] / 60:.1f} of {crew['hours']:g} hours"
        f"{way_back_told(crew['way_back_minutes'])}, "
        f"{number(crew['expected_new_dangerous'])} dangerous openings expected to be found. After: "
        "hours and minutes from the start of the day. Finds: dangerous openings that nobody knows "
        "of, expected."
    )
    st.subheader(plate.label(f"Crew {crew['crew']}"), anchor=False)
    rows = stops[stops["crew"] == crew["crew"]].to_dict(orient="records")
    body = plate.table(
        [{str(key): value for key, value in row.items()} for row in rows],
        columns(),
        plate.text(told),
        row_class=lambda row: "urgent" if row["must_visit"] else "",
    )
    follow(plate.show(body, key=f"stops-{crew['crew']}"))


@screen(
    "Day of looks",
    "Which crew goes where on a day, in which order, to which openings, and how to look: urgent "
    "ones first, what is asked for, a share by lot, then what finds most danger that nobody "
    "knows of. Nothing is written down here: visits are planned under Visits.",
)
def page() -> None:
    """The screen."""
    source = opened()
    state_of_build(source)
    wanted = asked()
    panel(source)
    if wanted is not None:
        _show(source, wanted)


def _show(source: Source, wanted: Asked) -> None:
    with st.spinner("Planning …"):
        found = plan_of(source, wanted)
    follow(plate.show(answer(found, wanted), key="answer"))
    if found.stops.empty:
        return
    sheets(source, found, wanted[2])
    for crew in found.crews.to_dict(orient="records"):
        crew_table({str(key): value for key, value in crew.items()}, found.stops)
    downloads(found.stops, "looks", "All stops")
    placed = found.stops.dropna(subset=["latitude", "longitude"])
    if len(placed):
        st.subheader("Where the stops are", anchor=False)
        st.markdown(
            "By latitude and longitude, not to scale. Beside each building stand crew and first "
            "stop; a triangle is urgent."
        )
        picture(
            stops_by_place(plate.cells(placed), tone()),
            "Buildings of the plan by latitude and longitude, each crew's joined in order",
            placed[["crew", "order", "building_id", "name", "latitude", "longitude"]],
            "stops-by-place",
        )


page()
