"""What a look must be and say to take off the urgent list what was reported at an opening.

The rule itself is the SQL step ``02_urgent.sql`` (of papers ``02_reports.sql``), which judges
every landed row. Here stands, for each ground of urgency that it knows, the look that passes it
with the fewest readings, so that a plan sends people with the right one;
``tests/urgent/test_answers.py`` puts each through that step, whole and with each reading left out.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from shared.vocabulary import Method, ReportSubject, Slots

BOX = ("polarity", "neutral_ground_jumper")
"""What whoever has the cover off must answer."""

CONTACT = ("hot_neutral_volts", "ground_contact_earth_volts")
"""Volts of the ground contact, on a circuit shown to be live."""

READINGS: Mapping[str, tuple[str, ...]] = {
    "words": BOX,
    "jumper_and_swap": BOX,
    "jumper_and_open_neutral": BOX,
    "words_of_upstream": CONTACT,
    "plate_volts": ("hot_neutral_volts", "plate_earth_volts"),
    "case_volts": ("hot_neutral_volts", "case_earth_volts"),
    "ground_contact_volts": CONTACT,
    "detector": ("hot_neutral_volts", "case_earth_volts", "ground_contact_earth_volts"),
    "shock": ("hot_neutral_volts", "case_earth_volts", "ground_contact_earth_volts"),
    "heat": ("heat_or_scorch",),
    "supply_volts": ("hot_neutral_volts",),
}
"""By ground, the readings without which a look clears nothing of it."""

WORDS: Mapping[str, str] = {
    "cover_removed": "that the cover was off",
    "polarity": "polarity",
    "neutral_ground_jumper": "whether ground is tied to neutral",
    "heat_or_scorch": "whether there are heat or scorch marks",
    "hot_neutral_volts": "volts from hot to neutral (circuit live)",
    "plate_earth_volts": "volts from plate to earth",
    "case_earth_volts": "volts from metal case to earth",
    "ground_contact_earth_volts": "volts from ground contact to earth",
}
"""The readings in words, in the order in which they are told."""


@dataclass(frozen=True)
class Clearing:
    """The look that can clear what was reported.

    Attributes:
        methods: how to look, all on one visit and in one row, which names the first.
        readings: columns of a look that must be filled in, and clean.
    """

    methods: tuple[Method, ...]
    readings: tuple[str, ...]

    def told(self) -> str:
        """What it takes, as a sentence."""
        said = [WORDS[each] for each in self.readings]
        listed = " and ".join(filter(None, (", ".join(said[:-1]), said[-1])))
        return f"What clears it: a look that tells {listed}, if nothing is wrong there."


def clearing(grounds: Iterable[str], slots: str | None = None) -> Clearing:
    """Return the look that clears all of some grounds at one opening.

    Args:
        grounds: as ``urgent_openings`` names them.
        slots: of the opening, where known: two slots have no ground contact to measure at.
    """
    asked: set[str] = set()
    traced = False
    for ground in grounds:
        needed = READINGS[ground]
        if slots == Slots.TWO_SLOT and "ground_contact_earth_volts" in needed:
            traced = True
            needed = (*BOX, "cover_removed")
        asked.update(needed)
    readings = tuple(each for each in WORDS if each in asked)
    if traced:
        methods: tuple[Method, ...] = (Method.NEUTRAL_LIFTED_TEST,)
    elif asked & {*BOX, "heat_or_scorch"}:
        methods = (Method.COVER_OFF_INSPECTION,)
    else:
        return Clearing((Method.VOLTMETER_UNDER_LOAD,), readings)
    if any(each.endswith("_volts") for each in readings):
        methods = (*methods, Method.VOLTMETER_UNDER_LOAD)
    return Clearing(methods, readings)


def clearing_paper(subject: str) -> Clearing:
    """Return the look, at every opening that a paper can mean, that answers it."""
    more: Mapping[str, tuple[str, ...]] = {
        ReportSubject.HEAT: READINGS["heat"],
        ReportSubject.SHOCK: READINGS["shock"],
    }
    asked = {*BOX, *more.get(subject, ())}
    readings = tuple(each for each in WORDS if each in asked)
    volts = any(each.endswith("_volts") for each in readings)
    methods = (Method.COVER_OFF_INSPECTION, *((Method.VOLTMETER_UNDER_LOAD,) if volts else ()))
    return Clearing(methods, readings)
