"""A dwelling with many findings, and a visit to it."""

import datetime as dt

import pandas as pd
from ledger_samples import WHO, raised

from pipeline.ledger.families import FAMILY
from pipeline.ledger.visits import plan_visit
from shared.vocabulary import Condition

ON = dt.date(2027, 4, 6)
ROOMS = ("kitchen, over the counter left of the sink", "living room", "bedroom at the back", "hall")


def plan(ledger, findings, on=ON, **more):
    """Plan a visit; returns its identifier."""
    content = {"person": "A. Oddy", "firm": "Pellworth Electric", **WHO, **more}
    named = [(each, None) for each in findings]
    return plan_visit(ledger, named, on=on, **content)[0].payload.visit_id


def dwelling(ledger, count, **more):
    """Raise findings of every condition in turn, at openings of one dwelling."""
    conditions = [c for c in Condition if c is not Condition.GROUNDED]
    wanted = []
    for number in range(count):
        condition = conditions[number % len(conditions)]
        content = {
            "standing": "measured",
            "methods": ("cover_off_inspection", "three_lamp_tester"),
            **more,
        }
        wanted.append(
            raised(f"K{number + 1:02d}", condition.value, FAMILY[condition].value, **content)
        )
    return [event.finding_id for event in ledger.raise_many(wanted, **WHO)]


def rooms(count):
    """Rooms of ``dwelling`` as a warehouse would tell them."""
    return pd.DataFrame(
        [
            ("B1", "2A", f"K{number + 1:02d}", ROOMS[number % len(ROOMS)], False)
            for number in range(count)
        ],
        columns=["building_id", "unit_id", "opening_id", "room", "urgent"],
    )
