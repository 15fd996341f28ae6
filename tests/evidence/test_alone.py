"""A building's numbers depend on its own evidence and what was learned, bit for bit.

Weighed alone, among others, in another order, in a stretch of another length, beside a neighbour
whose looks say something else: the same numbers.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from pipeline.evidence import posterior
from pipeline.evidence.classes import NOT_REPAIRED, Stakes, weigh_classes
from pipeline.evidence.learning import take
from pipeline.evidence.posterior import (
    Model,
    Part,
    Portfolio,
    Weigher,
    row_results,
    row_times,
    weigh_all,
)
from pipeline.evidence.priors import default_priors
from pipeline.evidence.states import SLOTS, rule_book_shares
from pipeline.warehouse.openings import _building_sums
from shared.rule_book import RuleBook
from shared.vocabulary import CONDITIONS, Condition, Slots
from tests.evidence.simulation import simulate

BUILDINGS = 24
ROWS = ("joint", "steps")
WHOLE = (
    "none_dangerous",
    "none_live",
    "rates",
    "effective",
    "harm_error",
    "dangerous",
    "harm",
    "taught",
)


@pytest.fixture(scope="module")
def portfolio(rule_book: RuleBook, at_stake: Stakes) -> Portfolio:
    return simulate(
        rule_book, at_stake, default_priors(rule_book), rule_book_shares(rule_book), BUILDINGS, 3
    ).portfolio


def model_for(rule_book: RuleBook, at_stake: Stakes, portfolio: Portfolio) -> Model:
    taught = rule_book_shares(rule_book)
    weighed = weigh_classes(rule_book, portfolio.classes, at_stake, taught)
    return Model(default_priors(rule_book), taught, weighed, 100, 0.9, 20240501)


@pytest.fixture(scope="module")
def model(rule_book: RuleBook, at_stake: Stakes, portfolio: Portfolio) -> Model:
    return model_for(rule_book, at_stake, portfolio)


@pytest.fixture(scope="module")
def whole(portfolio: Portfolio, model: Model) -> list[dict[str, np.ndarray]]:
    return told(portfolio, model, weigh_all(portfolio, model))


def told(portfolio: Portfolio, model: Model, parts: Iterator[Part]) -> list[dict[str, np.ndarray]]:
    """Everything told of each building, in order."""
    result = []
    for part in parts:
        rows = row_results(portfolio, model, part)
        times = row_times(portfolio, part)
        sums = _building_sums(portfolio, part, rows.harm * times)
        start = portfolio.building_row - part.first_row
        for place, building in enumerate(part.buildings):
            mine = slice(start[building], start[building + 1])
            found = {name: getattr(part.found, name)[mine] for name in ROWS}
            found |= {name: getattr(part.found, name)[place] for name in WHOLE}
            found |= {
                f"row_{name}": getattr(rows, name)[mine] for name in rows.__dataclass_fields__
            }
            result.append(found | {"sum": sums[place]})
    return result


def same(found: dict[str, np.ndarray], wanted: dict[str, np.ndarray]) -> None:
    for name, value in wanted.items():
        np.testing.assert_array_equal(found[name], value, err_msg=name)


def test_something_is_told(whole):
    assert len(whole) == BUILDINGS
    assert all(0 < found["none_dangerous"] <= 1 and found["sum"] > 0 for found in whole)
    assert len({float(found["sum"]) for found in whole}) == BUILDINGS


def test_alone_or_among_others(portfolio, model, whole):
    for building in (0, 7, BUILDINGS - 1):
        alone = take(portfolio, np.array([building]))
        (found,) = told(alone, model, weigh_all(alone, model))
        same(found, whole[building])


def test_a_stretch_of_the_whole(portfolio, model, whole):
    part = Weigher(portfolio, model).weigh(np.arange(5, 9), draws=model.draws)
    for found, wanted in zip(told(portfolio, model, iter([part])), whole[5:9], strict=True):
        same(found, wanted)


def test_short_stretches(portfolio, model, whole, monkeypatch):
    monkeypatch.setattr(posterior, "ROWS_AT_ONCE", 30)
    found = told(portfolio, model, weigh_all(portfolio, model))
    assert len(list(posterior.stretches(portfolio))) > 5
    for building in range(BUILDINGS):
        same(found[building], whole[building])


def test_another_order(portfolio, model, whole):
    order = np.random.default_rng(1).permutation(BUILDINGS)
    moved = take(portfolio, order)
    for found, building in zip(told(moved, model, weigh_all(moved, model)), order, strict=True):
        same(found, whole[building])


def test_what_a_neighbour_shows_is_no_matter(portfolio, model, whole):
    """The first building's looks are dealt out anew; the others' numbers stay."""
    tree = portfolio.tree
    rows = slice(0, portfolio.building_row[1])
    evidence = tree.row_class.copy()
    used = evidence[rows] != portfolio.classes.flat
    evidence[rows][used] = np.random.default_rng(2).integers(0, portfolio.classes.flat, used.sum())
    changed = replace(portfolio, tree=tree._replace(row_class=evidence))
    found = told(changed, model, weigh_all(changed, model))
    assert not np.array_equal(found[0]["joint"], whole[0]["joint"])
    for building in range(1, BUILDINGS):
        same(found[building], whole[building])


def test_buildings_added_change_nothing(portfolio, model, whole):
    """Each building stands there twice: the second time beside the first's rows."""
    doubled = take(portfolio, np.concatenate([np.arange(BUILDINGS)[::-1], np.arange(BUILDINGS)]))
    found = told(doubled, model, weigh_all(doubled, model))
    for building in range(BUILDINGS):
        same(found[BUILDINGS + building], whole[building])
        same(found[BUILDINGS - 1 - building], whole[building])


