"""Years of repairs: which remedy for which opening, circuit, dwelling or building in which year."""

from __future__ import annotations

import datetime as dt
from typing import Any

import duckdb
import pandas as pd
import streamlit as st

from dashboard.charts.repairs import harm_for_money
from dashboard.components import plate
from dashboard.components.building_anew import refused
from dashboard.components.downloads import downloads
from dashboard.components.figures import (
    count,
    day,
    missing,
    number,
    percent,
    plural,
    signed,
    to_the_cent,
    word,
)
from dashboard.components.findings_source import ledger
from dashboard.components.frame import empty, follow, opened, screen, state_of_build
from dashboard.components.picture import picture, tone
from dashboard.components.source import Source, rule_book
from dashboard.components.urgent_rows import first_measure
from pipeline.planning.grants import grants_of
from pipeline.planning.repairs import (
    HARM_UNIT,
    PLAN_TOLD,
    RepairPlan,
    as_written,
    by_building,
    frontier_told,
    harm_told,
    must_told,
    plan_repairs,
    prices_told,
)
from pipeline.screens import findings
from pipeline.warehouse.narrowing import Narrowing
from shared.faults import CoverplateError

Asked = tuple[float | None, float | None, int, str, bool, bool, str, bytes]
"""Budget and electrician hours a year (None: no limit), years, one building or "", frontier, other
assumptions, name and bytes of a file of grants or none."""

LARGEST_GRANTS = 1
"""MB that a file of grants may have."""

SHOWN = 12
JOBS_SHOWN = 60
"""Rows of a table; the downloads hold all."""


def asked() -> Asked | None:
    """The controls; what was asked for last, once the button was pressed."""
    with st.form("repairs"):
        columns = st.columns(4)
        with columns[0]:
            budget = st.number_input(
                "Budget a year", 0.0, 1e12, None, step=1000.0, format="%g", key="budget",
                placeholder="no limit",
            )  # fmt: skip
        with columns[1]:
            hours = st.number_input(
                "Electrician hours a year", 0.0, 1e9, None, step=10.0, format="%g",
                key="electrician-hours", placeholder="no limit",
            )  # fmt: skip
        with columns[2]:
            years = st.number_input("Years", 1, 10, 3, key="years")
        with columns[3]:
            building = st.text_input(
                "Only this building", key="only-building", placeholder="its identifier"
            )
        frontier = st.checkbox(
            "With frontier: what other budgets would leave (slow, several more plans are made)",
            key="frontier",
        )
        assumptions = st.checkbox(
            "With assumptions: which jobs stand under others (slow likewise)", key="assumptions"
        )
        given = st.file_uploader(
            "Grants: a TOML file with [[grants]]: name, amount, and remedies and buildings that "
            "it may pay for",
            type=["toml"],
            max_upload_size=LARGEST_GRANTS,
            key="grants",
        )
        if st.form_submit_button("Plan the repairs", type="primary"):
            name, data = ("", b"") if given is None else (given.name, given.getvalue())
            try:
                grants_of(data, name, rule_book())
            except CoverplateError as refusal:
                refused(refusal)
                return None
            wanted = (
                budget, hours, int(years), building.strip(), frontier, assumptions, name, data,
            )  # fmt: skip
            st.session_state["repairs-asked"] = wanted
    found: Asked | None = st.session_state.get("repairs-asked")
    return found


def planned(
    con: duckdb.DuckDBPyConnection,
    wanted: Asked,
    today: dt.date,
    rule_book_hash: str,
    ledger_version: int,
) -> RepairPlan:
    """The plan; remembered by all that it follows from, so rule book and ledger are named."""
    budget, hours, years, building, frontier, assumptions, name, data = wanted
    return plan_repairs(
        con,
        ledger(),
        rule_book(),
        Narrowing().of([building] if building else []),
        budget=None if budget is None else [budget],
        hours=None if hours is None else [hours],
        years=years,
        grants=grants_of(data, name, rule_book()),
        day=today,
        frontier=frontier,
        assumptions=assumptions,
    )


def answer(found: RepairPlan) -> str:
    """The plan in a sentence, and what is to be known of it."""
    lines = "".join(f"<p>▲ {plate.text(line)}</p>" for line in found.told)
    told = "".join(f"<p>{plate.text(line)}</p>" for line in harm_told(found))
    live = (found.jobs["must"] == "first").any() or found.unable["urgent"].any()
    return (
        f'<section class="panel next"><h3>{plural(len(found.jobs), "job")} in '
        f"{plural(len(found.years), 'year')}</h3>{told}{lines}"
        f'<p class="soft small">{plate.text(PLAN_TOLD)}</p>'
        f'<p class="soft small">{plate.text(prices_told(found))}</p>'
        f"{first_measure() if live else ''}</section>"
    )


