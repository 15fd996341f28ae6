"""Progress over time: only a proven repair ends a finding's time."""

from __future__ import annotations

import os
from typing import Any

import pandas as pd
import streamlit as st

from dashboard.charts import progress as pictures
from dashboard.components import plate
from dashboard.components.downloads import downloads
from dashboard.components.estimate import ranged
from dashboard.components.figures import (
    amount,
    count,
    day,
    missing,
    number,
    percent,
    to_the_cent,
    word,
)
from dashboard.components.findings_source import ledger
from dashboard.components.frame import empty, follow, screen
from dashboard.components.picture import picture, tone
from dashboard.components.source import Source, rule_book, version, workspace
from pipeline.ledger import clocks, money, progress
from pipeline.ledger.clocks import CLOCKS
from pipeline.ledger.database import URL_VARIABLE
from pipeline.ledger.second_looks import second_looks
from pipeline.ledger.survival import Survival
from pipeline.screens import findings
from pipeline.warehouse.queries import known_circuits

CUTS = {
    "all": "everything",
    "firm": "firm",
    "severity_class": "severity",
    "manager": "manager",
    "owner": "owner",
    "remedy": "remedy",
}
CURVES_SHOWN = 6
SECOND_LOOKS_SHOWN = 10
OF_FIRMS = tuple(name for name, clock in CLOCKS.items() if clock.of_firms)
CURVE_WORDS = {
    "assigned_to_reported": ("assigned", "without a reported fix"),
    "reported_to_proven": ("reported", "without proof"),
}


@st.cache_data(max_entries=30, show_spinner="Working out progress …")
def worked_out(
    root: str, url: str, ledger_version: int, warehouse: str | None, rules: str, by: str
) -> dict[str, pd.DataFrame]:
    """Everything this screen shows, by what it is cut by."""
    opened, book = ledger(), rule_book()
    buildings = circuits = None
    if warehouse is not None:
        buildings = Source(warehouse).ask(findings.listing_of)
        circuits = known_circuits(Source(warehouse).cursor())
    by_time = by != "firm"  # firms are judged from the day that they were asked
    curves = {}
    if by_time:
        curves["curves"] = progress.time_to_proven_repair(opened, book, by=by, buildings=buildings)
    for name in OF_FIRMS:
        curves[name] = clocks.clock_curves(opened, book, name, by=by, buildings=buildings)
    found = {name: _frame(each) for name, each in curves.items()}
    if by_time:
        found["summary"] = progress.repair_summary(opened, book, by=by, buildings=buildings)
    return found | {
        "states": progress.states_over_time(opened),
        "clocks": clocks.clocks(opened, book, by=by, buildings=buildings),
        "firms": clocks.firm_record(opened, book),
        "second_looks": second_looks(opened),
        "ageing": progress.ageing(opened, book, by=by, buildings=buildings),
        "money": money.money(opened, book, by=by, buildings=buildings, circuits=circuits),
        "lines": money.money_lines(opened, book, by=by, buildings=buildings, circuits=circuits),
        "questions": money.money_questions(opened, book, circuits=circuits),
        "by_firm": progress.failed_verifications(opened, book, by="firm"),
    }


def _frame(curves: dict[str, Survival]) -> pd.DataFrame:
    frames = []
    for name, curve in curves.items():
        start = pd.DataFrame(
            [
                {
                    "days": 0.0,
                    "at_risk": curve.number,
                    "events": 0,
                    "survival": 1.0,
                    "low": 1.0,
                    "high": 1.0,
                }
            ]
        )
        whole = pd.concat([start, curve.frame()], ignore_index=True)
        frames.append(whole.assign(group=name, number=curve.number))
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()


