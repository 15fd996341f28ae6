"""Survival and shares against published worked examples and a general-purpose library."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binomtest
from statsmodels.duration.survfunc import SurvfuncRight

from pipeline.ledger.survival import clopper_pearson, kaplan_meier, survival_bounds

# Freireich et al. 1963, weeks in remission, 6-MP arm and control arm; data from memory, estimates
# as carried by statistics textbooks and libraries (see the values below).
SIX_MP = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
SIX_MP_RELAPSED = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]
CONTROL = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]


def test_the_worked_example_of_six_mercaptopurine():
    curve = kaplan_meier(SIX_MP, SIX_MP_RELAPSED)
    published = {6: 0.8571, 7: 0.8067, 10: 0.7529, 13: 0.6902, 16: 0.6275, 22: 0.5378, 23: 0.4482}
    assert list(curve.times) == list(published)
    for week, share in published.items():
        assert curve.at(week) == pytest.approx(share, abs=5e-5)
    assert curve.median == 23
    assert (curve.number, curve.happened) == (21, 9)


def test_the_control_arm_of_the_same_example():
    curve = kaplan_meier(CONTROL, [1] * 21)
    assert curve.median == 8
    assert curve.at(23) == 0
    assert curve.at(0) == 1


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 30), st.booleans()), min_size=2, max_size=60).filter(
        lambda rows: any(happened for _, happened in rows)
    )
)
def test_the_same_as_a_general_purpose_library(rows):
    times, happened = map(np.array, zip(*rows, strict=True))
    ours = kaplan_meier(times, happened)
    theirs = SurvfuncRight(times, happened.astype(int))
    np.testing.assert_allclose(ours.times, theirs.surv_times)
    np.testing.assert_allclose(ours.survival, theirs.surv_prob, atol=1e-12)
    np.testing.assert_allclose(ours.at_risk, theirs.n_risk)
    # limits: theirs has the standard error, the log(-log) scale is put on it here
    inner = (ours.survival > 1e-9) & (ours.survival < 1 - 1e-9)
    s, error = theirs.surv_prob[inner], theirs.surv_prob_se[inner]
    spread = 1.959963984540054 * error / (s * np.log(s))
    np.testing.assert_allclose(ours.low[inner], s ** np.exp(-spread), atol=1e-9)
    np.testing.assert_allclose(ours.high[inner], s ** np.exp(spread), atol=1e-9)


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 6), st.integers(0, 3), st.booleans()), min_size=1, max_size=6)
)
def test_bounds_are_the_extremes_over_all_placements(rows):
    first = np.array([start for start, _, _ in rows])
    last = np.array([start + wide for start, wide, _ in rows])
    had = np.array([happened for _, _, happened in rows])
    days = np.arange(0, 10)
    low, high = survival_bounds(first, last, had, days)
    choices = [
        range(a, b + 1) if happened else [b]
        for a, b, happened in zip(first, last, had, strict=True)
    ]
    curves = [kaplan_meier(times, had) for times in itertools.product(*choices)]
    reached = np.array([[curve.at(day) for day in days] for curve in curves])
    np.testing.assert_allclose(low, reached.min(axis=0), atol=1e-12)
    np.testing.assert_allclose(high, reached.max(axis=0), atol=1e-12)


def test_nothing_happened_yet():
    curve = kaplan_meier([5, 9], [False, False])
    assert (curve.median, curve.at(100), len(curve.frame())) == (None, 1.0, 0)


@pytest.mark.parametrize(
    ("count", "number", "low", "high"),
    # Newcombe 1998, exact 95 % limits; values recomputed, the citation is from memory
    [(81, 263, 0.2527, 0.3676), (15, 148, 0.0578, 0.1617), (0, 20, 0, 0.1684),
     (1, 29, 0.0009, 0.1776)],
)  # fmt: skip
def test_limits_of_a_share_as_published(count, number, low, high):
    assert clopper_pearson(count, number) == pytest.approx((low, high), abs=5e-5)


@settings(deadline=None)
@given(st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))),
       st.sampled_from([0.8, 0.9, 0.95, 0.99]))  # fmt: skip
def test_limits_of_a_share_as_in_scipy(pair, interval):
    count, number = pair
    theirs = binomtest(count, number).proportion_ci(interval, method="exact")
    assert clopper_pearson(count, number, interval) == pytest.approx(theirs, abs=1e-9)


def test_no_trials_leave_the_whole_range():
    assert clopper_pearson(0, 0) == (0.0, 1.0)
