"""Rank, its interval and what the first buildings hold are of one quantity: the burden."""

import duckdb
import numpy as np
import pandas as pd
import pytest

from pipeline.evidence.states import RATES
from pipeline.scoring.explanation import spread_told
from pipeline.scoring.ranking import spread_of
from pipeline.warehouse.frames import store_frame
from pipeline.warehouse.openings import BuildingResults
from pipeline.warehouse.results import write_scores
from shared.rule_book import load_rule_book

DRAWS = 40


def written(dangerous, harm, people, dwellings):
    """Tables building_scores and first_buildings of made-up draws; their means are expected.

    Args:
        dangerous, harm: what is drawn of each building, (B,) for all draws alike or (B, DRAWS).
        people: people of a dwelling, by building.
        dwellings: dwellings, by building.
    """
    size = len(people)
    found = BuildingResults(size, DRAWS)
    shape = (size, DRAWS)
    drawn = [np.asarray(each, dtype=float) for each in (dangerous, harm)]
    drawn = [np.broadcast_to(e if e.ndim == 2 else e[:, None], shape) for e in drawn]
    found.dangerous_draws[:] = drawn[0]
    spread = spread_of(drawn[1], float(load_rule_book().scoring.interval))
    found.harm_low, found.harm_high = spread.low, spread.high
    found.harm_middle, found.harm_tail = spread.middle, spread.tail
    found.dangerous, found.placed_harm = (each.mean(axis=1) for each in drawn)
    found.effective[:] = 100.0
    found.rates = np.zeros((size, len(RATES)))
    con = duckdb.connect()
    sizes = pd.DataFrame(
        {
            "building_no": np.arange(size),
            "exposed_per_dwelling": np.asarray(people, dtype=float),
            "dwellings": dwellings,
            "openings": 50,
        }
    )
    store_frame(con, "building_sizes", sizes, "building_no")
    looked = np.ones(size, dtype=bool)
    write_scores(con, load_rule_book(), found, 0.0, looked, 1.0)
    tables = [
        con.execute(f"SELECT * FROM {name}").fetchdf()
        for name in ("building_scores", "first_buildings")
    ]
    con.close()
    return tables


@pytest.mark.parametrize(
    ("people", "dwellings", "rank", "rank_each"),
    [
        # Most dangerous openings first, though harm runs the other way.
        ([2, 2, 2], [1, 1, 1], [3, 2, 1], [3, 2, 1]),
        # 100, 60 and 30 openings × people: occupancy turns the order about.
        ([10, 3, 1], [1, 1, 1], [1, 2, 3], [1, 2, 3]),
        # The same of 10, 2 and 1 dwellings: 10, 30 and 30 each.
        ([10, 3, 1], [10, 2, 1], [1, 2, 3], [3, 1, 2]),
    ],
)
def test_rank_and_interval_are_of_one_quantity(people, dwellings, rank, rank_each):
    # Nothing is unsure, so an interval of the same quantity is the rank itself; harm, which is
    # unsure and runs the other way, would give another.
    harm = np.array([9.0, 5.0, 1.0])[:, None] * np.linspace(0.1, 1.9, DRAWS)
    scores, _ = written([10, 20, 30], harm, people, dwellings)
    assert scores["rank"].tolist() == rank
    assert scores["rank_per_dwelling"].tolist() == rank_each
    for name in ("rank", "rank_per_dwelling"):
        assert scores[f"{name}_low"].tolist() == scores[name].tolist()
        assert scores[f"{name}_high"].tolist() == scores[name].tolist()
    assert scores.burden.tolist() == [10 * people[0], 20 * people[1], 30 * people[2]]


def test_the_chance_to_be_among_the_first_goes_by_burden():
    # Twelve buildings; harm says that the last two belong to the first ten, the burden never does.
    harm = np.arange(1, 13)
    scores, _ = written(np.arange(24, 0, -2), harm, [1] * 12, [1] * 12)
    assert scores.p_top.tolist() == [1.0] * 10 + [0.0] * 2


def test_no_interval_is_stretched_to_hold_its_rank_or_score():
    # One draw in forty carries the first building's means: it leads by burden and by score, and
    # nine tenths of the draws have it last.
    dangerous = np.full((3, DRAWS), 2.0)
    dangerous[1] = 3.0
    dangerous[0] = 1.0
    dangerous[0, 7] = 200.0
    scores, _ = written(dangerous, dangerous, [1, 1, 1], [1, 1, 1])
    first = scores.iloc[0]
    assert (first["rank"], first.rank_low, first.rank_high) == (1, 3, 3)
    assert (first.rank_per_dwelling, first.rank_per_dwelling_low) == (1, 3)
    assert first.score > first.score_high
    # What carries it is said: one draw of 200 among 39 of 1.
    assert first.score_tail == pytest.approx(200 / 239)
    assert first.score_median == pytest.approx(first.score * 40 / 239)
    assert "above the interval" in spread_told(first)
    assert "above the interval" not in spread_told(scores.iloc[1])


def test_what_the_first_hold_and_what_better_choices_would():
    # By burden 40, 30 and 20; by number 10, 30 and 20.
    _, sets = written([10, 30, 20], [1, 1, 1], [4, 1, 1], [1, 1, 1])
    one = sets.set_index("first").loc[1]
    assert (one.share, one.share_low, one.share_high) == pytest.approx((1 / 6,) * 3)
    assert one.regret == pytest.approx(1 - 10 / 30)
    assert one.burden_regret == pytest.approx(0)


def test_nothing_is_missed_where_nothing_can_be_held():
    _, sets = written([0, 0], [0, 0], [1, 1], [1, 1])
    assert sets[["share", "regret", "burden_regret"]].to_numpy().tolist() == [[0.0] * 3] * len(sets)
