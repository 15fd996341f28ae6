"""Who moves when the numbers of the rule book change."""

from __future__ import annotations

import altair as alt
import pandas as pd

from dashboard.charts.theme import Tone, colour, dressed, step


def moves(frame: pd.DataFrame, tone: Tone) -> alt.LayerChart:
    """Rank now (open ring) and rank under the tried numbers (diamond), joined by a line.

    Args:
        frame: columns building_id, name, rank, other_rank, move; one row a line of the picture.
        tone: light or dark.
    """
    data = frame.copy()
    data["label"] = data["name"].fillna(data["building_id"])
    data["words"] = [
        "same place" if move == 0 else f"{'up' if move > 0 else 'down'} {abs(move)}"
        for move in data["move"]
    ]
    data["right"] = data[["rank", "other_rank"]].max(axis=1)
    y = alt.Y("label:N", sort=alt.EncodingSortField("rank"), title=None)
    base = alt.Chart(data).encode(
        y=y,
        tooltip=[
            alt.Tooltip("label:N", title="building"),
            alt.Tooltip("rank:Q", title="now"),
            alt.Tooltip("other_rank:Q", title="tried"),
        ],
    )
    axis = alt.Axis(orient="top", tickMinStep=1, format="d", tickCount=6)
    scale = alt.Scale(domain=[0, float(data["right"].max()) * 1.12 + 1], nice=False)
    lines = base.mark_rule(strokeWidth=2, color=colour(tone, "baseline")).encode(
        x=alt.X("rank:Q", title="rank: ring now, diamond tried", axis=axis, scale=scale),
        x2="other_rank:Q",
    )
    now = base.mark_point(
        shape="circle", filled=False, size=70, strokeWidth=2, color=colour(tone, "baseline")
    ).encode(x=alt.X("rank:Q", scale=scale))
    tried = base.mark_point(
        shape="diamond", size=110, opacity=1, color=colour(tone, "copper")
    ).encode(x=alt.X("other_rank:Q", scale=scale))
    words = base.mark_text(align="left", dx=10, color=colour(tone, "soft"), fontSize=11).encode(
        x=alt.X("right:Q", scale=scale), text="words:N"
    )
    return dressed(alt.layer(lines, now, tried, words).properties(height=step(len(data), 24)), tone)
