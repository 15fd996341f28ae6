"""The gate: Coverplate against an afternoon's work and against the best that there is.

Seeds are fresh each run and printed; ``COVERPLATE_GATE_SEED=N`` runs the same again. What is judged
on a few seeds is judged with the noise of a few seeds: the exact posterior itself, which is right
by construction, expects 0.9 to 1.1 times what is true on four seeds of one world, covers 92 to 98 %
(its intervals are whole numbers, ends included) and differs from itself in gain by .04 from seed to
seed. So every world is held to its bound with two standard errors of the mean in hand, worked out
from differences within a seed wherever two contenders are compared and pooled over worlds, for
four seeds say little of their own spread; and all worlds together are held to the bound itself.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest

from tests.evidence.gate.trial import (
    BETA_BINOMIAL,
    COVERPLATE,
    EXACT,
    SEED_VARIABLE,
    first_seed,
    run,
    summary,
    table,
)
from tests.evidence.gate.worlds import WORLDS

pytestmark = [pytest.mark.long, pytest.mark.timeout(1800)]

SEEDS = 4
STANDARD_ERRORS = 2.0

ALL = list(WORLDS)
HELD = [name for name, world in WORLDS.items() if world.assumptions_hold]
"""Worlds of the family that Coverplate says it models."""

BETTER_WHEN_HIGHER = {"gain": 1, "log_score": 1, "log_score_passed": 1, "crps": -1}


@dataclass(frozen=True)
class Ran:
    """What the trial found: a row a world, seed and contender; its summary; the seed."""

    results: pd.DataFrame
    means: pd.DataFrame
    seed: int

    def by_seed(self, measure: str, contender: str) -> pd.DataFrame:
        """A measure of a contender, worlds down and seeds across."""
        rows = self.results[self.results["contender"] == contender]
        return rows.pivot(index="world", columns="seed", values=measure)

    def lead(self, measure: str, over: str) -> tuple[pd.Series, float]:
        """By how much Coverplate is better by world, and what of it may be noise."""
        difference = self.by_seed(measure, COVERPLATE) - self.by_seed(measure, over)
        return difference.mean(axis=1) * BETTER_WHEN_HIGHER.get(measure, 1), noise(difference)

    def say(self, what: str) -> str:
        """A message of an assertion, with what is needed to see it again."""
        return f"{what} ({SEED_VARIABLE}={self.seed})"


def noise(by_seed: pd.DataFrame) -> float:
    """Two standard errors of a world's mean, the variance pooled over worlds."""
    return STANDARD_ERRORS * float(np.sqrt(by_seed.var(axis=1, ddof=1).mean() / by_seed.shape[1]))


@pytest.fixture(scope="module")
def ran(pytestconfig: pytest.Config) -> Ran:
    seed = first_seed()
    results = run(ALL, seed, SEEDS, lambda line: None)
    means = summary(results)
    capture = pytestconfig.pluginmanager.getplugin("capturemanager")
    with capture.global_and_fixture_disabled():
        sys.stdout.write(f"\n\n{SEED_VARIABLE}={seed}, {SEEDS} seeds a world\n{table(means)}\n")
    return Ran(results, means, seed)


@pytest.mark.parametrize("measure", list(BETTER_WHEN_HIGHER))
@pytest.mark.parametrize("world", ALL)
def test_not_below_the_beta_binomial_by_more_than_noise(ran, world, measure):
    lead, band = ran.lead(measure, BETA_BINOMIAL)
    assert lead[world] >= -band, ran.say(f"{measure}: {lead[world]:+.3f}, noise {band:.3f}")


@pytest.mark.parametrize("world", HELD)
def test_gain_is_within_three_hundredths_of_the_exact_posterior(ran, world):
    lead, band = ran.lead("gain", EXACT)
    assert lead[world] >= -0.03 - band, ran.say(f"{lead[world]:+.3f}, noise {band:.3f}")


def test_gain_is_within_three_hundredths_of_the_exact_posterior_on_the_mean_of_worlds(ran):
    lead, _ = ran.lead("gain", EXACT)
    assert lead[HELD].mean() >= -0.03, ran.say(f"{lead[HELD].mean():+.3f}")


@pytest.mark.parametrize("world", ALL)
def test_intervals_hold_the_truth_as_often_as_they_say(ran, world):
    by_seed = ran.by_seed("cover", COVERPLATE)
    band = noise(by_seed)
    found = by_seed.mean(axis=1)[world]
    assert 0.87 - band <= found <= 0.97 + band, ran.say(f"{found:.3f}, noise {band:.3f}")


def test_intervals_hold_the_truth_as_often_as_they_say_on_the_mean_of_worlds(ran):
    found = ran.by_seed("cover", COVERPLATE).to_numpy().mean()
    assert 0.87 <= found <= 0.97, ran.say(f"{found:.3f}")


# Without places the exact posterior knows what nobody was told: its widths are no measure there.
@pytest.mark.parametrize("world", [name for name in ALL if WORLDS[name].with_places])
def test_intervals_are_not_a_third_wider_than_the_exact_posteriors(ran, world):
    found = ran.means.loc[(world, COVERPLATE), "width_ratio"]
    assert found <= 1.3, ran.say(f"{found:.2f}")


@pytest.mark.parametrize("world", HELD)
def test_as_many_are_expected_as_there_are(ran, world):
    expected, true = (
        ran.by_seed(f"{what}_visited", COVERPLATE) + ran.by_seed(f"{what}_unvisited", COVERPLATE)
        for what in ("expected", "true")
    )
    band = noise(expected / true)
    found = ran.means.loc[(world, COVERPLATE), "ratio"]
    assert 0.9 - band <= found <= 1.15 + band, ran.say(f"{found:.3f}, noise {band:.3f}")


def test_as_many_are_expected_as_there_are_on_the_mean_of_worlds(ran):
    rows = ran.means.loc[[(world, COVERPLATE) for world in HELD]].sum()
    found = (rows["expected_visited"] + rows["expected_unvisited"]) / (
        rows["true_visited"] + rows["true_unvisited"]
    )
    assert 0.9 <= found <= 1.15, ran.say(f"{found:.3f}")


@pytest.mark.parametrize("world", HELD)
def test_place_within_a_building_tells_what_it_can(ran, world):
    """Openings that merely passed three lamps: which of a building's are dangerous all the same.

    Where the exact posterior itself is below .9 (circuit by circuit hands, bonds upstream), only
    the distance from it counts.
    """
    found, best = (ran.means.loc[(world, who), "auc_passed"] for who in (COVERPLATE, EXACT))
    each = {
        who: ran.by_seed("pairs_right", who) / ran.by_seed("pairs", who)
        for who in (COVERPLATE, EXACT)
    }
    band = noise(each[COVERPLATE] - each[EXACT])
    least = max(best - 0.03, 0.9 if best >= 0.9 else 0.0)
    assert found >= least - band, ran.say(f"{found:.3f}, exact {best:.3f}, noise {band:.3f}")


def test_place_within_a_building_tells_what_it_can_on_the_mean_of_worlds(ran):
    found, best = (
        ran.means.loc[[(world, who) for world in HELD], "auc_passed"].mean()
        for who in (COVERPLATE, EXACT)
    )
    assert found >= best - 0.03, ran.say(f"{found:.3f}, exact {best:.3f}")
