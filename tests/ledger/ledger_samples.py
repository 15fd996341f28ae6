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
    content = {"firm": "Pellworth Electric", "worker": "D. Orme", **more}
    return FixReported(remedy=remedy, fixed_on=fixed_on, **content)


OPENED = {"cover_removed": "yes", "neutral_ground_jumper": "no", "polarity": "correct"}
READINGS = {
    ("ground_impedance_meter", "correct"): {"ground_path_ohms": 0.2},
    ("voltmeter_under_load", "correct"): {"neutral_ground_volts": 1.6, "load_amps": 12},
    **{
        (method, result): {**OPENED, "ground_present": ground} | (
            {"ground_path_ohms": 0.2} if ground == "yes" else {}
        )
        for method in (
            "cover_off_inspection", "ground_wire_clamp", "neutral_lifted_test", "upstream_box_seen",
        )
        for result, ground in (("correct", "yes"), ("open_ground", "no"))
    },
}  # fmt: skip
"""What a complete look says beside its word."""


def look(method="ground_impedance_meter", result="correct", days=12, *, complete=True, **more):
    """A look by somebody else than who did the work; complete as its method goes."""
    said = READINGS.get((method, result), {}) if complete else {}
    content = {"inspector": "S. Ambrel", **said, **more}
    return Look(observed_on=DAY + dt.timedelta(days=days), method=method, result=result, **content)
