"""The gate: Coverplate against an afternoon's work and against the best that there is.

Seeds are fresh each run and printed; ``COVERPLATE_GATE_SEED=N`` runs the same again. What must
hold, and with what noise in hand, is in ``verdicts``.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

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
from tests.evidence.gate.verdicts import Verdict, judge
from tests.evidence.gate.worlds import WORLDS

# Far from what it takes; a busy machine must not decide.
pytestmark = [pytest.mark.long, pytest.mark.timeout(1800)]

SEEDS = 2


@dataclass(frozen=True)
class Ran:
    """What the trial found, and the seed it began with."""

    results: pd.DataFrame
    seed: int

    def must_hold(self, words: str, verdicts: list[Verdict] | None = None) -> None:
        """Assert every verdict whose rule has these words; there must be some."""
        asked = [v for v in verdicts or judge(self.results) if words in v.rule]
        assert asked, words
        failed = [str(verdict) for verdict in asked if not verdict.holds]
        assert not failed, "\n".join([f"{SEED_VARIABLE}={self.seed}", *failed])

    def answered_by(self, contender: str) -> list[Verdict]:
        """The verdicts if another contender's answers were Coverplate's."""
        others = self.results[self.results["contender"] != COVERPLATE]
        stood_in = others[others["contender"] == contender].assign(contender=COVERPLATE)
        return judge(pd.concat([stood_in, others]))


@pytest.fixture(scope="module")
def ran(pytestconfig: pytest.Config) -> Ran:
    seed = first_seed()
    results = run(list(WORLDS), seed, SEEDS, lambda line: None)
    capture = pytestconfig.pluginmanager.getplugin("capturemanager")
    with capture.global_and_fixture_disabled():
        sys.stdout.write(
            f"\n\n{SEED_VARIABLE}={seed}, {SEEDS} seeds a world\n{table(summary(results))}\n"
        )
    return Ran(results, seed)


@pytest.mark.parametrize("measure", ["gain", "log_score", "log_score_passed", "crps"])
def test_not_below_the_beta_binomial_by_more_than_noise_anywhere(ran, measure):
    ran.must_hold(f"{measure} not below the beta-binomial")


def test_gain_is_near_the_exact_posteriors_where_assumptions_hold(ran):
    ran.must_hold("gain within .03")


def test_intervals_hold_the_truth_as_often_as_they_say(ran):
    ran.must_hold("intervals cover")


def test_intervals_are_not_a_third_wider_than_the_exact_posteriors(ran):
    ran.must_hold("intervals no more than 1.3 times")


def test_as_many_are_expected_as_there_are_where_assumptions_hold(ran):
    ran.must_hold("expected ÷ true")


def test_place_within_a_building_tells_what_it_can(ran):
    ran.must_hold("AUC within buildings")


def test_the_gate_lets_the_exact_posterior_through(ran):
    ran.must_hold("", ran.answered_by(EXACT))


def test_the_gate_stops_who_does_not_look_at_place(ran):
    failed = [v for v in ran.answered_by(BETA_BINOMIAL) if not v.holds]
    assert any("AUC within buildings" in verdict.rule for verdict in failed)
