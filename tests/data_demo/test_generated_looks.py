"""Readings follow the truth as each method can see it, and inspectors differ as declared."""

import numpy as np
import pytest

from data_demo import generate
from data_demo.instruments import LAMP_READING, shared_lamps
from data_demo.profiles import PROFILES
from shared.records import OPENING_OBSERVATIONS
from shared.vocabulary import Condition, RecordKind, Result
from tests.landing.row_model import row_model

OPENING = ["building_id", "unit_id", "opening_id"]

LEGEND = {
    (0, 1, 1): "correct",
    (0, 1, 0): "open_ground",
    (0, 0, 1): "open_neutral",
    (0, 0, 0): "open_hot",
    (1, 0, 1): "hot_ground_reversed",
    (1, 1, 0): "hot_neutral_reversed",
}
"""Lamps N–G, H–N, H–G: quoted legend, two sources agree; no standard read."""

LAMPS = {
    Condition.GROUNDED: (0, 1, 1),
    Condition.UNGROUNDED: (0, 1, 0),
    Condition.FALSE_GROUND: (0, 1, 1),
    Condition.REVERSED: (1, 1, 0),
    Condition.REVERSED_UNGROUNDED: (0, 1, 0),
    Condition.REVERSED_FALSE_GROUND: (0, 1, 1),
    Condition.OPEN_NEUTRAL: (0, 0, 1),
    Condition.OPEN_HOT: (0, 0, 0),
    Condition.HOT_ON_GROUND: (1, 0, 1),
    Condition.POOR_GROUND: (0, 1, 1),
    Condition.FALSE_GROUND_UPSTREAM: (0, 1, 1),
    Condition.REVERSED_FALSE_GROUND_UPSTREAM: (0, 1, 1),
    Condition.OPEN_NEUTRAL_UNGROUNDED: (0, 0, 0),
    Condition.OPEN_NEUTRAL_FALSE_GROUND: (0, 0, 0),
}
"""A broken shared neutral shows what the loads make of it."""

RARE = (
    Condition.HOT_ON_GROUND,
    Condition.OPEN_NEUTRAL_FALSE_GROUND,
    Condition.REVERSED_FALSE_GROUND_UPSTREAM,
)


@pytest.fixture(scope="module")
def portfolio():
    return generate(3, 1200, "housing_authority")


@pytest.fixture(scope="module")
def looks(portfolio):
    frame = portfolio.observations.merge(portfolio.truth, on=OPENING, suffixes=("", "_true"))
    assert len(frame) == len(portfolio.observations)
    return frame


def read(frame, method, condition):
    looked = frame["result"].isin(["not_accessible", "not_tested"])
    rows = frame[(frame["method"] == method) & (frame["condition"] == condition) & ~looked]
    return rows


def test_lamp_table_is_the_legend():
    shown = {condition: LEGEND[lamps] for condition, lamps in LAMPS.items()}
    assert shown == {condition: reading.value for condition, reading in LAMP_READING.items()}
    assert set(LAMPS) == set(Condition) - {Condition.SHARED_NEUTRAL_OPEN}


def test_a_broken_shared_neutral_lights_by_the_volts_between_the_slots():
    shown = shared_lamps(np.array([20.0, 60.0, 120.0, 190.0, 215.0]))
    words = ["hot_ground_reversed", "open_neutral", "correct", "correct", "abnormal_voltage"]
    assert shown.tolist() == words


@pytest.mark.parametrize("condition", list(LAMPS))
def test_a_good_reader_of_lamps_writes_what_they_show(looks, condition):
    rows = read(looks, "three_lamp_tester", condition.value)
    rows = rows[rows["inspector"] == "K. Orlan"]
    if condition not in RARE:
        assert len(rows) > 5
    shown = {LAMP_READING[condition].value}
    if LAMP_READING[condition] is Result.OPEN_HOT:
        shown.add(Result.NO_POWER.value)
    assert rows["result"].isin(shown).sum() >= 0.9 * len(rows) - 1


def test_lamps_alone_never_name_a_false_or_a_poor_ground(looks):
    lamps = looks[looks["method"] == "three_lamp_tester"]
    named = ["false_ground", "reversed_false_ground", "false_ground_upstream", "poor_ground"]
    assert not lamps["result"].isin(named).any()


def test_volts_under_load_are_current_times_one_conductor(looks):
    rows = read(looks, "voltmeter_under_load", "grounded").dropna(subset="load_amps")
    rows = rows[rows["inspector"] == "S. Ambrel"]
    expected = rows["load_amps"] * rows["run_feet"] * 3.07 / 1000
    close = np.isclose(rows["neutral_ground_volts"], expected, rtol=0.06, atol=0.06)
    assert len(rows) > 300
    assert close.mean() > 0.97
    false = read(looks, "voltmeter_under_load", "false_ground")
    assert (false["neutral_ground_volts"] < 0.1).mean() > 0.95


def test_cover_off_finds_what_lamps_cannot(looks):
    rows = read(looks, "cover_off_inspection", "false_ground")
    assert (rows["result"] == "false_ground").mean() > 0.97
    assert (rows["neutral_ground_jumper"] == "yes").mean() > 0.97
    assert (rows["ground_present"] == "no").mean() > 0.97
    assert (rows["cover_removed"] == "yes").all()
    both = read(looks, "cover_off_inspection", "reversed_false_ground")
    assert (both["polarity"] == "reversed").mean() > 0.9


