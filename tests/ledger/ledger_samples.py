"""Small findings, fixes and looks."""

import datetime as dt

from pipeline.ledger import FixReported, Look, Raised

WHO = {"who": "R. Ostrander", "origin": "cli"}
DAY = dt.date(2025, 3, 3)


def moment(day, hour=12):
    return dt.datetime.combine(day, dt.time(hour), dt.UTC)


def raised(opening="K1", condition="false_ground", family="false_ground", **more):
    content = {
        "building_id": "B1",
        "unit_id": "2A",
        "opening_id": opening,
        "family": family,
        "grade": "confirmed",
        "condition": condition,
        "slots": "three_slot",
        "first_seen_on": DAY,
        "methods": ("cover_off_inspection",),
    }
    return Raised(**{**content, **more})


def fix(remedy="grounding_conductor_added", fixed_on=DAY + dt.timedelta(days=10), **more):
    return FixReported(remedy=remedy, fixed_on=fixed_on, firm="Pellworth Electric", **more)


def look(method="ground_impedance_meter", result="correct", days=12, **more):
    return Look(observed_on=DAY + dt.timedelta(days=days), method=method, result=result, **more)
