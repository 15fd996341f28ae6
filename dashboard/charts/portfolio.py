"""The portfolio by era: how many, how mixed, how well looked at; blind spots; a plain map."""

from __future__ import annotations

import altair as alt
import pandas as pd

from dashboard.charts.theme import Tone, colour, dressed, readable_on, step
from dashboard.components.figures import amount, count, percent, word

EVIDENCE = ("capable method", "blind methods only", "never looked at")
SLOTS = ("mixed", "three-slot only", "two-slot only", "not seen")


def _stacked(
    data: pd.DataFrame,
    value: str,
    group: str,
    parts: tuple[str, ...],
    colours: list[str],
    tone: Tone,
    *,
    by: str,
    title: str,
    whole: dict[str, str],
    order: list[str],
) -> alt.LayerChart:
    """Stacked bars with the number of each part inside it where there is room."""
    most = float(data.groupby(group)[value].sum().max() or 1)
    shown = data.assign(
        words=[
            (amount(v) if value == "insured" else count(v)) if v >= most * 0.07 else ""
            for v in data[value]
        ],
        ink=[readable_on(colours[parts.index(name)]) for name in data[by]],
    )
    y = alt.Y(f"{group}:N", sort=order, title=None)
    base = alt.Chart(shown).encode(
        y=y,
        order=alt.Order("place:Q"),
        tooltip=[
            alt.Tooltip(f"{group}:N", title="group"),
            alt.Tooltip(f"{by}:N", title=by.replace("_", " ")),
            alt.Tooltip(f"{value}:Q", format=",.0f"),
        ],
    )
    x = alt.X(
        f"{value}:Q",
        title=title,
        stack="zero",
        axis=alt.Axis(tickCount=4, format="~s" if value == "insured" else ",d"),
        scale=alt.Scale(domain=[0, most * 1.16], nice=False),
    )
    bars = base.mark_bar(
        height={"band": 0.7}, stroke=colour(tone, "ground"), strokeWidth=1.5
    ).encode(
        x=x,
        color=alt.Color(
            f"{by}:N",
            scale=alt.Scale(domain=list(parts), range=colours),
            title=None,
            sort=list(parts),
        ),
    )
    words = base.mark_text(fontWeight=600, fontSize=11).encode(
        x=alt.X(f"{value}:Q", stack="zero", bandPosition=0.5),
        text="words:N",
        color=alt.Color("ink:N", scale=None),
    )
    sums = shown.groupby(group, as_index=False, sort=False)[value].sum()
    sums["words"] = [whole.get(str(name), "") for name in sums[group]]
    ends = (
        alt.Chart(sums)
        .mark_text(align="left", dx=5, color=colour(tone, "soft"), fontSize=11.5)
        .encode(x=f"{value}:Q", y=y, text="words:N")
    )
    return dressed(
        alt.layer(bars, words, ends).properties(height=step(data[group].nunique(), 34)), tone
    )


def evidence_by_era(frame: pd.DataFrame, tone: Tone) -> alt.LayerChart:
    """Openings by era and by what was done about them (``portfolio.evidence_by_era``)."""
    colours = [colour(tone, name) for name in ("capable", "blind", "never")]
    sums = frame.groupby("era_label", sort=False)["openings"].sum()
    return _stacked(
        frame,
        "openings",
        "era_label",
        EVIDENCE,
        colours,
        tone,
        by="evidence",
        title="openings",
        whole={str(name): count(total) for name, total in sums.items()},
        order=list(dict.fromkeys(frame["era_label"])),
    )


def slots_by_era(frame: pd.DataFrame, tone: Tone) -> alt.LayerChart:
    """Buildings by era and by the slots seen in them (``portfolio.slots_by_era``)."""
    colours = [colour(tone, name) for name in ("mixed_openings", "era", "occupancy", "never")]
    sums = frame.groupby("era_label", sort=False)["buildings"].sum()
    return _stacked(
        frame,
        "buildings",
        "era_label",
        SLOTS,
        colours,
        tone,
        by="slots_seen",
        title="buildings",
        whole={str(name): count(total) for name, total in sums.items()},
        order=list(dict.fromkeys(frame["era_label"])),
    )


def insured_by_group(frame: pd.DataFrame, tone: Tone) -> alt.LayerChart:
    """Insured value by group and evidence (``exposed.by_group``)."""
    colours = [colour(tone, name) for name in ("capable", "blind", "never")]
    sums = frame.groupby("name", sort=False)["insured"].sum()
    return _stacked(
        frame,
        "insured",
        "name",
        EVIDENCE,
        colours,
        tone,
        by="evidence",
        title="insured value",
        whole={str(name): amount(total) for name, total in sums.items()},
        order=list(dict.fromkeys(frame["name"])),
    )