def numeric(shown: str) -> str:
    """A figure of a cell."""
    return f'<span class="num">{shown}</span>'


def building(row: dict[str, Any], names: dict[str, str]) -> str:
    """A building by its name, with its identifier."""
    known = row["building_id"]
    named = names.get(known)
    if missing(named) or named == known:
        return f'<span class="strong">{plate.link(known, "building", id=known)}</span>'
    return (
        f'<span class="strong">{plate.link(named, "building", id=known)}</span> '
        f'<span class="soft small">{plate.text(known)}</span>'
    )


def place(row: dict[str, Any]) -> str:
    """Unit and openings."""
    listed = row["opening_ids"] if "opening_ids" in row else [row["opening_id"]]
    unit = "no unit named" if missing(row["unit_id"]) else f"unit {row['unit_id']}"
    return plate.text(" · ".join([unit, ", ".join(str(o) for o in listed if not missing(o))]))


def where(names: dict[str, str]) -> plate.Column:
    """Building, unit and openings of a row."""
    return plate.Column(
        "Building, unit, openings",
        lambda r: f'{building(r, names)}<br><span class="small">{place(r)}</span>',
        heads=True,
        width="15rem",
    )


def building_columns(names: dict[str, str]) -> list[plate.Column]:
    """The columns of a year's buildings."""

    def must(row: dict[str, Any]) -> str:
        chips = []
        if row["urgent"]:
            chips.append(f'<span class="chip urgent">▲ {row["urgent"]} urgent</span>')
        if row["due"]:
            chips.append(f'<span class="chip quiet">{row["due"]} due</span>')
        return " ".join(chips) or "–"

    return [
        plate.Column("Building", lambda r: building(r, names), heads=True, width="14rem"),
        plate.Column("Must", must, width="7rem"),
        plate.Column("Repairs", lambda r: plate.text(r["remedies"])),
        plate.Column("Cost", lambda r: numeric(to_the_cent(r["cost"])), half=True, width="6rem"),
        plate.Column("Hours", lambda r: numeric(f"{r['hours']:g}"), half=True, width="4rem"),
        plate.Column("Takes away", lambda r: numeric(number(r["harm_removed"])), half=True),
        plate.Column("Whose price", lambda r: plate.text(r["price_from"]), width="8rem"),
    ]


def job_columns(begins: dt.date, assumed: int) -> list[plate.Column]:
    """The columns of the jobs at a building; ``assumed`` is how many assumptions were tried."""

    def stands(row: dict[str, Any]) -> str:
        return "always" if row["stands"] else f"in {row['stands_in']} of {assumed}"

    def what(row: dict[str, Any]) -> str:
        said = row["scope"] == "opening" or row["label"].startswith(row["scope"])
        whole = "" if said else f" (whole {row['scope']})"
        chip = ""
        if row["must"] == "first":
            chip = '<br><span class="chip urgent">▲ Urgent</span>'
        elif row["must"] == "due":
            chip = f'<br><span class="chip quiet">{plate.text(must_told(row, begins))}</span>'
        return plate.text(row["label"] + whole) + chip

    def defect(row: dict[str, Any]) -> str:
        return plate.text(", ".join(map(word, row["conditions"])) or "likely, not seen")

    return [
        plate.Column("Unit, openings", place, heads=True, width="12rem"),
        plate.Column("Defect", defect, width="9rem"),
        plate.Column("What", what),
        plate.Column("Cost", lambda r: numeric(to_the_cent(r["cost"])), half=True, width="6rem"),
        plate.Column("Whose price", lambda r: plate.text(r["price_from"]), half=True),
        plate.Column("Hours", lambda r: numeric(f"{r['hours']:g}"), half=True, width="4rem"),
        plate.Column("Takes away", lambda r: numeric(number(r["harm_removed"])), half=True),
        plate.Column("Dangerous", lambda r: numeric(percent(r["p_dangerous"])), half=True),
        *([plate.Column("Stands", stands, half=True)] if assumed else []),
    ]


def table(
    frame: pd.DataFrame,
    columns: list[plate.Column],
    counted: str,
    told: str,
    key: str,
    shown: int = SHOWN,
) -> None:
    """A table's first rows, with how many there are; what is urgent stands out."""
    more = len(frame) - shown
    rest = f"; {count(more)} more in the download" if more > 0 else ""
    body = plate.table(
        frame.head(shown).to_dict(orient="records"),
        columns,
        plate.text(f"{counted}{rest}. {told}".strip()),
        row_class=lambda r: "urgent" if r.get("must") == "first" or r.get("urgent") else "",
    )
    follow(plate.show(body, key=key))


