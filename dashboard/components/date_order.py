"""Questions how a file writes dates and amounts; never guessed where it matters."""

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


MARKS = {"": "clearly", ".": "1,350.00", ",": "1.350,00"}


def decimal_mark(key: str) -> str:
    """Ask for the decimal mark; "" where the amounts are clear by themselves."""
    return st.selectbox("Amounts are written", list(MARKS), format_func=MARKS.__getitem__, key=key)
