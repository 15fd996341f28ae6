"""Codes of looks: made by SQL, taken apart, weighed with their measured columns."""

import duckdb
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.evidence.likelihood import Likelihoods, merged_words
from pipeline.evidence.look_code import parse
from pipeline.evidence.measured import (
    EARTH_VOLT_EDGES,
    LOAD_EDGES,
    LOAD_UNKNOWN,
    OHM_EDGES,
    SUPPLY_EDGES,
    VOLT_EDGES,
    detector_answers,
    earth_volts_answers,
    ground_present_answers,
    jumper_answers,
    live_share,
    ohms_answers,
    polarity_answers,
    scorch_answers,
    shock_answers,
    supply_answers,
    volts_answers,
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
JUMPERS = FALSE_GROUNDS | {Condition.OPEN_NEUTRAL_FALSE_GROUND}


def code_of(reader="passes_00", **row):
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


def weight(condition, reader="passes_00", **row):
    return LIKELIHOODS.weights(code_of(reader, **row))[C[condition]]


def detects(**row):
    return LIKELIHOODS.code_detects(code_of(**row))


def test_a_bare_result():
    assert code_of(result="correct") == "three_lamp_tester|correct|passes_00"
    assert code_of(None, result="correct") == "three_lamp_tester|correct|passes_00"
    assert code_of("passes_40", result="correct") == "three_lamp_tester|correct|passes_40"


def test_everything_at_once_survives_the_trip():
    code = code_of(
        "passes_40",
        method="cover_off_inspection",
        result="false_ground",
        cover_removed="yes",
        ground_present="no",
        neutral_ground_jumper="yes",
        polarity="reversed",
        neutral_ground_volts=3.5,
        load_amps=12,
        ground_path_ohms=5e5,
        plate_earth_volts=118,
        case_earth_volts=0.2,
        ground_contact_earth_volts=40,
        hot_neutral_volts=240,
        non_contact_detector="yes",
        heat_or_scorch="no",
        shock_reported="yes",
    )
    look = parse(code)
    assert look.method is Method.COVER_OFF_INSPECTION
    assert look.result is Result.FALSE_GROUND
    assert look.reader == "passes_40"
    assert VOLT_EDGES[look.volts - 1] <= 3.5 < VOLT_EDGES[look.volts]
    assert LOAD_EDGES[look.load - 1] <= 12 < LOAD_EDGES[look.load]
    assert (look.ohms, look.ground_present, look.jumper) == (len(OHM_EDGES), 0, 1)
    earthed = (look.plate_volts, look.case_volts, look.contact_volts)
    assert earthed == tuple(np.searchsorted(EARTH_VOLT_EDGES, [118, 0.2, 40], side="right"))
    assert look.supply == len(SUPPLY_EDGES)
    assert (look.detector, look.scorch, look.shock) == (1, 0, 1)
    assert (look.cover_off, look.polarity) == (1, 1)


@pytest.mark.slow
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
    "code", ["", "visual", "visual|correct", "visual|lovely|passes_00", "x|correct|passes_00",
             "visual|correct|passes_00|v99/1", "visual|correct|passes_00|zz"],
)  # fmt: skip
def test_what_is_not_a_code_is_refused(code):
    with pytest.raises(CoverplateError, match="not the code of a look"):
        LIKELIHOODS.weights(code)


@pytest.mark.parametrize(
    "answers",
    [
        volts_answers(BOOK),
        ohms_answers(BOOK),
        *jumper_answers(BOOK),
        *ground_present_answers(BOOK),
        polarity_answers(BOOK),
        earth_volts_answers(BOOK, appliance=False),
        earth_volts_answers(BOOK, appliance=True),
        supply_answers(BOOK),
        detector_answers(BOOK),
        scorch_answers(BOOK),
        shock_answers(BOOK),
    ],
)
def test_measured_tables_are_probabilities(answers):
    assert answers.read.sum(axis=-2) == pytest.approx(1.0)
    assert answers.table().sum(axis=-2) == pytest.approx(1.0)
    assert (answers.table() > 0).all()


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
    assert volts_answers(BOOK).table()[5, :, C["grounded"]] == pytest.approx(expected, abs=0.004)


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
    # Between the conductors, and where two circuits' loads push a broken shared neutral that far.
    assert {Condition.REVERSED, Condition.HOT_ON_GROUND} <= found
    assert found <= {Condition.REVERSED, Condition.HOT_ON_GROUND, Condition.SHARED_NEUTRAL_OPEN}


def test_ground_path_ohms():
    assert weight("ungrounded", ground_path_ohms=0.4) < 0.05
    # It cannot tell a ground from a jumper: both lead to earth over one conductor.
    assert weight("false_ground", ground_path_ohms=0.4) == pytest.approx(1.0)
    assert detects(ground_path_ohms=1e6) == {
        Condition.UNGROUNDED,
        Condition.REVERSED_UNGROUNDED,
        Condition.OPEN_NEUTRAL_UNGROUNDED,
        Condition.OPEN_NEUTRAL_FALSE_GROUND,
    }


