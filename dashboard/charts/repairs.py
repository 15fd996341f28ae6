"""What is left of the expected harm for how much money a year."""

from __future__ import annotations

import altair as alt
import pandas as pd

from dashboard.charts.theme import Tone, colour, dressed


def harm_for_money(frontier: pd.DataFrame, asked: float | None, tone: Tone) -> alt.LayerChart:
    """Harm left against the budget of a year; the one that was asked for is ringed.

    Args:
        frontier: ``RepairPlan.frontier``.
        asked: the budget a year that was asked for, if there was one.
        tone: light or dark.
    """
    base = alt.Chart(frontier).encode(
        x=alt.X(
            "budget:Q",
            title="budget a year",
            axis=alt.Axis(format=",.0f", tickCount=4),
            scale=alt.Scale(
                domain=[0, 1.08 * max(float(frontier["budget"].max()), 1.0)], nice=False
            ),
        ),
        tooltip=[
            alt.Tooltip("budget:Q", format=",.0f", title="budget a year"),
            alt.Tooltip("cost:Q", format=",.0f", title="spent in all"),
            alt.Tooltip("harm_left:Q", format=",.4g", title="harm left"),
            alt.Tooltip("bound_left:Q", format=",.4g", title="no plan leaves less than"),
        ],
    )
    left = alt.Y(
        "harm_left:Q",
        title="harm left",
        axis=alt.Axis(tickCount=5),
        scale=alt.Scale(domainMin=0),
    )
    layers = [
        base.mark_line(color=colour(tone, "copper")).encode(y=left),
        base.mark_point(color=colour(tone, "copper"), opacity=1, size=60).encode(y=left),
        base.mark_tick(
            color=colour(tone, "ink"), orient="horizontal", thickness=1.5, size=18
        ).encode(y=alt.Y("bound_left:Q")),
    ]
    if asked is not None:
        ring = base.transform_filter(alt.datum.budget == asked)
        layers.append(
            ring.mark_point(
                filled=False, size=220, strokeWidth=2, color=colour(tone, "ink"), opacity=1
            ).encode(y=left)
        )
    return dressed(alt.layer(*layers).properties(height=320), tone)
