"""One building, whole: its facts, its score step by step, every opening, its history, what next."""

from __future__ import annotations

from typing import Any

import pandas as pd
import streamlit as st

from dashboard.charts.score_steps import score_steps as steps_picture
from dashboard.charts.timeline import timeline as timeline_picture
from dashboard.components import plate
from dashboard.components.building_section import chosen, drawn, opening_panel
from dashboard.components.downloads import downloads
from dashboard.components.figures import (
    ORDER_TOLD,
    SCORE_UNIT,
    between,
    count,
    day,
    missing,
    number,
    percent,
    plural,
    word,
)
from dashboard.components.finding_rows import finding_class, finding_columns
from dashboard.components.findings_source import dated_findings
from dashboard.components.frame import empty, follow, opened, screen, state_of_build
from dashboard.components.opening_rows import opening_class, opening_columns
from dashboard.components.picture import picture, tone
from dashboard.components.source import Source, likelihoods, rule_book
from dashboard.components.urgent_rows import first_measure, report_line
from dashboard.print.building_sheet import building_sheet
from pipeline.scoring.explanation import error_told, next_look_told, spread_told
from pipeline.screens import whole_building
from pipeline.screens.section import Section, section
from pipeline.warehouse import queries

OPENINGS_SHOWN = 60
LISTED_AT_ONCE = 12
"""Of more openings the list is opened on demand."""
FINDINGS_SHOWN = 15
REPORTS_SHOWN = 20


def chosen_building(source: Source) -> str | None:
    """The building in the address, or one that is picked from the list."""
    wanted = st.query_params.get("id")
    with st.container(horizontal=True, vertical_alignment="bottom"):
        search = st.text_input(
            "Find a building", key="find", placeholder="Name, address or number", width=360
        )
        if search:
            found = source.ask(whole_building.ids, search, 20)
            if found.empty:
                st.caption("Nothing fits these words.")
            for row in found.head(4).to_dict(orient="records"):
                named = plate.label(f"{row['name']} · rank {row['rank']}")
                if st.button(named, key=f"go-{row['building_id']}"):
                    st.session_state.pop("find", None)
                    st.query_params["id"] = str(row["building_id"])
                    st.rerun()
    return wanted


def heading(row: dict[str, Any]) -> str:
    """Name, address and standing."""
    place = ", ".join(
        str(part) for part in (row["address"], row["postal_code"], row["city"]) if not missing(part)
    )
    chips = ""
    if row["urgent"]:
        chips += ' <span class="chip urgent">▲ Urgent</span>'
    if row["confirmed_defects"]:
        confirmed = plural(row["confirmed_defects"], "confirmed defect")
        chips += f' <span class="chip confirmed">{confirmed}</span>'
    if not row["in_register"]:
        chips += ' <span class="chip quiet">in no register</span>'
    name = row["name"] if not missing(row["name"]) else row["building_id"]
    number_of = "" if missing(row["name"]) else str(row["building_id"])
    who = " · ".join(
        f"{label} {row[key]}"
        for label, key in (("owner", "owner"), ("manager", "manager"))
        if not missing(row[key])
    )
    return (
        f'<h2 class="name">{plate.text(name)}{chips}</h2><p class="soft">'
        + plate.text(" · ".join(part for part in (number_of, place, who) if part))
        + "</p>"
    )


def key_figures(row: dict[str, Any]) -> str:
    """The building's standing in five figures."""
    return plate.figures(
        [
            (
                "Rank",
                f"{row['rank']}",
                f"{row['rank_low']} to {row['rank_high']} with 90 %; among the first "
                f"{row['top']:.0f} with {percent(row['p_top'])}",
            ),
            (
                "Burden",
                number(row["burden"]),
                f"{number(row['expected_dangerous_openings'])} dangerous openings expected of "
                f"{count(row['openings'])} ({row['dangerous_low']}–{row['dangerous_high']} with "
                f"90 %) × {number(row['exposed_per_dwelling'])} people; any at all: "
                f"{percent(row['p_any_dangerous'])}",
            ),
            (
                "Score",
                number(row["score"]),
                f"{between(row['score_low'], row['score_high'])} with 90 %; "
                f"{number(row['score_per_dwelling'])} per dwelling",
            ),
            (
                "Blind share",
                percent(row["blind_share"]),
                "of three-slot openings, never seen by a method able to see a false ground",
            ),
            (
                "Rests on evidence",
                percent(row["evidence_share"]),
                "of the score; the rest is assumption",
            ),
        ]
    )


