"""Choices of repairs against enumeration, known optima, and their own bound."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.planning import repair_search
from pipeline.planning.repair_choice import OPENING, Terms
from pipeline.planning.repair_relaxation import priced
from pipeline.planning.repair_search import GAP, choose, required
from tests.planning.repair_cases import brute, jobs_of, small


@pytest.mark.parametrize("seed", range(60))
def test_the_programme_is_as_good_as_all_choices_one_by_one(seed):
    jobs, terms = small(seed, grants=int(seed % 3 == 0))
    found = choose(jobs, terms)
    best = brute(jobs, terms)
    assert found.standing()[:2] == pytest.approx(best[:2])
    assert best[2] * (1 - GAP) - 1e-9 <= found.removed <= best[2] + 1e-9
    assert min(found.money) >= -1e-6
    assert min(found.hours) >= -1e-6
    assert found.removed <= found.bound + 1e-9


@pytest.mark.parametrize("seed", range(60))
def test_prices_never_promise_less_than_the_best_choice(seed):
    jobs, terms = small(seed, grants=int(seed % 3 == 0))
    met = required(jobs, terms, 5.0)
    best = choose(jobs, terms, met).removed
    rng = np.random.default_rng(seed)
    for _ in range(20):
        prices = rng.gamma(0.5, 0.1, size=(2, 2))
        prices[1][np.isinf(terms.hours)] = 0.0
        assert priced(jobs, terms, met, *prices).bound >= best - 1e-9


@pytest.mark.parametrize("seed", range(30))
def test_the_way_for_large_portfolios_keeps_to_the_terms_and_its_bound(seed, monkeypatch):
    monkeypatch.setattr(repair_search, "IN_ONE", 0)
    jobs, terms = small(seed, grants=int(seed % 3 == 0))
    met = required(jobs, terms, 5.0)
    found = choose(jobs, terms, met)
    assert min(found.money) >= -1e-6
    assert min(found.hours) >= -1e-6
    monkeypatch.undo()
    best = choose(jobs, terms, met).removed
    assert found.removed <= best + 1e-6
    assert found.bound >= best - 1e-6


KNAPSACKS = {
    # 0/1 knapsack instances that are passed round for tests of solvers, with their known optima;
    # from memory
    "P01": (165, (23, 31, 29, 44, 53, 38, 63, 85, 89, 82),
            (92, 57, 49, 68, 60, 43, 67, 84, 87, 72), 309),
    "P02": (26, (12, 7, 11, 8, 9), (24, 13, 23, 15, 16), 51),
    "P07": (750, (70, 73, 77, 80, 82, 87, 90, 94, 98, 106, 110, 113, 115, 118, 120),
            (135, 139, 149, 150, 156, 163, 173, 184, 192, 201, 210, 214, 221, 229, 240), 1458),
}  # fmt: skip


@pytest.mark.parametrize("name", KNAPSACKS)
def test_knapsacks_with_known_optima(name):
    capacity, weights, profits, optimum = KNAPSACKS[name]
    size = range(len(weights))
    jobs = jobs_of(
        [(OPENING, n, [n], profits[n] / sum(profits), weights[n], 0.0, False, []) for n in size],
        circuit=[*size], dwelling=[0 for _ in size], building=[0], entry=0,
    )  # fmt: skip
    no_end = np.array([np.inf])
    terms = Terms(np.ones(1), np.array([float(capacity)]), no_end, np.zeros(0))
    found = choose(replace(jobs, entry_hours=np.zeros(1)), terms)
    assert found.removed * sum(profits) == pytest.approx(optimum)
    assert found.gap <= GAP
