"""When a building was looked at and repaired, how, and what came of it."""

from __future__ import annotations

import altair as alt
import pandas as pd

from dashboard.charts.theme import Tone, colour, dressed, step
from dashboard.components.figures import word

OUTCOMES = (
    "fault reported",
    "no fault reported",
    "no look possible",
    "fix proven",
    "fix unproven",
)
SHAPES = ("triangle-up", "circle", "cross", "diamond", "square")
COLOURS = ("confirmed_defects", "capable", "baseline", "capable", "blind")


def timeline(frame: pd.DataFrame, tone: Tone) -> alt.Chart:
    """One mark a day, method and outcome; its size tells how many openings.

    Args:
        frame: columns observed_on, method, outcome, openings, inspectors, results
            (``whole_building.timeline``).
        tone: light or dark.
    """
    data = frame.copy()
    data["method"] = data["method"].map(word)
    present = [n for n, outcome in enumerate(OUTCOMES) if outcome in set(data["outcome"])]
    names = [OUTCOMES[n] for n in present]
    shapes = [SHAPES[n] for n in present]
    colours = [colour(tone, COLOURS[n]) for n in present]
    chart = (
        alt.Chart(data)
        .mark_point(filled=True, opacity=0.85, stroke=colour(tone, "ground"), strokeWidth=1)
        .encode(
            x=alt.X("observed_on:T", title=None, axis=alt.Axis(format="%b %Y", tickCount=6)),
            y=alt.Y("method:N", title=None),
            yOffset=alt.YOffset("outcome:N", sort=list(OUTCOMES)),
            size=alt.Size("openings:Q", scale=alt.Scale(range=[60, 420]), legend=None),
            shape=alt.Shape("outcome:N", scale=alt.Scale(domain=names, range=shapes), title=None),
            color=alt.Color("outcome:N", scale=alt.Scale(domain=names, range=colours), title=None),
            tooltip=[
                alt.Tooltip("observed_on:T", title="day", format="%-d %b %Y"),
                alt.Tooltip("method:N"),
                alt.Tooltip("outcome:N"),
                alt.Tooltip("openings:Q"),
                alt.Tooltip("results:N"),
                alt.Tooltip("inspectors:N", title="by"),
            ],
        )
        .properties(height=step(data["method"].nunique(), 62, 90))
    )
    return dressed(chart, tone)
