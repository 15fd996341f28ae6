"""Codes of looks: made by SQL, taken apart, weighed with their measured columns."""

import duckdb
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.evidence.likelihood import Likelihoods, merged_words
from pipeline.evidence.look_code import parse
from pipeline.evidence.measured import (
    LOAD_EDGES,
    LOAD_UNKNOWN,
    VOLT_EDGES,
    ground_present_likelihood,
    jumper_likelihood,
    ohms_likelihood,
    polarity_likelihood,
    volts_likelihood,
)
from pipeline.evidence.readings import floating_below
from shared.faults import CoverplateError
from shared.records import OPENING_OBSERVATIONS, SQL_TYPE, literal
from shared.rule_book import load_rule_book
from shared.vocabulary import CONDITIONS, Condition, Method, Result

BOOK = load_rule_book()
LIKELIHOODS = Likelihoods(BOOK)
FLOOR = float(BOOK.evidence.look_floor)
C = {c.value: i for i, c in enumerate(CONDITIONS)}
FALSE_GROUNDS = frozenset({Condition.FALSE_GROUND, Condition.REVERSED_FALSE_GROUND})


def code_of(reader="usual", **row):
    """Run the SQL over one observation row and return its code."""
    row = {"method": "three_lamp_tester", "result": "not_tested", **row}
    cells = []
    for field in OPENING_OBSERVATIONS.fields:
        value = row.pop(field.name, None)
        text = "NULL" if value is None else literal(str(value))
        cells.append(f"CAST({text} AS {SQL_TYPE[field.type]}) AS {field.name}")
    assert not row, row
    name = "NULL" if reader is None else literal(reader)
    with duckdb.connect() as con:
        query = (
            f"SELECT {LIKELIHOODS.reading_code_sql()} FROM "
            f"(SELECT {', '.join(cells)}, CAST({name} AS VARCHAR) AS reader)"
        )
        return con.execute(query).fetchall()[0][0]


def weight(condition, reader="usual", **row):
    return LIKELIHOODS.weights(code_of(reader, **row))[C[condition]]


def detects(**row):
    return LIKELIHOODS.code_detects(code_of(**row))


def test_a_bare_result():
    assert code_of(result="correct") == "three_lamp_tester|correct|usual"
    assert code_of(None, result="correct") == "three_lamp_tester|correct|usual"
    assert code_of("scattered", result="correct") == "three_lamp_tester|correct|scattered"


def test_everything_at_once_survives_the_trip():
    code = code_of(
        "scattered",
        method="cover_off_inspection",
        result="false_ground",
        cover_removed="yes",
        ground_present="no",
        neutral_ground_jumper="yes",
        polarity="reversed",
        neutral_ground_volts=3.5,
        load_amps=12,
        ground_path_ohms=5e5,
    )
    look = parse(code)
    assert look.method is Method.COVER_OFF_INSPECTION
    assert look.result is Result.FALSE_GROUND
    assert look.reader == "scattered"
    assert VOLT_EDGES[look.volts - 1] <= 3.5 < VOLT_EDGES[look.volts]
    assert LOAD_EDGES[look.load - 1] <= 12 < LOAD_EDGES[look.load]
    assert (look.ohms, look.ground_present, look.jumper) == (2, 0, 1)
    assert (look.cover_off, look.polarity) == (1, 1)


@given(st.floats(0, 1000), st.one_of(st.none(), st.floats(0, 100)))
@settings(max_examples=25, deadline=None)
def test_sql_bins_agree_with_numpy(volts, amps):
    look = parse(code_of(neutral_ground_volts=volts, load_amps=amps))
    assert look.volts == np.searchsorted(VOLT_EDGES, volts, side="right")
    expected = LOAD_UNKNOWN if amps is None else np.searchsorted(LOAD_EDGES, amps, side="right")
    assert look.load == expected


@pytest.mark.parametrize(
    ("method", "cover_removed", "off"),
    [
        ("cover_off_inspection", None, 1),
        ("cover_off_inspection", "no", 0),
        ("three_lamp_tester", None, 0),
        ("three_lamp_tester", "yes", 1),
    ],
)
def test_cover(method, cover_removed, off):
    row = {"method": method, "cover_removed": cover_removed, "neutral_ground_jumper": "no"}
    assert parse(code_of(**row)).cover_off == off


def test_protection_and_marking_are_not_evidence_of_the_condition():
    plain = code_of(result="open_ground")
    assert code_of(result="open_ground", gfci_protected="yes", marking="both") == plain


