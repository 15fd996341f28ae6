"""The Shapley split against its definition: the average over every order of telling."""

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from pipeline.scoring.explanation import INGREDIENTS, occupancy_values, shapley

VALUES = arrays(
    np.float64,
    st.tuples(st.integers(1, 4), *[st.just(2)] * 4),
    elements=st.floats(-1e6, 1e6, allow_nan=False, width=64),
)


def by_every_order(values):
    """Average, over all 24 orders, of what each ingredient adds when it is its turn."""
    orders = list(permutations(range(4)))
    result = np.zeros((len(values), 5))
    result[:, 0] = values[:, 0, 0, 0, 0]
    for order in orders:
        known = [0, 0, 0, 0]
        before = values[(slice(None), *known)]
        for player in order:
            known[player] = 1
            after = values[(slice(None), *known)]
            result[:, 1 + player] += (after - before) / len(orders)
            before = after
    return result


def close(found, wanted, values):
    assert found == pytest.approx(wanted, rel=1e-9, abs=1e-9 * (1 + np.abs(values).max()))


@given(VALUES)
@settings(deadline=None)
def test_is_the_average_over_all_orders(values):
    close(shapley(values), by_every_order(values), values)


@given(VALUES)
@settings(deadline=None)
def test_baseline_and_ingredients_add_up_to_the_score(values):
    close(shapley(values).sum(axis=1), values[:, 1, 1, 1, 1], values)


@given(VALUES, st.permutations(range(4)))
@settings(deadline=None)
def test_does_not_depend_on_the_order_of_the_ingredients(values, order):
    moved = shapley(values.transpose(0, *(1 + place for place in order)))
    close(moved[:, 1:], shapley(values)[:, 1:][:, list(order)], values)


@given(VALUES, st.integers(0, 3))
@settings(deadline=None)
def test_an_ingredient_that_never_changes_anything_gets_exactly_nothing(values, player):
    hidden = np.take(values, [0], axis=1 + player)
    same = np.concatenate([hidden, hidden], axis=1 + player)
    assert (shapley(same)[:, 1 + player] == 0.0).all()


@given(VALUES, st.sampled_from([(0, 1), (0, 3), (1, 2), (2, 3)]))
@settings(deadline=None)
def test_interchangeable_ingredients_get_the_same(values, pair):
    first, second = (1 + place for place in pair)
    alike = (values + values.swapaxes(first, second)) / 2
    parts = shapley(alike)
    close(parts[:, first], parts[:, second], values)


@given(VALUES, st.floats(-10, 10), st.integers(0, 2**32 - 1))
@settings(deadline=None)
def test_is_linear_in_the_values(values, factor, seed):
    other = np.random.default_rng(seed).normal(size=values.shape)
    close(
        shapley(values + factor * other),
        shapley(values) + factor * shapley(other),
        np.abs(values) + 100,
    )


def test_hand_worked_example():
    # Era adds 6 alone; occupancy doubles whatever there is. Worked on paper: baseline 2; with era
    # 8; doubled 16. Era: first 6, after occupancy 12, mean 9. Occupancy: first 2, after era 8: 5.
    values = np.empty((1, 2, 2, 2, 2))
    for era, mixed, defects, people in np.ndindex(2, 2, 2, 2):
        values[0, era, mixed, defects, people] = (2 + 6 * era) * (1 + people)
    assert shapley(values)[0] == pytest.approx([2, 9, 0, 0, 5])
    assert INGREDIENTS == ("era", "mixed_openings", "confirmed_defects", "occupancy")


def test_occupancy_hidden_is_a_typical_dwelling_in_a_typical_room():
    split = np.zeros((1, 2, 2, 2, 2))
    split[..., 0], split[..., 1] = 3.0, 5.0  # harm with the room unknown, and known
    values = occupancy_values(split, np.array([7.0]), typical_exposed=2.0, typical_location=1.5)
    assert (values[..., 0] == 3.0 * 2.0 * 1.5).all()
    assert (values[..., 1] == 5.0 * 7.0).all()
