"""Progress over time: only a proven repair ends a finding's time."""

from __future__ import annotations

import os

import pandas as pd
import streamlit as st

from dashboard.charts import progress as pictures
from dashboard.components import plate
from dashboard.components.downloads import downloads
from dashboard.components.figures import amount, count, missing, number, percent
from dashboard.components.findings_source import ledger
from dashboard.components.frame import empty, screen
from dashboard.components.picture import picture, tone
from dashboard.components.source import Source, rule_book, version, workspace
from pipeline.ledger import progress
from pipeline.ledger.database import URL_VARIABLE
from pipeline.screens import findings

CUTS = {
    "all": "everything",
    "firm": "firm",
    "severity_class": "severity",
    "manager": "manager",
    "owner": "owner",
    "remedy": "remedy",
}
CURVES_SHOWN = 6


@st.cache_data(max_entries=30, show_spinner="Working out progress …")
def worked_out(
    root: str, url: str, ledger_version: int, warehouse: str | None, rules: str, by: str
) -> dict[str, pd.DataFrame]:
    """Everything this screen shows, by what it is cut by."""
    opened, book = ledger(), rule_book()
    buildings = None
    if warehouse is not None:
        buildings = Source(warehouse).ask(findings.listing_of)
    curves = []
    for name, curve in progress.time_to_proven_repair(
        opened, book, by=by, buildings=buildings
    ).items():
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
        curves.append(whole.assign(group=name, number=curve.number))
    return {
        "states": progress.states_over_time(opened),
        "curves": pd.concat(curves, ignore_index=True) if curves else pd.DataFrame(),
        "summary": progress.repair_summary(opened, book, by=by, buildings=buildings),
        "ageing": progress.ageing(opened, book, by=by, buildings=buildings),
        "costs": progress.costs(opened, book, by=by, buildings=buildings),
        "by_firm": progress.failed_verifications(opened, book, by="firm"),
        "by_remedy": progress.failed_verifications(opened, book, by="remedy"),
    }


def whole_table(found: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """One row a group: what is open, how long repairs take, what they cost."""
    return (
        found["ageing"]
        .merge(found["summary"].drop(columns=["findings", "proven"]), on="group", how="left")
        .merge(found["costs"], on="group", how="left")
    )


def columns() -> list[plate.Column]:
    """The columns of the table by group."""

    def counted(label: str, key: str) -> plate.Column:
        return plate.Column(label, lambda r: f'<span class="num">{count(r[key])}</span>', half=True)

    def median(row: dict[str, object]) -> str:
        if missing(row["median_days"]):
            return '<span class="soft">under half proven</span>'
        low = row["median_days_earliest"]
        repair = "" if missing(low) else f" (repair itself from day {number(low, 3)})"
        return f"{number(row['median_days'], 3)} days{repair}"

    return [
        plate.Column("Group", lambda r: plate.text(str(r["group"]).replace("_", " ")), heads=True),
        counted("Findings", "findings"),
        counted("Open", "open"),
        counted("Overdue", "overdue"),
        counted("Unproven", "reported_unproven"),
        counted("Disproved", "disproved"),
        counted("Proven", "proven"),
        plate.Column("Half proven after", median),
        plate.Column(
            "Without proof after a year",
            lambda r: percent(r["share_open_365"]),
            half=True,
        ),
        plate.Column("Spent", lambda r: amount(r["to_date"]), half=True),
        plate.Column("Of it on disproved fixes", lambda r: amount(r["on_disproved"]), half=True),
        plate.Column("Committed", lambda r: amount(r["committed"]), half=True),
    ]


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
        curves = found["curves"]
        st.caption(
            "From the first look that pointed at the defect to the look that proved the repair; "
            "what is not proven yet counts as still without (Kaplan–Meier)."
        )
        if len(curves):
            largest = curves.drop_duplicates("group").nlargest(CURVES_SHOWN, "number")["group"]
            picture(
                pictures.time_to_proof(plate.cells(curves[curves["group"].isin(largest)]), tone()),
                "Share of findings without a proven repair by days since first seen",
                curves,
                f"time-to-proof-{by}",
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
    table = whole_table(found)
    body = plate.table(
        table.to_dict(orient="records"), columns(), "By group. Money in the ledger’s currency."
    )
    plate.show(body, key="groups")
    downloads(table, f"progress-{by}", "Progress by group")


page()
