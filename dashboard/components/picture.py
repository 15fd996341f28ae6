"""Shows a chart in the current theme, with its words and its data."""

from __future__ import annotations

from collections.abc import Callable

import altair as alt
import pandas as pd
import streamlit as st

from dashboard.charts.theme import Tone
from dashboard.components.downloads import downloads


def tone() -> Tone:
    """Light or dark, as the person sees the page."""
    return "dark" if st.context.theme.type == "dark" else "light"


def picture(
    chart: alt.TopLevelMixin,
    words: str,
    data: pd.DataFrame | Callable[[], pd.DataFrame],
    name: str,
) -> None:
    """Show a chart.

    Args:
        chart: made by one of ``dashboard.charts``.
        words: what it shows, for those who do not see it.
        data: its data, for the download.
        name: file name of the data, unique on the page.
    """
    st.altair_chart(chart, theme=None, width="stretch", key=f"chart-{name}", alt=words)
    downloads(data, name, f"Data of this picture ({words[:60]} …)")
