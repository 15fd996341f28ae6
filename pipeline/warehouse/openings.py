"""Writes what becomes of every opening, and adds up what each building comes to."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

import duckdb
import numpy as np
import numpy.typing as npt
import pandas as pd

from pipeline.evidence.assemble import Assembled, some_of
from pipeline.evidence.classes import by_slots_alone
from pipeline.evidence.expectation import prior_danger
from pipeline.evidence.likelihood import Likelihoods
from pipeline.evidence.next_look import BY_EFFORT, next_looks
from pipeline.evidence.posterior import (
    Model,
    Part,
    Portfolio,
    RowResults,
    row_harm,
    row_results,
    row_times,
    weigh_all,
)
from pipeline.evidence.states import RATES, SLOTS, Array
from pipeline.evidence.tree import NOT_RECORDED
from pipeline.evidence.unsure_shares import Unsure, multiples
from pipeline.scoring.ranking import spread_of
from shared.vocabulary import (
    CONDITIONS,
    NO_LOOK_RESULTS,
    Condition,
    Result,
    Slots,
)

Ints = npt.NDArray[np.int64]

STAGED = "opening_groups_staged"
"""Rows of opening_groups as they come, before they are put in order."""


@dataclass(frozen=True)
class _CodeFacts:
    """What each of n codes says.

    Attributes:
        detects: defects pointed at, shape (n, C).
        looks: whether it is a look at all, shape (n,).
        capable: whether this very look could have seen a false ground, shape (n,).
    """

    detects: Array
    looks: Array
    capable: Array


def _code_facts(likelihoods: Likelihoods, codes: list[str]) -> _CodeFacts:
    detects = np.zeros((len(codes), len(CONDITIONS)))
    looks, capable = np.zeros((2, len(codes)))
    for position, code in enumerate(codes):
        for condition in likelihoods.code_detects(code):
            detects[position, CONDITIONS.index(condition)] = 1.0
        result = code.split("|")[1]
        looks[position] = float(
            Result(result) not in NO_LOOK_RESULTS or not likelihoods.uninformative(code)
        )
        sees = likelihoods.could_see(code, Condition.FALSE_GROUND)
        capable[position] = float(sees and looks[position])
    return _CodeFacts(detects, looks, capable)


@dataclass(frozen=True)
class SignatureFacts:
    """What the looks of each signature say, one more for openings that nobody recorded (S + 1).

    Attributes:
        detected: defects pointed at, shape (S + 1, conditions).
        looked, able: as in ``_CodeFacts``, of any of its looks, shape (S + 1,).
        two_slot: whether it is known to have two slots, shape (S + 1,).
    """

    detected: Array
    looked: Array
    able: Array
    two_slot: npt.NDArray[np.bool_]


def signature_facts(
    con: duckdb.DuckDBPyConnection, likelihoods: Likelihoods, portfolio: Portfolio
) -> SignatureFacts:
    """Read what the looks of each signature say."""
    table = con.execute("SELECT codes FROM signatures ORDER BY signature_no").fetchdf()["codes"]
    size = len(table)
    exploded = table.explode().dropna()
    codes, which = np.unique(exploded.to_numpy(dtype=str), return_inverse=True)
    facts = _code_facts(likelihoods, codes.tolist())
    of = exploded.index.to_numpy(dtype=np.int64)
    detected = np.zeros((size + 1, len(CONDITIONS)))
    looked, able = np.zeros((2, size + 1))
    if len(of):
        np.maximum.at(detected, of, facts.detects[which])
        np.maximum.at(looked, of, facts.looks[which])
        np.maximum.at(able, of, facts.capable[which])
    # A two-slot opening without a ground is as originally wired: no defect.
    two_slot = portfolio.classes.slots == SLOTS.index(Slots.TWO_SLOT)
    detected[np.ix_(two_slot, [CONDITIONS.index(Condition.UNGROUNDED)])] = 0.0
    # A proven repair was seen by a capable method, and what was there before is there no more.
    mended = portfolio.classes.repaired >= 0
    detected[mended] = 0.0
    looked[mended], able[mended] = 1.0, 1.0
    return SignatureFacts(detected, looked, able, two_slot)


def _building_sums(portfolio: Portfolio, part: Part, values: Array) -> Array:
    """Sum values of a part's rows over each of its buildings, shape (n,)."""
    start = portfolio.building_row[part.buildings] - part.first_row
    end = portfolio.building_row[part.buildings + 1] - part.first_row
    result = np.zeros(len(part.buildings))
    some = end > start
    if some.any():
        # Each building by itself: no rounding of its neighbours' gets into its sum.
        result[some] = np.add.reduceat(values, start[some])
    return result


