"""What findings are estimated at, line by line, as a table."""

from __future__ import annotations

from collections.abc import Collection

import streamlit as st

from dashboard.components import plate
from dashboard.components.downloads import downloads
from dashboard.components.figures import missing, to_the_cent
from dashboard.components.findings_source import estimated_alone
from pipeline.ledger.estimates import LINES_TOLD, totals


def ranged(least: object, most: object) -> str:
    """A sum, from what is sure to be needed to what may be where these differ."""
    return to_the_cent(most) if least == most else f"{to_the_cent(least)} to {to_the_cent(most)}"


def estimate(building_id: str, finding_ids: Collection[str], name: str) -> None:
    """The estimate of findings of a building, as if these alone were repaired."""
    frame = estimated_alone(building_id, finding_ids)
    st.subheader("What it is estimated at", anchor=False)
    if frame.empty:
        st.caption("Nothing is left to estimate: there is a cost or a committed price.")
        return
    several = len(finding_ids) > 1
    which = [plate.Column("Opening", lambda r: plate.text(r["opening_id"] or "–"))]
    whole = totals(frame)
    body = plate.table(
        frame.to_dict(orient="records"),
        [
            plate.Column("Line", lambda r: plate.text(r["label"]), heads=True),
            *(which if several else []),
            plate.Column(
                "Estimate",
                lambda r: "–" if missing(r["most"]) else ranged(r["least"], r["most"]),
                half=True,
            ),
            plate.Column("How", lambda r: plate.text(r["told"])),
            plate.Column("Source", lambda r: plate.text(r["source"])),
        ],
        f"In all {ranged(whole['least'], whole['most'])}, if this alone is repaired. In sums over "
        "more findings, what is paid once counts once."
        if frame["most"].notna().any()
        else "Nothing of it has a price, so there is no sum.",
    )
    plate.show(body, key="estimate")
    st.caption(f"Prices are the rule book’s, placeholders to be replaced. {LINES_TOLD}")
    downloads(frame, f"estimate-{name}", "this estimate")
