"""What endangers most people soonest stands first; every order is told and can be chosen."""

import pandas as pd
import pytest

from pipeline.ledger.triage import ORDERS, in_order, with_stakes
from shared.faults import CoverplateError


def listed(*rows):
    """Findings by opening, severity class, own probability, days past the first target."""
    return pd.DataFrame(
        [
            {
                "finding_id": f"F-{opening}",
                "building_id": building,
                "unit_id": "",
                "opening_id": opening,
                "family": family,
                "severity_class": severity,
                "probability": probability,
                "days_overdue": days,
                "overdue": True,
                "treatment": "none",
                "standing": "reported",
                "first_target_on": pd.Timestamp("2025-04-01") - pd.Timedelta(days=days),
            }
            for building, opening, family, severity, probability, days in rows
        ]
    )


FOUND = listed(
    ("B1", "a", "no_ground", "severe", 0.5, 300),
    ("B2", "b", "no_ground", "severe", 0.9, 1),
    ("B2", "c", "hot_on_ground", "life_threatening", 0.7, 2),
    ("B1", "d", "live_metal", "severe", None, 3),
    ("B1", "e", "no_ground", "severe", 0.9, 4),
    ("B3", "f", "no_ground", "severe", 0.9, 5),
)
STAKES = pd.DataFrame(
    [
        ("B1", "", "a", True, 0.2, 40.0, 2.0),  # the opening is urgent by what was measured
        ("B1", "", "e", False, 0.95, 40.0, 2.0),
        ("B2", "", "b", False, None, 90.0, 0.0),
        ("B2", "", "c", False, None, 90.0, 0.0),
        ("B3", "", "f", False, 0.9, 90.0, 30.0),
    ],
    columns=["building_id", "unit_id", "opening_id", "urgent", "p_dangerous", "people",
             "vulnerable_people"],
)  # fmt: skip


def order(name, stakes=STAKES):
    return "".join(in_order(with_stakes(FOUND, stakes), name)["opening_id"])


def test_what_is_proven_repaired_is_urgent_no_more():
    proven = FOUND["opening_id"].isin(["a", "d"])
    found = FOUND.assign(treatment=FOUND["treatment"].mask(proven, "proven"))
    frame = with_stakes(found, STAKES)
    assert "".join(frame.loc[frame["urgent"], "opening_id"]) == "c"


def test_the_order_of_danger():
    frame = with_stakes(FOUND, STAKES).set_index("opening_id")
    assert "".join(frame.index[frame["urgent"]]) == "acd"
    assert frame["chance"].dropna().to_dict() == {"a": 0.2, "b": 0.9, "c": 0.7, "e": 0.95, "f": 0.9}
    # urgent: c 0.7, a 0.2, d without a chance; then e 0.95; at 0.9 and 90 people f has vulnerable
    assert order("danger") == "cadefb"
    assert order("people") == "cadfbe"
    assert order("late") == "afedcb"
    assert order("target") == "afedcb"  # all are overdue
    assert order("building") == "adecbf"


def test_what_is_only_inferred_is_not_urgent_however_grave():
    c = FOUND["opening_id"].eq("c")
    frame = with_stakes(FOUND.assign(standing=FOUND["standing"].mask(c, "inferred")), STAKES)
    assert "".join(frame.loc[frame["urgent"], "opening_id"]) == "ad"


def test_without_a_warehouse_the_findings_own_word_counts():
    # urgent c, d; then by its own probability and the days: f 5, e 4, b 1; a 0.5 last
    assert order("danger", None) == "cdfeba"


def test_nothing_is_lost_and_the_index_stays():
    frame = with_stakes(FOUND.iloc[::-1], STAKES)
    assert list(frame.index) == [5, 4, 3, 2, 1, 0]
    assert sorted(in_order(frame, "danger").index) == [0, 1, 2, 3, 4, 5]
    assert in_order(frame.iloc[:0], "danger").empty


def test_an_order_that_is_none_is_refused():
    assert all(each.told and each.name for each in ORDERS.values())
    with pytest.raises(CoverplateError, match="cannot be ordered"):
        in_order(with_stakes(FOUND), "colour")
