"""Progress told honestly: states over time, and how long findings go without a proven repair."""

from __future__ import annotations

import altair as alt
import pandas as pd

from dashboard.charts.theme import Tone, colour, dressed, step
from dashboard.components.figures import STATE_WORDS, percent

_COLOURS = {
    "confirmed_defect": "confirmed_defects",
    "suspected_defect": "blind",
    "fix_disproved": "copper",
    "made_safe_defect_remains": "era",
    "fix_reported_unproven": "never",
    "repair_proven": "capable",
    "record_in_doubt": "baseline",
    "set_aside_unrepaired": "line",
    "no_longer_indicated": "quiet",
}


def states_over_time(frame: pd.DataFrame, tone: Tone) -> alt.LayerChart:
    """Findings by state and day, stacked; the latest number of each is written at the end.

    Args:
        frame: columns day, state, findings (``progress.states_over_time``).
        tone: light or dark.
    """
    present = [state for state in _COLOURS if state in set(frame["state"])]
    data = frame.assign(
        words=frame["state"].map(STATE_WORDS),
        place=[present.index(state) for state in frame["state"]],
    )
    names = [STATE_WORDS[state] for state in present]
    colours = [colour(tone, _COLOURS[state]) for state in present]
    area = (
        alt.Chart(data)
        .mark_area(interpolate="step-after", stroke=colour(tone, "ground"), strokeWidth=1)
        .encode(
            x=alt.X("day:T", title=None, axis=alt.Axis(format="%b %Y", tickCount=6)),
            y=alt.Y("findings:Q", title="findings", stack="zero", axis=alt.Axis(tickCount=5)),
            color=alt.Color(
                "words:N", scale=alt.Scale(domain=names, range=colours), title=None, sort=names
            ),
            order=alt.Order("place:Q"),
            tooltip=[
                alt.Tooltip("day:T", format="%-d %b %Y"),
                alt.Tooltip("words:N", title="state"),
                alt.Tooltip("findings:Q"),
            ],
        )
        .properties(height=320)
    )
    return dressed(alt.layer(area), tone)


def still_running(curves: pd.DataFrame, tone: Tone, *, since: str, without: str) -> alt.LayerChart:
    """Share for which something has not happened yet, by days (Kaplan–Meier).

    Args:
        curves: columns group, days, survival, low, high; each group starts with a row at day 0.
        tone: light or dark.
        since: from when days are counted, such as "first seen".
        without: what has not happened, such as "without a proven repair".
    """
    groups = list(dict.fromkeys(curves["group"]))
    palette = ["copper", "era", "capable", "blind", "confirmed_defects", "baseline"]
    colours = [colour(tone, palette[n % len(palette)]) for n in range(len(groups))]
    scale = alt.Scale(domain=groups, range=colours)
    x = alt.X("days:Q", title=f"days since {since}")
    share = alt.Axis(format="%", tickCount=5)
    ends = curves.groupby("group", sort=False).tail(1)
    layers = []
    if len(groups) == 1:
        layers.append(
            alt.Chart(curves)
            .mark_area(interpolate="step-after", opacity=0.22)
            .encode(x=x, y="low:Q", y2="high:Q", color=alt.Color("group:N", scale=scale))
        )
    layers.append(
        alt.Chart(curves)
        .mark_line(interpolate="step-after")
        .encode(
            x=x,
            y=alt.Y(
                "survival:Q",
                title=without,
                axis=share,
                scale=alt.Scale(domain=[0, 1]),
            ),
            color=alt.Color("group:N", scale=scale, title=None, legend=None),
            tooltip=[
                alt.Tooltip("group:N"),
                alt.Tooltip("days:Q"),
                alt.Tooltip("survival:Q", format=".0%", title=without),
            ],
        )
    )
    if len(groups) > 1:
        layers.append(
            alt.Chart(ends)
            .mark_text(align="left", dx=6, fontWeight=600)
            .encode(x=x, y="survival:Q", text="group:N", color=alt.Color("group:N", scale=scale))
        )
    return dressed(alt.layer(*layers).properties(height=320), tone)


def disproved(frame: pd.DataFrame, tone: Tone) -> alt.LayerChart:
    """Share of judged fixes that a look disproved, with its interval, by group.

    Args:
        frame: columns group, reported, proven, disproved, share_disproved, low, high
            (``progress.failed_verifications``).
        tone: light or dark.
    """
    data = frame.dropna(subset=["share_disproved"]).copy()
    data["words"] = [
        f"{percent(s)}: {d} of {d + p}"
        for s, d, p in zip(data["share_disproved"], data["disproved"], data["proven"], strict=True)
    ]
    y = alt.Y("group:N", sort="-x", title=None)
    axis = alt.Axis(format="%", tickCount=5)
    scale = alt.Scale(domain=[0, 1])
    base = alt.Chart(data).encode(y=y)
    lines = base.mark_rule(strokeWidth=4, color=colour(tone, "baseline"), strokeCap="round").encode(
        x=alt.X("low:Q", title="fixes disproved by a look", axis=axis, scale=scale), x2="high:Q"
    )
    points = base.mark_point(shape="diamond", size=110, opacity=1).encode(
        x=alt.X("share_disproved:Q", scale=scale)
    )
    words = base.mark_text(align="left", dx=8, dy=-10, color=colour(tone, "ink")).encode(
        x=alt.X("share_disproved:Q", scale=scale), text="words:N"
    )
    return dressed(alt.layer(lines, points, words).properties(height=step(len(data), 46)), tone)
