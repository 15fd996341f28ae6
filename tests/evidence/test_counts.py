"""The number of dangerous openings: against exact convolution and scipy's binomial."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pipeline.evidence.counts import (
    distributions,
    draw_positive,
    resample,
    shortest_intervals,
)


def _convolved(chances: list[float]) -> np.ndarray:
    pmf = np.ones(1)
    for chance in chances:
        pmf = np.convolve(pmf, [1 - chance, chance])
    return pmf


def _cumulants(chances: list[float]) -> np.ndarray:
    p = np.array(chances)
    spread = p * (1 - p)
    return np.array([p.sum(), spread.sum(), (spread * (1 - 2 * p)).sum()])


def _found(cumulants: np.ndarray, size: int) -> np.ndarray:
    """Probabilities of 0..size; cumulants of shape (3, draws)."""
    first, pmf = distributions(cumulants[:, None, :], np.array([float(size)]))
    result = np.zeros(first[0] + pmf.shape[1] + size + 1)
    result[first[0] : first[0] + pmf.shape[1]] = pmf[0]
    return result[: size + 1]


@settings(deadline=None, max_examples=150)
@given(st.lists(st.floats(0.001, 0.999), min_size=1, max_size=60))
def test_close_to_the_exact_poisson_binomial(chances: list[float]) -> None:
    cumulants = _cumulants(chances)
    found = _found(cumulants[:, None], len(chances))
    gap = 0.5 * np.abs(found - _convolved(chances)).sum()
    assert gap < (0.03 if cumulants[1] >= 2 else 0.2)
    assert found.sum() == pytest.approx(1.0)


def test_exact_for_like_openings_beside_certain_ones() -> None:
    expected = np.concatenate([np.zeros(30), stats.binom(40, 0.3).pmf(np.arange(41))])
    found = _found(_cumulants([0.3] * 40 + [1.0] * 30)[:, None], 70)
    np.testing.assert_allclose(found, expected, atol=1e-6)


def test_a_mixture_over_rates() -> None:
    cumulants = np.stack([_cumulants([0.1] * 20), _cumulants([0.9] * 20)], axis=1)
    count = np.arange(21)
    expected = 0.5 * stats.binom(20, 0.1).pmf(count) + 0.5 * stats.binom(20, 0.9).pmf(count)
    np.testing.assert_allclose(_found(cumulants, 20), expected, atol=1e-5)


def test_certainty_is_a_single_count() -> None:
    cumulants = np.array([[[0.0], [5.0]], [[0.0], [0.0]], [[0.0], [0.0]]])
    first, pmf = distributions(cumulants, np.array([9.0, 9.0]))
    low, high = shortest_intervals(first, pmf, 0.9)
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
