"""The hidden truth obeys the structure it claims, and the same seed gives the same portfolio."""

import numpy as np
import pandas as pd
import pytest

from data_demo import generate
from data_demo.profiles import PROFILES
from data_demo.wiring import TRUTH_COLUMNS
from shared.faults import CoverplateError
from shared.records import BUILDING_REGISTER
from shared.vocabulary import CONDITIONS, Slots

OPENING = ["building_id", "unit_id", "opening_id"]


@pytest.fixture(scope="module")
def large():
    return generate(11, 1500, "housing_authority")


@pytest.mark.parametrize("profile", sorted(PROFILES))
def test_same_seed_same_portfolio_and_another_seed_another(profile):
    one, two = generate(5, 40, profile), generate(5, 40, profile)
    for frame in ("register", "observations", "truth", "full_register", "hands", "inspectors"):
        pd.testing.assert_frame_equal(getattr(one, frame), getattr(two, frame))
    assert not one.truth.equals(generate(6, 40, profile).truth)


@pytest.mark.parametrize("profile", sorted(PROFILES))
def test_frames_have_the_declared_columns_and_keys(profile):
    portfolio = generate(2, 60, profile)
    assert tuple(portfolio.register.columns) == BUILDING_REGISTER.columns
    assert tuple(portfolio.truth.columns) == TRUTH_COLUMNS
    assert len(portfolio.register) == portfolio.register["building_id"].nunique() == 60
    assert not portfolio.truth.duplicated(OPENING).any()
    assert set(portfolio.truth["condition"]) <= {word.value for word in CONDITIONS}
    assert set(portfolio.truth["slots"]) <= {word.value for word in Slots}


def test_false_grounds_only_among_converted_openings_on_ungrounded_wiring(large):
    truth = large.truth
    false = truth["condition"].isin(["false_ground", "reversed_false_ground"])
    assert false.sum() > 500
    assert truth.loc[false, "converted"].all()
    assert truth.loc[false, "wiring_ungrounded"].all()
    assert (truth.loc[false, "slots"] == "three_slot").all()
    assert (truth.loc[truth["converted"], "slots"] == "three_slot").all()
    assert truth.loc[truth["converted"], "wiring_ungrounded"].all()
    kept = truth["wiring_ungrounded"] & ~truth["converted"]
    assert (truth.loc[kept, "slots"] == "two_slot").all()
    grounded = truth["condition"].isin(["grounded", "reversed"])
    assert not truth.loc[grounded, "wiring_ungrounded"].any()
    without = truth["condition"].isin(["ungrounded", "reversed_ungrounded"])
    assert truth.loc[without, "wiring_ungrounded"].all()
    assert truth.loc[false, "jumper_here"].all()


def test_circuits_have_three_to_six_openings_of_one_dwelling(large):
    homes = large.truth[large.truth["unit_id"].notna() & (large.truth["unit_id"] != "COM")]
    size = homes.groupby(["building_id", "unit_id", "circuit_id"]).size()
    assert size.between(3, 6).all()
    state = homes.groupby(["building_id", "unit_id", "circuit_id"])["circuit_state"].nunique()
    assert (state == 1).all()


def test_circuits_mostly_follow_their_dwelling_s_hand(large):
    truth = large.truth
    circuits = truth.drop_duplicates(["building_id", "unit_id", "circuit_id"])
    jumpered = circuits["circuit_state"].isin(["jumpered", "head_jumpered"])
    share = jumpered.groupby(circuits["hand"]).mean()
    assert share["converted_by_jumper"] > 0.85
    assert share.drop("converted_by_jumper").max() < 0.1
    assert (circuits.groupby("hand").size() > 100).all()


def test_beyond_a_jumpered_head_there_is_a_ground_wire_and_no_jumper(large):
    truth = large.truth
    beyond = truth["condition"].isin(["false_ground_upstream", "reversed_false_ground_upstream"])
    assert beyond.sum() > 200
    rows = truth[beyond]
    assert rows["ground_wire"].all() and not rows["jumper_here"].any()
    assert (rows["stretch_feet"] > 0).all() and (rows["stretch_feet"] < rows["run_feet"]).all()
    key = ["building_id", "unit_id", "circuit_id"]
    head = truth[truth["jumper_here"] & (truth["circuit_state"] == "head_jumpered")]
    heads = head.groupby(key, dropna=False).size()
    assert (heads == 1).all()
    assert len(rows.merge(head[key].drop_duplicates(), on=key)) == len(rows)


