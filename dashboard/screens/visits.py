"""Visits: who goes where on which day, and what is still to be told, noted or printed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from typing import Any

import pandas as pd
import streamlit as st

from dashboard.components import plate
from dashboard.components.bill_form import bill_form
from dashboard.components.building_anew import refused
from dashboard.components.estimate import estimate
from dashboard.components.figures import count, day, missing, plural, word
from dashboard.components.finding_rows import due_words, place, what
from dashboard.components.findings_source import (
    ORIGIN,
    all_visits,
    beside_visit,
    dated_findings,
    ledger,
    rows_of_visit,
    who,
)
from dashboard.components.frame import empty, screen
from dashboard.components.papers import papers_of
from dashboard.components.source import rule_book
from dashboard.components.ticked import nothing_lacks, tick_list
from pipeline.ledger import papers, visit_calendar
from pipeline.ledger import visits as of_visits
from pipeline.ledger.visit_letter import entry_letter
from pipeline.ledger.visit_sheet import visit_sheet
from pipeline.ledger.visit_workbook import visit_workbook
from pipeline.ledger.visits import (
    STANDING_WORDS,
    clash_words,
    dwelling_words,
    hours_words,
    went_words,
)
from pipeline.screens import visits as dwellings_and_visits
from shared.faults import CoverplateError

SHOWN = 40
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def standing(frame: pd.DataFrame) -> str:
    """The visits in figures."""
    return plate.figures(
        [
            ("Coming", count(frame["coming"].sum()), "planned, their day not past"),
            ("Without notice", count(frame["without_notice"].sum()), "coming, of the day as it is"),
            ("Past, not noted as made", count(frame["past_not_made"].sum()), "their day is past"),
            ("Made", count((frame["standing"] == "made").sum()), "which by itself proves nothing"),
        ]
    )


def columns() -> list[plate.Column]:
    """The columns of a table of visits."""

    def where(row: dict[str, Any]) -> str:
        shown = row["name"] if not missing(row["name"]) else row["building_id"]
        unit = f"unit {row['unit_id']}" if row["unit_id"] else "no unit named"
        return (
            f'<span class="strong">{plate.text(f"{shown}, {unit}")}</span><br>'
            f'<span class="soft small">{plate.text(row["visit_id"])}</span>'
        )

    def goes(row: dict[str, Any]) -> str:
        firm = f", {row['firm']}" if not missing(row["firm"]) else ""
        return plate.text(f"{row['person']}{firm}")

    def stands(row: dict[str, Any]) -> str:
        moved = f", moved {plural(row['times_moved'], 'time')}" if row["times_moved"] else ""
        told = plate.text(STANDING_WORDS[row["standing"]] + moved)
        if row["standing"] == "made":
            told = plate.text(f"made on {day(row['made_on'])} by {went_words(row)}{moved}")
        if row["without_notice"]:
            told += '<br><span class="chip urgent">▲ without notice</span>'
        if row["past_not_made"]:
            told += '<br><span class="chip urgent">▲ not noted as made</span>'
        if clash_words(row):
            told += f'<br><span class="chip urgent">▲ {plate.text(clash_words(row))}</span>'
        return told

    def when(row: dict[str, Any]) -> str:
        hours = hours_words(row)
        return plate.text(day(row["visit_on"])) + (f"<br>{plate.text(hours)}" if hours else "")

    def became(row: dict[str, Any]) -> str:
        parts = [
            f"{count(row[key])} {words}"
            for key, words in (
                ("open", "open"),
                ("reported", "reported, unproven"),
                ("proven", "proven"),
                ("not_repaired", "set aside or no longer indicated"),
                ("entry_refused", "with entry refused"),
                ("no_access", "without access"),
            )
            if row[key]
        ]
        return plate.text(", ".join(parts))

    return [
        plate.Column("Day", when, half=True),
        plate.Column("Dwelling", where, heads=True, width="17rem"),
        plate.Column("Who goes", goes),
        plate.Column("Findings", lambda r: count(r["findings"]), half=True),
        plate.Column("What of them is", became),
        plate.Column("Stands", stands),
    ]


def section(frame: pd.DataFrame, heading: str, key: str, nothing: str) -> None:
    """One list of visits under a heading."""
    st.subheader(heading, anchor=False)
    if frame.empty:
        empty(f"no-{key}", nothing, "Nothing is to be done here.")
        return
    more = len(frame) - SHOWN
    caption = plural(len(frame), "visit") + (f"; the first {SHOWN} shown." if more > 0 else ".")
    rows = frame.head(SHOWN).to_dict(orient="records")
    plate.show(plate.table(rows, columns(), caption), key=key)


def calendar_file(frame: pd.DataFrame) -> None:
    """All visits as a calendar file."""
    st.download_button(
        "Calendar of all visits (ICS)",
        data=lambda: visit_calendar.calendar(frame, frame.drop_duplicates("building_id")),
        file_name="visits.ics",
        mime="text/calendar",
        on_click="ignore",
        icon=":material/calendar_month:",
    )


def one_visit(frame: pd.DataFrame) -> str | None:
    """Choose a visit; its sheet and letter to print. Returns its identifier."""
    st.subheader("One visit", anchor=False)
    labels = {
        str(row["visit_id"]): f"{day(row['visit_on'])}: "
        f"{dwelling_words(row['building_id'], row['unit_id'])} ({row['visit_id']})"
        for row in frame.to_dict(orient="records")
    }
    chosen = st.selectbox(
        "Visit",
        list(labels),
        format_func=lambda key: plate.plainly(labels[key]),
        key="visit",
        index=None,
        placeholder="Choose one",
    )
    if chosen is None:
        return None
    contact = st.text_input("Contact, for the letter", key="visit-contact")
    (row,) = frame[frame["visit_id"] == chosen].to_dict(orient="records")
    known = {n: None if missing(row[n]) else str(row[n]) for n in ("name", "address")}

    def sheet() -> str:
        return visit_sheet(
            of_visits.visit(ledger(), chosen),
            rows_of_visit(chosen),
            papers=papers.papers_words(ledger(), chosen),
            beside=beside_visit(chosen),
            **known,
        )

    def letter() -> str:
        return entry_letter(
            of_visits.visit(ledger(), chosen),
            rows_of_visit(chosen),
            contact=contact or None,
            beside=beside_visit(chosen),
            **known,
        )

    def workbook() -> bytes:
        found = of_visits.visit(ledger(), chosen)
        return visit_workbook(found, rows_of_visit(chosen), rule_book())

    with st.container(horizontal=True, gap="small"):
        for label, made, name, mime in (
            ("Sheet to tick and sign (HTML)", sheet, f"{chosen}.html", "text/html"),
            ("Sheet to fill in and take in (XLSX)", workbook, f"{chosen}.xlsx", XLSX),
            ("Letter: notice of entry (HTML)", letter, f"{chosen}-letter.html", "text/html"),
        ):
            st.download_button(
                label,
                data=made,
                file_name=name,
                mime=mime,
                key=f"file-{name}",
                on_click="ignore",
                icon=":material/print:",
            )
    return str(chosen)


STEPS = {
    "notice": "Notice was given",
    "made": "It was made",
    "move": "Move it to another day or hour",
    "call_off": "Call it off",
}
"""What can be noted of a planned visit."""


def step(row: dict[str, Any], name: str) -> None:
    """Note what became of a planned visit."""
    if row["standing"] != "planned":
        return
    chosen = st.segmented_control(
        "What happened?", list(STEPS), format_func=lambda key: STEPS[key], key="visit-step"
    )
    if chosen is None:
        return
    planned = pd.Timestamp(row["visit_on"]).date()
    visit_id = str(row["visit_id"])
    with st.form(f"visit-{chosen}"):
        if chosen in ("made", "move"):
            on = st.date_input("Day", value=planned, key=f"{chosen}-on", format="YYYY-MM-DD")
        if chosen == "move":
            hours = _hours("move", row)
        elif chosen == "notice":
            on = st.date_input("Given on", value="today", key="notice-on", format="YYYY-MM-DD")
        if chosen == "made":
            words = st.text_input("Who went", value=str(row["person"]), key="visit-went")
        elif chosen != "notice":
            words = st.text_input("Why", key=f"{chosen}-why")
        sent = st.form_submit_button("Write it down", type="primary")
    if not sent:
        return
    acts: dict[str, Callable[[dict[str, str]], object]] = {
        "notice": lambda by: of_visits.give_notice(ledger(), visit_id, given_on=on, **by),
        "made": lambda by: of_visits.visit_made(ledger(), visit_id, on=on, went=words, **by),
        "move": lambda by: of_visits.move_visit(
            ledger(), visit_id, on=on, reason=words, any_time=not any(hours.values()), **hours, **by
        ),
        "call_off": lambda by: of_visits.call_off_visit(ledger(), visit_id, reason=words, **by),
    }
    _written(acts[chosen], name, f"{STEPS[chosen]}: {visit_id}.")


def _hours(key: str, row: Mapping[str, Any] | None = None) -> dict[str, str | None]:
    """Ask from when to when a visit is; blank for any time of its day."""
    found: dict[str, str | None] = {}
    labels = {"starts": "From (blank: any time)", "ends": "Until"}
    for column, (name, label) in zip(st.columns(2), labels.items(), strict=True):
        stands = None if row is None or missing(row[name]) else dt.time.fromisoformat(row[name])
        with column:
            hour = st.time_input(label, value=stands, key=f"{key}-{name}", step=900)
        found[name] = None if hour is None else f"{hour:%H:%M}"
    return found


def _written(act: Callable[[dict[str, str]], object], name: str, done: str) -> None:
    if not name:
        st.error("Give your name first: it stands beside what you write. Nothing was written.")
        return
    try:
        act({"who": name, "origin": ORIGIN})
    except CoverplateError as refusal:
        refused(refusal)
        return
    st.session_state["visit-written"] = done
    st.rerun()


def bill(row: Mapping[Any, Any], findings: pd.DataFrame, name: str) -> None:
    """One bill for all that a visit met."""
    met = findings[findings["finding_id"].isin(list(row["finding_ids"]))]
    named = [(str(r.finding_id), int(r.sequence)) for r in met.itertuples()]
    firm = "" if missing(row["firm"]) else str(row["firm"])
    with st.expander("The bill for this visit"):
        if bill_form(named, name, key=str(row["visit_id"]), firm=firm):
            st.session_state["visit-written"] = f"A bill is written on {count(len(named))}."
            st.rerun()


def plan(findings: pd.DataFrame, name: str) -> None:
    """Plan a visit to findings of one dwelling; nothing is ticked at the start."""
    st.subheader("Plan a visit", anchor=False)
    places = dwellings_and_visits.dwellings(findings)
    if places.empty:
        st.markdown("No dwelling has an open finding.")
        return
    labels = {
        (str(row["building_id"]), str(row["unit_id"])): (
            f"{dwelling_words(row['building_id'], row['unit_id'])}: "
            f"{plural(row['open'], 'open finding')}, {count(row['overdue'])} overdue"
        )
        for row in places.to_dict(orient="records")
    }
    chosen = st.selectbox(
        "Dwelling", list(labels), format_func=lambda key: plate.plainly(labels[key]), key="dwelling"
    )
    if chosen is None:
        return
    there = dwellings_and_visits.to_visit(findings, *chosen)
    every = st.checkbox(f"Tick all {count(len(there))}", key=f"every-{chosen}")
    rows = there.to_dict(orient="records")
    taken = tick_list(
        there,
        {
            "what": ("What", [what(row) for row in rows]),
            "where": ("Where", [place(row) for row in rows]),
            "severity": ("Severity", [word(row["severity_class"]) for row in rows]),
            "due": ("Due", [due_words(row) for row in rows]),
        },
        key=f"plan-{chosen}-{every}-{hash(tuple(there['finding_id']))}",
        alt="Findings of this dwelling, each with a tick",
        every=every,
    )
    with st.form("plan-visit"):
        left, right = st.columns(2)
        with left:
            person = st.text_input("Who is to go", key="plan-person")
            firm = st.text_input("Firm", key="plan-firm")
        with right:
            on = st.date_input("Day", value=None, key="plan-on", format="YYYY-MM-DD")
            note = st.text_input("Note", key="plan-note")
        hours = _hours("plan")
        sent = st.form_submit_button(
            f"Plan a visit with {plural(len(taken), 'ticked finding')}", type="primary"
        )
    if sent:
        said = {
            "person": person.strip(),
            "firm": firm.strip() or None,
            "note": note.strip() or None,
        }
        _plan(taken, name, on, {**said, **hours})


def _plan(taken: pd.DataFrame, name: str, on: object, said: dict[str, Any]) -> None:
    complete = nothing_lacks(
        ("your name", name),
        ("who is to go", said["person"]),
        ("a day", isinstance(on, dt.date)),
        ("at least one ticked finding", len(taken)),
    )
    if not complete or not isinstance(on, dt.date):
        return
    named = [(str(r.finding_id), int(r.sequence)) for r in taken.itertuples()]
    day_of = on

    def write(by: dict[str, str]) -> None:
        of_visits.plan_visit(ledger(), named, on=day_of, **said, **by)

    _written(write, name, f"A visit on {day(day_of)} is planned with {count(len(named))}.")


@screen(
    "Visits",
    "One day, one person, one dwelling, several findings. A visit repairs nothing on paper: what "
    "was done and what proves it is written on each finding.",
)
def page() -> None:
    """The screen."""
    done = st.session_state.pop("visit-written", None)
    if done:
        st.success(plate.label(done))
    findings = dated_findings()
    if findings.empty:
        empty(
            "no-findings",
            "No findings yet",
            "They are raised from the evidence: see “What is overdue?”.",
        )
        return
    frame = all_visits()
    plate.show(standing(frame), key="standing")
    past = frame[frame["past_not_made"]]
    if len(past):
        section(past, "Past, not noted as made", "past", "")
    section(frame[frame["without_notice"]], "Without notice", "unnoticed", "None lacks notice")
    section(frame[frame["coming"]], "Coming, by day", "coming", "No visit is planned")
    made = frame[frame["standing"] == "made"].sort_values("made_on", ascending=False)
    if len(made):
        section(made, "Made, the latest first", "made", "")
    if len(frame):
        calendar_file(frame)
    name = who()
    if len(frame):
        chosen = one_visit(frame)
        for row in frame[frame["visit_id"] == chosen].to_dict(orient="records"):
            step({str(key): value for key, value in row.items()}, name)
            estimate(row["building_id"], list(row["finding_ids"]), str(row["visit_id"]))
            bill(row, findings, name)
            written = papers_of(str(chosen), name)
            if written:
                st.session_state["visit-written"] = written
                st.rerun()
    plan(findings, name)


page()
