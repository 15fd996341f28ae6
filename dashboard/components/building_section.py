"""The section through a building on its screen, and the opening whose sign was followed."""

from __future__ import annotations

from collections.abc import Callable
from urllib.parse import urlencode

import pandas as pd
import streamlit as st

from dashboard.charts.circuit import circuit_drawing, in_words
from dashboard.components import plate
from dashboard.components.figures import word
from dashboard.components.opening_rows import opening_class, opening_columns
from pipeline.pages.section_drawing import section_drawing
from pipeline.screens.opening_known import Known
from pipeline.screens.opening_picture import SITUATIONS, Situation, opening_picture
from pipeline.screens.section import Opening, Section
from shared.rule_book import RuleBook
from shared.vocabulary import Slots

OPENING, WITHIN = "opening", "within"
"""Parameters of the address that name an opening and its unit."""

_LIKELIEST = "The likeliest wiring by all that is known."
_WIRING = {
    Known.URGENT: "The wiring that was reported; where none was, the likeliest that puts volts on "
    "metal.",
    Known.MEASURED: "The wiring that was found.",
    Known.REPORTED: "The wiring that looks speak for.",
    Known.BLIND: f"{_LIKELIEST} The looks made cannot tell it from others: above stands what "
    "remains possible.",
}
"""What the drawn wiring is."""


def drawn(section: Section) -> str:
    """The drawing; each sign leads to its opening on this screen."""
    return section_drawing(section, _address(section.building_id))


def _address(building_id: str) -> Callable[[Opening], str]:
    def leads(opening: Opening) -> str:
        named = {"id": building_id, WITHIN: opening.unit_id, OPENING: opening.opening_id}
        return "building?" + urlencode(named)

    return leads


def chosen(section: Section) -> Opening | None:
    """The opening that the address names; says so where none is recorded by that name."""
    wanted = st.query_params.get(OPENING)
    if wanted is None:
        return None
    unit = st.query_params.get(WITHIN, "")
    for each in section.openings:
        if (each.unit_id, each.opening_id) == (unit, wanted):
            return each
    where = f" in unit {plate.label(unit)}" if unit else ""
    st.caption(f"No opening {plate.label(wanted)} is recorded{where} here.")
    return None


def opening_panel(
    opening: Opening, section: Section, openings: pd.DataFrame, book: RuleBook
) -> str:
    """Why an opening stands as it stands, and its wiring as a circuit.

    Args:
        opening: of the section.
        section: the building.
        openings: ``whole_building.openings``.
        book: the rule book in force.
    """
    own = openings[
        (openings["unit_id"].fillna("") == opening.unit_id)
        & (openings["opening_id"] == opening.opening_id)
    ]
    row = plate.table(
        own.to_dict(orient="records"),
        opening_columns(),
        plate.text(opening.told),
        row_class=opening_class,
    )
    kind = "urgent" if opening.known is Known.URGENT else "next"
    unit = f"{opening.unit_id} · " if opening.unit_id else ""
    back = plate.link("Close", "building", id=section.building_id)
    return (
        f'<section class="panel {kind}" data-arrived><h3>Opening {plate.text(unit)}'
        f"{plate.text(opening.opening_id)}</h3>{row}{_wiring(opening, book)}<p>{back}</p></section>"
    )


def _wiring(opening: Opening, book: RuleBook) -> str:
    if opening.condition is None:
        return (
            '<p class="soft">No circuit is drawn: what is urgent here is no matter of where '
            "conductors land.</p>"
        )
    shown = opening_picture(book.circuit, opening.condition, Situation.TESTER)
    words = "".join(f"<li>{plate.text(line)}</li>" for line in in_words(shown))
    face = " Drawn with three slots." if opening.slots == Slots.TWO_SLOT else ""
    more = plate.link(
        "The same with a meter, an appliance and a person",
        "evidence",
        condition=opening.condition.value,
    )
    return (
        f"<h3>{plate.text(word(opening.condition.value)).capitalize()}, "
        f"{SITUATIONS[Situation.TESTER]}</h3>"
        f'<p class="soft small">{_WIRING.get(opening.known, _LIKELIEST)}{face}</p>'
        f"{circuit_drawing(shown)}<ul>{words}</ul><p>{more}</p>"
    )
