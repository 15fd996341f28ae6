"""The printed page of a day: room for every opening, and the way back."""

from __future__ import annotations

import datetime as dt
import re

import pandas as pd

from pipeline.planning.day import STOP_COLUMNS, DayPlan
from pipeline.planning.look_sheet import MOST_IN_A_ROW, look_page
from pipeline.screens.opening_known import Known
from pipeline.screens.section import Circuit, Dwelling, Opening, Section, Storey

DAY = dt.date(2031, 4, 7)


def one_stop(many: int) -> DayPlan:
    stop = dict.fromkeys(STOP_COLUMNS) | {
        "crew": "North", "order": 1, "building_id": "H", "how_many": many, "why": "Why.",
        "method": "cover_off_inspection", "besides": [], "must_say": [], "must_visit": False,
        "random_pick": True, "also": [], "begins_after": 20.0, "notice_by": DAY,
        "notice_too_late": False,
    }  # fmt: skip
    crew = {"crew": "North", "stops": 1, "minutes": 300.0, "hours": 8.0,
            "expected_new_dangerous": 0.1, "way_back_minutes": 17.0}  # fmt: skip
    return DayPlan(pd.DataFrame([stop]), pd.DataFrame([crew]), (), 0, 0.0, "", 0.0, 0.0, 0.0)


def test_every_opening_chosen_at_random_has_its_line():
    for many in (1, MOST_IN_A_ROW, MOST_IN_A_ROW + 1, 31):
        page = look_page(one_stop(many), DAY, {})
        assert page.count('aria-label="receptacle"') == many
        rows = re.findall(r"<tr>.*?</tr>", page, re.S)[1:]
        assert all(row.count('aria-label="receptacle"') <= MOST_IN_A_ROW for row in rows)
        assert page.count("continued") == -(-many // MOST_IN_A_ROW) - 1
        assert page.count("Why.") == 1 and "17 minutes of it back to the start" in page


def test_a_building_is_drawn_behind_the_sheet_with_its_stops_marked():
    plan = one_stop(1)
    plan.stops["order"], plan.stops["opening_id"], plan.stops["unit_id"] = 7, "K1", "2A"
    plan.stops["also"] = [["K2"]]
    openings = tuple(
        Opening(
            number, "2A", name, None, None, None, Known.BLIND, 0.3, None, 3, f"{name} told.", ()
        )
        for number, name in enumerate(("K1", "K2", "K3"), start=1)
    )
    dwelling = Dwelling("2A", (Circuit(None, openings),))
    cut = Section("H", "Hall", (Storey("Storey 2", 2, (dwelling,)),), True, "", (), "", True, True,
                  ("3 recorded openings.",))  # fmt: skip
    page = look_page(plan, DAY, {"H": cut})
    assert "H Hall: where the stops are" in page and "<a " not in page
    for name, place in (("K1", " Next look 7."), ("K2", " Next look 7."), ("K3", "")):
        assert f'aria-label="{name} told.{place}"' in page
