"""Baseline and ingredients are differences of steps, told in order, and add up to the score."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from pipeline.scoring.explanation import INGREDIENTS, steps

VALUES = arrays(
    np.float64,
    st.tuples(st.integers(1, 4), st.just(1 + len(INGREDIENTS))),
    elements=st.floats(-1e6, 1e6, allow_nan=False, width=64),
)


@given(VALUES)
@settings(deadline=None)
def test_baseline_and_ingredients_add_up_to_the_score(values):
    parts = steps(values)
    assert parts.shape == values.shape
    assert parts.sum(axis=1) == pytest.approx(values[:, -1], abs=1e-8)


@given(VALUES)
@settings(deadline=None)
def test_every_step_can_be_said_as_before_and_after(values):
    told = np.cumsum(steps(values), axis=1)
    assert told == pytest.approx(values, abs=1e-8)


@given(VALUES, st.integers(1, len(INGREDIENTS)))
@settings(deadline=None)
def test_an_ingredient_that_changes_nothing_gets_exactly_nothing(values, place):
    values[:, place] = values[:, place - 1]
    assert (steps(values)[:, place] == 0.0).all()


def test_hand_worked_example():
    # Any building 2; its era makes it 8; its slots 7; its looks 10; its people double that.
    assert steps(np.array([[2.0, 8.0, 7.0, 10.0, 20.0]])).tolist() == [[2.0, 6.0, -1.0, 3.0, 10.0]]
    assert INGREDIENTS == ("era", "mixed_openings", "confirmed_defects", "occupancy")
