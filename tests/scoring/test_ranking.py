"""Ranks and intervals against naive reckoning."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from pipeline.scoring.ranking import ranked, ranks, spread_of

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
    # Nothing is expected of any, so that buildings equal in a draw keep their order.
    found = ranked(np.zeros(len(draws)), draws.copy(), mass, top)
    low, high, in_top = found.low, found.high, found.in_top
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
    found = ranked(draws.mean(axis=1), draws, 0.8, 1)
    assert found.rank.tolist() == [1, 2]
    assert (found.low.tolist(), found.high.tolist()) == ([1, 1], [2, 2])
    assert found.in_top.tolist() == pytest.approx([0.8, 0.2])


def test_a_rank_outside_its_interval_is_left_there():
    # One draw in forty is a hundred times as bad: the mean leads, yet nine tenths of the draws
    # have this building last.
    draws = np.full((3, 40), 2.0, dtype=np.float32)
    draws[0] = 1.0
    draws[0, 7] = 100.0
    draws[1] = 3.0
    found = ranked(draws.mean(axis=1, dtype=np.float64), draws, 0.9, 1)
    assert found.rank.tolist() == [1, 2, 3]
    assert (found.low[0], found.high[0]) == (3, 3)
    assert (found.low[2], found.high[2]) == (2, 2)


def test_buildings_equal_in_a_draw_stand_in_order_of_what_is_expected():
    draws = np.array([[0, 0, 0, 9], [0, 0, 0, 0], [0, 0, 0, 20]], dtype=np.float32)
    found = ranked(np.array([2.0, 0.0, 5.0]), draws, 0.9, 2)
    assert found.rank.tolist() == [2, 3, 1]
    assert (found.low.tolist(), found.high.tolist()) == ([2, 3, 1], [2, 3, 1])
    assert found.in_top.tolist() == [1.0, 0.0, 1.0]


@pytest.mark.parametrize("mass,low,high", [(0.6, 1, 5), (0.5, 2, 4), (0.4, 2, 4)])
def test_rank_interval_of_buildings_that_take_turns(mass, low, high):
    # Five buildings, five draws, every rank once each: the interval is read off the ranks 1 to 5.
    draws = np.array([np.roll(np.arange(5), turn) for turn in range(5)], dtype=np.float32)
    found = ranked(draws.mean(axis=1), draws, mass, 2)
    assert set(found.low) == {low} and set(found.high) == {high}
    assert found.in_top.tolist() == [0.4] * 5


@given(DRAWS, MASS)
@settings(deadline=None)
def test_intervals_are_equal_tailed_and_the_rest_adds_up(draws, mass):
    found = spread_of(draws.astype(float), mass)
    low, high = found.low, found.high
    for building, each in enumerate(draws.astype(float)):
        assert found.middle[building] == pytest.approx(np.median(each), abs=1e-4)
        worst = each[each > high[building]].sum()
        assert found.tail[building] * each.sum() == pytest.approx(worst, abs=1e-4)
        assert low[building] == pytest.approx(np.percentile(each, 50 * (1 - mass)), abs=1e-4)
        assert high[building] == pytest.approx(np.percentile(each, 50 * (1 + mass)), abs=1e-4)


def test_ranks_of_numbers_times_people_of_more_buildings_than_one_go():
    rng = np.random.default_rng(3)
    number = rng.integers(0, 4, (9_000, 120)).astype(np.uint16)
    people = rng.uniform(1, 9, 9_000).astype(np.float32)
    expected = number.mean(axis=1) * people
    found = ranked(expected, number, 0.9, 10, people.astype(float))
    product = number * people[:, None]
    order = np.argsort(-expected, kind="stable")
    drawn = np.empty(number.shape, dtype=int)
    for draw in range(number.shape[1]):
        drawn[order[np.argsort(-product[order, draw], kind="stable")], draw] = np.arange(1, 9_001)
    drawn.sort(axis=1)
    assert found.low.tolist() == drawn[:, int(np.floor(0.05 * 119))].tolist()
    assert found.high.tolist() == drawn[:, int(np.ceil(0.95 * 119))].tolist()
    assert found.in_top.tolist() == pytest.approx((drawn <= 10).mean(axis=1).tolist())
