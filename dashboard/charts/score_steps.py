"""How one score comes about: baseline and ingredients that add up to it."""

from __future__ import annotations

import altair as alt
import pandas as pd

from dashboard.charts.theme import Tone, colour, dressed, step
from dashboard.components.figures import number, signed


def score_steps(frame: pd.DataFrame, tone: Tone) -> alt.LayerChart:
    """Bars that begin where the one before ends; the last one is the whole.

    Args:
        frame: columns step, label, value, start, end (``whole_building.score_steps``).
        tone: light or dark.
    """
    data = frame.copy()
    whole = data["step"].isin(["baseline", "score"])
    data["words"] = [
        number(v) if is_whole else signed(v)
        for v, is_whole in zip(data["value"], whole, strict=True)
    ]
    data["right"] = data[["start", "end"]].max(axis=1)
    names = data["step"].tolist()
    colours = [colour(tone, "copper" if name == "score" else name) for name in names]
    most = float(data["right"].max())
    least = min(0.0, float(data[["start", "end"]].min().min()))
    x = alt.X(
        "start:Q",
        title="score",
        scale=alt.Scale(domain=[least, most + 0.1 * (most - least) or 1.0], nice=False),
        axis=alt.Axis(tickCount=5),
    )
    rows = alt.Scale(domain=data["label"].tolist())
    y = alt.Y("label:N", scale=rows, sort=None, title=None)
    base = alt.Chart(data).encode(y=y)
    bars = base.mark_bar(height={"band": 0.62}).encode(
        x=x,
        x2="end:Q",
        color=alt.Color("step:N", scale=alt.Scale(domain=names, range=colours), legend=None),
        tooltip=[
            alt.Tooltip("label:N", title="step"),
            alt.Tooltip("words:N", title="adds"),
            alt.Tooltip("meaning:N", title="what it is"),
        ],
    )
    links = (
        alt.Chart(_links(data))
        .mark_rule(color=colour(tone, "soft"), strokeDash=[2, 3])
        .encode(
            x="at:Q",
            y=alt.Y("upper:N", scale=rows, sort=None),
            y2="lower:N",
        )
    )
    words = base.mark_text(align="left", dx=6, fontWeight=600, color=colour(tone, "ink")).encode(
        x="right:Q", text="words:N"
    )
    return dressed(alt.layer(links, bars, words).properties(height=step(len(data), 34)), tone)


def _links(data: pd.DataFrame) -> pd.DataFrame:
    """Where one bar's end meets the next one's start."""
    return pd.DataFrame(
        {
            "at": data["end"].iloc[:-1].to_numpy(),
            "upper": data["label"].iloc[:-1].to_numpy(),
            "lower": data["label"].iloc[1:].to_numpy(),
        }
    )