class BuildingResults:
    """What the openings of each building add up to; filled as buildings are weighed.

    Attributes:
        dangerous, dangerous_low, dangerous_high: expected number and interval.
        p_any, p_live: chance of any dangerous opening, of any live metal.
        harm, placed_harm: expected harm per person and year, without and with the rooms' factors.
        slots_harm: ``harm`` from the slots alone.
        prior_harm: expected harm of one opening of which nothing is known.
        harm_low, harm_high, harm_middle, harm_tail: how draws of ``placed_harm`` given hands and
            circuits, whose mean it is, spread (see ``ranking.Spread``).
        dangerous_draws: draws of the number of dangerous openings, shape (B, draws).
        effective: effective number of points.
        harm_error: standard error that the points leave in ``placed_harm``.
        rates: posterior mean rates, shape (B, 5).
    """

    def __init__(self, size: int, draws: int) -> None:
        self.dangerous: Array = np.zeros(size)
        self.dangerous_low: Ints = np.zeros(size, dtype=np.int64)
        self.dangerous_high: Ints = np.zeros(size, dtype=np.int64)
        self.p_any: Array = np.zeros(size)
        self.p_live: Array = np.zeros(size)
        self.harm: Array = np.zeros(size)
        self.placed_harm: Array = np.zeros(size)
        self.slots_harm: Array = np.zeros(size)
        self.prior_harm: Array = np.zeros(size)
        self.harm_low: Array = np.zeros(size)
        self.harm_high: Array = np.zeros(size)
        self.harm_middle: Array = np.zeros(size)
        self.harm_tail: Array = np.zeros(size)
        self.dangerous_draws: npt.NDArray[np.uint16] = np.zeros((size, draws), dtype=np.uint16)
        self.effective: Array = np.zeros(size)
        self.harm_error: Array = np.zeros(size)
        self.rates: Array = np.zeros((size, len(RATES)))