@pytest.mark.parametrize(
    "code", ["", "visual", "visual|correct", "visual|lovely|usual", "x|correct|usual",
             "visual|correct|usual|v99/1", "visual|correct|usual|zz"],
)  # fmt: skip
def test_what_is_not_a_code_is_refused(code):
    with pytest.raises(CoverplateError, match="not the code of a look"):
        LIKELIHOODS.weights(code)


@pytest.mark.parametrize("table", [volts_likelihood(BOOK), jumper_likelihood(BOOK),
                                   ground_present_likelihood(BOOK)])  # fmt: skip
def test_measured_tables_are_probabilities(table):
    assert table.sum(axis=1) == pytest.approx(1.0)
    assert (table > 0).all()


def test_the_flat_measured_tables_are_probabilities_too():
    for table in (ohms_likelihood(BOOK), polarity_likelihood(BOOK)):
        assert table.sum(axis=0) == pytest.approx(1.0)
        assert (table > 0).all()


def test_volts_agree_with_brute_force_simulation():
    # The quadrature against plain sampling of run length and meter error, at exactly Ohm's law.
    rng = np.random.default_rng(7)
    size, circuit = 400_000, BOOK.circuit
    feet = float(circuit.run_length_median) * np.exp(
        float(circuit.run_length_spread) * rng.standard_normal(size)
    )
    low, high = LOAD_EDGES[4], LOAD_EDGES[5]
    amps = low * (high / low) ** rng.random(size)
    volts = np.abs(
        amps * feet * float(circuit.ohms_per_1000_ft_14) / 1000
        + float(circuit.volts_error) * rng.standard_normal(size)
    )
    counts = np.bincount(np.searchsorted(VOLT_EDGES, volts, side="right"), minlength=14) / size
    error = float(BOOK.evidence.number_error)
    expected = (1 - error) * counts + error / 14
    assert volts_likelihood(BOOK)[5, :, C["grounded"]] == pytest.approx(expected, abs=0.004)


def test_volts_under_a_real_load_part_ground_from_false_ground():
    row = {"method": "voltmeter_under_load", "load_amps": 12}
    assert weight("false_ground", neutral_ground_volts=1.8, **row) < 0.05
    assert weight("grounded", neutral_ground_volts=0.01, **row) < 0.05
    assert detects(neutral_ground_volts=0.01, **row) >= FALSE_GROUNDS


def test_low_volts_at_a_small_load_are_inconclusive():
    # "Near the panel or at a small load a true ground reads near zero too: inconclusive", V = I·R.
    small = weight("grounded", neutral_ground_volts=0.02, load_amps=0.5)
    large = weight("grounded", neutral_ground_volts=0.02, load_amps=12)
    none = weight("grounded", neutral_ground_volts=0.02, load_amps=0)
    assert large < 0.05 < 0.25 < small <= none == 1.0
    assert weight("false_ground", neutral_ground_volts=0.02, load_amps=0) == pytest.approx(1.0)
    assert detects(neutral_ground_volts=0.02, load_amps=0.5) == frozenset()


def test_volts_without_a_load_are_weak():
    known = weight("grounded", neutral_ground_volts=0.02, load_amps=12)
    unknown = weight("grounded", neutral_ground_volts=0.02)
    assert unknown > 0.25 > known


@pytest.mark.parametrize("volts", [0.01, 0.5, 1.8, 4.0, 50.0])
def test_volts_alone_never_exclude_ungrounded(volts):
    # "On an open ground a high-impedance meter may show anything", common practice.
    weights = LIKELIHOODS.weights(code_of(neutral_ground_volts=volts, load_amps=12))
    assert weights[C["ungrounded"]] > 5 * FLOOR


def test_full_supply_between_neutral_and_ground():
    found = detects(neutral_ground_volts=120.0, load_amps=0)
    assert found == {Condition.REVERSED, Condition.HOT_ON_GROUND}


def test_ground_path_ohms():
    assert weight("ungrounded", ground_path_ohms=0.4) < 0.05
    # It cannot tell a ground from a jumper: both lead to earth over one conductor.
    assert weight("false_ground", ground_path_ohms=0.4) == pytest.approx(1.0)
    assert detects(ground_path_ohms=1e6) == {Condition.UNGROUNDED, Condition.REVERSED_UNGROUNDED}


