"""Survival where each is watched only from a later time on (left truncation)."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.duration.survfunc import SurvfuncRight

from pipeline.ledger.survival import kaplan_meier

# Klein and Moeschberger, Survival Analysis, section 4.6, the residents of the Channing House
# retirement centre: with the men's ages, risk sets are so small at first that the estimate is 0
# from 781 months on, since the two watched then both died (at 777 and 781 months). From memory: the
# two ages, the two at risk, and that all that comes later is lost.
CHANNING_ENTRY = [751.0, 759.0, 782.0, 790.0, 800.0]
CHANNING_EXIT = [777.0, 781.0, 909.0, 866.0, 1000.0]
CHANNING_DIED = [1, 1, 1, 1, 0]


def test_small_first_risk_sets_as_in_the_worked_example_of_a_retirement_centre():
    curve = kaplan_meier(CHANNING_EXIT, CHANNING_DIED, entry=CHANNING_ENTRY)
    assert list(curve.times[:2]) == [777, 781]
    assert list(curve.at_risk[:2]) == [2, 1]
    assert (curve.at(776), curve.at(777), curve.at(781)) == (1.0, 0.5, 0.0)
    assert curve.at(950) == 0.0
    # the way out that the book gives: the estimate among those who had come to 782 months
    later = [i for i, entry in enumerate(CHANNING_ENTRY) if entry >= 782]
    given_782 = kaplan_meier(
        np.array(CHANNING_EXIT)[later],
        np.array(CHANNING_DIED)[later],
        entry=np.array(CHANNING_ENTRY)[later],
    )
    assert given_782.at(866) == pytest.approx(2 / 3)
    assert given_782.at(909) == pytest.approx(2 / 3 * 1 / 2)


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
