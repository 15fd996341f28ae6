"""One look for every picture: colours by meaning, direct labels, no ornament.

The colours stand for things, not for places in a list. They keep apart for the common kinds of
colour blindness (blue, ochre, red-brown and green-blue of differing lightness) and at least 3 to 1
against the ground; and no picture tells by colour alone.
"""

from __future__ import annotations

from typing import Any, Literal, TypeVar

import altair as alt

Tone = Literal["light", "dark"]
Picture = TypeVar("Picture", alt.Chart, alt.LayerChart, alt.HConcatChart, alt.VConcatChart)

COLOURS: dict[Tone, dict[str, str]] = {
    "light": {
        "ground": "#FBF9F4",
        "ink": "#14171A",
        "soft": "#5C584F",
        "line": "#D9D1C2",
        "copper": "#8A4518",
        "baseline": "#8F8778",
        "era": "#2F5D8A",
        "mixed_openings": "#96650F",
        "confirmed_defects": "#9C2F1A",
        "occupancy": "#0E5E50",
        "capable": "#21705F",
        "blind": "#C08A2E",
        "never": "#B3AA9A",
        "urgent": "#98231C",
        "quiet": "#E8E1D3",
    },
    "dark": {
        "ground": "#1A1816",
        "ink": "#EFE9DE",
        "soft": "#B5AC9E",
        "line": "#453F38",
        "copper": "#E09A62",
        "baseline": "#8F8778",
        "era": "#86B4DE",
        "mixed_openings": "#E2B552",
        "confirmed_defects": "#F08F72",
        "occupancy": "#66C4B0",
        "capable": "#3F9C88",
        "blind": "#B98628",
        "never": "#6E665B",
        "urgent": "#FF9D8A",
        "quiet": "#332E2A",
    },
}
"""Colours by what they stand for, for each tone."""

FONT = '"Source Sans", "Source Sans Pro", sans-serif'


def colour(tone: Tone, name: str) -> str:
    """The colour of a thing."""
    return COLOURS[tone][name]


def _config(tone: Tone) -> dict[str, Any]:
    c = COLOURS[tone]
    axis = {
        "domain": False,
        "ticks": False,
        "grid": False,
        "labelColor": c["soft"],
        "titleColor": c["soft"],
        "labelFontSize": 12,
        "titleFontSize": 12,
        "titleFontWeight": "normal",
        "labelLimit": 220,
        "labelPadding": 6,
    }
    return {
        "background": c["ground"],
        "font": FONT,
        "view": {"stroke": None},
        "axis": axis,
        "axisQuantitative": {"grid": True, "gridColor": c["line"], "gridOpacity": 0.7},
        "title": {"color": c["ink"], "anchor": "start", "fontSize": 14, "fontWeight": 600},
        "text": {"color": c["ink"], "fontSize": 12},
        "bar": {"color": c["copper"]},
        "rule": {"color": c["soft"]},
        "point": {"color": c["copper"], "filled": True, "size": 70},
        "line": {"color": c["copper"], "strokeWidth": 2.5},
        "legend": {
            "labelColor": c["ink"],
            "titleColor": c["soft"],
            "labelFontSize": 12,
            "titleFontSize": 12,
            "orient": "top",
            "titleFontWeight": "normal",
            "symbolType": "square",
            "columns": 2,
            "labelLimit": 260,
        },
        "header": {"labelColor": c["ink"], "titleColor": c["soft"]},
    }


def contrast(first: str, second: str) -> float:
    """Contrast ratio of two colours, 1 to 21 (WCAG 2, relative luminance; from memory)."""

    def luminance(of: str) -> float:
        parts = [int(of[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    light, dark = sorted((luminance(first), luminance(second)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def readable_on(ground: str) -> str:
    """Dark or light ink, whichever stands out more on a colour."""
    return max(("#1A1816", "#FBF9F4"), key=lambda ink: contrast(ink, ground))


def dressed(chart: Picture, tone: Tone) -> Picture:
    """Give a finished chart the look."""
    return chart.configure(**_config(tone))


def step(rows: int, per_row: int = 24, least: int = 60) -> int:
    """Height of a chart with so many rows, pixels."""
    return max(least, rows * per_row)


__all__ = ["COLOURS", "Tone", "alt", "colour", "dressed", "step"]