def test_a_jumper_seen_in_the_box():
    seen = {"method": "cover_off_inspection", "neutral_ground_jumper": "yes"}
    assert detects(**seen) == JUMPERS
    assert detects(**seen, polarity="reversed") == {Condition.REVERSED_FALSE_GROUND}
    assert Condition.FALSE_GROUND in detects(result="correct", **seen) <= JUMPERS
    assert Condition.REVERSED_FALSE_GROUND not in detects(result="correct", **seen)
    with_cover_on = weight("grounded", neutral_ground_jumper="yes")
    assert with_cover_on > weight("grounded", **seen)


def test_a_measurement_is_evidence_without_a_result():
    code = code_of(method="cover_off_inspection", result="not_tested", neutral_ground_jumper="yes")
    assert not LIKELIHOODS.uninformative(code)


def with_evidence(**values):
    """The default book with numbers of its evidence section changed."""
    part = BOOK.evidence
    update = {
        name: getattr(part, name).model_copy(update={"value": float(value)})
        for name, value in values.items()
    }
    return BOOK.model_copy(update={"evidence": part.model_copy(update=update)})


@pytest.mark.slow
def test_a_result_read_from_the_measurement_does_not_count_twice():
    row = {"method": "voltmeter_under_load", "neutral_ground_volts": 0.3, "load_amps": 4}
    said = {word: code_of(result=word, **row) for word in ("correct", "false_ground", "not_tested")}
    # Where nothing is a slip, the word adds nothing to the volts that it was read from ...
    careful = BOOK.evidence.misreading["voltmeter_under_load"]
    never = {
        name: getattr(careful, name).model_copy(update={"value": 1e-12})
        for name in ("passes_anyway", "scatter")
    }
    book = with_evidence(number_error=1e-12, look_floor=1e-9)
    misreading = {
        **BOOK.evidence.misreading,
        "voltmeter_under_load": careful.model_copy(update=never),
    }
    sure = Likelihoods(
        book.model_copy(
            update={"evidence": book.evidence.model_copy(update={"misreading": misreading})}
        )
    )
    assert sure.weights(said["correct"]) == pytest.approx(
        sure.weights(said["false_ground"]), rel=1e-3, abs=1e-6
    )
    # ... but still says that the slots read right, which counts against an open ground.
    called, silent = (LIKELIHOODS.weights(said[word]) for word in ("correct", "not_tested"))
    assert called[C["ungrounded"]] < silent[C["ungrounded"]]
    ratios = [
        sure.weights(said[word])[C["false_ground"]] / sure.weights(said[word])[C["grounded"]]
        for word in ("correct", "not_tested")
    ]
    assert ratios[0] == pytest.approx(ratios[1], rel=0.05)
    # A figure that is a slip leaves the word its weight: the two speak against each other here.
    disputed = LIKELIHOODS.weights(said["false_ground"])
    assert called[C["false_ground"]] < disputed[C["false_ground"]] < 0.1


def test_another_instruments_result_does_count_beside_a_measurement():
    look = parse("three_lamp_tester|correct|passes_00|v3/4|jnc")
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
    assert FLOOR <= weights.min() < 1.1 * FLOOR
    assert LIKELIHOODS.code_detects(code_of(**row)) == frozenset()


def test_what_looks_report():
    assert detects(result="correct") == frozenset()
    assert detects(result="open_ground") == {Condition.UNGROUNDED, Condition.REVERSED_UNGROUNDED}
    assert detects(method="cover_off_inspection", result="hot_ground_reversed") == {
        Condition.HOT_ON_GROUND
    }
    assert detects(method="ground_impedance_meter", result="false_ground") == FALSE_GROUNDS
    assert detects(method="ground_impedance_meter", result="poor_ground") >= {Condition.POOR_GROUND}
    assert detects(method="upstream_box_seen", result="false_ground_upstream") == {
        Condition.FALSE_GROUND_UPSTREAM
    }
    assert detects(method="visual", result="open_ground") == frozenset()


def test_many_codes_at_once():
    codes = ["visual|correct|passes_00", "three_lamp_tester|open_ground|passes_00"]
    table = LIKELIHOODS.weights_of(codes)
    assert table.shape == (2, len(CONDITIONS))
    assert (table[1] == LIKELIHOODS.weights(codes[1])).all()
    assert LIKELIHOODS.weights_of([]).shape == (0, len(CONDITIONS))