class OpeningWriter:
    """Writes table opening_groups and adds up what each building comes to.

    opening_groups has one row per building and row of like openings (and one for those that
    nobody recorded), with probabilities.

    Args:
        con: the warehouse under construction.
        assembled: the portfolio and the numbers of its rows.
        model: the model.
        slots_alone: the same with what was read hidden, of the classes ``by_slots_alone``.
        likelihoods: the likelihoods under the rule book.
        unsure: the classes under draws of the portfolio's shares.
        results: what was taken over from an earlier warehouse; its rows then lie in the table
            ``STAGED``.
    """

    def __init__(
        self,
        con: duckdb.DuckDBPyConnection,
        assembled: Assembled,
        model: Model,
        slots_alone: Model,
        likelihoods: Likelihoods,
        unsure: Unsure,
        results: BuildingResults | None = None,
    ) -> None:
        self._con, self._assembled, self._unsure = con, assembled, unsure
        self._model, self._slots_alone, self._likelihoods = model, slots_alone, likelihoods
        self._facts = signature_facts(con, likelihoods, assembled.portfolio)
        self._few = by_slots_alone(assembled.portfolio.classes)
        self._begun = results is not None
        self.results = results or BuildingResults(len(assembled.portfolio), model.draws)

    def write(
        self,
        buildings: Ints,
        factor: int = 1,
        progress: Callable[[float], None] | None = None,
    ) -> None:
        """Weigh buildings, in full and by the slots alone, and write them.

        Args:
            buildings: which, in order; what was written of them before is replaced.
            factor: how many times the usual number of points.
            progress: called with the fraction done.
        """
        if self._begun and len(buildings):
            frame = pd.DataFrame({"building_no": buildings})
            self._con.register("replaced_frame", frame)
            self._con.execute(
                f"DELETE FROM {STAGED} "
                "WHERE building_no IN (SELECT building_no FROM replaced_frame)"
            )
            self._con.unregister("replaced_frame")
        some = some_of(self._assembled, buildings)
        danger = prior_danger(some.portfolio, self._model)
        few, which = self._few
        tree = some.portfolio.tree
        plain = replace(
            some.portfolio, classes=few, tree=tree._replace(row_class=which[tree.row_class])
        )
        for part, again in zip(
            weigh_all(some.portfolio, self._model, progress, factor=factor),
            weigh_all(plain, self._slots_alone, beside=factor),
            strict=True,
        ):
            by_slots = row_harm(plain, self._slots_alone, again)
            frame = self._take(some, buildings, part, by_slots, danger)
            into = f"INSERT INTO {STAGED}" if self._begun else f"CREATE TEMP TABLE {STAGED} AS"
            self._con.register("groups_frame", frame)
            self._con.execute(
                f"{into} SELECT * REPLACE (defect::VARCHAR AS defect, "
                "next_method::VARCHAR AS next_method) FROM groups_frame"
            )
            self._con.unregister("groups_frame")
            self._begun = True

    def finish(self) -> None:
        """Put the rows in order: whatever reads them then adds up in the same order."""
        if self._begun:
            self._con.execute(
                "CREATE TABLE opening_groups AS "
                f"SELECT * FROM {STAGED} ORDER BY building_no, row_no"
            )
            self._con.execute(f"DROP TABLE {STAGED}")

    def _drawn(self, some: Assembled, part: Part, times: Array) -> tuple[Array, Array]:
        """Draws of dangerous openings and of harm, what else is unsure drawn too.

        Where the number of dwellings or openings is not registered, openings that nobody recorded
        are as many as worked out times a log-normal factor of mean 1. What the portfolio's shares
        leave unsure multiplies both (see ``evidence.unsure_shares``); numbers are rounded up as
        often as their fraction says. ``times`` are the openings behind each row.
        """
        found, b = part.found, part.buildings
        spread = some.size_spread[b][:, None]
        draws = found.harm.shape[1]
        normal = np.zeros((len(b), draws))
        seeds = some.portfolio.seed[b].tolist()
        for place in np.flatnonzero(spread.ravel() > 0).tolist():
            seed = seeds[place]
            own = np.random.Generator(np.random.Philox(key=seed))
            normal[place] = own.standard_normal(draws)
        less = np.exp(spread * normal - spread**2 / 2) - 1
        number = found.dangerous + np.rint(less * found.hidden_dangerous)
        harm = found.harm + less * found.hidden_harm
        by_shares = multiples(self._unsure, some.portfolio, part, times)
        if not by_shares.shape[2]:
            return number, harm
        turn = np.arange(draws) % by_shares.shape[2]
        # Evenly spread from a place of the building's own on (the golden ratio, from memory).
        begun = some.portfolio.seed[b].astype(np.float64) / 2.0**64
        level = (begun[:, None] + np.arange(draws) * 0.6180339887498949) % 1.0
        most = self._openings_drawn(some.portfolio, part, times, less)
        moved = np.floor(number * by_shares[0][:, turn] + level)
        return np.minimum(moved, np.maximum(most, number)), harm * by_shares[1][:, turn]

    @staticmethod
    def _openings_drawn(portfolio: Portfolio, part: Part, times: Array, less: Array) -> Array:
        """Openings of each building in each draw: there are no more dangerous ones than that.

        ``less`` (n, draws) is by how much more or fewer than worked out nobody recorded.
        """
        rows = slice(part.first_row, part.first_row + len(times))
        hidden = portfolio.tree.row_class[rows] == portfolio.classes.flat
        unseen = _building_sums(portfolio, part, times * hidden)[:, None]
        every = _building_sums(portfolio, part, times)[:, None]
        return every + np.floor(less * unseen)

    def _take(
        self, some: Assembled, numbers: Ints, part: Part, by_slots: Array, danger: Array
    ) -> pd.DataFrame:
        """Add up one part; ``by_slots`` is each row's harm from the slots alone, shape (R,)."""
        portfolio, model, results = some.portfolio, self._model, self.results
        found = row_results(portfolio, model, part)
        times = row_times(portfolio, part).astype(np.float64)
        b = numbers[part.buildings]
        rows = slice(part.first_row, part.first_row + len(times))
        location = portfolio.classes.location[portfolio.tree.row_class[rows]]
        results.dangerous[b] = _building_sums(portfolio, part, found.danger * times)
        results.placed_harm[b] = _building_sums(portfolio, part, found.harm * times)
        results.harm[b] = _building_sums(portfolio, part, found.harm / location * times)
        results.slots_harm[b] = _building_sums(portfolio, part, by_slots / location * times)
        results.p_any[b] = 1 - part.found.none_dangerous
        results.p_live[b] = 1 - part.found.none_live
        results.effective[b], results.rates[b] = part.found.effective, part.found.rates
        results.harm_error[b] = part.found.harm_error
        dangerous, harm_draws = self._drawn(some, part, times)
        results.dangerous_draws[b] = dangerous.clip(max=65_535)
        tail = (1 - model.interval) / 2
        spread = spread_of(harm_draws, model.interval)
        results.harm_low[b], results.harm_high[b] = spread.low, spread.high
        results.harm_middle[b], results.harm_tail[b] = spread.middle, spread.tail
        bounds = np.quantile(dangerous, [tail, 1 - tail], axis=1, method="inverted_cdf")
        results.dangerous_low[b], results.dangerous_high[b] = bounds.astype(np.int64)
        return _group_rows(
            some, numbers, self._likelihoods, self._facts, part, found, times, danger
        )


