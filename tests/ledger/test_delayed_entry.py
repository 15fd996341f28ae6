"""Survival where each is watched only from a later time on (left truncation)."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.duration.survfunc import SurvfuncRight

from pipeline.ledger.survival import kaplan_meier

# Moore, Applied Survival Analysis Using R, 2016, section 3.5 (left truncation, simple example): six
# patients, times of coming under watch and of leaving. The data as quoted from the book's code, the
# book's table of the estimate from memory.
ENTER = [2, 5, 3, 3, 2, 5]
EXIT = [9, 11, 9, 8, 4, 9]
DIED = [0, 1, 0, 0, 1, 1]


def test_the_worked_example_of_six_patients_who_came_late():
    curve = kaplan_meier(EXIT, DIED, entry=ENTER)
    assert list(curve.times) == [4, 9, 11]
    assert list(curve.at_risk) == [4, 4, 1]
    assert curve.survival == pytest.approx([0.75, 0.5625, 0.0])
    # counted as if they had been watched all the time, it looks better
    assert kaplan_meier(EXIT, DIED).at(4) == pytest.approx(5 / 6)


def test_where_the_first_risk_set_runs_empty_the_estimate_stays_0():
    curve = kaplan_meier([7, 8, 20, 30], [1, 1, 1, 0], entry=[1, 2, 9, 9])
    assert list(curve.at_risk) == [2, 1, 2]
    assert [curve.at(time) for time in (6, 7, 8, 25)] == [1.0, 0.5, 0.0, 0.0]


people = st.lists(
    st.tuples(st.integers(0, 20), st.integers(1, 20), st.booleans()), min_size=2, max_size=60
).filter(lambda rows: any(happened for *_, happened in rows))


@settings(deadline=None)
@given(people)
def test_the_same_as_a_general_purpose_library(rows):
    entry = np.array([start - 0.5 for start, _, _ in rows])
    times = np.array([float(start + wide) for start, wide, _ in rows])
    had = np.array([happened for *_, happened in rows])
    ours = kaplan_meier(times, had, entry=entry)
    theirs = SurvfuncRight(times, had.astype(int), entry=entry)
    # theirs keeps times at which nothing happened, or leaves them out; ours never has them
    place = {time: n for n, time in enumerate(theirs.surv_times)}
    at = [place[time] for time in ours.times]
    np.testing.assert_allclose(ours.survival, theirs.surv_prob[at], atol=1e-12)
    np.testing.assert_allclose(ours.at_risk, theirs.n_risk[at])
    np.testing.assert_allclose(ours.events, theirs.n_events[at])


@settings(deadline=None)
@given(people)
def test_entry_from_the_beginning_changes_nothing(rows):
    times = [start + wide for start, wide, _ in rows]
    had = [happened for *_, happened in rows]
    plain = kaplan_meier(times, had)
    assert kaplan_meier(times, had, entry=[-0.5] * len(rows)).frame().equals(plain.frame())


def test_whoever_had_it_before_coming_under_watch_is_left_out():
    curve = kaplan_meier([3, 8, 9], [True, True, False], entry=[5, 2, 2])
    assert (curve.number, curve.happened, list(curve.times)) == (2, 1, [8])
    assert curve.at(8) == 0.5


def test_counting_from_the_start_those_who_came_late_makes_it_look_longer():
    """What entry is for: whoever would have had it early and was never watched is missing."""
    rng = np.random.default_rng(4)
    times = rng.exponential(100, 20000)
    # a few are watched from the start, so that the first risk sets are not all but empty
    entry = np.where(rng.random(20000) < 0.1, -1.0, rng.uniform(0, 300, 20000))
    seen = times > entry
    late = kaplan_meier(times[seen], np.ones(seen.sum()), entry=entry[seen])
    naive = kaplan_meier(times[seen], np.ones(seen.sum()))
    assert late.at(100) == pytest.approx(np.exp(-1), abs=0.03)
    assert naive.at(100) > 0.5
