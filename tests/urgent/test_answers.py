"""The looks that are advised at urgent openings are those that clear them, and no less does."""

from __future__ import annotations

import itertools
import re

import pytest
from urgent_rows import COVER, LAMPS, LIVE, asked, look

from pipeline.warehouse.plainly_told import sql_step
from shared.urgent_answers import READINGS, WORDS, Clearing, clearing

CLEAN = {
    "cover_removed": "yes", "polarity": "correct", "neutral_ground_jumper": "no",
    "heat_or_scorch": "no", "hot_neutral_volts": 119, "plate_earth_volts": 0.4,
    "case_earth_volts": 0.4, "ground_contact_earth_volts": 0.4,
}  # fmt: skip

SAID = {
    "words": {"result": "hot_ground_reversed"},
    "jumper_and_swap": LIVE | {"result": "false_ground"},
    "jumper_and_open_neutral": {"method": COVER, "result": "open_neutral",
                                "neutral_ground_jumper": "yes"},
    "words_of_upstream": {"method": "upstream_box_seen", "result": "false_ground_upstream",
                          "polarity": "reversed"},
    "plate_volts": {"plate_earth_volts": 118},
    "case_volts": {"case_earth_volts": 118},
    "ground_contact_volts": {"ground_contact_earth_volts": 118},
    "detector": {"non_contact_detector": "yes"},
    "shock": {"shock_reported": "yes"},
    "heat": {"heat_or_scorch": "yes"},
    "supply_volts": {"hot_neutral_volts": 80},
}  # fmt: skip
TWO = {"slots": "two_slot"}


def advised(told: Clearing, **more) -> dict[str, object]:
    """A clean row by the advised look, of somebody else, later."""
    cells = {each: CLEAN[each] for each in told.readings}
    return look(5, inspector="Bo", method=told.methods[0].value, **{**cells, **more})


def urgent_at(cases: dict[str, list[dict[str, object]]]) -> dict[str, list[dict[str, object]]]:
    """The grounds that stand, by case; each case is an opening of its own, all asked at once."""
    rows = [{**row, "opening_id": name} for name, said in cases.items() for row in said]
    return {str(row["opening_id"]): row["grounds"] for row in asked(rows)["urgent_openings"]}


def test_every_ground_that_the_list_knows_has_its_look():
    told = sql_step("02_urgent.sql").partition("CREATE TEMP TABLE clearing_looks")[2]
    named = set(re.findall(r"THEN '(\w+)' END,", told.partition("-- Halves of a pair")[0]))
    assert named | {"heat"} == set(READINGS) == set(SAID)
    assert {each for needed in READINGS.values() for each in needed} < set(WORDS)


@pytest.mark.slow
def test_the_advised_look_clears_it_and_none_with_a_reading_left_blank_does():
    said, looks = {}, {}
    for (ground, cells), slots in itertools.product(SAID.items(), ({}, TWO)):
        name = f"{ground} {slots.get('slots', '')}"
        said[name] = [look(**cells | slots)]
        looks[name] = clearing([ground], slots.get("slots")), slots
    found = urgent_at(said)
    assert all(name.split(" ")[0] in {g["ground"] for g in found[name]} for name in said)
    cases = {}
    for name, (told, slots) in looks.items():
        told = clearing((each["ground"] for each in found[name]), slots.get("slots"))
        cases[f"{name}: whole"] = [*said[name], advised(told, **slots)]
        for blank in told.readings:
            cases[f"{name}: no {blank}"] = [*said[name], advised(told, **slots, **{blank: None})]
    assert set(urgent_at(cases)) == {name for name in cases if not name.endswith("whole")}


@pytest.mark.slow
def test_what_was_reported_twice_over_takes_one_look_that_clears_both():
    cases = {}
    for pair in itertools.combinations(SAID, 2):
        for slots in ({}, TWO):
            told = clearing(pair, slots.get("slots"))
            said = [look(**SAID[ground] | slots) for ground in pair]
            cases[f"{pair} {slots}"] = [*said, advised(told, **slots)]
            cases[f"{pair} {slots} not looked"] = said
    assert set(urgent_at(cases)) == {name for name in cases if name.endswith("not looked")}


@pytest.mark.slow
def test_what_only_looks_like_it_clears_nothing():
    """Cover off and all well at an opening whose case had volts; volts where it was scorched."""
    box = look(5, inspector="Bo", method=COVER, polarity="correct", neutral_ground_jumper="no")
    volts = look(5, inspector="Bo", method=LAMPS, **{k: CLEAN[k] for k in READINGS["shock"]})
    cases = {
        "case": [look(**SAID["case_volts"]), box],
        "shock": [look(**SAID["shock"]), box],
        "heat": [look(**SAID["heat"]), volts],
    }
    assert set(urgent_at(cases)) == set(cases)
