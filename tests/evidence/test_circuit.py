"""The circuit of one opening against published and computed check values."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.evidence.circuit import (
    WIRING,
    Contact,
    Setup,
    Unknowns,
    build,
    conductor_ohms,
    floats,
    here,
    load_for_amps,
    resistance_between,
    solve,
    spread,
)
from pipeline.evidence.lamps import LEGEND, lit, pattern
from pipeline.evidence.opening_facts import FACTS, opening_facts
from pipeline.evidence.readings import RUN_LENGTHS, run_lengths
from pipeline.evidence.shock import Scenario, shock
from shared.faults import CoverplateError
from shared.rule_book import load_rule_book
from shared.vocabulary import CONDITIONS, Condition

CIRCUIT = load_rule_book().circuit
NEUTRAL_TO_GROUND = (Contact.NEUTRAL, Contact.GROUND)


def with_numbers(**values):
    """The default circuit with some numbers changed."""
    return CIRCUIT.model_copy(
        update={
            name: getattr(CIRCUIT, name).model_copy(update={"value": float(value)})
            for name, value in values.items()
        }
    )


@pytest.fixture(scope="module")
def facts():
    return opening_facts(CIRCUIT, feet=100.0, load_amps=12.0, load_ohms=10.0).set_index("condition")


# Conductor resistances: NEC chapter 9 table 8, uncoated copper, solid, DC at 75 °C, quoted reprint,
# not read in the standard. The volts are computed from them: 12 A through one conductor.
@pytest.mark.parametrize(
    ("gauge", "feet", "volts"),
    [
        (14, 15, 0.55), (14, 50, 1.84), (14, 100, 3.68),
        (12, 15, 0.35), (12, 50, 1.16), (12, 100, 2.32),
        (10, 15, 0.22), (10, 50, 0.73), (10, 100, 1.45),
    ],
)  # fmt: skip
def test_neutral_to_ground_volts_at_exactly_12_amperes(gauge, feet, volts):
    circuit = with_numbers(conductor_gauge=gauge)
    load = load_for_amps(circuit, Condition.GROUNDED, feet, 12.0)
    solved = solve(circuit, Condition.GROUNDED, Setup(feet, load_ohms=load))
    assert solved.current("load") == pytest.approx(12.0, rel=1e-9)
    assert round(float(solved.between(*NEUTRAL_TO_GROUND)), 2) == pytest.approx(volts)


def test_a_ten_ohm_load(facts):
    # Computed by hand: 120 / (10 + 2 × 0.307) = 11.3058 A; × 0.307 Ω = 3.4709 V.
    grounded = facts.loc["grounded"]
    assert grounded["load_ohms_amps"] == pytest.approx(120 / 10.614, rel=1e-4)
    assert grounded["neutral_ground_volts_at_ohms"] == pytest.approx(0.307 * 120 / 10.614, rel=1e-4)
    assert round(grounded["load_ohms_amps"], 1) == 11.3
    assert round(grounded["neutral_ground_volts_at_ohms"], 2) == 3.47


def test_a_false_ground_shows_about_no_volts(facts):
    for condition in ("false_ground", "reversed_false_ground"):
        assert facts.loc[condition, "neutral_ground_volts_at_amps"] < 0.001
        assert facts.loc[condition, "neutral_ground_volts"] < 0.001


def test_a_reversed_false_ground_puts_the_supply_on_the_ground_contact(facts):
    assert facts.loc["reversed_false_ground", "case_volts_normal_use"] == pytest.approx(120, abs=1)
    assert facts.loc["hot_on_ground", "case_volts_normal_use"] == pytest.approx(120, abs=1)
    quiet = ["grounded", "reversed", "open_neutral", "open_hot"]
    assert (facts.loc[quiet, "case_volts_normal_use"] < 0.01).all()
    assert facts.loc["false_ground", "case_volts_normal_use"] < 1.0


def test_an_open_neutral_upstream_makes_the_case_live_at_a_false_ground_only(facts):
    volts = facts["case_volts_open_neutral"]
    assert volts["false_ground"] == pytest.approx(120, abs=1)
    assert volts["grounded"] < 0.01
    # Through the appliance's 100 Ω and a body of 1,001 Ω, by hand: 120/1101 A.
    assert facts.loc["false_ground", "body_milliamps_open_neutral"] == pytest.approx(109, abs=0.5)


def test_a_case_fault_clears_at_a_ground_and_at_a_false_ground_but_not_without(facts):
    # By hand: 120 V over two conductors of 0.307 Ω and the fault of 0.1 Ω.
    assert facts.loc["grounded", "fault_amps"] == pytest.approx(120 / 0.714, rel=0.01)
    for condition in ("grounded", "false_ground", "reversed"):
        assert facts.loc[condition, "fault_breaker_15_seconds"] == pytest.approx(0.05)
        assert 0.05 < facts.loc[condition, "fault_breaker_20_seconds"] < 60
    for condition in ("ungrounded", "reversed_ungrounded"):
        assert facts.loc[condition, "fault_amps"] < 0.001
        assert facts.loc[condition, "case_volts_case_fault"] == pytest.approx(119.5, abs=0.5)
        assert np.isinf(facts.loc[condition, "fault_breaker_15_seconds"])


def test_a_gfci_up_the_line_sees_the_body_but_not_the_fault_at_a_false_ground(facts):
    row = facts.loc["false_ground"]
    assert np.isinf(row["fault_gfci_seconds"])
    assert row["fault_gfci_touched_seconds"] < 1.0
    assert facts.loc["grounded", "fault_gfci_seconds"] == pytest.approx(0.025, abs=1e-4)
    ungrounded = facts.loc["ungrounded"]
    assert np.isinf(ungrounded["fault_gfci_seconds"])
    # About 120 mA through the body: (20/119.5)^1.43 s.
    assert ungrounded["fault_gfci_touched_seconds"] == pytest.approx(0.0775, abs=0.001)


def test_ground_path_and_loop_impedance(facts):
    # Computed: one conductor of 0.307 Ω, or two; a jumper of 5 mΩ; 2 MΩ of leakage.
    assert facts.loc["grounded", "ground_path_ohms"] == pytest.approx(0.307, rel=1e-3)
    assert facts.loc["grounded", "loop_ohms"] == pytest.approx(0.614, rel=1e-3)
    for condition in ("false_ground", "reversed_false_ground"):
        assert facts.loc[condition, "ground_path_ohms"] == pytest.approx(0.312, rel=1e-3)
        assert facts.loc[condition, "loop_ohms"] == pytest.approx(0.005, rel=1e-3)
    assert facts.loc["ungrounded", "ground_path_ohms"] > 1e6


# Lamp patterns of two published legends, quoted; lamps in the order N–G, H–N, H–G.
@pytest.mark.parametrize(
    ("condition", "lamps"),
    [
        (Condition.GROUNDED, "011"),
        (Condition.UNGROUNDED, "010"),
        (Condition.OPEN_NEUTRAL, "001"),
        (Condition.OPEN_HOT, "000"),
        (Condition.HOT_ON_GROUND, "101"),
        (Condition.REVERSED, "110"),
    ],
)
def test_published_lamp_patterns(facts, condition, lamps):
    assert facts.loc[condition.value, "lamps"] == lamps


def test_the_lamps_call_three_conditions_correct(facts):
    # "False ground and reversed false ground both read 0 1 1", and "the tester cannot judge a
    # ground's quality", quoted. What is further up lights the same lamps (computed).
    correct = set(facts.index[facts["lamps"] == "011"])
    assert correct == {
        "grounded",
        "false_ground",
        "reversed_false_ground",
        "poor_ground",
        "false_ground_upstream",
        "reversed_false_ground_upstream",
    }


@pytest.mark.parametrize("load_on", [False, True])
@pytest.mark.parametrize("condition", ["open_neutral_ungrounded", "open_neutral_false_ground"])
def test_neutral_and_ground_both_lost_leave_all_lamps_dark(condition, load_on):
    # "0 0 0 also means neutral and ground both lost", quoted.
    assert pattern(CIRCUIT, Condition(condition), load_on=load_on) == (False, False, False)


def test_all_three_lamps_come_from_a_broken_shared_neutral_alone():
    # "All three lit is in no legend: usually a loose neutral or feedback", quoted.
    feet, unknown = run_lengths(CIRCUIT), spread(CIRCUIT, RUN_LENGTHS)
    all_lit = {
        condition
        for condition in CONDITIONS
        for load_on in (False, True)
        if lit(CIRCUIT, condition, feet, load_on=load_on, unknowns=unknown).all(axis=-1).any()
    }
    assert all_lit == {Condition.SHARED_NEUTRAL_OPEN}


def test_an_open_neutral_with_a_load_on_looks_like_hot_on_ground():
    # "1 0 1 is ambiguous (also an open neutral with a load switched on)", quoted.
    shown = pattern(CIRCUIT, Condition.OPEN_NEUTRAL, load_on=True)
    assert shown == pattern(CIRCUIT, Condition.HOT_ON_GROUND)


def test_every_pattern_of_the_model_is_in_the_legend():
    for condition in set(CONDITIONS) - {Condition.SHARED_NEUTRAL_OPEN}:
        for load_on in (False, True):
            assert pattern(CIRCUIT, condition, load_on=load_on) in LEGEND


def test_lamps_that_strike_too_low_would_misread_an_open_ground():
    # The floating ground contact sits half way: a strike voltage below 60 V lights all three.
    assert pattern(with_numbers(lamp_strike_volts=50.0), Condition.UNGROUNDED) == (True, True, True)


def at(share=0.5, poor=8.0, same=100.0, other=10.0, stray=1e12):
    """Single values of what a condition leaves open."""
    return Unknowns(*(np.asarray(value) for value in (share, poor, same, other, stray)))


def test_a_poor_ground_of_eight_ohms_leaves_the_case_at_114_volts():
    # By hand, Ohm's law: 120 V over 2 x 0.307 + 0.1 + 8 ohm is 13.77 A, less than a 15 A breaker
    # opens at; the case stands at 13.77 A x (0.307 + 8) ohm = 114.4 V.
    found = shock(CIRCUIT, Condition.POOR_GROUND, Scenario.CASE_FAULT, unknowns=at(poor=8.0))
    amps = 120 / (2 * 0.307 + 0.1 + 8)
    # The appliance itself draws another 1.2 A over the hot conductor: 0.3 % less for the fault.
    assert found.fault_amps == pytest.approx(amps, rel=5e-3)
    assert found.touch_volts == pytest.approx(amps * 8.307, rel=5e-3)
    assert round(found.touch_volts) == 114
    assert np.isinf(found.breaker_untouched)
    # 13.77 A of imbalance is far beyond the 6 mA at which a GFCI must trip, wherever it is.
    assert max(found.gfci_untouched) == pytest.approx(0.025, abs=1e-4)


@given(st.floats(0.05, 0.95), st.floats(5.0, 250.0), st.floats(0.5, 15.0))
@settings(max_examples=40, deadline=None)
def test_with_the_bond_further_up_neutral_to_ground_is_the_drop_from_there(share, feet, amps):
    # Ohm's law in closed form: the ground wire rides on the neutral at the bond.
    condition, unknown = Condition.FALSE_GROUND_UPSTREAM, at(share)
    load = load_for_amps(CIRCUIT, condition, feet, amps, unknown)
    solved = solve(CIRCUIT, condition, Setup(feet, load_ohms=load, unknowns=unknown))
    beyond = (1 - share) * feet * 0.00307
    assert solved.between(*NEUTRAL_TO_GROUND) == pytest.approx(amps * beyond, rel=1e-5)
    loop = resistance_between(
        CIRCUIT, condition, feet, Contact.NEUTRAL, Contact.GROUND, unknowns=unknown
    )
    assert loop == pytest.approx(2 * beyond + 0.005, rel=1e-5)


def test_a_clamp_shows_current_only_where_the_bonded_wire_also_meets_earth():
    # By hand: 12 A through half of 0.307 ohm raise the bond to 1.84 V; over 0.1535 + 2 ohm (less
    # the divided part of the neutral) some 0.8 A flow on the ground wire. Without a second touch
    # the wire ends here and carries nothing, as a true ground does.
    def on_the_ground_wire(condition, stray):
        unknown = at(stray=stray)
        load = load_for_amps(CIRCUIT, condition, 100.0, 12.0, unknown)
        solved = solve(CIRCUIT, condition, Setup(100.0, load_ohms=load, unknowns=unknown))
        return float(abs(here(solved, "ground")))

    divider = 12 * 0.1535 / (0.1535 + 0.1535 + 0.005 + 2)
    found = on_the_ground_wire(Condition.FALSE_GROUND_UPSTREAM, 2.0)
    assert found == pytest.approx(divider, rel=1e-3)
    assert on_the_ground_wire(Condition.FALSE_GROUND_UPSTREAM, 1e12) < 1e-4
    assert on_the_ground_wire(Condition.GROUNDED, 2.0) < 1e-4


def test_lifting_the_neutral_takes_the_earth_from_every_false_ground():
    def path(condition):
        return float(
            resistance_between(
                CIRCUIT, condition, 100.0, Contact.GROUND, neutral_lifted=True, unknowns=at()
            )
        )

    assert path(Condition.GROUNDED) == pytest.approx(0.307, rel=1e-3)
    assert path(Condition.POOR_GROUND) == pytest.approx(8.307, rel=1e-3)
    assert path(Condition.FALSE_GROUND) > 1e5
    assert path(Condition.FALSE_GROUND_UPSTREAM) > 1e5


def test_a_reversal_further_up_makes_every_ground_contact_beyond_live(facts):
    # Divider by hand: the upstream box ties its ground terminal to the live conductor.
    row = facts.loc["reversed_false_ground_upstream"]
    assert row["case_volts_normal_use"] == pytest.approx(120, abs=1)
    assert row["lamps"] == "011"


def test_an_open_neutral_above_a_false_ground_makes_cases_live_through_the_load(facts):
    row = facts.loc["open_neutral_false_ground"]
    assert row["case_volts_normal_use"] == pytest.approx(120, abs=1)
    # Through the appliance's 100 ohm and a body of 1,001 ohm, by hand: 120/1101 A.
    assert row["body_milliamps_normal_use"] == pytest.approx(109, abs=0.5)
    assert facts.loc["open_neutral_ungrounded", "body_milliamps_normal_use"] < 1


def test_a_broken_shared_neutral_divides_240_volts_between_the_loads():
    # Divider by hand: 240 V over 100 and 10 ohm in series; 2 Mohm of leakage aside.
    solved = solve(CIRCUIT, Condition.SHARED_NEUTRAL_OPEN, Setup(100.0, unknowns=at()))
    hot_neutral = solved.between(Contact.HOT, Contact.NEUTRAL)
    assert hot_neutral == pytest.approx(240 * 100 / 110, rel=1e-4)


def test_a_break_beyond_the_bond_leaves_the_ground_contact_on_a_neutral_that_holds():
    # What severity's share of breaks above the bond rests on.
    bonded = WIRING[Condition.FALSE_GROUND_UPSTREAM]
    load = Setup(100.0, load_ohms=100.0)
    beyond = build(CIRCUIT, replace(bonded, neutral=None), load).solve()
    above = build(CIRCUIT, bonded, replace(load, neutral_open_upstream=True)).solve()
    assert abs(beyond.volts[Contact.GROUND]) < 0.1
    assert abs(above.volts[Contact.GROUND]) == pytest.approx(120, abs=1)


def test_the_points_of_what_is_unknown_take_every_level_once():
    unknown = spread(CIRCUIT, RUN_LENGTHS)
    levels = np.sort(unknown.upstream_share)
    assert levels == pytest.approx((np.arange(RUN_LENGTHS) + 0.5) / RUN_LENGTHS)
    least = float(CIRCUIT.poor_ground_least_ohms)
    most = float(CIRCUIT.poor_ground_most_ohms)
    assert np.sort(np.log(unknown.poor_ohms)) == pytest.approx(
        np.log(least) + np.log(most / least) * levels
    )
    touching = (unknown.stray_ohms < 1e6).mean()
    assert touching == pytest.approx(float(CIRCUIT.stray_earth_share), abs=1 / RUN_LENGTHS)


def test_which_contacts_float():
    adrift = {
        condition: {c for c in Contact if floats(CIRCUIT, condition, c)} for condition in CONDITIONS
    }
    assert adrift[Condition.OPEN_NEUTRAL_UNGROUNDED] == {Contact.NEUTRAL, Contact.GROUND}
    assert adrift[Condition.SHARED_NEUTRAL_OPEN] == set()
    # Tied together, a pair may hang in the air and yet read as good as nothing between the two.
    false_ground = Condition.OPEN_NEUTRAL_FALSE_GROUND
    assert adrift[false_ground] == {Contact.NEUTRAL, Contact.GROUND}
    assert not floats(CIRCUIT, false_ground, *NEUTRAL_TO_GROUND)
    assert adrift[Condition.GROUNDED] == set()
    assert adrift[Condition.UNGROUNDED] == {Contact.GROUND}
    assert adrift[Condition.FALSE_GROUND] == set()
    assert adrift[Condition.OPEN_NEUTRAL] == {Contact.NEUTRAL}
    assert adrift[Condition.OPEN_HOT] == {Contact.HOT}


def test_an_unknown_gauge_is_refused():
    with pytest.raises(CoverplateError, match="conductor_gauge"):
        conductor_ohms(with_numbers(conductor_gauge=8), 10.0)


def test_the_facts_cover_every_condition_and_explain_every_column(facts):
    assert list(facts.index) == [c.value for c in CONDITIONS]
    assert ["condition", *facts.columns] == list(FACTS)


@given(
    st.sampled_from(CONDITIONS),
    st.floats(1.0, 300.0),
    st.one_of(st.none(), st.floats(5.0, 500.0)),
    st.booleans(),
    st.booleans(),
    st.booleans(),
)
@settings(max_examples=80, deadline=None)
def test_power_balances_in_every_setup(condition, feet, load, neutral_open, fault, body):
    # Tellegen's theorem on the opening's own network.
    setup = Setup(
        feet,
        load_ohms=load,
        neutral_open_upstream=neutral_open,
        appliance=True,
        case_fault=fault,
        body_on=Contact.GROUND if body else None,
        lamps=True,
    )
    network = build(CIRCUIT, WIRING[condition], setup)
    solved = network.solve()
    taken = sum(
        solved.current(name) * solved.between(e.start, e.end) for name, e in solved.elements.items()
    )
    # The panel's hot conductor and, at a broken shared neutral, both legs' loads draw on sources.
    given_power = (solved.current("hot") + solved.current("same_leg")) * 120.0
    given_power = given_power - solved.current("other_leg") * 120.0
    assert taken == pytest.approx(given_power, rel=1e-6, abs=1e-9)


@given(st.floats(2.0, 300.0), st.floats(0.5, 15.0))
@settings(max_examples=40, deadline=None)
def test_neutral_to_ground_is_current_times_one_conductor(feet, amps):
    # Ohm's law in closed form, at any length and load.
    load = load_for_amps(CIRCUIT, Condition.GROUNDED, feet, amps)
    solved = solve(CIRCUIT, Condition.GROUNDED, Setup(feet, load_ohms=load))
    assert solved.between(*NEUTRAL_TO_GROUND) == pytest.approx(amps * feet * 0.00307, rel=1e-6)


def test_run_length_may_be_an_array():
    feet = np.array([10.0, 100.0])
    loop = resistance_between(CIRCUIT, Condition.GROUNDED, feet, Contact.NEUTRAL, Contact.GROUND)
    assert loop == pytest.approx(2 * feet * 0.00307, rel=1e-5)
