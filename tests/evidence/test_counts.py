"""The number of dangerous openings: against exact convolution and scipy's binomial."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pipeline.evidence.counts import (
    Parts,
    distributions,
    draw_positive,
    intervals,
    parts,
    resample,
    shortest_intervals,
)
from scipy import stats


def _convolved(chances: list[float]) -> np.ndarray:
    pmf = np.ones(1)
    for chance in chances:
        pmf = np.convolve(pmf, [1 - chance, chance])
    return pmf


def _sum(chances: list[float]) -> Parts:
    p = np.array(chances)
    return parts(np.ones((1, len(p))), p[None, :, None])


def _mixture(*sums: Parts) -> Parts:
    names = [field.name for field in fields(Parts)]
    return Parts(*(np.concatenate([getattr(s, name) for s in sums], axis=1) for name in names))


def _stack(*sums: Parts) -> Parts:
    names = [field.name for field in fields(Parts)]
    return Parts(*(np.concatenate([getattr(s, name) for s in sums], axis=0) for name in names))


def _found(sums: Parts, size: int) -> np.ndarray:
    """Probabilities of 0..size."""
    first, pmf = distributions(sums, np.array([float(size)]))
    result = np.zeros(first[0] + pmf.shape[1] + size + 1)
    result[first[0] : first[0] + pmf.shape[1]] = pmf[0]
    assert result[size + 1 :].sum() == 0.0
    return result[: size + 1]


@settings(deadline=None, max_examples=300)
@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=60))
def test_close_to_the_exact_poisson_binomial(chances: list[float]) -> None:
    found = _found(_sum(chances), len(chances))
    assert 0.5 * np.abs(found - _convolved(chances)).sum() < 0.05
    assert found.sum() == pytest.approx(1.0)


def test_exact_for_like_openings_beside_certain_ones() -> None:
    expected = np.concatenate([np.zeros(30), stats.binom(40, 0.3).pmf(np.arange(41))])
    np.testing.assert_allclose(_found(_sum([0.3] * 40 + [1.0] * 30), 70), expected, atol=1e-6)


def test_a_mixture_over_rates() -> None:
    both = _mixture(_sum([0.1] * 20), _sum([0.9] * 20))
    count = np.arange(21)
    expected = 0.5 * stats.binom(20, 0.1).pmf(count) + 0.5 * stats.binom(20, 0.9).pmf(count)
    np.testing.assert_allclose(_found(both, 20), expected, atol=1e-5)


def test_certainty_is_a_single_count() -> None:
    sums = _stack(_sum([0.0] * 9), _sum([1.0] * 5 + [0.0] * 4))
    low, high, _ = intervals(sums, np.array([9.0, 9.0]), 0.9)
    assert low.tolist() == high.tolist() == [0, 5]
    assert low.dtype == np.int64


@settings(deadline=None, max_examples=200)
@given(
    st.lists(st.floats(0.0, 1.0), min_size=1, max_size=25).filter(lambda x: sum(x) > 0.1),
    st.integers(0, 50),
)
def test_the_interval_is_the_shortest_that_holds_enough(mass: list[float], start: int) -> None:
    pmf = np.array(mass) / sum(mass)
    beside = np.zeros_like(pmf)
    beside[0] = 1.0
    lows, highs = shortest_intervals(np.array([start, 3]), np.stack([pmf, beside]), 0.9)
    assert (lows[1], highs[1]) == (3, 3)
    low, high = int(lows[0]) - start, int(highs[0]) - start
    assert pmf[low : high + 1].sum() >= 0.9 - 1e-9
    width = high - low + 1
    for other in range(len(pmf)):
        assert pmf[other : other + width - 1].sum() < 0.9 + 1e-9
        assert pmf[other : other + width].sum() <= pmf[low : high + 1].sum() + 1e-9


def test_slices_give_what_one_building_alone_gives(monkeypatch: pytest.MonkeyPatch) -> None:
    generator = np.random.default_rng(4)
    lists = [generator.uniform(0.01, 0.99, size=n).tolist() for n in (3, 300, 40, 41, 7, 120)]
    size = np.array([float(len(one)) for one in lists])
    sums = _stack(*(_sum(one) for one in lists))
    monkeypatch.setattr("pipeline.evidence.counts._CELLS", 200)
    low, high, kept = intervals(sums, size, 0.9)
    for index, one in enumerate(lists):
        first, pmf = distributions(_sum(one), size[[index]])
        alone = shortest_intervals(first, pmf, 0.9)
        assert (low[index], high[index]) == (alone[0][0], alone[1][0])
        assert kept[index][0] + kept[index][1].argmax() == first[0] + pmf[0].argmax()


def test_resampling_keeps_proportions() -> None:
    weight = np.array([[0.5, 0.25, 0.25, 0.0], [0.0, 0.0, 0.0, 1.0]])
    picked = resample(weight, 400, np.random.default_rng(0))
    counts = np.bincount(picked[0], minlength=4)
    assert abs(counts[0] - 200) <= 1 and counts[3] == 0
    assert np.all(picked[1] == 3)


def test_draws_have_the_mean_and_variance_asked_for() -> None:
    generator = np.random.default_rng(2)
    draws = draw_positive(np.full(200_000, 3.0), np.full(200_000, 6.0), generator)
    assert draws.mean() == pytest.approx(3.0, rel=0.02)
    assert draws.var() == pytest.approx(6.0, rel=0.05)