def test_a_jumper_seen_in_the_box():
    seen = {"method": "cover_off_inspection", "neutral_ground_jumper": "yes"}
    assert detects(**seen) == FALSE_GROUNDS
    assert detects(**seen, polarity="reversed") == {Condition.REVERSED_FALSE_GROUND}
    assert detects(result="correct", **seen) == {Condition.FALSE_GROUND}
    with_cover_on = weight("grounded", neutral_ground_jumper="yes")
    assert with_cover_on > weight("grounded", **seen)


def test_a_measurement_is_evidence_without_a_result():
    code = code_of(method="cover_off_inspection", result="not_tested", neutral_ground_jumper="yes")
    assert not LIKELIHOODS.uninformative(code)


def test_a_result_read_from_the_measurement_does_not_count_twice():
    row = {"method": "voltmeter_under_load", "neutral_ground_volts": 0.3, "load_amps": 4}
    called_correct = LIKELIHOODS.weights(code_of(result="correct", **row))
    called_false = LIKELIHOODS.weights(code_of(result="false_ground", **row))
    assert called_correct == pytest.approx(called_false)
    # Beside the volts the result still says that the slots read right, so it counts against
    # an open ground, but adds nothing between a ground and a false ground.
    silent = LIKELIHOODS.weights(code_of(result="not_tested", **row))
    assert called_correct[C["ungrounded"]] < silent[C["ungrounded"]]
    ratio = called_correct[C["false_ground"]] / called_correct[C["grounded"]]
    assert ratio == pytest.approx(silent[C["false_ground"]] / silent[C["grounded"]], rel=0.05)


def test_another_instruments_result_does_count_beside_a_measurement():
    look = parse("three_lamp_tester|correct|usual|v3/4|jnc")
    assert merged_words(look) == {Result.CORRECT}


def test_one_look_is_never_surer_than_the_floor():
    row = {
        "method": "cover_off_inspection",
        "result": "correct",
        "ground_present": "yes",
        "neutral_ground_jumper": "no",
        "polarity": "correct",
        "ground_path_ohms": 0.3,
    }
    weights = LIKELIHOODS.weights(code_of(**row))
    assert weights.max() == 1.0
    assert weights.min() == FLOOR
    assert LIKELIHOODS.code_detects(code_of(**row)) == frozenset()


def test_a_careless_readers_measurement_weighs_less():
    row = {"method": "cover_off_inspection", "neutral_ground_jumper": "yes"}
    assert weight("grounded", "scattered", **row) > 5 * weight("grounded", **row)


def test_what_looks_report():
    assert detects(result="correct") == frozenset()
    assert detects(result="open_ground") == {Condition.UNGROUNDED, Condition.REVERSED_UNGROUNDED}
    assert detects(method="cover_off_inspection", result="hot_ground_reversed") == {
        Condition.HOT_ON_GROUND
    }
    assert detects(method="ground_impedance_meter", result="false_ground") == FALSE_GROUNDS
    assert detects(method="visual", result="open_ground") == frozenset()


def test_many_codes_at_once():
    codes = ["visual|correct|usual", "three_lamp_tester|open_ground|usual"]
    table = LIKELIHOODS.weights_of(codes)
    assert table.shape == (2, 9)
    assert (table[1] == LIKELIHOODS.weights(codes[1])).all()
    assert LIKELIHOODS.weights_of([]).shape == (0, 9)


def test_a_poor_joint_makes_a_real_path_read_doubtful():
    doubtful = ohms_likelihood(BOOK)[1]
    error, poor = float(BOOK.evidence.number_error), float(BOOK.evidence.poor_joints)
    assert doubtful[C["grounded"]] == pytest.approx((1 - error) * poor + error / 3)
    assert doubtful[C["ungrounded"]] == pytest.approx(error / 3)


def test_floating_volts_agree_with_brute_force_simulation():
    rng = np.random.default_rng(11)
    size, evidence = 400_000, BOOK.evidence
    error, supply = float(BOOK.circuit.volts_error), float(BOOK.circuit.supply_volts)
    dead = np.abs(error * rng.standard_normal(size))
    low = error * (supply / error) ** rng.random(size)
    evenly = supply * rng.random(size)
    live = np.where(rng.random(size) < float(evidence.float_low), low, evenly)
    volts = np.where(rng.random(size) < float(evidence.float_dead), dead, live)
    limits = np.array([0.01, 0.05, 1.0, 30.0, 110.0])
    expected = (volts[:, None] <= limits).mean(axis=0)
    assert floating_below(BOOK, limits) == pytest.approx(expected, abs=0.004)
