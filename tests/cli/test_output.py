"""Numbers, shares and days as people read them; JSON as scripts read it."""

import datetime as dt
import json

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.cli.output import plain, print_json
from shared.in_words import adding_up, day, exact, number, percent, words


@pytest.mark.parametrize(
    "value,shown",
    [
        (0, "0"),
        (63.07, "63"),
        (915.5, "920"),
        (12345, "12,000"),
        (0.0432, "0.043"),
        (9.96, "10"),
        (-3.14, "-3.1"),
        (1e-7, "<0.001"),
        (-1e-7, ">-0.001"),
        (None, "–"),
        (float("nan"), "–"),
    ],
)
def test_number(value, shown):
    assert number(value) == shown


@pytest.mark.parametrize(
    "value,shown",
    [(0, "0 %"), (1, "100 %"), (0.004, "<1 %"), (0.996, ">99 %"), (0.123, "12 %"), (None, "–")],
)
def test_percent_is_never_rounded_to_certainty(value, shown):
    assert percent(value) == shown


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=6))
def test_printed_parts_add_up(parts):
    shown = [round(float(text.replace(",", "")), 9) for text in adding_up(parts)]
    assert sum(shown[:-1]) == pytest.approx(shown[-1], abs=1e-8)
    step = max(10.0 ** -(len(text.partition(".")[2])) for text in adding_up(parts))
    assert all(abs(a - b) <= step * 1.001 for a, b in zip(shown, parts, strict=False))


@pytest.mark.parametrize("value,shown", [(14.0, "14"), (20240501.0, "20240501"), (3.07, "3.07")])
def test_exact(value, shown):
    assert exact(value) == shown


def test_day_and_words():
    assert day(dt.date(2024, 5, 3)) == "3 May 2024"
    assert day(pd.NaT) == "–"
    assert words("three_lamp_tester") == "three lamp tester"
    assert words(np.array(["two_slot", "other"])) == "two slot, other"
    assert words(None) == "–"


def test_json_is_finite_and_plain(capsys):
    print_json(
        [
            {
                "nan": np.float64("nan"),
                "infinite": float("inf"),
                "count": np.int64(3),
                "yes": np.bool_(True),
                "day": pd.Timestamp("2024-05-03"),
                "moment": dt.datetime(2024, 5, 3, 4, 5),
                "none": pd.NaT,
                "list": np.array([1.5, np.nan]),
                "nested": {"a": {"b": float("-inf")}},
                "text": "Zwennöck",
            }
        ]
    )
    text = capsys.readouterr().out
    assert "Zwennöck" in text
    assert json.loads(text) == [
        {
            "nan": None,
            "infinite": None,
            "count": 3,
            "yes": True,
            "day": "2024-05-03",
            "moment": "2024-05-03T04:05:00",
            "none": None,
            "list": [1.5, None],
            "nested": {"a": {"b": None}},
            "text": "Zwennöck",
        }
    ]
    assert plain(dt.date(2024, 1, 2)) == "2024-01-02"
