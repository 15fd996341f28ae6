"""A firm's bill, written on all the findings that it names or on none."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import streamlit as st

from dashboard.components.building_anew import refused
from dashboard.components.figures import plural
from dashboard.components.findings_source import ORIGIN, ledger
from dashboard.components.ticked import nothing_lacks
from pipeline.ledger.bills import write_bill
from pipeline.ledger.events import MOST_MONEY
from shared.faults import CoverplateError

IS = {
    "new": "a bill not written down yet",
    "again": "another bill, although one looks like it",
    "corrects": "in place of the last bill of this number",
}
"""What a bill can be, beside those that are written."""


def bill_form(named: Sequence[tuple[str, int]], name: str, *, key: str, firm: str = "") -> bool:
    """Offer to write a bill down; return whether one was written.

    Args:
        named: its findings, each with the version that is shown.
        name: who writes.
        key: of the form; another visit or finding needs another.
        firm: whose bill it probably is.
    """
    with st.form(f"bill-{key}"):
        left, right = st.columns(2)
        with left:
            of_firm = st.text_input("Firm", value=firm, key=f"bill-firm-{key}")
            invoice = st.text_input("Invoice number", key=f"bill-invoice-{key}")
            note = st.text_input("Note", key=f"bill-note-{key}")
        with right:
            amount = st.number_input(
                "Amount of the whole bill",
                min_value=0.0,
                max_value=float(MOST_MONEY),
                value=None,
                step=0.01,
                format="%.2f",
                key=f"bill-amount-{key}",
                help=f"It is shared to the cent over {plural(len(named), 'finding')}.",
            )
            on = st.date_input(
                "Day of the bill", value=None, key=f"bill-on-{key}", format="YYYY-MM-DD"
            )
            what = st.selectbox("It is", list(IS), format_func=IS.__getitem__, key=f"bill-is-{key}")
        sent = st.form_submit_button(f"Write the bill on {plural(len(named), 'finding')}")
    if not sent:
        return False
    complete = nothing_lacks(
        ("your name", name),
        ("a firm", of_firm.strip()),
        ("an invoice number", invoice.strip()),
        ("an amount", amount is not None),
        ("a day", isinstance(on, dt.date)),
    )
    if not complete or amount is None or not isinstance(on, dt.date):
        return False
    try:
        write_bill(
            ledger(),
            list(named),
            firm=of_firm.strip(),
            invoice=invoice.strip(),
            amount=amount,
            on=on,
            who=name,
            origin=ORIGIN,
            again=what == "again",
            corrects=what == "corrects",
            note=note.strip() or None,
        )
    except CoverplateError as refusal:
        refused(refusal)
        return False
    return True
