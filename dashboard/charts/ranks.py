"""How sure a ranking is: each building's rank and the interval that holds it."""

from __future__ import annotations

import altair as alt
import pandas as pd

from dashboard.charts.theme import Tone, colour, dressed, step


def rank_intervals(frame: pd.DataFrame, k: int, tone: Tone) -> alt.LayerChart:
    """Rank and rank interval of each listed building, with the first K shaded.

    Args:
        frame: columns position, name, rank, rank_low, rank_high (``where_next.listed``).
        k: where the shaded part ends.
        tone: light or dark.
    """
    data = frame[["position", "name", "building_id", "rank", "rank_low", "rank_high"]].copy()
    data["label"] = data["rank"].astype(str) + "  " + data["name"].astype(str)
    data["interval"] = data["rank_low"].astype(str) + "–" + data["rank_high"].astype(str)
    last = max(int(data[["rank", "rank_high"]].max().max()), k) if len(data) else k
    scale = alt.Scale(domain=[0.5, last + 0.5], nice=False, zero=False)
    order = alt.EncodingSortField("position")
    axis = alt.Axis(orient="top", tickMinStep=1, format="d", tickCount=6)
    y = alt.Y("label:N", sort=order, title=None, axis=alt.Axis(labelLimit=190))
    base = alt.Chart(data)
    tooltip = [
        alt.Tooltip("name:N", title="building"),
        alt.Tooltip("rank:Q", title="rank"),
        alt.Tooltip("interval:N", title="interval"),
    ]
    first = (
        alt.Chart(
            pd.DataFrame({"from": [0.5], "to": [min(k, last) + 0.5], "words": [f"first {k}"]})
        )
        .mark_rect(color=colour(tone, "quiet"))
        .encode(x=alt.X("from:Q", scale=scale, axis=axis, title="rank"), x2="to:Q")
    )
    lines = base.mark_rule(strokeWidth=5, strokeCap="round", color=colour(tone, "baseline")).encode(
        x=alt.X("rank_low:Q", scale=scale, axis=axis, title="rank"),
        x2="rank_high:Q",
        y=y,
        tooltip=tooltip,
    )
    points = base.mark_point(
        shape="diamond", size=90, color=colour(tone, "copper"), opacity=1
    ).encode(x=alt.X("rank:Q", scale=scale, axis=axis), y=y, tooltip=tooltip)
    return dressed(alt.layer(first, lines, points).properties(height=step(len(data), 22)), tone)
