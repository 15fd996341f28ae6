"""Severity: order of the conditions, what protection does, and the dose curve."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import lognorm

from pipeline.evidence.circuit import spread, typical
from pipeline.evidence.shock import Scenario, shock
from pipeline.scoring.severity import (
    fibrillation_probability,
    severity,
    severity_array,
    shock_harm,
)
from shared.rule_book import load_rule_book
from shared.vocabulary import CONDITIONS, Condition, Slots

BOOK = load_rule_book()
HARM = BOOK.harm
FRAME = severity(BOOK).set_index(["slots", "condition", "protected"])


def value(condition, *, slots="three_slot", protected=False, column="severity"):
    return float(FRAME.loc[(slots, condition, protected), column])


def test_order_of_the_conditions():
    assert value("reversed_false_ground") == pytest.approx(value("hot_on_ground"), rel=0.1)
    assert value("reversed_false_ground") > 100 * value("false_ground")
    assert value("false_ground") > value("grounded") * 1e3
    assert value("reversed_ungrounded") > value("ungrounded") > value("grounded") * 1e3
    assert value("ungrounded") > value("reversed") > value("grounded")
    assert value("ungrounded") > value("open_neutral")


def test_a_gfci_lowers_ungrounded_strongly_but_makes_no_wrong_ground_safe():
    assert value("ungrounded", protected=True) < value("ungrounded") / 20
    for condition in ("false_ground", "reversed_false_ground", "hot_on_ground"):
        assert value(condition, protected=True) > value(condition) / 4
        assert value(condition, protected=True) <= value(condition)


def test_the_false_ground_is_dangerous_because_the_neutral_may_open():
    total = value("false_ground")
    assert value("false_ground", column="open_neutral") > 0.99 * total
    assert value("ungrounded", column="case_fault") > 0.99 * value("ungrounded")
    assert value("hot_on_ground", column="normal_use") > 0.5 * value("hot_on_ground")


def test_order_of_what_lies_further_up_or_is_half_broken():
    assert value("reversed_false_ground_upstream") == pytest.approx(
        value("reversed_false_ground"), rel=0.05
    )
    # Half of all breaks lie beyond the bond, and some bonded wires also touch earth elsewhere.
    assert 0.2 * value("false_ground") < value("false_ground_upstream") < value("false_ground")
    assert value("ungrounded") > value("poor_ground") > 0.3 * value("ungrounded")
    assert value("open_neutral_false_ground") > 100 * value("false_ground")
    assert value("open_neutral_ungrounded") > 10 * value("open_neutral")


def test_a_poor_ground_is_averaged_over_its_ohms():
    # Independent: the mean of single circuits, solved one resistance after the other.
    unknown = spread(BOOK.circuit, 256)
    levels = np.sort(unknown.poor_ohms)[::8]
    harms = []
    for ohms in levels:
        point = replace(typical(BOOK.circuit), poor_ohms=ohms)
        found = shock(BOOK.circuit, Condition.POOR_GROUND, Scenario.CASE_FAULT, unknowns=point)
        days = min(float(HARM.case_fault_days), found.breaker_untouched / 86_400)
        one = shock_harm(HARM, found.body_milliamps, min(3.0, found.breaker_touched))
        touches = float(HARM.touches_normal) * float(HARM.case_faults) * days / 365.25
        harms.append(float(touches * one))
    assert value("poor_ground", column="case_fault") == pytest.approx(np.mean(harms), rel=0.05)


def test_a_gfci_makes_a_poor_ground_safe():
    assert value("poor_ground", protected=True) < value("poor_ground") / 1000


def test_an_open_neutral_counts_once():
    open_already = [c for c in CONDITIONS if c.value.startswith("open_neutral")]
    for condition in open_already:
        assert value(condition.value, column="open_neutral") == 0.0
    # A break to come at a false ground counts as much as one that is there: a year's worth of
    # breaks is their number times one.
    one = value("open_neutral_false_ground", column="normal_use")
    to_come = value("false_ground", column="open_neutral")
    assert to_come == pytest.approx(float(HARM.open_neutrals) * one, rel=0.01)


def test_a_two_slot_opening_has_no_case_path_through_its_ground_contact():
    for term in ("normal_use", "open_neutral", "case_fault"):
        grounds = [value(c, slots="two_slot", column=term)
                   for c in ("grounded", "ungrounded", "false_ground")]  # fmt: skip
        assert grounds == pytest.approx([grounds[0]] * 3, rel=1e-9)
    assert value("false_ground", slots="two_slot") < value("ungrounded")
    assert value("hot_on_ground", slots="two_slot") > value("ungrounded")


def test_terms_add_up_and_nothing_is_negative():
    terms = FRAME[list(Scenario)]
    assert FRAME["severity"].to_numpy() == pytest.approx(terms.sum(axis=1).to_numpy())
    assert (terms >= 0).all(axis=None)
    assert np.isfinite(FRAME.to_numpy(dtype=float)).all()


def test_array_has_the_frames_values():
    array = severity_array(BOOK)
    assert array.shape == (len(Slots), len(CONDITIONS), 2)
    for i, slots in enumerate(Slots):
        for j, condition in enumerate(CONDITIONS):
            for k, protected in enumerate((False, True)):
                assert array[i, j, k] == value(condition, slots=slots, protected=protected)


def test_body_current_is_supply_over_body():
    # Ohm's law: 120 V through a body of 1,000 Ω and 1 Ω to earth, less the conductor's share.
    current = value("reversed_false_ground", column="body_milliamps_normal_use")
    assert current == pytest.approx(120 / 1.001, rel=0.01)


def test_fibrillation_at_the_declared_dose():
    # Dalziel, 50 kg: I = 116/√t mA, from memory; stated for 0.5 % of people, from memory.
    for seconds in (0.1, 1.0, 3.0):
        chance = fibrillation_probability(HARM, 116 / np.sqrt(seconds), seconds)
        assert chance == pytest.approx(0.005)


@given(st.floats(0.1, 1000), st.floats(0.01, 10))
@settings(deadline=None)
def test_fibrillation_agrees_with_scipys_log_normal(milliamps, seconds):
    # Independent reference: scipy.stats.lognorm scaled so that its 0.5 % point is 116 mA·√s.
    spread = float(HARM.fibrillation_spread)
    scale = 116.0 / lognorm(spread).ppf(0.005)
    expected = lognorm(spread, scale=scale).cdf(milliamps * np.sqrt(seconds))
    found = fibrillation_probability(HARM, milliamps, seconds)
    assert found == pytest.approx(expected, rel=1e-6, abs=1e-12)


@given(st.floats(0, 1000), st.floats(0, 1000), st.floats(0.01, 3), st.floats(0.01, 3))
@settings(deadline=None)
def test_more_current_for_longer_is_never_less_harm(i1, i2, t1, t2):
    low_i, high_i = sorted((i1, i2))
    low_t, high_t = sorted((t1, t2))
    less, more = shock_harm(HARM, low_i, low_t), shock_harm(HARM, high_i, high_t)
    assert 0 <= less <= more + 1e-12 <= 1


def test_no_current_is_no_harm():
    assert shock_harm(HARM, 0.0, 3.0) == 0.0


def test_the_order_of_magnitude_that_the_rule_book_states():
    # CPSC, about 60 electrocutions a year with consumer products, 2004-2013, quoted. The counts of
    # openings are invented round figures, as the rule book says: tens a year, no more is claimed.
    openings, people = 2e9, 2.5
    yearly = openings * people * (0.1 * value("ungrounded") + 1e-4 * value("reversed_false_ground"))
    assert 10 < yearly < 200


def test_more_touches_mean_more_harm():
    harm = HARM.model_copy(
        update={"touches_normal": HARM.touches_normal.model_copy(update={"value": 0.001})}
    )
    doubled = severity_array(BOOK.model_copy(update={"harm": harm}))
    assert doubled == pytest.approx(2 * severity_array(BOOK))


def test_a_gfci_ends_a_case_fault_at_a_ground_before_anyone_comes():
    # At 300 ft the breaker is left to its slow thermal curve; the GFCI takes 25 ms either way.
    circuit = BOOK.circuit
    far = circuit.model_copy(
        update={"run_length": circuit.run_length.model_copy(update={"value": 300.0})}
    )
    frame = severity(BOOK.model_copy(update={"circuit": far}))
    frame = frame.set_index(["slots", "condition", "protected"])["case_fault"]
    slow, fast = frame["three_slot", "grounded", False], frame["three_slot", "grounded", True]
    # Standing for at least two seconds against 25 ms, before any difference in the shock itself.
    found = shock(far, Condition.GROUNDED, Scenario.CASE_FAULT)
    alike = found.breaker_untouched / found.gfci_untouched[0]
    harms = shock_harm(HARM, found.body_milliamps, [3.0, found.gfci_touched[0]])
    assert alike > 80
    assert slow / fast == pytest.approx(alike * harms[0] / harms[1], rel=1e-6)
