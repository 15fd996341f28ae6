"""Where the stops of a day are: each crew's buildings by latitude and longitude, in order."""

from __future__ import annotations

import altair as alt
import pandas as pd

from dashboard.charts.theme import Tone, colour, dressed


def stops_by_place(stops: pd.DataFrame, tone: Tone) -> alt.LayerChart:
    """Each crew's buildings, joined in the order of its stops.

    Args:
        stops: rows of a plan that have coordinates (``DayPlan.stops``).
        tone: light or dark.
    """
    data = stops[["crew", "order", "building_id", "name", "latitude", "longitude", "must_visit"]]
    data = data.drop_duplicates(["crew", "building_id"]).copy()
    data["label"] = data["crew"].astype(str) + "·" + data["order"].astype(str)
    # two crews may stop at one place: one label tells both, the other stays empty
    at = data.groupby(["latitude", "longitude"])["label"]
    data["label"] = at.transform(", ".join).where(at.cumcount() == 0, "")
    data["kind"] = data["must_visit"].map({True: "urgent", False: "other"})
    data = data.sort_values("must_visit", kind="stable")  # what is urgent is drawn over the rest

    def scale(padding: int) -> alt.Scale:
        return alt.Scale(zero=False, nice=False, padding=padding)

    axis = alt.Axis(format=".3f", tickCount=4)
    base = alt.Chart(data).encode(
        x=alt.X("longitude:Q", scale=scale(36), axis=axis, title="longitude, degrees"),
        y=alt.Y("latitude:Q", scale=scale(24), axis=axis, title="latitude, degrees"),
    )
    ways = base.mark_line(color=colour(tone, "baseline"), strokeWidth=1.5).encode(
        detail="crew:N", order="order:Q"
    )
    kinds = ["urgent", "other"]
    points = base.mark_point(size=80, filled=True, opacity=1).encode(
        shape=alt.Shape(
            "kind:N", scale=alt.Scale(domain=kinds, range=["triangle-up", "circle"]), legend=None
        ),
        color=alt.Color(
            "kind:N",
            scale=alt.Scale(domain=kinds, range=[colour(tone, "urgent"), colour(tone, "copper")]),
            legend=None,
        ),
        tooltip=[
            alt.Tooltip("crew:N"),
            alt.Tooltip("order:Q", title="first stop"),
            alt.Tooltip("building_id:N", title="building"),
            alt.Tooltip("name:N"),
        ],
    )
    labels = base.mark_text(align="left", dx=8, dy=-6).encode(text="label:N")
    return dressed(alt.layer(ways, points, labels).properties(height=340), tone)
