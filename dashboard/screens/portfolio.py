"""The portfolio at a glance: what there is, how well it is known, where the blind spots are."""

from __future__ import annotations

import streamlit as st

from dashboard.charts import portfolio as pictures
from dashboard.components import plate
from dashboard.components.downloads import downloads
from dashboard.components.figures import count, number, percent, plural
from dashboard.components.frame import empty, opened, screen, state_of_build
from dashboard.components.picture import picture, tone
from pipeline.screens import portfolio
from pipeline.warehouse import queries

CUTS = {"era": "era", "manager": "manager", "owner": "owner", "city": "town"}


def standing(sums: dict[str, float]) -> str:
    """The portfolio in five figures."""
    openings = sums["openings"] or 1.0
    return plate.figures(
        [
            (
                "Buildings",
                count(sums["buildings"]),
                f"{count(sums['never_looked'])} where nobody ever looked",
            ),
            (
                "Openings",
                count(sums["openings"]),
                f"{percent(sums['openings_looked_at'] / openings)} looked at",
            ),
            (
                "Dangerous openings",
                number(sums["dangerous"]),
                f"expected; {count(sums['confirmed'])} defects confirmed, "
                f"{count(sums['urgent'])} urgent",
            ),
            (
                "Blind share",
                percent(sums["blind_three_slots"] / (sums["three_slots"] or 1.0)),
                "of three-slot openings no capable method ever saw",
            ),
            (
                "Mixed openings",
                count(sums["mixed"]),
                "buildings with two-slot and three-slot side by side",
            ),
        ]
    )


@screen(
    "Portfolio",
    "All buildings and openings together: eras, mixed openings, how well they were looked at, and "
    "where nobody can know yet.",
)
def page() -> None:
    """The screen."""
    source = opened()
    state_of_build(source)
    sums = source.ask(portfolio.totals)
    plate.show(standing(sums), key="standing")

    left, right = st.columns(2, gap="large")
    with left:
        st.subheader("Openings: looked at, and how", anchor=False)
        frame = source.ask(portfolio.evidence_by_era)
        picture(
            pictures.evidence_by_era(frame, tone()),
            "Openings by era: seen by a capable method, by blind methods only, never",
            frame,
            "evidence-by-era",
        )
    with right:
        st.subheader("Buildings: slots seen side by side", anchor=False)
        frame = source.ask(portfolio.slots_by_era)
        picture(
            pictures.slots_by_era(frame, tone()),
            "Buildings by era and by the slots seen in them",
            frame,
            "slots-by-era",
        )

    fire = source.ask(queries.fire_facts)
    with st.expander("Facts that bear on fire, as registers report them"):
        st.caption(
            "Counted, in no score and no probability. “Not known”: buildings of which nobody says."
        )
        st.dataframe(plate.grid(fire), hide_index=True, alt="Facts that bear on fire, by building")
        downloads(fire, "fire-facts", "Facts that bear on fire")

    gone = source.ask(queries.retired)
    if len(gone):
        with st.expander(f"{plural(len(gone), 'building')} no longer named by a full register"):
            st.caption(
                "Left out of every other list, except those where a defect was reported: these "
                "stay until a person decides."
            )
            st.dataframe(
                plate.grid(gone),
                hide_index=True,
                alt="Buildings no longer named by a full register",
            )
            downloads(gone, "retired-buildings", "Buildings no longer named by a full register")

    st.subheader("Blind spots", anchor=False)
    cut = st.segmented_control(
        "By",
        list(CUTS),
        default="era",
        format_func=lambda key: CUTS[key],
        key="by",
        bind="query-params",
    )
    blind = source.ask(portfolio.blind_spots, cut or "era")
    st.caption(
        "Filled: three-slot openings that no method able to see a false ground ever looked at. "
        "Outline: all three-slot openings there, counted or inferred."
    )
    picture(
        pictures.blind_spots(plate.cells(blind), tone()),
        "Blind three-slot openings by group",
        blind,
        f"blind-spots-{cut}",
    )

    left, right = st.columns(2, gap="large")
    with left:
        st.subheader("What is behind the plates", anchor=False)
        st.caption("Openings to be expected in each condition, recorded ones and the rest.")
        conditions = source.ask(portfolio.conditions)
        picture(
            pictures.conditions(conditions, tone()),
            "Expected openings by condition",
            conditions,
            "conditions",
        )
    with right:
        st.subheader("Where they are", anchor=False)
        places = source.ask(portfolio.places)
        if places.empty:
            empty(
                "no-coordinates",
                "No coordinates",
                "No building has both a latitude and a longitude.",
            )
        else:
            located = int(places["buildings"].sum())
            st.caption(
                f"Drawn from coordinates alone, no map behind it. {count(located)} of "
                f"{count(sums['buildings'])} buildings have coordinates."
            )
            picture(
                pictures.places(plate.cells(places), tone()),
                "Buildings by coordinates",
                places,
                "places",
            )


page()
