"""How many looks by lot are enough, asked and answered on a screen."""

from __future__ import annotations

import duckdb
import streamlit as st

from dashboard.components import plate
from dashboard.components.building_anew import refused
from dashboard.components.figures import word
from dashboard.components.source import Source, rule_book
from pipeline.planning.enough import BY_LOT, Enough, enough, in_rows, why_they_differ
from pipeline.warehouse.narrowing import Narrowing
from shared.faults import CoverplateError
from shared.vocabulary import Method

Asked = tuple[str, str, float, float, int | None, int]
"""One building or "", the method, how sure, the share to rule out, looks made, bad ones found."""


def panel(source: Source) -> None:
    """The question, and its answer once it was asked."""
    with st.expander("How many are enough?", key="enough-asked"):
        st.markdown(
            "How many openings, picked by lot, must be looked at to be so sure that few are "
            "dangerous; and what looks that were made prove."
        )
        wanted = _asked()
        if wanted is None:
            return
        try:
            found = source.ask(answer_of, wanted, rule_book().hash)
        except CoverplateError as refusal:
            refused(refusal)
            return
        plate.show(told(found), key="enough")


def answer_of(con: duckdb.DuckDBPyConnection, wanted: Asked, rule_book_hash: str) -> Enough:
    """The answer; remembered by all that it follows from, so the rule book's hash is named."""
    building, method, sure, share, looked, found = wanted
    return enough(
        con,
        rule_book(),
        Narrowing().of([building] if building else []),
        method=Method(method),
        confidence=sure,
        share=share,
        bad=None,
        looked=looked,
        found=found,
    )


def told(found: Enough) -> str:
    """The answer as HTML."""
    columns = [
        plate.Column("What", lambda r: plate.text(r["what"]), heads=True),
        plate.Column("Number", lambda r: plate.text(r["number"]), half=True),
    ]
    rows = [dict(zip(("what", "number"), row, strict=True)) for row in in_rows(found)]
    last = f"{BY_LOT}how many were found."
    return plate.table(rows, columns, plate.text(f"{why_they_differ(found)} {last}"))


def _asked() -> Asked | None:
    methods = [each.value for each in Method]
    with st.form("enough"):
        columns = st.columns(3)
        with columns[0]:
            building = st.text_input(
                "Only this building", key="enough-building", placeholder="its identifier; or all"
            )
            looked = st.number_input(
                "Looks by lot made already", 0, None, None, key="enough-looked", placeholder="none"
            )
        with columns[1]:
            method = st.selectbox(
                "How they are looked at",
                methods,
                index=methods.index(Method.COVER_OFF_INSPECTION.value),
                format_func=word,
                key="enough-method",
            )
            bad = st.number_input("Dangerous ones among them", 0, None, 0, key="enough-found")
        with columns[2]:
            sure = st.number_input(
                "How sure, %", 1.0, 99.99, 95.0, step=1.0, format="%g", key="enough-sure"
            )
            share = st.number_input(
                "Rule out that so many are dangerous, %",
                0.01,
                100.0,
                5.0,
                step=1.0,
                format="%g",
                key="enough-share",
            )
        if st.form_submit_button("Work it out"):
            st.session_state["enough-wanted"] = (
                building.strip(), method, sure / 100, share / 100,
                None if looked is None else int(looked), 0 if looked is None else int(bad),
            )  # fmt: skip
    wanted: Asked | None = st.session_state.get("enough-wanted")
    return wanted