def test_poor_grounds_belong_to_metal_that_serves_as_ground(large):
    truth = large.truth.merge(
        large.full_register[["building_id", "wiring_method"]], on="building_id"
    )
    poor = truth["condition"] == "poor_ground"
    assert truth.loc[poor, "poor_ohms"].between(1, 300).all()
    assert truth.loc[~poor & (truth["condition"] == "grounded"), "poor_ohms"].isna().all()
    share = poor.groupby(truth["wiring_method"]).mean()
    assert share[["armored_cable", "metal_raceway"]].min() > 0.05
    assert share["cable_with_ground"] < 0.01


def test_reversal_does_not_depend_on_the_ground(large):
    compound = ("open", "hot", "poor", "shared")
    known = large.truth[~large.truth["condition"].str.startswith(compound)]
    known = known[~known["condition"].str.endswith("upstream")]
    backwards = known["condition"].str.startswith("reversed")
    share = backwards.groupby(known["wiring_ungrounded"]).mean()
    assert share.between(0.015, 0.03).all()
    assert abs(share[True] - share[False]) < 0.005


def test_older_houses_have_more_ungrounded_wiring_and_rewiring_takes_it_away(large):
    houses = large.full_register.merge(
        large.truth.groupby("building_id")["wiring_ungrounded"].mean().rename("share"),
        left_on="building_id",
        right_index=True,
    )
    houses = houses[~houses["wiring_method"].isin(["armored_cable", "metal_raceway"])]
    as_built = houses[houses["year_rewired"].isna()]
    by_decade = as_built.groupby(as_built["year_built"] // 10 * 10)["share"].mean()
    assert by_decade.loc[1900:1950].min() > 0.65
    assert by_decade.loc[1970:].max() < 0.2
    old = houses[houses["year_built"] < 1950]
    renewed = old["year_rewired"].notna()
    assert old.loc[renewed, "share"].mean() < 0.5 * old.loc[~renewed, "share"].mean()


def test_one_crew_did_many_houses(large):
    hands = large.hands.merge(large.full_register[["building_id", "manager"]], on="building_id")
    crew = hands[hands["habit"] == "crew"]
    assert crew["false_ground_rate"].mean() > 0.4
    assert hands.loc[hands["habit"] == "careful", "false_ground_rate"].mean() < 0.04
    houses_of_crew_firms = hands[hands["manager"].isin(crew["manager"].unique())]
    assert (houses_of_crew_firms["habit"] == "crew").mean() > 0.6
    assert crew["manager"].nunique() < hands["manager"].nunique() / 3


def test_missing_facts_are_missing_and_the_rest_is_untouched(large):
    known, full = large.register, large.full_register
    assert 0.04 < known["year_built"].isna().mean() < 0.13
    assert 0.2 < known["receptacle_count"].isna().mean() < 0.4
    both = known["year_built"].notna()
    assert (known.loc[both, "year_built"] == full.loc[both, "year_built"]).all()
    counts = large.truth.groupby("building_id").size()
    assert (full.set_index("building_id")["receptacle_count"] == counts).all()
    assert (full["vulnerable_occupants"] <= full["occupants"]).all()
    assert not (full["year_rewired"] < full["year_built"]).any()
    assert known.loc[known["occupants"].isna(), "vulnerable_occupants"].isna().all()


def test_conditions_are_as_rare_as_declared(large):
    share = large.truth["condition"].value_counts(normalize=True)
    neutral = share[share.index.str.startswith("open_neutral")]
    assert neutral.sum() == pytest.approx(0.0036, abs=0.001)
    assert 0 < share["shared_neutral_open"] < 0.004
    assert share["open_hot"] == pytest.approx(0.003, abs=0.001)
    assert 0 < share["hot_on_ground"] < 0.0015


def test_protection_follows_room_and_year_of_wiring(large):
    truth = large.truth.merge(large.full_register[["building_id", "year_built"]], on="building_id")
    bath = truth[truth["room"] == "bathroom"]
    assert bath.loc[bath["year_built"] >= 1975, "gfci"].mean() > 0.85
    assert bath.loc[bath["year_built"] < 1960, "gfci"].mean() < 0.5
    assert truth.loc[truth["room"] == "bedroom", "gfci"].mean() < 0.2
    assert np.isin(truth.loc[truth["marking"] == "gfci_protected", "gfci"], True).all()


def test_an_unknown_portfolio_is_refused_by_name():
    with pytest.raises(CoverplateError, match="no invented portfolio") as refusal:
        generate(1, 5, "lighthouse")
    assert "insurer" in refusal.value.expected
