"""Breaker and GFCI times, and what a GFCI sees where."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.evidence.circuit import WIRING, Contact, Setup, solve
from pipeline.evidence.protection import (
    breaker_seconds,
    gfci_trip_seconds,
    imbalance_milliamps,
)
from pipeline.evidence.shock import Scenario, shock
from shared.rule_book import load_rule_book
from shared.vocabulary import CONDITIONS, Condition

CIRCUIT = load_rule_book().circuit


# T = (20/I)^1.43: UL 943, quoted by three publications, not read in the standard; values computed.
@pytest.mark.parametrize(
    ("milliamps", "seconds", "within"),
    [
        (6, 5.594, 1e-3),
        (10, 2.695, 1e-3),
        (30, 0.560, 1e-3),
        (100, 0.100, 1e-3),
        (264, 0.0250, 1e-4),
    ],
)
def test_gfci_trip_time(milliamps, seconds, within):
    assert gfci_trip_seconds(milliamps) == pytest.approx(seconds, abs=within)


def test_gfci_outside_its_curve():
    # "Must not trip below 4 mA, must at 6 mA", UL 943, quoted: below 6 no trip is relied on.
    assert np.isinf(gfci_trip_seconds([0.0, 4.0, 5.9])).all()
    assert gfci_trip_seconds(5000.0) == gfci_trip_seconds(264.0)


@given(st.floats(6.0, 264.0), st.floats(6.0, 264.0))
@settings(deadline=None)
def test_more_current_never_trips_a_gfci_later(a, b):
    low, high = sorted((a, b))
    assert gfci_trip_seconds(high) <= gfci_trip_seconds(low)


def test_breaker_times():
    seconds = breaker_seconds(CIRCUIT, [0.0, 15.0, 30.0, 149.0, 150.0, 1000.0])
    assert np.isinf(seconds[:2]).all()
    assert seconds[2] == pytest.approx(float(CIRCUIT.breaker_double_seconds))
    assert seconds[3] > seconds[4] == seconds[5] == float(CIRCUIT.breaker_instant_seconds)
    assert breaker_seconds(CIRCUIT, 160.0, rating=20.0) > breaker_seconds(CIRCUIT, 160.0)


@given(st.floats(0.0, 2000.0), st.floats(0.0, 2000.0))
@settings(deadline=None)
def test_more_current_never_clears_later(a, b):
    low, high = sorted((a, b))
    assert breaker_seconds(CIRCUIT, high) <= breaker_seconds(CIRCUIT, low)


@pytest.mark.parametrize("condition", [c for c in CONDITIONS if WIRING[c].ground is None])
def test_a_body_on_earth_is_what_a_gfci_up_the_line_misses(condition):
    # Kirchhoff: with no appliance and no grounding conductor, what goes to earth by the body is
    # missing from the two circuit conductors, leakage apart.
    solved = solve(CIRCUIT, condition, Setup(100.0, body_on=Contact.NEUTRAL))
    seen = imbalance_milliamps(WIRING[condition], solved, at_opening=False)
    assert seen == pytest.approx(abs(solved.current("body")) * 1000.0, abs=0.2)


def test_a_gfci_at_the_opening_misses_what_its_ground_contact_is_fed():
    for condition in (Condition.REVERSED_FALSE_GROUND, Condition.HOT_ON_GROUND):
        found = shock(CIRCUIT, condition, Scenario.NORMAL_USE)
        up, near = found.gfci_touched
        assert up < 0.1
        assert np.isinf(near)


def test_a_gfci_beyond_a_break_has_no_supply_and_one_before_it_sees_the_body():
    for found in (
        shock(CIRCUIT, Condition.FALSE_GROUND, Scenario.OPEN_NEUTRAL),
        shock(CIRCUIT, Condition.OPEN_NEUTRAL_FALSE_GROUND, Scenario.NORMAL_USE),
    ):
        assert found.body_milliamps > 100
        head, near = found.gfci_touched
        # Kirchhoff: nothing comes back on the neutral, so the body's current is all missing.
        assert head == pytest.approx(gfci_trip_seconds(found.body_milliamps), rel=0.01)
        assert np.isinf(near)
        # With nobody there nothing but leakage goes to earth, and it waits.
        assert np.isinf(found.gfci_untouched).all()