def test_few_effective_points_are_replaced_for_that_building_alone(
    portfolio, model, whole, monkeypatch
):
    few = sorted(float(found["effective"]) for found in whole)
    limit = (few[2] + few[3]) / 2
    monkeypatch.setattr(posterior, "FEW_EFFECTIVE", limit)
    found = told(portfolio, model, weigh_all(portfolio, model))
    for building in range(BUILDINGS):
        if whole[building]["effective"] < limit:
            assert found[building]["effective"] > 2 * whole[building]["effective"]
        else:
            same(found[building], whole[building])


def test_a_proven_repair_changes_its_opening_and_no_other(
    rule_book, at_stake, portfolio, model, whole
):
    """The looks from before still tell of the hand, so neighbours are as likely as they were."""
    classes = portfolio.classes
    row = int(np.flatnonzero(portfolio.tree.row_class != classes.flat)[0])
    index = portfolio.tree.row_class[row]
    names = classes.__dataclass_fields__
    # The class again, repaired, before the last (of which nothing is known).
    wider = {
        name: np.insert(getattr(classes, name), classes.flat, getattr(classes, name)[index], axis=0)
        for name in names
    }
    new = classes.flat
    assert classes.repaired[index] == NOT_REPAIRED
    wider["repaired"][new] = CONDITIONS.index(Condition.GROUNDED)
    wider["repaired_slots"][new] = SLOTS.index(Slots.THREE_SLOT)
    evidence = portfolio.tree.row_class.copy()
    evidence[evidence == classes.flat] = new + 1
    evidence[row] = new
    mended = replace(
        portfolio, tree=portfolio.tree._replace(row_class=evidence), classes=type(classes)(**wider)
    )
    again = model_for(rule_book, at_stake, mended)
    building = int(np.searchsorted(portfolio.building_row, row, side="right")) - 1
    found = told(mended, again, weigh_all(mended, again))[building]
    before = whole[building]
    place = row - portfolio.building_row[building]
    np.testing.assert_allclose(found["joint"], before["joint"], rtol=1e-9)
    np.testing.assert_allclose(
        np.delete(found["row_danger"], place), np.delete(before["row_danger"], place), rtol=1e-9
    )
    doubt = float(rule_book.evidence.repair_doubt)
    np.testing.assert_allclose(
        found["row_danger"][place], doubt * before["row_danger"][place], rtol=1e-6, atol=1e-12
    )
    assert found["none_dangerous"] >= before["none_dangerous"]


def test_the_error_told_is_that_between_sets_of_points(portfolio: Portfolio, model: Model) -> None:
    """The same evidence, weighed with forty sets of points each: harm differs by what is said.

    The sets are low-discrepancy sequences, so they differ by less than independent points would.
    """
    numbers = np.arange(BUILDINGS) * 7
    harms, errors = [], []
    for turn in range(40):
        seed = ((numbers + 13 * turn) << 17).astype(np.uint64)
        part = Weigher(replace(portfolio, seed=seed), model).weigh(np.arange(BUILDINGS), draws=0)
        found = row_results(portfolio, model, part)
        harm = found.harm * row_times(portfolio, part)
        harms.append(np.add.reduceat(harm, portfolio.building_row[:-1]))
        errors.append(part.found.harm_error)
    said = np.sqrt(np.mean(np.square(errors), axis=0))
    differs = np.std(harms, axis=0, ddof=1) / said
    assert 0.3 < np.median(differs) < 1.1
    assert differs.max() < 1.6
