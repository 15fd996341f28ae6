"""Every table and every picture can be taken along: CSV and XLSX, made only when asked for."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd
import streamlit as st

from pipeline.screens.tables import as_csv, as_xlsx

XLSX_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def downloads(frame: pd.DataFrame | Callable[[], pd.DataFrame], name: str, what: str) -> None:
    """Two buttons for one frame.

    Args:
        frame: the rows, or a function that fetches them when a button is pressed.
        name: file name without ending, also the key: unique on the page.
        what: what the rows are, for the buttons' help.
    """

    def rows() -> pd.DataFrame:
        return frame() if callable(frame) else frame

    with st.container(horizontal=True, gap="small"):
        st.download_button(
            "CSV",
            data=lambda: as_csv(rows()),
            file_name=f"{name}.csv",
            mime="text/csv",
            key=f"csv-{name}",
            help=f"{what} as CSV",
            on_click="ignore",
            type="tertiary",
            icon=":material/download:",
        )
        st.download_button(
            "XLSX",
            data=lambda: as_xlsx(rows(), name),
            file_name=f"{name}.xlsx",
            mime=XLSX_TYPE,
            key=f"xlsx-{name}",
            help=f"{what} as XLSX",
            on_click="ignore",
            type="tertiary",
            icon=":material/download:",
        )
