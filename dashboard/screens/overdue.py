"""What is overdue? The first question of whoever manages the buildings."""

from __future__ import annotations

from typing import Any

import pandas as pd
import streamlit as st

from dashboard.components import plate
from dashboard.components.building_anew import refused
from dashboard.components.downloads import downloads
from dashboard.components.figures import count, day, missing, number, plural, word
from dashboard.components.finding_rows import finding_class, finding_columns, stake_columns
from dashboard.components.findings_source import (
    bring_up_to_what_landed,
    dated_findings,
    digest_of,
    who,
)
from dashboard.components.frame import empty, follow, screen
from dashboard.components.sheets_back import tell_sheets
from dashboard.components.source import version
from dashboard.components.ticked import act_on_ticked, nothing_lacks
from pipeline.ledger.digest import WEEK, as_page, as_text
from pipeline.ledger.due import overdue_counts
from pipeline.ledger.triage import ORDERS, in_order
from pipeline.screens import findings
from pipeline.screens.findings import Wanted
from shared.faults import CoverplateError

SHOWN = 20


def evidence_button() -> None:
    """Take up landed fix reports, and raise findings from the evidence of the current warehouse."""
    if version() is None:
        return
    with st.form("bring-up", border=False):
        name = who("sync-who")
        sent = st.form_submit_button("Bring findings up to what landed", icon=":material/sync:")
    if sent and nothing_lacks(("your name", name)):
        try:
            with st.spinner("Comparing findings with what landed …"):
                st.session_state["synced"] = bring_up_to_what_landed(name)
        except CoverplateError as refusal:
            refused(refusal)
            return
        st.rerun()
    done = st.session_state.pop("synced", None)
    if done is None:
        return
    synced, taken = done.synced, done.taken
    st.success(
        f"{plural(synced.raised, 'finding')} raised, {count(synced.recurrences)} recurring, "
        f"{count(synced.seen_again)} seen again ({count(synced.reopened)} of them reopened), "
        f"{count(synced.withdrawn)} no longer indicated; "
        f"{plural(taken.count('reported'), 'fix report')} written, "
        f"{count(taken.count('refused'))} refused by the rules; "
        f"{count(synced.verified + taken.verified)} proven, "
        f"{count(synced.verification_failed + taken.disproved)} disproved."
    )
    tell_sheets(taken)


def digest_buttons(own: pd.DataFrame) -> None:
    """The last week on one page, to print and to mail."""
    with st.container(horizontal=True, gap="small"):
        for label, write, ending, icon in (
            ("The week to print (HTML)", as_page, "html", ":material/print:"),
            ("The week to mail (text)", as_text, "txt", ":material/mail:"),
        ):
            st.download_button(
                label,
                data=lambda write=write: write(digest_of(own, WEEK), "Findings").encode(),
                file_name=f"findings-week.{ending}",
                key=f"digest-{ending}",
                help="What changed in the last seven days, what is urgent, late or unproven, and "
                "the visits to come",
                on_click="ignore",
                icon=icon,
            )


def mine(frame: pd.DataFrame) -> tuple[pd.DataFrame, Wanted]:
    """Whose buildings: by manager or owner, kept in the address."""
    left, right = st.columns(2)
    managers = sorted(frame["manager"].dropna().unique())
    owners = sorted(frame["owner"].dropna().unique())
    with left:
        manager = st.multiselect(
            "Manager",
            managers,
            format_func=plate.plainly,
            key="manager",
            bind="query-params",
            placeholder="All",
        )
    with right:
        owner = st.multiselect(
            "Owner",
            owners,
            format_func=plate.plainly,
            key="owner",
            bind="query-params",
            placeholder="All",
        )
    wanted = Wanted(managers=tuple(manager), owners=tuple(owner))
    return findings.narrowed(frame, wanted), wanted


