"""Filled sheets of visits that came back: what the ledger made of each."""

from __future__ import annotations

import streamlit as st

from dashboard.components.plate import label
from pipeline.ledger.landed_fixes import TakenUp


def tell_sheets(taken: TakenUp) -> None:
    """Tell which visits were noted as made, which sheets came back of visits called off, and how
    many reports name no worker."""
    for sheet in taken.sheets:
        show = st.success if sheet.outcome == "made" else st.warning
        show(label(f"Ledger: {sheet.said}."))
    if taken.workers_asked:
        st.warning(label(taken.workers_asked))