def test_poor_grounds_are_spread_over_their_ohms_and_bins_are_fine():
    # By hand: evenly in the logarithm from 1 to 300 ohm, so each bin holds its share of decades;
    # 0.14 ohm of conductor and a tenth of meter error blur the first edge.
    read = ohms_answers(BOOK).read[0, :, C["poor_ground"]]
    inner = [OHM_EDGES.index(edge) + 1 for edge in (3.0, 10.0, 30.0)]
    decades = np.log10([10 / 3, 3, 10 / 3]) / np.log10(300)
    assert read[inner] == pytest.approx(decades, abs=0.02)
    grounded = ohms_answers(BOOK).read[0, :, C["grounded"]]
    raised = float(BOOK.evidence.raised_readings)
    assert grounded[OHM_EDGES.index(1.0) + 1 :].sum() == pytest.approx(raised, abs=0.005)
    assert weight("grounded", ground_path_ohms=8) < 0.1 < weight("grounded", ground_path_ohms=0.5)
    assert detects(ground_path_ohms=8) == {Condition.POOR_GROUND}


def test_full_supply_on_metal_means_live_metal():
    live = {
        Condition.REVERSED_FALSE_GROUND,
        Condition.HOT_ON_GROUND,
        Condition.REVERSED_FALSE_GROUND_UPSTREAM,
        Condition.OPEN_NEUTRAL_FALSE_GROUND,
    }
    for column in ("plate_earth_volts", "case_earth_volts", "ground_contact_earth_volts"):
        assert detects(**{column: 120}) == live
    assert detects(plate_earth_volts=0.1) == frozenset()
    assert weight("reversed_false_ground", plate_earth_volts=0.1) < 0.05


def test_an_abnormal_supply_means_a_broken_shared_neutral():
    assert detects(hot_neutral_volts=210) == {Condition.SHARED_NEUTRAL_OPEN}
    assert detects(hot_neutral_volts=119) == frozenset()


def test_detectors_scorches_and_shocks_are_weak_evidence():
    rfg = "reversed_false_ground"
    error = float(BOOK.evidence.detector_error)
    odds = weight(rfg, non_contact_detector="yes") / weight("grounded", non_contact_detector="yes")
    assert odds == pytest.approx((1 - error) / error, rel=0.01)
    quiet = weight(rfg, non_contact_detector="no") / weight("grounded", non_contact_detector="no")
    assert quiet == pytest.approx(error / (1 - error), rel=0.01)
    rates = BOOK.evidence
    shocked = weight("grounded", shock_reported="yes")
    assert shocked == pytest.approx(float(rates.shock_usual) / float(rates.shock_if_live), rel=0.05)
    assert weight("poor_ground", heat_or_scorch="yes") == 1.0
    assert weight("grounded", heat_or_scorch="yes") == pytest.approx(0.2, abs=0.01)
    assert live_share(BOOK, Condition.GROUNDED) == live_share(BOOK, Condition.UNGROUNDED) == 0.0
    assert live_share(BOOK, Condition.REVERSED_FALSE_GROUND) == 1.0
    fed = live_share(BOOK, Condition.OPEN_NEUTRAL_FALSE_GROUND)
    assert fed == pytest.approx(float(rates.load_on))


@pytest.mark.parametrize(("row", "sees"), [
    ({"method": "voltmeter_under_load", "result": "correct"}, True),
    # 0 V at 0 A proves nothing, whatever the method is called
    ({"method": "voltmeter_under_load", "result": "correct", "neutral_ground_volts": 0,
      "load_amps": 0}, False),
    ({"method": "voltmeter_under_load", "result": "correct", "neutral_ground_volts": 1.8,
      "load_amps": 12}, True),
    ({"method": "three_lamp_tester", "result": "correct"}, False),
    ({"method": "three_lamp_tester", "result": "correct", "neutral_ground_volts": 1.8,
      "load_amps": 12}, True),
    ({"method": "three_lamp_tester", "result": "correct", "neutral_ground_jumper": "no"}, False),
    ({"method": "three_lamp_tester", "result": "correct", "neutral_ground_jumper": "no",
      "cover_removed": "yes"}, True),
    ({"method": "ground_impedance_meter", "result": "correct"}, True),
    ({"method": "three_lamp_tester", "result": "correct", "ground_path_ohms": 0.3}, False),
    ({"method": "cover_off_inspection", "result": "not_accessible"}, False),
])  # fmt: skip
def test_capable_is_a_property_of_the_reading(row, sees):
    assert LIKELIHOODS.could_see(code_of(**row), Condition.FALSE_GROUND) is sees


def test_capable_does_not_depend_on_what_was_found():
    row = {"method": "voltmeter_under_load", "load_amps": 12}
    one = code_of(result="correct", neutral_ground_volts=1.8, **row)
    other = code_of(result="false_ground", neutral_ground_volts=0.0, **row)
    assert (LIKELIHOODS.told_apart(one) == LIKELIHOODS.told_apart(other)).all()


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
