"""Findings: narrow them down, assign many at once, take a work list along."""

from __future__ import annotations

import datetime as dt
import tempfile
from pathlib import Path

import pandas as pd
import streamlit as st
from streamlit.runtime.uploaded_file_manager import UploadedFile

from dashboard.components import plate, uploads
from dashboard.components.building_anew import refused
from dashboard.components.date_order import date_order, decimal_mark
from dashboard.components.downloads import downloads
from dashboard.components.figures import STATE_WORDS, count, plural, word
from dashboard.components.finding_rows import (
    due_words,
    finding_class,
    finding_columns,
    place,
    what,
)
from dashboard.components.findings_source import ORIGIN, dated_findings, ledger, who
from dashboard.components.frame import empty, follow, screen
from dashboard.components.source import rule_book
from dashboard.components.ticked import nothing_lacks, tick_list
from pipeline.landing.cells import DateOrder, DecimalMark
from pipeline.ledger import Draft, worklist
from pipeline.ledger import events as ev
from pipeline.ledger.fix_reports import export_set_aside, import_fix_reports, rows_set_aside
from pipeline.screens import findings
from pipeline.screens.findings import CLASSES, STANDINGS, Wanted
from shared.faults import CoverplateError

SHOWN = 40
AT_ONCE = 500
"""Findings that one assignment takes at most."""


def wanted(frame: pd.DataFrame) -> Wanted:
    """What the list is narrowed to, kept in the address."""
    standing = st.segmented_control(
        "Standing",
        list(STANDINGS),
        format_func=lambda key: STANDINGS[key],
        key="standing",
        bind="query-params",
    )
    search = st.text_input(
        "Search", key="q", bind="query-params", placeholder="Building, unit, opening, condition"
    )
    with st.expander("Narrow down by manager, owner, firm, state or severity"):
        left, middle, right = st.columns(3)
        with left:
            managers = _several("Manager", frame["manager"], "manager")
            owners = _several("Owner", frame["owner"], "owner")
        with middle:
            firms = _several("Firm", frame["firm"], "firm")
            classes = st.multiselect(
                "Severity", CLASSES, format_func=word, key="severity", bind="query-params"
            )
        with right:
            states = st.multiselect(
                "State",
                list(STATE_WORDS),
                format_func=lambda key: STATE_WORDS[key],
                key="state",
                bind="query-params",
            )
    return Wanted(
        standing=standing or "",
        managers=managers,
        owners=owners,
        firms=firms,
        states=tuple(states),
        classes=tuple(classes),
        building_id=st.query_params.get("building", ""),
        search=search or "",
    )


def _several(label: str, values: pd.Series, key: str) -> tuple[str, ...]:
    options = sorted(str(v) for v in values.dropna().unique())
    return tuple(
        st.multiselect(
            label,
            options,
            format_func=plate.plainly,
            key=key,
            bind="query-params",
            placeholder="All",
        )
    )


def take_along(chosen: pd.DataFrame) -> None:
    """The list as a work list: as a table, and to print."""

    def rows() -> pd.DataFrame:
        wanted_ids = set(chosen["finding_id"])
        known = chosen.drop_duplicates("building_id")[["building_id", "name", "address"]]
        frame = worklist.work_list(ledger(), rule_book(), buildings=known)
        return frame[frame["finding_id"].isin(wanted_ids)]

    st.caption("Work list of what is still to be done in this list, with the remedies accepted.")
    downloads(rows, "work-list", "Work list")
    st.download_button(
        "Printable work list (HTML)",
        data=lambda: worklist.printable(rows(), "Work list"),
        file_name="work-list.html",
        mime="text/html",
        on_click="ignore",
        icon=":material/print:",
    )


def fix_reports() -> None:
    """Fix reports from a contractor's file: every row is reported, a duplicate, or set aside."""
    st.subheader("Fix reports from a firm", anchor=False)
    st.markdown(
        "A table with a row a repair: finding or opening, remedy, day, and what else is known. A "
        "reported fix is not proven by being reported."
    )
    with st.form("fix-reports"):
        left, right = st.columns(2)
        with left:
            given = st.file_uploader("CSV, XLSX, JSON or Parquet", key="fix-file")
            name = st.text_input("Your name", key="who-reports")
        with right:
            firm = st.text_input("Firm, where the file names none", key="fix-firm")
            order = date_order("fix-dates")
            mark = decimal_mark("fix-mark")
        sent = st.form_submit_button("Take them in")
    if sent and (given is None or not name.strip()):
        st.error("Choose a file and give your name. Nothing was written.")
    elif sent:
        _reports_in(given, name.strip(), firm.strip(), order or None, mark or None)
    result = st.session_state.pop("fix-imported", None)
    if result is not None:
        st.dataframe(
            plate.grid(result), hide_index=True, alt="What became of every row of the file"
        )
        downloads(result, "fix-reports", "What became of every row")
    waiting = len(rows_set_aside(ledger()))
    if waiting:
        st.markdown(f"{plural(waiting, 'row')} set aside, with every reason.")
        st.download_button(
            "Download for correction (CSV)",
            data=_set_aside,
            file_name="fix-reports-set-aside.csv",
            mime="text/csv",
            on_click="ignore",
            icon=":material/download:",
        )