def test_a_jumper_in_the_box_before_is_seen_only_by_who_opens_that_box(looks):
    there = looks[looks["condition"] == "false_ground_upstream"]
    cover = there[(there["method"] == "cover_off_inspection") & there["cover_removed"].notna()]
    assert len(cover) > 20
    assert (cover["result"] == "correct").all()
    assert (cover["ground_present"] == "yes").all()
    assert (cover["neutral_ground_jumper"] == "no").all()
    before = there[(there["method"] == "upstream_box_seen") & there["cover_removed"].notna()]
    assert len(before) > 3
    assert (before["result"] == "false_ground_upstream").mean() > 0.9
    volts = there[(there["method"] == "voltmeter_under_load")].dropna(subset="load_amps")
    volts = volts[volts["inspector"] == "S. Ambrel"]
    drop = volts["load_amps"] * volts["stretch_feet"] * 3.07 / 1000
    assert np.isclose(volts["neutral_ground_volts"], drop, rtol=0.06, atol=0.06).mean() > 0.9


@pytest.mark.slow
def test_a_poor_ground_shows_in_the_ohms(looks):
    poor = read(looks, "ground_impedance_meter", "poor_ground")
    assert len(poor) > 10
    metal = ["armored_cable", "metal_raceway"]
    method = generate(3, 1200, "housing_authority").full_register.set_index("building_id")
    assert method.loc[poor["building_id"], "wiring_method"].isin(metal).mean() > 0.8
    ohms = poor["ground_path_ohms"].dropna()
    assert np.isclose(ohms, poor.loc[ohms.index, "poor_ohms"], rtol=0.15, atol=0.8).all()
    assert (poor.loc[ohms > 2.5, "result"] == "poor_ground").mean() > 0.9
    sound = read(looks, "ground_impedance_meter", "grounded")["ground_path_ohms"].dropna()
    assert (sound < 1).all()


def test_live_metal_is_read_where_metal_is_live(looks):
    live = ["reversed_false_ground", "reversed_false_ground_upstream", "hot_on_ground"]
    always = looks["condition"].isin(live)
    never = ~always & (looks["condition"] != "open_neutral_false_ground")
    for column in ("plate_earth_volts", "case_earth_volts", "ground_contact_earth_volts"):
        read_at = looks[looks[column].notna()]
        assert len(read_at) > 5
        assert (read_at.loc[always, column] > 110).all()
        assert (read_at.loc[never, column] < 20).all()
    held = looks[looks["non_contact_detector"].notna()]
    assert len(held) > 500
    assert (held.loc[never, "non_contact_detector"] == "yes").mean() < 0.02
    assert (looks["shock_reported"].dropna() == "yes").all()
    odd = looks[(looks["hot_neutral_volts"] > 30) & (looks["hot_neutral_volts"] < 110)]
    odd = odd[odd["condition"] != "shared_neutral_open"]
    assert odd.empty


def test_the_circuit_is_written_down_mostly_and_is_the_opening_s(looks):
    given = looks["circuit_id"].notna()
    assert 0.85 < given.mean() < 0.95
    assert (looks.loc[given, "circuit_id"] == looks.loc[given, "circuit_id_true"]).all()


def test_the_impedance_meter_confuses_the_two_false_grounds(looks):
    rows = read(looks, "ground_impedance_meter", "false_ground")
    assert (rows["result"] == "false_ground").mean() > 0.85
    both = read(looks, "ground_impedance_meter", "reversed_false_ground")
    assert not (both["result"] == "reversed_false_ground").any()
    open_ground = read(looks, "ground_impedance_meter", "ungrounded")
    assert (open_ground["ground_path_ohms"] > 1000).all()


def test_inspectors_misread_as_declared(looks):
    rows = read(looks, "three_lamp_tester", "grounded")
    wrong = (rows["result"] != "correct").groupby(rows["inspector"]).mean()
    assert wrong["M. Ildray"] > 3 * wrong["K. Orlan"] > 0
    bad = read(looks, "three_lamp_tester", "ungrounded")
    passed = (bad["result"] == "correct").groupby(bad["inspector"]).mean()
    assert passed["B. Quenth"] > 0.9
    assert passed["K. Orlan"] < 0.05


def test_targeted_looks_prefer_dangerous_openings_and_random_ones_do_not(portfolio, looks):
    whole = portfolio.truth
    kinds = ["false_ground", "reversed_false_ground"]
    in_building = whole["condition"].isin(kinds).groupby(whole["building_id"]).mean()
    expected = looks["building_id"].map(in_building).groupby(looks["selection"]).mean()
    seen = looks["condition"].isin(kinds).groupby(looks["selection"]).mean()
    assert seen["targeted"] > 1.2 * expected["targeted"]
    assert seen["random"] == pytest.approx(expected["random"], rel=0.1)


def test_a_survey_looks_at_every_opening():
    portfolio = generate(3, 300, "housing_authority")
    seen = portfolio.observations[portfolio.observations["selection"] == "survey"]
    visits = seen.groupby(["building_id", "observed_on", "inspector"]).size()
    counts = portfolio.full_register.set_index("building_id")["receptacle_count"]
    expected = counts.loc[visits.index.get_level_values("building_id")].to_numpy()
    assert len(visits) > 10
    assert (visits.to_numpy() == expected).all()


@pytest.mark.parametrize("profile", sorted(PROFILES))
def test_every_observation_is_valid_and_has_its_own_key(profile):
    observations = generate(4, 30, profile).observations
    assert tuple(observations.columns) == OPENING_OBSERVATIONS.columns
    assert not observations.duplicated(list(OPENING_OBSERVATIONS.key)).any()
    model = row_model(RecordKind.OPENING_OBSERVATIONS)
    for row in observations.head(400).to_dict("records"):
        cells = {key: value for key, value in row.items() if value == value and value is not None}
        cells["observed_on"] = row["observed_on"].date()
        model.model_validate(cells)
