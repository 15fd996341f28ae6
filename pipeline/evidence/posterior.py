"""The posterior of every building and opening, a stretch of buildings at a time.

Each building's rates are represented by weighted points; everything below them is summed exactly
(see ``kernel``). A building's numbers depend on its own evidence, what was learned and its own
seed, never on the other buildings computed with it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from pipeline.evidence.classes import Classes, Weighed
from pipeline.evidence.kernel import (
    TAUGHT,
    Found,
    Picking,
    Pool,
    Prior,
    Shares,
    Tree,
    weigh_block,
)
from pipeline.evidence.picking import picking_of
from pipeline.evidence.priors import Priors, make_pool, student_constant
from pipeline.evidence.states import RATES, STATE_COUNT, Array, Taught
from shared.vocabulary import CONDITIONS

Ints = npt.NDArray[np.int64]

FIRST_POINTS, SECOND_POINTS = 32, 96
"""Points of a building: from priors, and fitted to its own posterior."""

POINTS = FIRST_POINTS + SECOND_POINTS

FEWER = 2
"""By how much points are fewer where a building is only compared with what it would be."""

MORE = (8, 32)
"""How many times as many where few are effective, and where that is not enough."""

FEW_EFFECTIVE = 20.0
ROWS_AT_ONCE = 20_000
BUILDINGS_AT_ONCE = 1_000
THREADS = 2
AHEAD = 3
"""Stretches that are weighed, or wait for whoever takes them, at a time: results are large."""


@dataclass(frozen=True)
class Portfolio:
    """B buildings: their openings, and what else is known of each.

    Attributes:
        tree: the openings.
        group_weights: probability of each group, shape (B, G); rows sum to 1.
        shift: addition to the log odds of each rate, shape (B, 5).
        poor: share of poor grounds among grounded wiring, shape (B,).
        picked: openings picked by each selection, shape (B, 5).
        seed: seed of the building's own points and draws, from its identifier, shape (B,).
        classes: the evidence classes.
    """

    tree: Tree
    group_weights: Array
    shift: Array
    poor: Array
    picked: Array
    seed: npt.NDArray[np.uint64]
    classes: Classes

    def __len__(self) -> int:
        return len(self.tree.dwelling_start) - 1

    @property
    def building_row(self) -> Ints:
        """First row of each building, and the end of the last, shape (B + 1,)."""
        tree = self.tree
        result: Ints = tree.row_start[tree.circuit_start[tree.dwelling_start]]
        return result

    def openings_of(self, buildings: Ints) -> Array:
        """All openings of consecutive buildings, recorded or not, shape (n,)."""
        tree = self.tree
        d0, d1 = tree.dwelling_start[buildings[0]], tree.dwelling_start[buildings[-1] + 1]
        c0, c1 = tree.circuit_start[d0], tree.circuit_start[d1]
        r0, r1 = tree.row_start[c0], tree.row_start[c1]

        def upward(values: Array, start: Ints) -> Array:
            added = np.concatenate([[0.0], np.cumsum(values)])
            result: Array = added[start[1:] - start[0]] - added[start[:-1] - start[0]]
            return result

        rows = tree.row_count[r0:r1].astype(np.float64)
        circuits = upward(rows, tree.row_start[c0 : c1 + 1]) * tree.circuit_times[c0:c1]
        dwellings = upward(circuits, tree.circuit_start[d0 : d1 + 1]) * tree.dwelling_times[d0:d1]
        return upward(dwellings, tree.dwelling_start[buildings[0] : buildings[-1] + 2])


@dataclass(frozen=True)
class Model:
    """What every building is weighed with.

    Attributes:
        priors: the priors of the rates.
        taught: the portfolio's shares.
        weighed: the evidence classes under them.
        draws: draws behind intervals.
        interval: probability held by intervals.
        seed: of the point sets.
        fully: whether chances of none in a building, and steps, are wanted too; if not, fewer
            points will do.
    """

    priors: Priors
    taught: Taught
    weighed: Weighed
    draws: int
    interval: float
    seed: int
    fully: bool = True

    @property
    def shares(self) -> Shares:
        """The part of what was taught that the kernel needs by itself."""
        taught = self.taught
        return Shares(
            taught.circuit_follows,
            taught.origin_follows,
            taught.opening_follows,
            taught.opening_own,
            taught.careful,
            taught.head,
            taught.live,
        )


@dataclass(frozen=True)
class Part:
    """Results of a stretch of buildings and their rows.

    Attributes:
        buildings: which, shape (n,).
        first_row: number of the first row.
        found: what the kernel found.
        points, log_rest: points and log likelihood less log proposal, for learning; else empty.
    """

    buildings: Ints
    first_row: int
    found: Found
    points: Array
    log_rest: Array


def _one_kind(portfolio: Portfolio) -> Portfolio:
    """The same with arrays of one kind: contiguous, and such as can be written to.

    For others the sums would be compiled once more, which takes a minute and may round otherwise.
    """

    def plain(array: npt.NDArray[Any]) -> npt.NDArray[Any]:
        return np.require(array, requirements=("C", "A", "W"))

    return replace(
        portfolio,
        tree=Tree(*(plain(each) for each in portfolio.tree)),
        group_weights=plain(portfolio.group_weights),
        shift=plain(portfolio.shift),
        poor=plain(portfolio.poor),
        picked=plain(portfolio.picked),
        seed=plain(portfolio.seed),
    )


class Weigher:
    """Weighs buildings of one portfolio under one model.

    Args:
        portfolio: the portfolio.
        model: the model.
        factor: how many times the usual number of points.
    """

    def __init__(self, portfolio: Portfolio, model: Model, factor: int = 1) -> None:
        self._portfolio, self._model = _one_kind(portfolio), model
        self._prior: Prior = model.priors.for_kernel()
        self._constant = student_constant(6.0)
        self._factor, self._fewer = factor, 1 if model.fully else FEWER
        # Of all buildings: worked out once, not for every building that is weighed again.
        self._rows = portfolio.building_row
        self._numbers = (portfolio.seed >> np.uint64(17)).astype(np.int64)

    def _pool(self, factor: int) -> Pool:
        first, second = FIRST_POINTS * factor, SECOND_POINTS * factor
        return make_pool(
            self._model.priors, first // self._fewer, second // self._fewer, self._model.seed
        )

    def _picking(self, buildings: Ints) -> Picking:
        portfolio, model = self._portfolio, self._model
        return picking_of(
            model.weighed.odds,
            model.priors,
            model.taught,
            portfolio.group_weights[buildings],
            portfolio.shift[buildings],
            portfolio.poor[buildings],
            portfolio.picked[buildings],
            portfolio.openings_of(buildings),
        )

    def weigh(self, buildings: Ints, *, draws: int, keep_points: bool = False) -> Part:
        """Weigh consecutive buildings."""
        part = self._weigh(buildings, self._factor, draws, keep_points)
        if keep_points:
            return part
        poor = np.flatnonzero(part.found.effective < FEW_EFFECTIVE)
        for place in poor.tolist():
            one = None
            for factor in MORE:
                if factor > self._factor and (
                    one is None or one.found.effective[0] < FEW_EFFECTIVE
                ):
                    one = self._weigh(buildings[place : place + 1], factor, draws, False)
            if one is None:
                continue
            start = one.first_row - part.first_row
            for name in ("joint", "steps"):
                target, source = getattr(part.found, name), getattr(one.found, name)
                target[start : start + len(source)] = source
            for name in Found._fields[2:]:
                getattr(part.found, name)[place] = getattr(one.found, name)[0]
        return part

    def _weigh(self, buildings: Ints, factor: int, draws: int, keep_points: bool) -> Part:
        portfolio, model, rows = self._portfolio, self._model, self._rows
        first, last = int(rows[buildings[0]]), int(rows[buildings[-1] + 1])
        n, pool = len(buildings), self._pool(factor)
        found = Found(
            joint=np.zeros((last - first, STATE_COUNT, 3)),
            steps=np.zeros((last - first, 3)),
            none_dangerous=np.zeros(n),
            none_live=np.zeros(n),
            rates=np.zeros((n, len(RATES))),
            effective=np.zeros(n),
            harm_error=np.zeros(n),
            dangerous=np.zeros((n, draws)),
            harm=np.zeros((n, draws)),
            taught=np.zeros((n, TAUGHT)),
            hidden_dangerous=np.zeros((n, draws)),
            hidden_harm=np.zeros((n, draws)),
        )
        size, count = n if keep_points else 0, POINTS * factor // self._fewer
        points = np.empty((size, len(RATES), count))
        log_rest = np.empty((size, count))

        def some(part: slice) -> None:
            begin, end = rows[buildings[part][0]] - first, rows[buildings[part][-1] + 1] - first
            weigh_block(
                portfolio.tree,
                model.weighed.evidence,
                self._picking(buildings[part]),
                self._prior,
                pool,
                model.shares,
                buildings[part],
                self._numbers,
                portfolio.seed,
                portfolio.shift,
                portfolio.group_weights,
                portfolio.poor,
                self._constant,
                portfolio.classes.flat,
                model.fully and not keep_points,
                Found(
                    *(each[begin:end] for each in found[:2]),
                    *(each[part] for each in found[2:]),
                ),
                points[part],
                log_rest[part],
            )

        # What is told of every building is weighed stretch by stretch, on two threads as it is.
        on_threads(some, n, THREADS if keep_points else 1)
        return Part(buildings, first, found, points, log_rest)


def on_threads(work: Callable[[slice], None], size: int, threads: int = THREADS) -> None:
    """Do work on stretches of so many things at the same time.

    Args:
        work: given a stretch; stretches do not depend on one another.
        size: how many things there are; few are done in one go.
        threads: how many stretches.
    """
    if threads == 1 or size < 100:
        work(slice(0, size))
        return
    edges = np.linspace(0, size, threads + 1).astype(int).tolist()
    with ThreadPoolExecutor(max_workers=threads) as pool:
        list(pool.map(work, [slice(a, b) for a, b in pairwise(edges)]))


def row_times(portfolio: Portfolio, part: Part) -> Ints:
    """Openings behind each row of a part, copies of its circuit and dwelling included."""
    tree = portfolio.tree
    first, last = part.first_row, part.first_row + len(part.found.joint)
    d0 = tree.dwelling_start[part.buildings[0]]
    d1 = tree.dwelling_start[part.buildings[-1] + 1]
    c0, c1 = tree.circuit_start[d0], tree.circuit_start[d1]
    times = np.repeat(tree.circuit_times[c0:c1], np.diff(tree.row_start[c0 : c1 + 1]))
    rows_of_dwelling = np.diff(tree.row_start[tree.circuit_start[d0 : d1 + 1]])
    result: Ints = (
        times * np.repeat(tree.dwelling_times[d0:d1], rows_of_dwelling)
    ) * tree.row_count[first:last]
    return result


def stretches(portfolio: Portfolio, factor: int = 1) -> Iterator[Ints]:
    """Consecutive buildings, a bounded number of rows and points at a time."""
    rows = portfolio.building_row
    start = 0
    while start < len(portfolio):
        most = rows[start] + ROWS_AT_ONCE // factor
        stop = int(np.searchsorted(rows, most, side="right")) - 1
        stop = min(max(stop, start + 1), start + BUILDINGS_AT_ONCE // factor, len(portfolio))
        yield np.arange(start, stop)
        start = stop


def weigh_all(
    portfolio: Portfolio,
    model: Model,
    progress: Callable[[float], None] | None = None,
    *,
    factor: int = 1,
    beside: int | None = None,
) -> Iterator[Part]:
    """Weigh every building, in order, on two threads.

    Args:
        portfolio, model: see there.
        progress: called with the fraction done.
        factor: how many times the usual number of points.
        beside: the factor of another weighing whose parts these must match one by one.
    """
    weigher = Weigher(portfolio, model, factor)
    # The pool is made before threads ask for it.
    weigher._pool(factor)
    done = 0
    under_way: deque[Future[Part]] = deque()
    with ThreadPoolExecutor(max_workers=THREADS) as pool:
        parts = stretches(portfolio, beside or factor)
        while True:
            while len(under_way) < AHEAD and (b := next(parts, None)) is not None:
                under_way.append(pool.submit(weigher.weigh, b, draws=model.draws))
            if not under_way:
                return
            part = under_way.popleft().result()
            done += len(part.buildings)
            if progress is not None:
                progress(done / len(portfolio))
            yield part


@dataclass(frozen=True)
class RowResults:
    """What becomes of rows: shape (R, …) with R the rows of a part.

    Attributes:
        condition: probability of each condition, shape (R, conditions).
        slots: probability of each face, shape (R, 3).
        danger, live, harm, protected: probability of danger and of live metal, expected harm
            (with the room's factor), probability of protection, shape (R,).
    """

    condition: Array
    slots: Array
    danger: Array
    live: Array
    harm: Array
    protected: Array


def _chances(portfolio: Portfolio, part: Part) -> tuple[Ints, Array]:
    """Evidence class of each row of a part, and its chance of each state and trouble, (R, 3 S)."""
    flat = part.found.joint.reshape(len(part.found.joint), -1)
    index = portfolio.tree.row_class[part.first_row : part.first_row + len(flat)]
    return index, flat / flat.sum(axis=1, keepdims=True)


def row_harm(portfolio: Portfolio, model: Model, part: Part) -> Array:
    """Expected harm of each row alone, nearly as in ``row_results``, shape (R,)."""
    index, chances = _chances(portfolio, part)
    by_state = model.weighed.evidence.harm[index].reshape(chances.shape)
    result: Array = (chances * by_state).sum(axis=1)
    return result


@njit(cache=True, fastmath=True, nogil=True, error_model="numpy")
def tell_rows(
    chances: Array,
    index: Ints,
    condition: npt.NDArray[np.float32],
    slots: npt.NDArray[np.float32],
    table: Array,
    safe: Array,
    dead: Array,
    harm: Array,
    protected: Array,
    of_condition: Array,
    of_slots: Array,
    out: Array,
) -> None:
    """Average over states and troubles what each row's evidence class says under them.

    Row by row: a matrix product would round by how many rows there are.

    Args:
        chances: of each state and trouble, shape (R, K).
        index: evidence class of each row, shape (R,).
        condition, slots, protected: see ``classes.Weighed``, shapes (N, K, C), (N, K, 3), (N, K).
        table, safe, dead, harm: see ``kernel.Evidence``, shape (N, K).
        of_condition, of_slots: filled, shapes (R, C), (R, 3); rows sum to 1.
        out: filled with chances of danger and of live metal, expected harm and the chance of
            protection, shape (R, 4).
    """
    for row in range(chances.shape[0]):
        own = index[row]
        quiet, cold, hurt, guarded = 0.0, 0.0, 0.0, 0.0
        for c in range(of_condition.shape[1]):
            of_condition[row, c] = 0.0
        for c in range(of_slots.shape[1]):
            of_slots[row, c] = 0.0
        for k in range(chances.shape[1]):
            share = chances[row, k]
            for c in range(of_condition.shape[1]):
                of_condition[row, c] += share * condition[own, k, c]
            for c in range(of_slots.shape[1]):
                of_slots[row, c] += share * slots[own, k, c]
            quiet += share * safe[own, k] / table[own, k]
            cold += share * dead[own, k] / table[own, k]
            hurt += share * harm[own, k]
            guarded += share * protected[own, k]
        for values in (of_condition, of_slots):
            total = 0.0
            for c in range(values.shape[1]):
                total += values[row, c]
            for c in range(values.shape[1]):
                values[row, c] /= total
        out[row, 0], out[row, 1] = 1.0 - quiet, 1.0 - cold
        out[row, 2], out[row, 3] = hurt, guarded


def row_results(portfolio: Portfolio, model: Model, part: Part) -> RowResults:
    """Turn joint posteriors of state and trouble into what is told of each row."""
    index, flat = _chances(portfolio, part)
    count = len(index)
    weighed, evidence = model.weighed, model.weighed.evidence
    condition, slots = np.empty((count, len(CONDITIONS))), np.empty((count, 3))
    rest = np.empty((count, 4))
    by_class = (len(evidence.table), -1)
    tell_rows(
        flat,
        index,
        weighed.condition,
        weighed.slots,
        evidence.table.reshape(by_class),
        evidence.safe.reshape(by_class),
        evidence.dead.reshape(by_class),
        evidence.harm.reshape(by_class),
        weighed.protected,
        condition,
        slots,
        rest,
    )
    danger, live, harm, protected = np.ascontiguousarray(rest.T)
    return RowResults(condition, slots, danger, live, harm, protected)
