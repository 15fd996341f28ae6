"""The question in which order a file writes its dates; never guessed where it matters."""

from __future__ import annotations

import streamlit as st

ORDERS = {
    "": "clearly",
    "dmy": "day, month, year",
    "mdy": "month, day, year",
    "ymd": "year, month, day",
}


def date_order(key: str) -> str:
    """Ask for the order; "" where the dates are clear by themselves."""
    return st.selectbox("Dates are written", list(ORDERS), format_func=ORDERS.__getitem__, key=key)