def _words(places: Ints, of: Sequence[StrEnum]) -> pd.Series[Any]:
    """Words by their places, missing for -1: so they are written without a text for every row."""
    words = pd.CategoricalDtype([str(each.value) for each in of])
    return pd.Series(pd.Categorical.from_codes(places, dtype=words))


def _group_rows(
    assembled: Assembled,
    numbers: Ints,
    likelihoods: Likelihoods,
    facts: SignatureFacts,
    part: Part,
    found: RowResults,
    times: Array,
    era_danger: Array,
) -> pd.DataFrame:
    """Rows of table opening_groups of one part; ``era_danger`` from ``prior_danger``.

    ``numbers`` are the buildings' numbers in the warehouse.
    """
    portfolio = assembled.portfolio
    first, last = part.first_row, part.first_row + len(times)
    index = portfolio.tree.row_class[first:last]
    row_no = assembled.row_no[first:last]
    building = np.repeat(
        part.buildings,
        portfolio.building_row[part.buildings + 1] - portfolio.building_row[part.buildings],
    )
    values = np.column_stack(
        [
            found.condition,
            found.slots,
            found.danger,
            found.live,
            found.protected,
            found.harm / portfolio.classes.location[index],
            era_danger[building, portfolio.classes.slots[index]][:, None],
            part.found.steps,
        ]
    )
    # Openings that nobody recorded are told as one row a building.
    hidden = row_no == NOT_RECORDED
    if hidden.any():
        homes, which = np.unique(building[hidden], return_inverse=True)
        weight = np.zeros(len(homes))
        np.add.at(weight, which, times[hidden])
        total = np.zeros((len(homes), values.shape[1]))
        np.add.at(total, which, values[hidden] * times[hidden, None])
        building = np.concatenate([building[~hidden], homes])
        index = np.concatenate([index[~hidden], np.full(len(homes), portfolio.classes.flat)])
        row_no = np.concatenate([row_no[~hidden], np.full(len(homes), NOT_RECORDED)])
        values = np.concatenate([values[~hidden], total / weight[:, None]])
        times = np.concatenate([times[~hidden], weight])
    condition = values[:, : len(CONDITIONS)]
    slots, rest = values[:, len(CONDITIONS) :][:, :3], values[:, len(CONDITIONS) + 3 :]
    detected = facts.detected[index]
    method, settles = next_looks(
        likelihoods, condition, 1 - slots[:, SLOTS.index(Slots.TWO_SLOT)], rest[:, 2], rest[:, 0]
    )
    suspect = condition.copy()
    suspect[:, CONDITIONS.index(Condition.GROUNDED)] = 0.0
    suspect[facts.two_slot[index], CONDITIONS.index(Condition.UNGROUNDED)] = 0.0
    seen_defect = np.where(detected > 0, condition, 0.0)
    has_seen = seen_defect.max(axis=1) > 0
    defect = np.where(has_seen, seen_defect.argmax(axis=1), suspect.argmax(axis=1))
    return pd.DataFrame(
        {
            "building_no": numbers[building].astype(np.int32),
            "row_no": row_no.astype(np.int32),
            "signature_no": index.astype(np.int32),
            "openings": times.astype(np.int64),
            "recorded": portfolio.classes.looked[index],
            "looked": facts.looked[index] > 0,
            "sees_false_ground": facts.able[index] > 0,
            **{f"p_{name.value}": condition[:, i] for i, name in enumerate(CONDITIONS)},
            **{f"p_{slot.value}": slots[:, i] for i, slot in enumerate(SLOTS)},
            "p_dangerous": rest[:, 0],
            "p_live_metal": rest[:, 1],
            "p_detected": (condition * detected).sum(axis=1),
            "defect": _words(defect, CONDITIONS),
            "protection": rest[:, 2],
            "location_factor": portfolio.classes.location[index],
            "harm": rest[:, 3],
            "p_of_era": rest[:, 4],
            "p_of_building": rest[:, 5],
            "p_of_dwelling": rest[:, 6],
            "p_of_circuit": rest[:, 7],
            "next_method": _words(method, BY_EFFORT),
            "next_settles": settles,
        }
    )
