"""The pages of the dashboard and how one gets from one to another."""

from __future__ import annotations

import os
from pathlib import Path

import streamlit as st

START_VARIABLE = "COVERPLATE_START"
"""Environment variable that names the page shown first, for one of the three users."""

pages: dict[str, st.Page] = {}

IMAGES = Path(__file__).parent / "images"


def page(script: str, title: str, address: str, icon: str) -> st.Page:
    """One page of the navigation, at its own address."""
    made = st.Page(f"screens/{script}.py", title=title, url_path=address, icon=f":material/{icon}:")
    pages[address] = made
    return made


def begin() -> None:
    """Go to the page shown first, with what the address asks of it."""
    asked = {name: st.query_params.get_all(name) for name in st.query_params}
    st.switch_page(pages[os.environ.get(START_VARIABLE, "where-next")], query_params=asked)


st.set_page_config(page_title="Coverplate", page_icon="🔌", layout="wide")
st.html(
    "<style>@media (min-width: 641px) { [data-testid=stMainBlockContainer] "
    "{ padding-inline: 2.75rem; max-width: 88rem; } }"
    # The framework writes white on the primary colour, which the dark tone's light copper cannot
    # carry (2.3:1). It sets color-scheme by tone.
    " [data-testid^=stBaseButton-primary] { color: light-dark(#FFFFFF, #14110E); }</style>"
)
st.logo(str(IMAGES / "plate.svg"), size="large")
st.navigation(
    {
        "Start here": [
            # The framework takes the default page's own address away: it is one that only leads on.
            st.Page(begin, title="Coverplate", default=True, visibility="hidden"),
            page("where_next", "Where next?", "where-next", "explore"),
            page("day_of_looks", "Day of looks", "day-of-looks", "route"),
            page("year_of_repairs", "Years of repairs", "years-of-repairs", "construction"),
            page("overdue", "What is overdue?", "overdue", "event_busy"),
            page("exposure", "What is exposed?", "exposure", "shield"),
        ],
        "Look closer": [
            page("building", "One building", "building", "apartment"),
            page("portfolio", "Portfolio", "portfolio", "grid_view"),
            page("evidence", "What readings prove", "evidence", "electrical_services"),
        ],
        "Put right": [
            page("findings", "Findings", "findings", "checklist"),
            page("finding", "One finding", "finding", "description"),
            page("visits", "Visits", "visits", "door_open"),
            page("progress", "Progress", "progress", "trending_down"),
        ],
        "Keep it running": [
            page("intake", "Take in files", "intake", "inbox"),
            page("rule_book", "Rule book", "rule-book", "tune"),
        ],
    }
).run()