def conditions(frame: pd.DataFrame, tone: Tone) -> alt.LayerChart:
    """Openings expected in each condition, recorded and not (``portfolio.conditions``)."""
    data = frame.copy()
    data["condition"] = data["condition"].map(word)
    sums = data.groupby("condition")["openings"].sum().sort_values(ascending=False)
    kinds = ("recorded", "never recorded")
    data["place"] = [kinds.index(kind) for kind in data["kind"]]
    colours = [colour(tone, "era"), colour(tone, "never")]
    return _stacked(
        data,
        "openings",
        "condition",
        kinds,
        colours,
        tone,
        by="kind",
        title="expected openings",
        whole={str(name): count(total) if total >= 1 else "<1" for name, total in sums.items()},
        order=[str(name) for name in sums.index],
    )


def blind_spots(frame: pd.DataFrame, tone: Tone) -> alt.LayerChart:
    """Three-slot openings that no capable method saw, by group (``portfolio.blind_spots``)."""
    data = frame.assign(
        words=[
            f"{count(b)} of {count(t)}, {percent(s)}"
            for b, t, s in zip(
                frame["blind"], frame["three_slots"], frame["blind_share"], strict=True
            )
        ]
    )
    y = alt.Y("name:N", sort=data["name"].tolist(), title=None)
    scale = alt.Scale(domain=[0, float(data["three_slots"].max() or 1) * 1.3], nice=False)
    base = alt.Chart(data).encode(
        y=y,
        tooltip=[
            alt.Tooltip("name:N", title="group"),
            alt.Tooltip("words:N", title="blind"),
            alt.Tooltip("buildings:Q", format=","),
        ],
    )
    every = base.mark_bar(
        height={"band": 0.66}, color="transparent", stroke=colour(tone, "baseline")
    ).encode(
        x=alt.X(
            "three_slots:Q", scale=scale, title="three-slot openings", axis=alt.Axis(tickCount=5)
        )
    )
    blind = base.mark_bar(height={"band": 0.66}, color=colour(tone, "blind")).encode(
        x=alt.X("blind:Q", scale=scale)
    )
    words = base.mark_text(align="left", dx=5, color=colour(tone, "ink")).encode(
        x=alt.X("three_slots:Q", scale=scale), text="words:N"
    )
    return dressed(alt.layer(every, blind, words).properties(height=step(len(data), 30)), tone)


def places(frame: pd.DataFrame, tone: Tone) -> alt.LayerChart:
    """Buildings by longitude and latitude, drawn plainly; urgent ones as triangles.

    Args:
        frame: columns longitude, latitude, buildings, score, dangerous, urgent, blind_share, label
            (``portfolio.places``).
        tone: light or dark.
    """
    data = frame.assign(
        kind=["urgent" if urgent > 0 else "no urgent opening" for urgent in frame["urgent"]],
        blind=[percent(share) for share in frame["blind_share"]],
    )
    size = alt.Size(
        "dangerous:Q",
        scale=alt.Scale(range=[25, 700]),
        title="expected dangerous openings",
        legend=alt.Legend(symbolType="circle", tickCount=3),
    )
    chart = (
        alt.Chart(data)
        .mark_point(filled=True, opacity=0.72, stroke=colour(tone, "ground"), strokeWidth=0.7)
        .encode(
            x=alt.X(
                "longitude:Q",
                scale=alt.Scale(zero=False, nice=True),
                title="longitude, °",
                axis=alt.Axis(tickCount=5),
            ),
            y=alt.Y(
                "latitude:Q",
                scale=alt.Scale(zero=False, nice=True),
                title="latitude, °",
                axis=alt.Axis(tickCount=5),
            ),
            size=size,
            shape=alt.Shape(
                "kind:N",
                scale=alt.Scale(
                    domain=["no urgent opening", "urgent"], range=["circle", "triangle-up"]
                ),
                title=None,
            ),
            color=alt.Color(
                "kind:N",
                scale=alt.Scale(
                    domain=["no urgent opening", "urgent"],
                    range=[colour(tone, "era"), colour(tone, "urgent")],
                ),
                title=None,
            ),
            tooltip=[
                alt.Tooltip("label:N", title="building"),
                alt.Tooltip("dangerous:Q", title="expected dangerous openings", format=",.0f"),
                alt.Tooltip("blind:N", title="blind share"),
            ],
        )
        .properties(height=430)
    )
    names = (
        alt.Chart(data.nlargest(5, "dangerous") if len(data) <= 1500 else data.head(0))
        .mark_text(align="left", dx=12, color=colour(tone, "ink"), fontSize=11)
        .encode(x="longitude:Q", y="latitude:Q", text="label:N")
    )
    return dressed(alt.layer(chart, names), tone)