def next_panel(row: dict[str, Any]) -> str:
    """What to look at next, and why the building stands where it stands."""
    kind = "urgent" if row["urgent"] else "next"
    first = first_measure() if row["urgent"] else ""
    reasons = "".join(f"<li>{plate.text(reason)}</li>" for reason in row["reasons"])
    return (
        f'<section class="panel {kind}"><h3>Look at next</h3><p>{plate.text(row["next_look"])}</p>'
        f'<p class="soft">{plate.text(next_look_told(row))}</p>{first}'
        f"<h3>Why, what weighs most in the score first</h3><ul>{reasons}</ul>"
        f'<p class="soft small">{ORDER_TOLD}</p></section>'
    )


def facts_table(facts: pd.DataFrame) -> str:
    """Facts, who says so, and who says otherwise."""

    def value(row: dict[str, Any]) -> str:
        if not missing(row["value"]):
            unit = f" {row['unit']}" if row["unit"] else ""
            shown = word(row["value"]) if row["fact"] == "wiring_method" else row["value"]
            return plate.text(f"{_trimmed(shown)}{unit}")
        if not missing(row["assumed"]):
            return f'<span class="soft">assumed: {plate.text(row["assumed"])}</span>'
        return '<span class="soft">not known</span>'

    def differs(row: dict[str, Any]) -> str:
        if missing(row["differs"]):
            return ""
        return f'<span class="chip confirmed">conflict</span> {plate.text(row["differs"])}'

    return plate.table(
        facts.to_dict(orient="records"),
        [
            plate.Column("Fact", lambda r: plate.text(word(r["fact"])), heads=True, width="12rem"),
            plate.Column("Value", value),
            plate.Column("Source", lambda r: plate.text(r["source"]) or "–"),
            plate.Column("Others say", differs),
        ],
        "What is known about the building and who says so. Where sources differ, the one with the "
        "higher precedence, then the later, counts.",
    )


def _trimmed(value: object) -> str:
    text = str(value)
    return text.removesuffix(".0") if text.replace(".", "").isdigit() else text


def unit_choice(frame: pd.DataFrame) -> pd.DataFrame:
    """Narrow openings to a unit or to a kind."""
    kinds = {
        "all": "all",
        "found": "defect confirmed or urgent",
        "blind": "seen by blind methods only",
        "untested": "recorded, never tested",
    }
    left, right = st.columns([2, 3], vertical_alignment="bottom")
    with left:
        units = sorted({str(unit) for unit in frame["unit_id"]})
        unit = st.selectbox(
            "Unit", ["all", *units], format_func=plate.plainly, key="unit", bind="query-params"
        )
    with right:
        kind = st.segmented_control(
            "Openings",
            list(kinds),
            format_func=lambda key: kinds[key],
            default="all",
            key="kind",
            bind="query-params",
        )
    if unit not in (None, "all"):
        frame = frame[frame["unit_id"] == unit]
    if kind == "found":
        frame = frame[frame["confirmed"] | frame["urgent"]]
    elif kind == "blind":
        frame = frame[frame["looked"] & ~frame["sees_false_ground"]]
    elif kind == "untested":
        frame = frame[~frame["looked"]]
    return frame


def section_through(source: Source, building_id: str, openings: pd.DataFrame) -> Section:
    """The building cut open, and the opening that was chosen there."""
    st.subheader("Section through the building", anchor=False)
    cut = source.ask(section, building_id)
    follow(plate.show(drawn(cut), key="section"))
    opening = chosen(cut)
    if opening is not None:
        panel = opening_panel(opening, cut, openings, rule_book())
        follow(plate.show(panel, key="opening"))
    return cut


def openings_section(building_id: str, frame: pd.DataFrame) -> None:
    """Every opening, by unit and room."""
    if frame.empty:
        empty("no-openings", "No opening is recorded here", "Nobody sent a look at this building.")
        return
    narrowing = any(name in st.query_params for name in ("unit", "kind"))
    with st.expander(
        f"List of {plural(len(frame), 'recorded opening')} with what speaks against what",
        expanded=narrowing or len(frame) <= LISTED_AT_ONCE,
    ):
        narrowed = unit_choice(frame)
        shown = narrowed.head(OPENINGS_SHOWN)
        if narrowed.empty:
            empty("no-such-openings", "None of that kind", "Choose another unit or kind.")
        else:
            more = len(narrowed) - len(shown)
            caption = (
                f"{plural(len(narrowed), 'opening')}"
                + (f", the first {len(shown)} shown" if more else "")
                + ". “Speaks against” and “remains possible” follow from the readings and the "
                "circuit model; percentages also use what is known of the building."
            )
            plate.show(
                plate.table(
                    shown.to_dict(orient="records"),
                    opening_columns(),
                    plate.text(caption),
                    row_class=opening_class,
                ),
                key="openings",
            )
    downloads(frame, f"openings-{building_id}", "All openings of this building")