def late(found: RepairPlan, names: dict[str, str]) -> None:
    """Findings that the plan does not repair in time, and why."""
    if found.unable.empty:
        return
    st.subheader("Not repaired in time", anchor=False)

    def what(row: dict[str, Any]) -> str:
        told = "wiring that is not known" if missing(row["condition"]) else word(row["condition"])
        shown = plate.text(told)
        if not missing(row["finding_id"]):
            shown = plate.link(told, "finding", id=row["finding_id"])
        return shown + ('<br><span class="chip urgent">▲ Urgent</span>' if row["urgent"] else "")

    columns = [
        where(names),
        plate.Column("Finding", what, half=True),
        plate.Column("Due", lambda r: plate.text(day(r["due_on"])), half=True),
        plate.Column("Why not", lambda r: plate.text(r["why"])),
    ]
    table(found.unable, columns, plural(len(found.unable), "finding"), "", "unable")
    downloads(found.unable, "repairs-not-in-time", "Findings not repaired in time")


def by_year(found: RepairPlan, names: dict[str, str]) -> None:
    """The jobs, a year at a time."""
    if found.jobs.empty:
        return
    st.subheader("Which repair in which year", anchor=False)
    years = {row["year"]: row for row in found.years.to_dict(orient="records")}
    chosen = st.segmented_control(
        "Year",
        list(years),
        default=1,
        required=True,
        format_func=lambda n: f"{n}, from {day(years[n]['begins'])}",
        key="repairs-year",
    )
    year = years[chosen if chosen in years else 1]
    buildings = by_building(found.jobs)
    here = buildings[buildings["year"] == year["year"]]
    if here.empty:
        st.markdown("Nothing is planned in this year.")
        return
    limit = "no limit" if year["budget"] == float("inf") else to_the_cent(year["budget"])
    most = "no limit" if year["hours_limit"] == float("inf") else f"{year['hours_limit']:g}"
    granted = (
        f", {to_the_cent(year['from_grants'])} of it from grants" if year["from_grants"] else ""
    )
    told = (
        f"{to_the_cent(year['cost'])} with entries of dwellings (budget: {limit}){granted}, "
        f"{year['hours']:.1f} electrician hours (limit: {most}). Cost: of the jobs, without "
        "entries. Whose price: a quote of the ledger, a price that somebody put into the rule "
        "book, or its placeholder, which is nobody's price. Takes away: expected harm, "
        f"{HARM_UNIT}."
    )
    table(here, building_columns(names), plural(len(here), "building"), told, "buildings")
    downloads(buildings, "repairs-by-building", "All years by building")
    chosen = st.selectbox(
        "Jobs at",
        here["building_id"].tolist(),
        format_func=lambda each: plate.plainly(
            each if missing(names.get(each)) else f"{names[each]} ({each})"
        ),
        key="jobs-at",
    )
    mine = found.jobs[(found.jobs["year"] == year["year"]) & (found.jobs["building_id"] == chosen)]
    told = "Dangerous: how likely one of the openings is."
    assumed = 0 if found.assumptions is None else len(found.assumptions)
    table(
        mine,
        job_columns(year["begins"], assumed),
        plural(len(mine), "job"),
        told,
        "jobs",
        JOBS_SHOWN,
    )
    downloads(lambda: as_written(found.jobs), "repairs", "All jobs of all years")


def looks_first(found: RepairPlan, names: dict[str, str]) -> None:
    """Decisions that a look may change, before money is committed."""
    worth = found.looks[found.looks["worth_it"]] if len(found.looks) else found.looks
    if worth.empty:
        return
    st.subheader("Look here before money is committed", anchor=False)
    labels = {name: remedy.label for name, remedy in rule_book().remedies.items()}

    def repair(row: dict[str, Any]) -> str:
        aside = "" if row["planned"] else '<br><span class="chip quiet">not planned</span>'
        return plate.text(labels.get(row["remedy"], word(row["remedy"]))) + aside

    def look(row: dict[str, Any]) -> str:
        return plate.text(f"{word(row['method'])}, {row['look_minutes']:g} minutes")

    columns = [
        where(names),
        plate.Column("Repair", repair),
        plate.Column(
            "Its cost", lambda r: numeric(to_the_cent(r["cost"])), half=True, width="6rem"
        ),
        plate.Column("Dangerous", lambda r: numeric(percent(r["p_dangerous"])), half=True),
        plate.Column("Look", look),
        plate.Column("Entry for it", lambda r: numeric(to_the_cent(r["look_cost"])), half=True),
        plate.Column(
            "Money spared", lambda r: numeric(to_the_cent(r["expected_saved"])), half=True
        ),
        plate.Column("More taken away", lambda r: numeric(number(r["harm_gained"])), half=True),
    ]
    told = (
        "Money spared: expected, where the look finds nothing to repair. More taken away: expected "
        "harm, where money goes where the look says."
    )
    table(worth, columns, plural(len(worth), "decision"), told, "looks-first")
    downloads(
        worth.assign(opening_ids=worth["opening_ids"].str.join("; ")),
        "repairs-looks-first",
        "What to look at before money is committed",
    )


