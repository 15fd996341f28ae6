"""Sample sizes against a published row, against counting every possible sample, and a library."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pipeline.planning.sample_size import (
    chance_of_at_most,
    looks_needed,
    looks_needed_given,
    may_be_bad,
    number_that_matters,
    spread_of,
)
from shared.faults import CoverplateError


def test_the_row_of_a_published_table():
    """Guidelines for the Evaluation and Control of Lead-Based Paint Hazards in Housing, 2012,
    table 7.3: 110 units built in 1968 need at least 26; 10 % or 100 units, 95 %."""
    bad = number_that_matters(110, 0.10, 100)
    assert (bad, looks_needed(110, bad, 0.95)) == (11, 26)


def counted(found, openings, bad, looked, detection):
    """The same by writing down every sample there is and every way of detecting."""
    chance = 0.0
    samples = list(itertools.combinations(range(openings), looked))
    for sample in samples:
        met = sum(opening < bad for opening in sample)
        ways = [math.comb(met, k) * detection**k * (1 - detection) ** (met - k)
                for k in range(min(found, met) + 1)]  # fmt: skip
        chance += sum(ways)
    return chance / len(samples)


@pytest.mark.parametrize("detection", [1.0, 0.8, 0.3, 0.0])
def test_chances_are_those_of_counting_every_sample(detection):
    for openings, bad, looked, found in itertools.product([5, 8], [1, 2, 5], [0, 1, 4], [0, 1]):
        exact = counted(found, openings, bad, looked, detection)
        told = chance_of_at_most(found, openings, bad, looked, detection)
        assert told == pytest.approx(exact, abs=1e-12)


def test_a_large_sample_is_the_librarys():
    assert chance_of_at_most(3, 600, 40, 90) == pytest.approx(
        stats.hypergeom.cdf(3, 600, 40, 90), abs=1e-14
    )


@pytest.mark.slow
@settings(max_examples=150, deadline=None)
@given(st.data())
def test_one_look_fewer_is_not_enough_and_one_bad_more_is_ruled_out(data):
    openings = data.draw(st.integers(1, 300))
    bad = data.draw(st.integers(1, openings))
    detection = data.draw(st.sampled_from([1.0, 0.97, 0.6, 0.2]))
    sure = data.draw(st.sampled_from([0.5, 0.9, 0.95, 0.99]))
    needed = looks_needed(openings, bad, sure, detection)
    if needed is None:
        assert chance_of_at_most(0, openings, bad, openings, detection) > 1 - sure
    else:
        assert chance_of_at_most(0, openings, bad, needed, detection) <= 1 - sure + 1e-9
        assert chance_of_at_most(0, openings, bad, needed - 1, detection) > 1 - sure
        assert may_be_bad(openings, needed, 0, sure, detection) < bad
    looked = data.draw(st.integers(0, openings))
    found = data.draw(st.integers(0, looked))
    most = may_be_bad(openings, looked, found, sure, detection)
    assert found <= most <= openings
    if most < openings:
        assert chance_of_at_most(found, openings, most + 1, looked, detection) <= 1 - sure + 1e-9
    if most > found:
        assert chance_of_at_most(found, openings, most, looked, detection) > 1 - sure


def test_every_opening_seen_leaves_what_was_found():
    assert may_be_bad(40, 40, 3, 0.95) == 3
    assert may_be_bad(40, 0, 0, 0.95) == 40


def test_a_method_that_sees_nothing_is_never_enough():
    assert looks_needed(40, 10, 0.9, 0.0) is None
    assert may_be_bad(40, 40, 0, 0.95, 0.0) == 40


@pytest.mark.parametrize(
    "call",
    [
        lambda: looks_needed(0, 1, 0.95),
        lambda: looks_needed(10, 11, 0.95),
        lambda: looks_needed(10, 1, 1.0),
        lambda: may_be_bad(10, 4, 5, 0.95),
        lambda: may_be_bad(10, 11, 0, 0.95),
    ],
)
def test_numbers_that_cannot_be_are_refused(call):
    with pytest.raises(CoverplateError):
        call()


def test_the_spread_has_the_mean_and_variance_that_were_asked_for():
    spread = spread_of(60, 9.0, 80.0)
    numbers = np.arange(61)
    mean = spread @ numbers
    assert mean == pytest.approx(9.0)
    assert spread @ (numbers - mean) ** 2 == pytest.approx(80.0)


def test_the_models_answer_is_bayes_rule_by_simulation():
    """Draw the number of bad ones, draw samples, keep the clean ones: fewer than 5 are bad in so
    many of these as was asked for, and with two looks fewer in not so many."""
    rng = np.random.default_rng(11)
    spread = spread_of(40, 4.0, 30.0)
    needed = looks_needed_given(spread, 5, 0.9, 0.9)
    assert needed is not None and needed > 2

    def share(looked):
        bad = rng.choice(41, size=400_000, p=spread)
        met = rng.hypergeometric(bad, 40 - bad, looked)
        clean = bad[rng.binomial(met, 0.9) == 0]
        return float((clean < 5).mean())

    assert share(needed) >= 0.897
    assert share(needed - 2) < 0.9


def test_nothing_is_needed_where_it_is_so_likely_already():
    assert looks_needed_given(spread_of(40, 0.1, 0.1), 5, 0.95) == 0
    assert looks_needed_given(spread_of(40, 30.0, 10.0), 5, 0.95, 0.0) is None
