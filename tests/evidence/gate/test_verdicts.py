"""The verdicts fail where they should, on results made up for the purpose."""

import numpy as np
import pandas as pd
import pytest

from tests.evidence.gate.trial import BETA_BINOMIAL, COVERPLATE, EXACT
from tests.evidence.gate.verdicts import MEAN_OF_WORLDS, Verdict, judge, noise

GOOD = {
    "gain": 0.90,
    "gain_by_rank": np.nan,
    "gain_at_random": 0.3,
    "cover": 0.92,
    "width": 10.0,
    "crps": 2.0,
    "log_score": -0.1,
    "log_score_passed": -0.1,
    "pairs_right": 95.0,
    "pairs": 100.0,
    "expected_visited": 500.0,
    "true_visited": 500.0,
    "expected_unvisited": 200.0,
    "true_unvisited": 200.0,
    "expected_live": 10.0,
    "true_live": 10.0,
}


def results(worlds=("flats", "sparse"), **ours):
    """Two seeds; everybody is as good as the exact posterior but where Coverplate is said not."""
    return pd.DataFrame(
        [
            {
                "world": world,
                "seed": seed,
                "contender": who,
                **GOOD,
                **(ours if who == COVERPLATE else {}),
            }
            for world in worlds
            for seed in (1, 2)
            for who in (COVERPLATE, BETA_BINOMIAL, EXACT)
        ]
    )


def failed(frame):
    return {(v.world, v.rule.split()[0]) for v in judge(frame) if not v.holds}


def test_all_holds_where_coverplate_is_as_good_as_the_exact_posterior():
    verdicts = judge(results())
    assert all(verdict.holds for verdict in verdicts)
    # 4 comparisons and cover in both; gain, width, sums and place in the one held to them.
    assert sum(v.world == "flats" for v in verdicts) == 9
    assert sum(v.world == "sparse" for v in verdicts) == 5
    assert sum(v.world == MEAN_OF_WORLDS for v in verdicts) == 5


@pytest.mark.parametrize(
    ("worse", "rules"),
    [
        ({"log_score": -0.11}, {("flats", "log_score"), ("sparse", "log_score")}),
        ({"crps": 2.1}, {("flats", "crps"), ("sparse", "crps")}),
        (
            {"gain": 0.86},
            {("flats", "gain"), ("sparse", "gain"), (MEAN_OF_WORLDS, "gain")},
        ),
        ({"cover": 0.86}, {("flats", "90"), ("sparse", "90"), (MEAN_OF_WORLDS, "90")}),
        ({"cover": 0.98}, {("flats", "90"), ("sparse", "90"), (MEAN_OF_WORLDS, "90")}),
        ({"width": 13.1}, {("flats", "intervals"), (MEAN_OF_WORLDS, "intervals")}),
        ({"expected_unvisited": 320.0}, {("flats", "expected"), (MEAN_OF_WORLDS, "expected")}),
        ({"expected_visited": 420.0}, {("flats", "expected"), (MEAN_OF_WORLDS, "expected")}),
        ({"pairs_right": 91.0}, {("flats", "AUC"), (MEAN_OF_WORLDS, "AUC")}),
        ({"crps": np.nan}, {("flats", "crps"), ("sparse", "crps")}),
    ],
)
def test_what_is_worse_fails_where_it_is_asked_for(worse, rules):
    assert failed(results(**worse)) == rules


def test_a_gain_better_than_the_beta_binomial_can_still_be_too_far_from_exact():
    frame = results(worlds=("flats",), gain=0.86)
    frame.loc[frame["contender"] == BETA_BINOMIAL, "gain"] = 0.80
    rules = {v.rule for v in judge(frame) if not v.holds}
    assert rules == {"gain within .03 of the exact posterior"}


def test_nine_tenths_are_asked_of_place_only_where_the_exact_posterior_has_them():
    frame = results(worlds=("circuits",), pairs_right=85.0)
    frame.loc[frame["contender"] == EXACT, "pairs_right"] = 87.0
    assert not failed(frame)
    frame.loc[frame["contender"] == EXACT, "pairs_right"] = 90.5
    frame.loc[frame["contender"] == COVERPLATE, "pairs_right"] = 89.0
    assert failed(frame) == {("circuits", "AUC")}


def test_noise_is_that_of_a_mean_pooled_over_worlds():
    by_seed = pd.DataFrame([[1.0, 3.0], [5.0, 5.0]])
    # Variances 2 and 0, mean 1; over two seeds the standard error is √(1/2). Student's t with two
    # degrees of freedom is below t with chance 1/2 + t / (2 √(2 + t²)); solved for .999, by hand,
    # t = .998 √2 / √(1 - .998²) = 22.327.
    assert noise(by_seed) == pytest.approx(22.327 * np.sqrt(0.5), rel=1e-4)
    assert noise(by_seed[[0]]) == 0


@pytest.mark.slow
def test_chance_leaves_the_band_as_often_as_is_said():
    """Three worlds of five seeds whose true means are zero; one world's verdict, 6,000 times."""
    rng = np.random.default_rng(7)
    drawn = [pd.DataFrame(rng.normal(size=(3, 5))) for _ in range(6000)]
    outside = sum(float(by_seed.loc[0].mean()) < -noise(by_seed) for by_seed in drawn)
    # 6 are expected; a Poisson number of that mean lies outside 1 to 14 twice in a thousand.
    assert 1 <= outside <= 14


def test_a_difference_within_noise_is_none():
    frame = results(worlds=("flats",))
    ours = (frame["contender"] == COVERPLATE).to_numpy()
    frame.loc[ours, "log_score"] = [-0.14, -0.08]
    assert not failed(frame)


def test_a_verdict_says_what_was_found_and_wanted():
    found = Verdict("cover", "flats", 0.5, 0.87, 0.97)
    assert not found.holds
    assert str(found) == "flats: cover: 0.500, wanted 0.870 to 0.970"
