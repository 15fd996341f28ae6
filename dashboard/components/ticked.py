"""Lists of findings to be ticked, nothing at the start; assign or pause what is."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import get_args

import pandas as pd
import streamlit as st

from dashboard.components import plate
from dashboard.components.building_anew import refused
from dashboard.components.figures import percent, plural, word
from dashboard.components.finding_rows import due_words, place, what
from dashboard.components.findings_source import ORIGIN, ledger, who
from pipeline.ledger import Draft
from pipeline.ledger import events as ev
from pipeline.screens import findings
from shared.faults import CoverplateError

AT_ONCE = 200
"""Findings that are offered at most."""

DO = {"assign": "Assign to a firm", "pause": "Pause the own target"}


def tick_list(
    offered: pd.DataFrame,
    columns: Mapping[str, tuple[str, Sequence[object]]],
    *,
    key: str,
    alt: str,
    every: bool = False,
) -> pd.DataFrame:
    """Show findings to be ticked and return those that are.

    Args:
        offered: the findings.
        columns: what is shown of each, name to label and one cell a finding.
        key: of the widget; another list of findings needs another.
        alt: what the list is, for who cannot see it.
        every: whether all are ticked to begin with.
    """
    cells = {name: list(values) for name, (_, values) in columns.items()}
    edited = st.data_editor(
        plate.grid(pd.DataFrame({"take": every, **cells})),
        hide_index=True,
        disabled=list(columns),
        column_config={
            "take": st.column_config.CheckboxColumn("Take"),
            **{name: label for name, (label, _) in columns.items()},
        },
        height=min(320, 38 + 35 * len(offered)),
        key=key,
        alt=alt,
    )
    return offered[edited["take"].to_numpy(dtype=bool)]


def nothing_lacks(*wanted: tuple[str, object]) -> bool:
    """Say whether everything is given; name what is not.

    Args:
        wanted: words for each thing, and the thing; what is empty lacks.
    """
    lacking = [words for words, there in wanted if not there]
    if lacking:
        st.error("Still to be given: " + ", ".join(lacking) + ". Nothing was written.")
    return not lacking


def act_on_ticked(listed: pd.DataFrame) -> None:
    """Offer the findings of a list, in its order, to be ticked; write on all that are, or on none.

    Args:
        listed: findings of ``findings_source.dated_findings``.
    """
    done = st.session_state.pop("ticked-done", None)
    if done:
        st.success(plate.label(done))
    offered = findings.assignable(listed, AT_ONCE)
    if offered.empty:
        return
    with st.expander("Assign or pause some of these"):
        rows = offered.to_dict(orient="records")
        key = "ticked-" + str(hash((tuple(offered["finding_id"]), tuple(offered["sequence"]))))
        taken = tick_list(
            offered,
            {
                "what": ("What", [what(r) for r in rows]),
                "where": ("Where", [f"{r['building_id']} {place(r)}" for r in rows]),
                "urgent": ("Urgent", ["urgent" if r["urgent"] else "" for r in rows]),
                "chance": ("Chance of danger", [percent(r["chance"]) for r in rows]),
                "due": ("Due", [due_words(r) for r in rows]),
                "firm": ("Firm now", offered["firm"].tolist()),
            },
            key=key,
            alt="Overdue findings in the order chosen, each with a tick",
        )
        _form(taken)


def _form(taken: pd.DataFrame) -> None:
    with st.form("ticked"):
        left, right = st.columns(2)
        with left:
            name = who()
            do = st.selectbox("What", list(DO), format_func=DO.__getitem__, key="ticked-do")
            note = st.text_input(
                "Reason",
                key="ticked-note",
                help="A pause needs one in words; an assignment where its day is later than a "
                "finding’s first target.",
            )
        with right:
            firm = st.text_input("Firm, to assign", key="ticked-firm")
            due_on = st.date_input(
                "Due on, to assign", value=None, key="ticked-due", format="YYYY-MM-DD"
            )
            waits = st.selectbox(
                "What it waits for, to pause",
                get_args(ev.Paused.model_fields["reason"].annotation),
                format_func=word,
                key="ticked-waits",
            )
        sent = st.form_submit_button(f"Write on {plural(len(taken), 'finding')}", type="primary")
    if not sent:
        return
    if not nothing_lacks(
        ("your name", name),
        ("a firm", firm.strip() or do != "assign"),
        ("at least one finding, ticked", len(taken)),
    ):
        return
    payload: ev.Payload
    if do == "assign":
        day = due_on if isinstance(due_on, dt.date) else None
        payload = ev.Assigned(firm=firm.strip(), due_on=day, note=note.strip() or None)
    else:
        payload = ev.Paused(since=dt.date.today(), reason=waits, note=note.strip() or None)
    drafts = [Draft(str(r.finding_id), payload, int(r.sequence)) for r in taken.itertuples()]
    try:
        written = ledger().append_many(drafts, who=name, origin=ORIGIN)
    except CoverplateError as refusal:
        refused(refusal)
        return
    told = f"assigned to {firm.strip()}" if do == "assign" else "paused"
    st.session_state["ticked-done"] = f"{plural(len(written), 'finding')} {told}."
    st.rerun()
