"""Ranks and intervals against naive reckoning."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from pipeline.scoring.ranking import rank_intervals, ranks, score_intervals

DRAWS = arrays(
    np.float32,
    st.tuples(st.integers(1, 12), st.integers(1, 40)),
    elements=st.floats(0, 100, width=32),
)
MASS = st.sampled_from([0.5, 0.8, 0.9, 0.95])


def naive_ranks(score):
    """1 + how many are larger, + how many equals stand before."""
    return [
        1 + sum(other > mine for other in score) + sum(other == mine for other in score[:place])
        for place, mine in enumerate(score)
    ]


@given(arrays(np.float64, st.integers(0, 30), elements=st.integers(0, 9).map(float)))
def test_ranks(score):
    assert ranks(score).tolist() == naive_ranks(score.tolist())


@given(DRAWS, MASS, st.integers(1, 12))
@settings(deadline=None)
def test_rank_intervals_are_order_statistics_of_the_drawn_ranks(draws, mass, top):
    low, high, in_top = rank_intervals(draws.copy(), mass, top)
    drawn = np.array([naive_ranks(column.tolist()) for column in draws.T]).T
    last = draws.shape[1] - 1
    for building, each in enumerate(np.sort(drawn, axis=1)):
        assert low[building] == each[int(np.floor((1 - mass) / 2 * last))]
        assert high[building] == each[int(np.ceil((1 + mass) / 2 * last))]
        assert in_top[building] == pytest.approx(np.mean(each <= top))
        held = np.mean((each >= low[building]) & (each <= high[building]))
        assert held >= mass - 1e-9
    # Every draw has exactly min(top, buildings) of them in front.
    assert in_top.sum() == pytest.approx(min(top, len(draws)))


def test_rank_interval_by_hand():
    # Ten draws: building 0 leads eight times, building 1 twice. 80 % leaves out one at each end.
    draws = np.array([[2.0] * 8 + [0.0] * 2, [1.0] * 10], dtype=np.float32)
    low, high, in_top = rank_intervals(draws, 0.8, 1)
    assert (low.tolist(), high.tolist()) == ([1, 1], [2, 2])
    assert in_top.tolist() == pytest.approx([0.8, 0.2])


@pytest.mark.parametrize("mass,low,high", [(0.6, 1, 5), (0.5, 2, 4), (0.4, 2, 4)])
def test_rank_interval_of_buildings_that_take_turns(mass, low, high):
    # Five buildings, five draws, every rank once each: the interval is read off the ranks 1 to 5.
    draws = np.array([np.roll(np.arange(5), turn) for turn in range(5)], dtype=np.float32)
    found_low, found_high, in_top = rank_intervals(draws, mass, 2)
    assert set(found_low) == {low} and set(found_high) == {high}
    assert in_top.tolist() == [0.4] * 5


@given(DRAWS, MASS)
@settings(deadline=None)
def test_score_intervals_are_equal_tailed(draws, mass):
    low, high = score_intervals(draws, mass)
    for building, each in enumerate(draws.astype(float)):
        assert low[building] == pytest.approx(np.percentile(each, 50 * (1 - mass)), abs=1e-4)
        assert high[building] == pytest.approx(np.percentile(each, 50 * (1 + mass)), abs=1e-4)


def test_score_intervals_of_more_buildings_than_one_slice():
    draws = np.arange(25_000, dtype=np.float32)[:, None] + np.array([0, 1, 2], dtype=np.float32)
    low, high = score_intervals(draws, 0.5)
    assert low == pytest.approx(np.arange(25_000) + 0.5)
    assert high == pytest.approx(np.arange(25_000) + 1.5)