def _reports_in(
    given: UploadedFile, name: str, firm: str, order: DateOrder | None, mark: DecimalMark | None
) -> None:
    with uploads.lent(given) as path:
        try:
            results = import_fix_reports(
                ledger(), path, who=name, firm=firm or None, date_order=order, decimal_mark=mark
            )
        except CoverplateError as refusal:
            refused(refusal)
            return
    st.session_state["fix-imported"] = pd.DataFrame(
        [
            (
                word(row.outcome),
                row.row,
                row.finding_id,
                "; ".join(
                    [f"{r.column}: {r.found}, expected {r.expected}" for r in row.reasons]
                    + row.questions
                ),
            )
            for result in results
            for row in result.rows
        ],
        columns=["outcome", "row", "finding", "reasons and questions"],
    )
    st.rerun()


def _set_aside() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "set-aside.csv"
        export_set_aside(ledger(), path)
        return path.read_bytes()


def assign(frame: pd.DataFrame) -> None:
    """Assign many findings to a firm at once, all or none; nothing is ticked at the start."""
    st.subheader("Assign", anchor=False)
    open_ones = findings.assignable(frame, AT_ONCE)
    if open_ones.empty:
        st.markdown("Nothing in this list is open.")
        return
    every = st.checkbox(f"Tick all {count(len(open_ones))}", key="assign-every")
    key = f"assign-{every}-{hash(tuple(open_ones['finding_id']))}"
    rows = open_ones.to_dict(orient="records")
    taken = tick_list(
        open_ones,
        {
            "what": ("What", [what(r) for r in rows]),
            "where": ("Where", [f"{r['building_id']} {place(r)}" for r in rows]),
            "due": ("Due", [due_words(r) for r in rows]),
            "firm": ("Firm now", open_ones["firm"].tolist()),
        },
        key=key,
        alt="Open findings of this list, each with a tick",
        every=every,
    )
    with st.form("assign"):
        left, right = st.columns(2)
        with left:
            name = who()
            firm = st.text_input("Firm", key="assign-firm")
        with right:
            due_on = st.date_input("Due on", value=None, key="assign-due", format="YYYY-MM-DD")
            note = st.text_input(
                "Note",
                key="assign-note",
                help="The reason, where the day is later than a finding's first target. Without a "
                "day the present targets stay.",
            )
        sent = st.form_submit_button(
            f"Assign {plural(len(taken), 'ticked finding')}", type="primary"
        )
    if sent:
        _write(taken, name, firm.strip(), due_on if isinstance(due_on, dt.date) else None, note)


def _write(taken: pd.DataFrame, name: str, firm: str, due_on: dt.date | None, note: str) -> None:
    if not nothing_lacks(
        ("your name", name), ("a firm", firm), ("at least one ticked finding", len(taken))
    ):
        return
    payload = ev.Assigned(firm=firm, due_on=due_on, note=note.strip() or None)
    drafts = [Draft(str(r.finding_id), payload, int(r.sequence)) for r in taken.itertuples()]
    try:
        written = ledger().append_many(drafts, who=name, origin=ORIGIN)
    except CoverplateError as refusal:
        refused(refusal)
        return
    st.session_state["assigned"] = f"{plural(len(written), 'finding')} assigned to {firm}."
    st.rerun()


@screen(
    "Findings",
    "Every defect that is confirmed or suspected, and every record in doubt, with what was done "
    "about it.",
)
def page() -> None:
    """The screen."""
    done = st.session_state.pop("assigned", None)
    if done:
        st.success(plate.label(done))
    frame = dated_findings()
    if frame.empty:
        empty(
            "no-findings",
            "No findings yet",
            "They are raised from the evidence: see “What is overdue?”.",
        )
        return
    chosen = findings.narrowed(frame, wanted(frame))
    if chosen.empty:
        empty("none-fits", "No finding fits", f"None of the {count(len(frame))} findings fits.")
        return
    more = len(chosen) - SHOWN
    body = plate.table(
        chosen.head(SHOWN).to_dict(orient="records"),
        finding_columns(),
        f"{plural(len(chosen), 'finding')}, most pressing first"
        + (f"; the first {SHOWN} shown." if more > 0 else "."),
        row_class=finding_class,
    )
    follow(plate.show(body, key="findings"))
    take_along(chosen)
    assign(chosen)
    fix_reports()


page()
