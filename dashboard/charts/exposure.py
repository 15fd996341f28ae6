"""How the expected harm gathers in a part of the insured value."""

from __future__ import annotations

import altair as alt
import pandas as pd

from dashboard.charts.theme import Tone, colour, dressed
from dashboard.components.figures import percent


def concentration(frame: pd.DataFrame, tone: Tone) -> alt.LayerChart:
    """Share of the expected harm against share of the insured value, both cumulative.

    Args:
        frame: columns share_insured, share_score, buildings (``exposed.concentration``).
        tone: light or dark.
    """
    share = alt.Axis(format="%", tickCount=5)
    line = (
        alt.Chart(frame)
        .mark_line(color=colour(tone, "copper"))
        .encode(
            x=alt.X("share_insured:Q", title="share of the insured value", axis=share),
            y=alt.Y("share_score:Q", title="share of the expected harm", axis=share),
            order="share_insured:Q",
            tooltip=[
                alt.Tooltip("share_insured:Q", format=".0%", title="insured value"),
                alt.Tooltip("share_score:Q", format=".0%", title="expected harm"),
                alt.Tooltip("buildings:Q", format=","),
            ],
        )
    )
    even = (
        alt.Chart(pd.DataFrame({"at": [0, 1]}))
        .mark_line(color=colour(tone, "soft"), strokeDash=[4, 4], strokeWidth=1.2)
        .encode(x="at:Q", y="at:Q")
    )
    layers = [even, line]
    half = frame[frame["share_score"] >= 0.5].head(1)
    if len(half):
        told = half.assign(
            words=[f"half the harm in {percent(v)} of the value" for v in half["share_insured"]]
        )
        at = alt.Chart(told).encode(x="share_insured:Q", y="share_score:Q")
        layers += [
            at.mark_point(size=110, shape="diamond", color=colour(tone, "copper"), opacity=1),
            at.mark_text(
                align="left", dx=12, dy=12, fontWeight=600, color=colour(tone, "ink")
            ).encode(text="words:N"),
        ]
    return dressed(alt.layer(*layers).properties(height=320), tone)