def beside(found: RepairPlan) -> None:
    """The plan beside simple orders and the bound."""
    st.subheader("Beside simple orders", anchor=False)

    def in_time(row: dict[str, Any]) -> str:
        met = row["must_met"]
        if missing(met):
            return "–"
        first, due = percent(row["first_share"]), percent(row["due_share"])
        return (
            numeric(f"{met:.0f} of {row['must']}")
            + f'<br><span class="soft small">{first} first, {due} due</span>'
        )

    columns = [
        plate.Column(
            "Order",
            lambda r: (
                f'<span class="strong">{plate.text(word(r["order"]))}</span><br>'
                f'<span class="soft small">{plate.text(r["told"])}</span>'
            ),
            heads=True,
        ),
        plate.Column("Harm left", lambda r: numeric(number(r["harm_left"], 4)), half=True),
        plate.Column("Cost", lambda r: numeric(to_the_cent(r["cost"])), half=True, width="6rem"),
        plate.Column("Must, in its year", in_time, half=True),
    ]
    under = "Each under the same money, hours and dates"
    told = (
        f"Harm left: {HARM_UNIT}. Under what must be repaired: of its harm, how much of what comes "
        "first and of what else is due is repaired in the year in which it is due; orders are "
        "compared by these, then by harm."
    )
    table(found.rivals, columns, under, told, "orders")
    downloads(found.rivals, "repairs-orders", "The plan beside simple orders")


def other_budgets(found: RepairPlan, budget: float | None) -> None:
    """Harm left against money."""
    if found.frontier is None or found.harm_total <= 0:
        return
    st.subheader("How much harm would other budgets leave?", anchor=False)
    ring = "" if budget is None else " The ring: the budget that was asked for."
    told = f"{frontier_told(found)} The bar at each point: no plan of this kind leaves less.{ring}"
    st.markdown(plate.label(told))
    picture(
        harm_for_money(found.frontier, budget, tone()),
        "Harm left against the budget of a year",
        found.frontier,
        "repairs-frontier",
    )


def other_assumptions(found: RepairPlan) -> None:
    """What stands of the plan under each other assumption."""
    if found.assumptions is None:
        return
    st.subheader("What stands under other assumptions?", anchor=False)
    columns = [
        plate.Column("Assumption", lambda r: plate.text(r["told"]), heads=True),
        plate.Column("Jobs that stand", lambda r: numeric(percent(r["kept"])), half=True),
        plate.Column("Harm left", lambda r: numeric(number(r["harm_left"], 4)), half=True),
        plate.Column("Than now", lambda r: numeric(signed(r["change"], 4)), half=True),
    ]
    told = (
        "A job stands where the other plan repairs the same openings with the same remedy, in any "
        f"year. Harm left: {HARM_UNIT}; than now: how much more or less than in this plan."
    )
    table(found.assumptions, columns, "Each planned anew", told, "under-assumptions")
    downloads(found.assumptions, "repairs-assumptions", "The plan under other assumptions")


@screen(
    "Years of repairs",
    "Which remedy for which opening, circuit, dwelling or building in which year: what is urgent "
    "first, then what is due, then what takes away most expected harm. Nothing is written down "
    "or ordered here.",
)
def page() -> None:
    """The screen."""
    source = opened()
    state_of_build(source)
    wanted = asked()
    if wanted is not None:
        _show(source, wanted)


def _show(source: Source, wanted: Asked) -> None:
    listing = source.ask(findings.listing_of)
    names = dict(zip(listing["building_id"], listing["name"], strict=True))
    budget, _, _, building, frontier, assumptions, *_ = wanted
    if building and building not in names:
        empty(
            "no-such-building",
            f"There is no building {building}",
            "Its identifier, as exports write it, is needed; One building finds it by name.",
        )
        return
    slow = " and for other terms; this may take minutes" if frontier or assumptions else ""
    with st.spinner(f"Planning which repair comes when{slow} …", show_time=True):
        try:
            found = source.ask(
                planned,
                wanted,
                dt.date.today(),
                rule_book().hash,
                findings.ledger_version(ledger()),
            )
        except CoverplateError as refusal:
            refused(refusal)
            return
    follow(plate.show(answer(found), key="answer"))
    late(found, names)
    by_year(found, names)
    looks_first(found, names)
    if found.harm_total > 0:
        beside(found)
    other_assumptions(found)
    other_budgets(found, budget)


page()
