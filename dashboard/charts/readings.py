"""How often a method reports what, under each condition."""

from __future__ import annotations

import altair as alt
import pandas as pd

from dashboard.charts.theme import Tone, colour, dressed, step
from dashboard.components.figures import percent, word

LEAST = 0.05
"""Results that no condition gives at least this often are left out."""


def readings(frame: pd.DataFrame, tone: Tone) -> alt.LayerChart:
    """A square per condition and result, its number written in it.

    Args:
        frame: columns condition, result, probability (``told_apart.readings``).
        tone: light or dark.
    """
    often = frame.groupby("result")["probability"].max()
    data = frame[frame["result"].map(often) >= LEAST].copy()
    order = [word(value) for value in dict.fromkeys(data["condition"])]
    results = [word(value) for value in dict.fromkeys(data["result"])]
    data["condition"] = data["condition"].map(word)
    data["result"] = data["result"].map(word)
    data["words"] = [percent(p) if p >= 0.02 else "" for p in data["probability"]]
    data["strong"] = data["probability"] >= 0.5
    base = alt.Chart(data).encode(
        x=alt.X(
            "result:N",
            sort=results,
            title="reported",
            axis=alt.Axis(labelAngle=0, labelExpr="split(datum.label, ' ')"),
        ),
        y=alt.Y("condition:N", sort=order, title="condition"),
        tooltip=["condition:N", "result:N", alt.Tooltip("probability:Q", format=".1%")],
    )
    squares = base.mark_rect(stroke=colour(tone, "ground"), strokeWidth=2).encode(
        color=alt.Color(
            "probability:Q",
            scale=alt.Scale(
                domain=[0, 1], range=[colour(tone, "quiet"), colour(tone, "era")], interpolate="rgb"
            ),
            legend=None,
        )
    )
    words = base.mark_text(fontWeight=600).encode(
        text="words:N",
        color=alt.condition(
            "datum.strong", alt.value(colour(tone, "ground")), alt.value(colour(tone, "ink"))
        ),
    )
    return dressed(alt.layer(squares, words).properties(height=step(len(order), 32)), tone)