def whole_table(found: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """One row a group: what is open, how long repairs take, what they cost."""
    table = found["ageing"]
    if "summary" in found:
        times = found["summary"].drop(columns=["findings", "proven"])
        table = table.merge(times, on="group", how="left")
    costs = found["money"].drop(columns="findings")
    return table.merge(costs, on="group", how="outer")


def columns(*, by_time: bool) -> list[plate.Column]:
    """The columns of the table by group."""

    def counted(label: str, key: str) -> plate.Column:
        return plate.Column(label, lambda r: f'<span class="num">{count(r[key])}</span>', half=True)

    times = [
        plate.Column("Half proven after, since first seen", lambda r: _days(r["median_days"])),
        plate.Column(
            "Without proof after a year", lambda r: percent(r["share_open_365"]), half=True
        ),
    ]
    return [
        plate.Column("Group", lambda r: plate.text(str(r["group"]).replace("_", " ")), heads=True),
        counted("Findings", "findings"),
        counted("Open", "open"),
        counted("Records in doubt", "in_doubt"),
        counted("Overdue", "overdue"),
        counted("Past the first target", "overdue_first"),
        counted("Past the present target", "overdue_present"),
        counted("Paused", "paused"),
        counted("Unproven", "reported_unproven"),
        counted("Disproved", "disproved"),
        counted("Proven", "proven"),
        *(times if by_time else []),
    ]


def money_columns() -> list[plate.Column]:
    """The columns of the table of money."""

    def sum_of(label: str, key: str) -> plate.Column:
        return plate.Column(
            label, lambda r: f'<span class="num">{to_the_cent(r[key])}</span>', half=True
        )

    def from_to(label: str, key: str) -> plate.Column:
        return plate.Column(
            label, lambda r: f'<span class="num">{ranged(r[f"{key}_least"], r[key])}</span>'
        )

    def spent(row: dict[str, Any]) -> str:
        told = [
            f"{to_the_cent(row[key])} {words}"
            for key, words in (
                ("billed", "billed"),
                ("on_disproved", "on disproved fixes"),
                ("over_reported", "billed over what was reported"),
            )
            if row[key]
        ]
        if row["without_cost"]:
            told.append(f"{count(row['without_cost'])} without a cost")
        more = f'<br><span class="soft small">{plate.text("; ".join(told))}</span>' if told else ""
        return f'<span class="num">{to_the_cent(row["spent"])}</span>{more}'

    return [
        plate.Column("Group", lambda r: plate.text(str(r["group"]).replace("_", " ")), heads=True),
        from_to("Estimate", "estimate"),
        sum_of("Quoted, lowest", "quoted_lowest"),
        sum_of("Quoted, chosen", "quoted_chosen"),
        sum_of("Committed", "committed"),
        plate.Column("Spent", spent),
        from_to("Estimate of the rest", "rest"),
        from_to("Forecast", "forecast"),
    ]


def question_columns() -> list[plate.Column]:
    """The columns of sums that may stand for one job."""

    def which(row: dict[str, Any]) -> str:
        return ", ".join(plate.link(each, "finding", id=each) for each in row["findings"])

    return [
        plate.Column("Firm", lambda r: plate.text(r["firm"]), heads=True),
        plate.Column("Day", lambda r: plate.text(day(r["day"])), half=True),
        plate.Column(
            "Amounts", lambda r: plate.text(", ".join(map(to_the_cent, r["amounts"]))), half=True
        ),
        plate.Column("Counted", lambda r: to_the_cent(r["counted"]), half=True),
        plate.Column("If once", lambda r: to_the_cent(r["once"]), half=True),
        plate.Column("Findings", which),
        plate.Column("Question", lambda r: plate.text(r["asked"])),
    ]


def line_columns() -> list[plate.Column]:
    """The columns of the lines that estimates are made of."""
    return [
        plate.Column("Group", lambda r: plate.text(str(r["group"]).replace("_", " ")), heads=True),
        plate.Column("Line", lambda r: plate.text(r["label"])),
        plate.Column("Findings", lambda r: count(r["findings"]), half=True),
        plate.Column("In doubt", lambda r: count(r["in_doubt"]), half=True),
        plate.Column("Estimate", lambda r: ranged(r["estimate_least"], r["estimate"])),
        plate.Column("Of it the rest", lambda r: ranged(r["rest_least"], r["rest"])),
    ]


LINES_SHOWN = 40
QUESTIONS_SHOWN = 20


def about_money(found: dict[str, pd.DataFrame], by: str) -> None:
    """What repairs are estimated at, quoted, committed, spent, and what all may come to."""
    st.subheader("Money", anchor=False)
    st.caption(money.MONEY_TOLD)
    body = plate.table(
        found["money"].to_dict(orient="records"),
        money_columns(),
        "In the ledger’s currency.",
    )
    plate.show(body, key="money")
    if by in money.OF_SUMS:
        st.caption(money.SEVERAL_GROUPS)
    downloads(found["money"], f"money-{by}", "Money by group")
    lines = found["lines"]
    if len(lines):
        body = plate.table(
            lines.head(LINES_SHOWN).to_dict(orient="records"),
            line_columns(),
            "What the estimate is made of"
            + (f", the first {LINES_SHOWN} lines." if len(lines) > LINES_SHOWN else "."),
        )
        plate.show(body, key="money-lines")
        downloads(lines, f"money-lines-{by}", "Lines of the estimate")
    asked = found["questions"]
    if asked.empty:
        return
    more = len(asked) - QUESTIONS_SHOWN
    body = plate.table(
        asked.head(QUESTIONS_SHOWN).to_dict(orient="records"),
        question_columns(),
        f"Sums that may stand for one job; nothing was merged: {count(len(asked))}"
        + (f", the first {QUESTIONS_SHOWN} shown." if more > 0 else "."),
    )
    follow(plate.show(body, key="money-questions"))
    listed = asked.assign(
        findings=asked["findings"].map(" ".join),
        amounts=asked["amounts"].map(lambda each: ", ".join(map(to_the_cent, each))),
    )
    downloads(listed, "money-questions", "Questions about money")


def _days(value: object) -> str:
    if missing(value):
        return '<span class="soft">not reached</span>'
    return plate.text(f"{number(value, 3)} days")


def clock_columns() -> list[plate.Column]:
    """The columns of the three clocks."""

    def stand(row: dict[str, Any]) -> str:
        parts = [
            f"{count(row[key])} {words}"
            for key, words in (
                ("waiting", "waiting"),
                ("disproved", "disproved by a look"),
                ("left", "left the watch"),
            )
            if row[key]
        ]
        return plate.text(", ".join(parts) or "–")

    return [
        plate.Column("Group", lambda r: plate.text(str(r["group"]).replace("_", " ")), heads=True),
        plate.Column("Clock", lambda r: plate.text(CLOCKS[r["clock"]].name)),
        plate.Column("Times", lambda r: count(r["times"]), half=True),
        plate.Column("Ended", lambda r: count(r["ended"]), half=True),
        plate.Column("Not ended", stand),
        plate.Column("Half ended after", lambda r: _days(r["median_days"]), half=True),
        plate.Column(
            "Still running after 90 days", lambda r: percent(r["share_running_90"]), half=True
        ),
    ]


def firm_columns() -> list[plate.Column]:
    """The columns of the record of firms."""

    def asked(row: dict[str, Any]) -> str:
        return plate.text(
            f"{count(row['reported'])} of {count(row['assigned'])}; {count(row['waiting'])} waiting"
        )

    def first_look(row: dict[str, Any]) -> str:
        if missing(row["share_proven_first_look"]):
            return '<span class="soft">none judged</span>'
        return plate.text(
            f"{percent(row['share_proven_first_look'])} of "
            f"{count(row['proven'] + row['disproved'])}, 95 %: "
            f"{percent(row['share_proven_low'])} to {percent(row['share_proven_high'])}"
        )

    def each(row: dict[str, Any]) -> str:
        lacking = f"; {count(row['without_cost'])} without a cost" if row["without_cost"] else ""
        return plate.text(f"{amount(row['cost_per_proven_opening'])}{lacking}")

    return [
        plate.Column("Firm", lambda r: plate.text(r["group"]), heads=True),
        plate.Column("Fix reported", asked),
        plate.Column("Half reported after", lambda r: _days(r["median_days_to_report"]), half=True),
        plate.Column("Proven at the first look", first_look),
        plate.Column("Half proven after", lambda r: _days(r["median_days_to_proof"]), half=True),
        plate.Column("Cost a proven opening", each),
        plate.Column("Entry refused", lambda r: count(r["entry_refused"]), half=True),
        plate.Column("No access", lambda r: count(r["no_access"]), half=True),
    ]


def second_look_columns() -> list[plate.Column]:
    """The columns of fixes that are owed a look by another firm."""

    def which(row: dict[str, Any]) -> str:
        place = " ".join(filter(None, (row["building_id"], row["unit_id"], row["opening_id"])))
        return plate.link(place, "finding", id=row["finding_id"])

    return [
        plate.Column("Finding", which, heads=True),
        plate.Column("Firm", lambda r: plate.text(r["firm"])),
        plate.Column("Fixed on", lambda r: day(r["fixed_on"]), half=True),
        plate.Column("Stands", lambda r: plate.text(word(r["verdict"])), half=True),
        plate.Column(
            "Firm's record then",
            lambda r: plate.text(f"{count(r['wanting'])} of {count(r['known'])} found wanting"),
        ),
        plate.Column("Share drawn", lambda r: percent(r["share"]), half=True),
    ]


def about_second_looks(frame: pd.DataFrame) -> None:
    """Which fixes another firm has to look at."""
    st.subheader("Owed a look by another firm", anchor=False)
    owed = frame[frame["owed"]]
    body = plate.table(
        owed.head(SECOND_LOOKS_SHOWN).to_dict(orient="records"),
        second_look_columns(),
        f"{count(len(owed))} of {count(len(frame))} reported fixes. Drawn by lot, the more of a "
        "firm the worse its record; of a firm without a record, every one."
        + (f" The first {SECOND_LOOKS_SHOWN} are shown." if len(owed) > SECOND_LOOKS_SHOWN else ""),
    )
    plate.show(body, key="second-looks")
    downloads(frame, "second-looks", "Every reported fix, drawn or not")


def three_clocks(found: dict[str, pd.DataFrame], by: str) -> None:
    """The clocks: what each means, how long it runs, and for how many it still does."""
    st.subheader("Three clocks", anchor=False)
    shown = [clock for clock in CLOCKS.values() if clock.of_firms or by != "firm"]
    st.markdown(
        "\n".join(f"- **{each.name}**: {each.meaning}; {each.not_ended}." for each in shown)
    )
    body = plate.table(
        found["clocks"].to_dict(orient="records"),
        clock_columns(),
        "Firms answer for the second and the third clock only.",
    )
    plate.show(body, key="clocks")
    downloads(found["clocks"], f"clocks-{by}", "The clocks")
    for place, name in zip(st.columns(2, gap="large"), OF_FIRMS, strict=True):
        with place:
            clock = CLOCKS[name]
            since, without = CURVE_WORDS[name]
            st.caption(f"{clock.name}: share {without}, by days since it was {since}.")
            _pictured(found[name], f"{name}-{by}", since, without)


def _pictured(curves: pd.DataFrame, name: str, since: str, without: str) -> None:
    if curves.empty:
        empty(f"none-{name}", "Nothing on this clock yet", "Nothing was assigned or reported.")
        return
    largest = curves.drop_duplicates("group").nlargest(CURVES_SHOWN, "number")["group"]
    shown = plate.cells(curves[curves["group"].isin(largest)])
    picture(
        pictures.still_running(shown, tone(), since=since, without=without),
        f"Share {without} by days since {since}",
        curves,
        name,
    )


@screen(
    "Progress",
    "How findings fare over time. Reported fixes, dates that pass and closing on paper are not "
    "repairs: such findings go on counting.",
)
def page() -> None:
    """The screen."""
    opened = ledger()
    last = findings.ledger_version(opened)
    if last == 0:
        empty(
            "no-findings",
            "No findings yet",
            "They are raised from the evidence: see “What is overdue?”.",
        )
        return
    by = st.segmented_control(
        "By",
        list(CUTS),
        default="all",
        format_func=lambda key: CUTS[key],
        key="by",
        bind="query-params",
    )
    found = worked_out(
        str(workspace().root.resolve()),
        os.environ.get(URL_VARIABLE, ""),
        last,
        version(),
        rule_book().hash,
        by or "all",
    )
    st.subheader("How findings stood", anchor=False)
    picture(
        pictures.states_over_time(found["states"], tone()),
        "Findings by state over time",
        found["states"],
        "states",
    )
    left, right = st.columns(2, gap="large")
    with left:
        st.subheader("How long without a proven repair", anchor=False)
        if "curves" in found:
            st.caption(progress.CURVE_TOLD)
            _pictured(
                found["curves"], f"time-to-proof-{by}", "first seen", "without a proven repair"
            )
        else:
            st.caption(
                "Firms are not judged by the time since a defect was first seen: most of it passed "
                "before they were asked. Their clocks are below."
            )
    with right:
        st.subheader("Fixes that did not hold", anchor=False)
        st.caption(
            "Of fixes that a capable look judged, the share that it disproved; the line is the "
            "95 % interval. Few fixes, long line."
        )
        by_firm = found["by_firm"]
        if len(by_firm.dropna(subset=["share_disproved"])):
            picture(
                pictures.disproved(plate.cells(by_firm), tone()),
                "Share of judged fixes that a look disproved, by firm",
                by_firm,
                "disproved",
            )
        else:
            empty("none-judged", "No fix judged yet", "No capable look has followed a fix.")
    three_clocks(found, by or "all")
    if len(found["firms"]):
        st.subheader("Firms", anchor=False)
        body = plate.table(
            found["firms"].to_dict(orient="records"),
            firm_columns(),
            "From being asked to a reported fix, and what looks said of it. Few fixes, wide "
            "interval. Cost: of all their fixes, disproved ones too.",
        )
        plate.show(body, key="firms")
        downloads(found["firms"], "firms", "The record of every firm")
    if len(found["second_looks"]):
        about_second_looks(found["second_looks"])
    st.subheader("By group", anchor=False)
    table = whole_table(found)
    body = plate.table(
        table.to_dict(orient="records"),
        columns(by_time="summary" in found),
        "How many findings stand where.",
    )
    plate.show(body, key="groups")
    downloads(table, f"progress-{by}", "Progress by group")
    about_money(found, by or "all")


page()
