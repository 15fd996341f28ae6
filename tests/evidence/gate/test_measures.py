"""The measures, worked out by hand."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import betabinom

from tests.evidence.gate import measures
from tests.evidence.gate.answers import Answers
from tests.evidence.gate.generate import generate
from tests.evidence.gate.worlds import WORLDS


def numbers(*values):
    return np.array(values, dtype=float)


def test_gain_counts_what_the_first_tenths_of_buildings_hold():
    true = numbers(5, 0, 9, 1, 0, 0, 3, 0, 0, 2)
    # All-knowing: 9, 9 + 5, 9 + 5 + 3. This order visits 5, then 0, then 9.
    place = numbers(1, 2, 3, 4, 5, 6, 7, 8, 9, 10)
    assert measures.gain(true, place) == pytest.approx((5 + 5 + 14) / (9 + 14 + 17))
    assert measures.gain(true, -true) == 1
    # At random a tenth of the buildings holds a tenth of the 20 on the mean.
    assert measures.random_gain(true) == pytest.approx((2 + 4 + 6) / (9 + 14 + 17))


def test_random_gain_is_the_mean_over_random_orders():
    true = numbers(5, 0, 9, 1, 0, 0, 3, 0, 0, 2)
    rng = np.random.default_rng(1)
    found = [measures.gain(true, rng.permutation(10).astype(float)) for _ in range(4000)]
    assert np.mean(found) == pytest.approx(measures.random_gain(true), abs=0.015)


def test_cover_includes_the_ends():
    assert measures.cover(numbers(1, 2, 3, 4), numbers(1, 0, 4, 5), numbers(3, 2, 9, 9)) == 0.5


def test_stand_in_has_the_mean_and_the_interval_asked_for():
    for size, a, b in ((40, 2.0, 6.0), (60, 12.0, 8.0), (12, 0.4, 3.0), (30, 300.0, 200.0)):
        exact = betabinom(size, a, b)
        low, high = int(exact.ppf(0.05)), int(exact.ppf(0.95))
        found = measures.stand_in(float(exact.mean()), low, high, size)
        steps = np.arange(size + 1)
        assert found.sum() == pytest.approx(1)
        assert steps @ found == pytest.approx(exact.mean(), rel=0.01)
        below = np.cumsum(found)
        assert (below < 0.05).sum() == pytest.approx(low, abs=1)
        assert (below < 0.95).sum() == pytest.approx(high, abs=1)
        assert np.abs(np.cumsum(exact.pmf(steps)) - below).max() < 0.05


def test_stand_in_of_a_certainty_is_certain_even_where_a_two_humped_one_is_as_narrow():
    assert measures.stand_in(1.0, 1, 1, 30)[1] == 1
    assert measures.stand_in(0.0, 0, 0, 0).tolist() == [1]


def test_crps_of_a_certainty_is_its_distance_and_of_two_halves_is_a_quarter():
    def score(true, expected, low, high, size):
        return measures.crps(
            numbers(true), numbers(expected), numbers(low), numbers(high), np.array([size])
        )

    assert score(3, 3, 3, 3, 10) == 0
    assert score(7, 3, 3, 3, 10) == 4
    assert score(0, 0, 0, 0, 0) == 0
    # 0 or 1, even chances: (1/2)² whichever is true.
    assert score(0, 0.5, 0, 1, 1) == pytest.approx(0.25, abs=1e-6)
    assert score(1, 0.5, 0, 1, 1) == pytest.approx(0.25, abs=1e-6)


def test_crps_is_best_for_the_true_mean_and_width():
    rng = np.random.default_rng(3)
    true = rng.binomial(40, rng.beta(3, 5, size=400)).astype(float)
    right = betabinom(40, 3, 5)
    mean, low, high = right.mean(), right.ppf(0.05), right.ppf(0.95)

    def score(shift, stretch):
        ones = np.ones(len(true))
        half = (high - low) / 2 * stretch
        return measures.crps(
            true,
            (mean + shift) * ones,
            round(mean + shift - half) * ones,
            round(mean + shift + half) * ones,
            np.full(len(true), 40),
        )

    best = score(0, 1)
    assert all(score(*worse) > best for worse in ((4, 1), (-4, 1), (0, 0.4), (0, 1.7)))


def test_log_score_is_the_mean_logarithm_and_never_without_bound():
    found = measures.log_score(np.array([True, False]), numbers(0.5, 0.2))
    assert found == pytest.approx((np.log(0.5) + np.log(0.8)) / 2)
    assert measures.log_score(np.array([True]), numbers(0.0)) == pytest.approx(np.log(1e-6))


def test_pairs_are_counted_within_buildings_only_and_ties_are_half_right():
    building = np.array(["a", "a", "a", "b", "b", "c"], dtype=object)
    dangerous = np.array([True, False, False, True, False, True])
    # a: .5 against .2 right, against .5 half; b: .1 against .9 wrong; c: no pair.
    p = numbers(0.5, 0.2, 0.5, 0.1, 0.9, 0.99)
    assert measures.pairs_within(building, dangerous, p) == (1.5, 3.0)


def test_merely_passed_is_three_slots_three_lamps_and_nothing_else_said():
    portfolio = generate(WORLDS["flats"], 5)
    looks = pd.DataFrame(
        [
            ("1", "a", "three_lamp_tester", "correct", "three_slot"),
            ("1", "a", "three_lamp_tester", "correct", "three_slot"),
            ("1", "b", "three_lamp_tester", "correct", "three_slot"),
            ("1", "b", "cover_off_inspection", "correct", "three_slot"),
            ("1", "c", "three_lamp_tester", "open_ground", "three_slot"),
            ("1", "d", "three_lamp_tester", "correct", "two_slot"),
            ("2", "a", "three_lamp_tester", "correct", "three_slot"),
        ],
        columns=["building_id", "opening_id", "method", "result", "slots"],
    )
    few = type(portfolio)(
        portfolio.world, portfolio.register, looks, portfolio.truth, portfolio.leniency
    )
    found = measures.merely_passed(few)
    assert found.to_numpy().tolist() == [["1", "a"], ["2", "a"]]


def test_who_knows_the_truth_is_perfect_on_every_measure():
    portfolio = generate(WORLDS["circuits"], 5)
    true = portfolio.truth.groupby("building_id")["dangerous"].sum().astype(float)
    buildings = pd.DataFrame(
        {"building_id": true.index, "expected": true, "low": true, "high": true, "place": -true}
    )
    looked = portfolio.looks[["building_id", "opening_id"]].drop_duplicates()
    openings = looked.merge(portfolio.truth, on=["building_id", "opening_id"])
    openings["p_dangerous"] = openings["dangerous"].astype(float)
    openings["p_live"] = openings["live"].astype(float)
    found = measures.measure(
        portfolio,
        Answers(
            buildings.reset_index(drop=True),
            openings[["building_id", "opening_id", "p_dangerous", "p_live"]],
        ),
    )
    assert found["gain"] == found["cover"] == 1
    assert found["width"] == 0
    assert found["crps"] == pytest.approx(0, abs=1e-5)
    assert found["log_score"] == pytest.approx(0, abs=1e-5)
    assert found["pairs_right"] == found["pairs"] > 0
    for part in ("visited", "unvisited", "live"):
        assert found[f"expected_{part}"] == found[f"true_{part}"] > 0