def findings_section(source: Source, building_id: str, row: dict[str, Any]) -> None:
    """What was found here and what was done about it."""
    every = dated_findings()
    own = every[every["building_id"] == building_id]
    if own.empty:
        return
    st.subheader("Findings", anchor=False)
    reported, effect = source.ask(whole_building.reported_effect, building_id)
    if reported:
        st.markdown(
            f"{plural(reported, 'opening')} with a fix that is reported but not proven. The score "
            f"does not count them; proven by capable looks they would take about "
            f"**{number(effect)}** off its {number(row['score'])}."
        )
    body = plate.table(
        own.head(FINDINGS_SHOWN).to_dict(orient="records"),
        [c for c in finding_columns() if c.label != "Building"],
        f"{plural(len(own), 'finding')}, most pressing first"
        + (f"; the first {FINDINGS_SHOWN} shown." if len(own) > FINDINGS_SHOWN else "."),
        row_class=finding_class,
    )
    follow(plate.show(body, key="findings"))
    downloads(own, f"findings-{building_id}", "Findings of this building")


@screen(
    "One building",
    "Everything that is known and not known about one building, and how its score comes about.",
)
def page() -> None:
    """The screen."""
    source = opened()
    building_id = chosen_building(source)
    if building_id is None:
        found = source.ask(whole_building.ids, "", 8)
        lines = "".join(
            f"<li>{plate.link(r['name'], 'building', id=r['building_id'])} "
            f'<span class="soft">rank {r["rank"]}</span></li>'
            for r in found.to_dict(orient="records")
        )
        body = f'<div class="empty"><h3>Which building?</h3><ul>{lines}</ul></div>'
        follow(plate.show(body, key="which"))
        return
    building = source.ask(queries.building, building_id)
    row = {str(k): v for k, v in building.iloc[0].to_dict().items()}
    plate.show(heading(row), key="heading")
    state_of_build(source)
    plate.show(key_figures(row), key="figures")
    plate.show(next_panel(row), key="next")

    book = rule_book()
    limit = float(book.evidence.points_at)
    openings = whole_building.openings(source.cursor(), likelihoods(book), limit, building_id)
    cut = section_through(source, building_id, openings)
    openings_section(building_id, openings)

    st.subheader("How the score comes about", anchor=False)
    st.caption(
        f"Score: {SCORE_UNIT}. Each step adds to, or takes from, the one above. "
        f"{error_told(percent(row['score_error']))} {spread_told(row)}"
    )
    steps = whole_building.score_steps(building)
    told = ", ".join(f"{r.label} {number(r.value)}" for r in steps.itertuples())
    picture(steps_picture(steps, tone()), f"Steps of the score: {told}", steps, "score-steps")

    findings_section(source, building_id, row)

    st.subheader("When it was looked at", anchor=False)
    times = source.ask(whole_building.timeline, building_id)
    if times.empty:
        empty("no-looks", "No dated look", "No look at this building carries a date.")
    else:
        span = f"{day(times['observed_on'].min())} to {day(times['observed_on'].max())}"
        picture(
            timeline_picture(times, tone()), f"Looks by method and day, {span}", times, "timeline"
        )
        if st.toggle("Show every look, newest first", key="looks"):
            looks = source.ask(queries.looks, building_id)
            st.dataframe(
                plate.grid(looks.head(500)),
                hide_index=True,
                alt=f"Looks at this building, {len(looks)} rows",
                height=360,
            )
            downloads(looks, f"looks-{building_id}", "All looks at this building")

    st.subheader("Facts", anchor=False)
    facts = whole_building.register_facts(source.workspace, source.cursor(), building)
    plate.show(facts_table(facts), key="facts")
    downloads(facts, f"facts-{building_id}", "Facts of this building")
    quality = source.ask(queries.data_quality, building_id)
    if len(quality):
        st.markdown("**What does not fit together**")
        for message in quality["message"].head(20):
            st.markdown("- " + plate.label(message))
        downloads(quality, f"quality-{building_id}", "What does not fit together")

    reports = source.ask(queries.reports, building_id)
    if len(reports):
        st.subheader("Citations, complaints, work orders, permits", anchor=False)
        st.caption(
            "Words of people who mostly looked at no box. A shock, live metal or heat stays urgent "
            "until every recorded opening that may be meant was opened since; a paper that is "
            "closed answers nothing."
        )
        lines = "".join(map(report_line, reports.head(REPORTS_SHOWN).to_dict(orient="records")))
        follow(plate.show(f"<ul>{lines}</ul>", key="reports"))
        downloads(reports, f"reports-{building_id}", "What papers say of this building")

    st.subheader("On paper", anchor=False)
    st.markdown("One page after another for A4 or Letter, with the cautions.")
    st.download_button(
        "Printable page (HTML)",
        data=lambda: building_sheet(row, steps, cut, openings, facts, source.version, source.built),
        file_name=f"building-{building_id}.html",
        mime="text/html",
        on_click="ignore",
        icon=":material/print:",
    )


page()