def standing(frame: pd.DataFrame) -> str:
    """What is to be done, in figures."""
    counts = overdue_counts(frame)
    doubted = frame["proof_in_doubt"].notna().sum()
    late = frame[frame["overdue_first"]]
    oldest = f"the longest by {plural(late['days_overdue'].max(), 'day')}" if len(late) else ""
    slipped = "no target has moved to a later day"
    if counts["slipped"]:
        slipped = (
            f"of {plural(counts['slipped'], 'open finding')} it moved to a later day, half of them "
            f"by {plural(counts['median_days_slipped'], 'day')} or more"
        )
    figures = [
        (
            "Past the first target",
            count(counts["overdue_first"]),
            "; ".join(filter(None, ("no pause and no later due day moves these", oldest))),
        ),
        (
            "Past the present target",
            count(counts["overdue_present"]),
            f"{count(counts['paused'])} stand paused; {slipped}",
        ),
        (
            "Waiting too long for proof",
            count(counts["proof_overdue"]),
            f"of {plural(frame['stands_unproven'].sum(), 'fix', 'fixes')} reported, unproven",
        ),
    ]
    if counts["window_passed"]:
        figures.append(
            ("Regulatory window passed", count(counts["window_passed"]), "no pause moves these")
        )
    return plate.figures(
        [
            *figures,
            ("Overdue in all", count(counts["overdue"]), "in any of these ways, each once"),
            ("Due within a week", count(frame["stands_week"].sum()), "by the present target"),
            (
                "Open",
                count(frame["stands_open"].sum()),
                f"{count(frame['stands_unassigned'].sum())} with nobody assigned",
            ),
            (
                "Repair proven",
                count((frame["state"] == "repair_proven").sum()),
                "by a method able to see the defect"
                + (f"; {count(doubted)} in doubt, see the week's page" if doubted else ""),
            ),
        ]
    )


def building_columns() -> list[plate.Column]:
    """The columns of my buildings."""

    def name(row: dict[str, Any]) -> str:
        shown = row["name"] if not missing(row["name"]) else row["building_id"]
        rank = "" if missing(row["rank"]) else f"rank {int(row['rank'])}"
        score = "" if missing(row["score"]) else f", score {number(row['score'])}"
        return (
            f'<span class="strong">{plate.link(shown, "building", id=row["building_id"])}</span>'
            f'<br><span class="soft small">{rank}{score}</span>'
        )

    def counted(key: str) -> Any:  # noqa: ANN401 - a function of a row
        return lambda row: f'<span class="num">{count(row[key])}</span>'

    def overdue(row: dict[str, Any]) -> str:
        if row["overdue"]:
            return f'<span class="chip urgent">▲ {count(row["overdue"])}</span>'
        return '<span class="soft">none</span>'

    return [
        plate.Column("Building", name, heads=True, width="17rem"),
        plate.Column("Overdue", overdue, half=True),
        plate.Column("Past the first target", counted("overdue_first"), half=True),
        plate.Column("Past the present target", counted("overdue_present"), half=True),
        plate.Column("Open", counted("open"), half=True),
        plate.Column("Reported, unproven", counted("unproven"), half=True),
        plate.Column("Repair proven", counted("proven"), half=True),
        plate.Column("Next due", lambda r: plate.text(day(r["next_due_on"])), half=True),
        plate.Column("Worst open", lambda r: plate.text(word(r["worst"])), half=True),
        plate.Column(
            "",
            lambda r: plate.link("findings", "findings", building=r["building_id"]),
            bare=True,
        ),
    ]


@screen(
    "What is overdue?",
    "Defects on their way from finding to proven repair: what is past its day, and what stands in "
    "your buildings. A repair counts only once a method able to see the defect has looked.",
)
def page() -> None:
    """The screen."""
    frame = dated_findings()
    if frame.empty:
        empty(
            "no-findings",
            "No findings yet",
            "Findings are raised from the evidence: confirmed defects, suspected ones, and records "
            "that contradict each other. Build a warehouse first, then bring findings up to it.",
        )
        evidence_button()
        return
    own, _ = mine(frame)
    plate.show(standing(own), key="standing")
    late = own[own["overdue"]]
    st.subheader("Overdue today", anchor=False)
    if late.empty:
        empty("none-overdue", "Nothing is overdue", "No finding here is past its day.")
    else:
        order = st.selectbox(
            "Order",
            list(ORDERS),
            format_func=lambda key: ORDERS[key].name,
            key="triage",
            bind="query-params",
        )
        late = in_order(late, order)
        more = len(late) - SHOWN
        caption = f"{plural(len(late), 'finding')}; {ORDERS[order].told}." + (
            f" {count(more)} more under Findings." if more > 0 else ""
        )
        body = plate.table(
            late.head(SHOWN).to_dict(orient="records"),
            finding_columns() + stake_columns(),
            caption,
            row_class=finding_class,
        )
        follow(plate.show(body, key="overdue"))
        act_on_ticked(late)
        downloads(late, "overdue", "Everything that is overdue")
    digest_buttons(own)
    st.subheader("My buildings", anchor=False)
    buildings = findings.by_building(own)
    body = plate.table(
        buildings.head(50).to_dict(orient="records"),
        building_columns(),
        f"{plural(len(buildings), 'building')} with findings, most overdue first.",
    )
    follow(plate.show(body, key="buildings"))
    downloads(buildings, "my-buildings", "My buildings")
    evidence_button()


page()
