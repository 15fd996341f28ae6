"""Which jobs are done in which year: an integer programme, what prices make of it, simple orders.

A job is a remedy at an opening, a circuit, a dwelling or a building. Every opening is repaired once
at most, a circuit has one job of its own at most, and whoever works at openings or circuits of a
dwelling in a year pays its entry once. What must be repaired by a year is repaired by then as far
as money and hours go, what must come first before the rest; of the rest, what takes away most harm
over the years of the plan. Harm is counted so that all there is in these years comes to 1.
"""

from __future__ import annotations

import itertools
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.optimize import Bounds, LinearConstraint, linprog, milp
from scipy.sparse import coo_array

from pipeline.planning.quiet import quiet

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

OPENING, CIRCUIT, DWELLING, BUILDING = range(4)
"""Levels at which a job is done."""

GAP = 1e-4
"""Relative gap at which a programme counts as solved."""

SOLVER_SECONDS = 10.0
"""Time limit of one programme."""

IN_ONE = 25_000
"""Jobs times years up to which one programme chooses among all of them."""

AT_ONCE = 10_000
"""Jobs times years that are chosen anew at once where there are more."""

ROUNDS, PRICINGS = 20, 40
"""Times that some buildings are chosen anew, and that prices are tried."""

FIRST_REACH = 3.0
"""How many times higher or lower a price may be than the best so far, at first."""

BY_PRICES = (
    "prices of money and hours, then integer programmes of some buildings at a time (its bound "
    "counts one entry a dwelling over all years)"
)

_NEVER = 1e4
_LITTLE = 1e-9
"""Worth of sparing all cost, so that of jobs that do the same the cheapest is taken."""


@dataclass(frozen=True)
class Jobs:
    """J jobs at T openings on C circuits in D dwellings of B buildings.

    Attributes:
        removed: harm a year that a job takes away, shape (J,).
        cost, hours: of the job; of jobs in whole dwellings and buildings with all entries.
        level: one of the levels, shape (J,).
        place: opening, circuit, dwelling or building by the level, shape (J,).
        pair_job, pair_opening: which job repairs which openings, by job.
        circuit, dwelling, building: of each opening, circuit, dwelling.
        walls: whether a job opens walls, shape (J,).
        entry_cost, entry_hours: of a dwelling in a year in which somebody works there, shape (D,).
        walls_cost: more where walls are opened, shape (D,).
        due: year by which an opening must be repaired, 0 where it need not be, shape (T,).
        first: whether it comes before all others that must be repaired, shape (T,).
        weight: by which those that must be repaired are chosen among, shape (T,).
        granted: which grant may pay for a job, shape (J, G).
    """

    removed: Floats
    cost: Floats
    hours: Floats
    level: Ints
    place: Ints
    pair_job: Ints
    pair_opening: Ints
    circuit: Ints
    dwelling: Ints
    building: Ints
    walls: Bools
    entry_cost: Floats
    entry_hours: Floats
    walls_cost: Floats
    due: Ints
    first: Bools
    weight: Floats
    granted: Bools

    def __len__(self) -> int:
        return len(self.removed)

    @cached_property
    def lists(self) -> _Lists:
        """The same as lists, which a loop reads faster."""
        return _Lists(self)

    def dwelling_of(self) -> Ints:
        """The dwelling of each job at an opening or a circuit, else -1."""
        found = np.full(len(self), -1, dtype=np.int64)
        at = self.level == CIRCUIT
        found[at] = self.dwelling[self.place[at]]
        at = self.level == OPENING
        found[at] = self.dwelling[self.circuit[self.place[at]]]
        return found

    def building_of(self) -> Ints:
        """The building of each job."""
        found = self.place.copy()
        dwelling = self.dwelling_of()
        at = self.level == DWELLING
        found[at] = self.building[self.place[at]]
        at = dwelling >= 0
        found[at] = self.building[dwelling[at]]
        return found


@dataclass(frozen=True)
class Terms:
    """What there is to spend, by year (Y,); infinite where nothing is said.

    Attributes:
        weights: what a year's repair takes away, in years of exposure.
        money, hours: to spend in each year.
        grants: sums for some jobs only, in any year, shape (G,).
    """

    weights: Floats
    money: Floats
    hours: Floats
    grants: Floats

    @property
    def years(self) -> int:
        """How many years."""
        return len(self.weights)


@dataclass
class Choice:
    """Jobs with their years (from 0), and what is left of money, hours and grants.

    Attributes:
        bound: no choice of the kind takes away more.
        gap: of the programme against its bound.
        by: how it was made.
    """

    jobs: Jobs
    terms: Terms
    year: dict[int, int] = field(default_factory=dict)
    money: list[float] = field(default_factory=list)
    hours: list[float] = field(default_factory=list)
    grants: list[float] = field(default_factory=list)
    taken: set[int] = field(default_factory=set)
    entered: set[tuple[int, int, bool]] = field(default_factory=set)
    used: set[tuple[int, int]] = field(default_factory=set)
    bound: float = 1.0
    gap: float = 0.0
    by: str = ""

    def __post_init__(self) -> None:
        if not self.money:
            self.money, self.hours = self.terms.money.tolist(), self.terms.hours.tolist()
            self.grants = self.terms.grants.tolist()

    def copy(self) -> Choice:
        """Another one with the same jobs."""
        return replace(
            self, year=dict(self.year), money=[*self.money], hours=[*self.hours],
            grants=[*self.grants], taken=set(self.taken), entered=set(self.entered),
            used=set(self.used),
        )  # fmt: skip

    @property
    def removed(self) -> float:
        """Harm taken away over the years of the plan."""
        weights, removed = self.terms.weights, self.jobs.removed
        return float(sum(weights[year] * removed[job] for job, year in self.year.items()))

    def met(self) -> set[int]:
        """Openings that must be repaired and are in time."""
        year = np.full(len(self.jobs), self.terms.years)
        year[[*self.year]] = [*self.year.values()]
        pairs = year[self.jobs.pair_job] < self.jobs.due[self.jobs.pair_opening]
        return set(self.jobs.pair_opening[pairs].tolist())

    def standing(self) -> tuple[float, float, float]:
        """What choices are compared by: what comes first, what is due, harm taken away."""
        met = np.array(sorted(self.met()), dtype=np.int64)
        first = self.jobs.first[met]
        weight = self.jobs.weight[met]
        return (
            round(float(weight[first].sum()), 9),
            round(float(weight[~first].sum()), 9),
            self.removed,
        )

    def filled(
        self,
        order: Iterable[int],
        helper: _Lists,
        years: Sequence[int] | None = None,
        due: bool = False,
    ) -> Choice:
        """Take jobs in an order, each in the first year in which money and hours suffice.

        Args:
            order: jobs.
            helper: the jobs as lists.
            years: the years to try; all by default.
            due: only years in time for what the job must repair.
        """
        for job in order:
            openings = helper.openings[job]
            key = (helper.level[job], helper.place[job])
            if key in self.used or any(each in self.taken for each in openings):
                continue
            last = min((helper.due[o] for o in openings if helper.due[o]), default=0) if due else 0
            for year in years or range(self.terms.years):
                if last and year >= last:
                    break
                if self._add(job, year, helper, openings, key):
                    break
        return self

    def _add(
        self, job: int, year: int, helper: _Lists, openings: list[int], key: tuple[int, int]
    ) -> bool:
        dwelling, walls = helper.dwelling[job], helper.walls[job]
        cost, hours = helper.cost[job], helper.hours[job]
        if hours > self.hours[year] + 1e-9:
            return False
        paid: list[tuple[int, float]] = []
        for grant in helper.grants[job]:
            share = min(cost, self.grants[grant])
            paid.append((grant, share))
            cost -= share
        if dwelling >= 0:
            if (dwelling, year, False) not in self.entered:
                cost += helper.entry_cost[dwelling]
                hours += helper.entry_hours[dwelling]
            if walls and (dwelling, year, True) not in self.entered:
                cost += helper.walls_cost[dwelling]
        if cost > self.money[year] + 1e-9 or hours > self.hours[year] + 1e-9:
            return False
        for grant, share in paid:
            self.grants[grant] -= share
        self.money[year] -= cost
        self.hours[year] -= hours
        self.year[job] = year
        self.taken.update(openings)
        self.used.add(key)
        if dwelling >= 0:
            self.entered.add((dwelling, year, False))
            if walls:
                self.entered.add((dwelling, year, True))
        return True


class _Lists:
    """Jobs as lists, which a loop reads faster."""

    def __init__(self, jobs: Jobs) -> None:
        self.openings: list[list[int]] = [[] for _ in range(len(jobs))]
        for job, opening in zip(jobs.pair_job.tolist(), jobs.pair_opening.tolist(), strict=True):
            self.openings[job].append(opening)
        self.level, self.place = jobs.level.tolist(), jobs.place.tolist()
        self.cost, self.hours = jobs.cost.tolist(), jobs.hours.tolist()
        self.dwelling, self.walls = jobs.dwelling_of().tolist(), jobs.walls.tolist()
        self.due = jobs.due.tolist()
        self.entry_cost, self.entry_hours = jobs.entry_cost.tolist(), jobs.entry_hours.tolist()
        self.walls_cost = jobs.walls_cost.tolist()
        self.grants: list[list[int]] = [[] for _ in range(len(jobs))]
        for job, grant in np.argwhere(jobs.granted).tolist():
            self.grants[job].append(grant)


@dataclass(frozen=True)
class _Solved:
    """A programme's answer: jobs with years, what it is worth, the most that it could be worth."""

    year: dict[int, int]
    worth: float
    bound: float
    paid: Floats


def programme(
    jobs: Jobs, terms: Terms, worth: Floats, met: Bools, among: Ints, seconds: float
) -> _Solved | None:
    """Choose jobs and years by an integer programme.

    Args:
        jobs: all jobs.
        terms: what there is to spend on these.
        worth: what a job in a year is worth, shape (J, Y).
        met: openings that have to be repaired in time, shape (T,).
        among: the jobs to choose among; openings that others repair must not be in them.
        seconds: time limit.

    Returns:
        None where no choice was found in that time, or none repairs what has to be.
    """
    years = terms.years
    here = np.zeros(len(jobs), dtype=bool)
    here[among] = True
    inside = here[jobs.pair_job]
    pair_job, pair_opening = jobs.pair_job[inside], jobs.pair_opening[inside]
    needed = met[pair_opening]
    last = _last(jobs, terms, met)
    job = np.repeat(among, years)
    year = np.tile(np.arange(years), len(among))
    usable = year < last[job]
    job, year = job[usable], year[usable]
    if not len(job):
        return None if needed.any() else _Solved({}, 0.0, 0.0, np.zeros((len(terms.grants), years)))
    at = np.full((len(jobs), years), -1)
    at[job, year] = np.arange(len(job))
    rows = _Rows()
    rows.width = len(job)
    spent = jobs.cost[among].sum() or 1.0
    value = worth[job, year] - _LITTLE * jobs.cost[job] / spent
    # every opening once, every circuit, dwelling and building has one job of its own at most
    times = np.bincount(pair_opening, minlength=len(jobs.due))
    for exactly, which in ((True, met & (times > 0)), (False, ~met & (times * years > 1))):
        for_row = np.cumsum(which) - 1
        some = which[pair_opening]
        column = at[pair_job[some]]
        row = np.repeat(for_row[pair_opening[some]][:, None], years, axis=1)
        good = column >= 0
        size = int(which.sum())
        low = np.full(size, 1.0 if exactly else -np.inf)
        rows.add(row[good], column[good], 1.0, low, np.ones(size))
    for level in (CIRCUIT, DWELLING, BUILDING):
        some = jobs.level[job] == level
        _, row = np.unique(jobs.place[job[some]], return_inverse=True)
        size = int(row.max()) + 1 if len(row) else 0
        rows.add(row, np.flatnonzero(some), 1.0, np.full(size, -np.inf), np.ones(size))
    money = [(year, np.arange(len(job)), jobs.cost[job])]
    hours = [(year, np.arange(len(job)), jobs.hours[job])]
    dwelling = jobs.dwelling_of()[job]
    kinds = (
        (dwelling >= 0, jobs.entry_cost, jobs.entry_hours),
        ((dwelling >= 0) & jobs.walls[job], jobs.walls_cost, np.zeros_like(jobs.entry_hours)),
    )
    for some, cost, time_taken in kinds:
        places = np.flatnonzero(some & ((cost[dwelling] > 0) | (time_taken[dwelling] > 0)))
        keys, key = np.unique(dwelling[places] * years + year[places], return_inverse=True)
        entry = rows.width + np.arange(len(keys))
        rows.width += len(keys)
        line = np.arange(len(places))
        rows.add(
            np.concatenate([line, line]), np.concatenate([places, entry[key]]),
            np.concatenate([np.ones(len(places)), -np.ones(len(places))]),
            np.full(len(places), -np.inf), np.zeros(len(places)),
        )  # fmt: skip
        money.append((keys % years, entry, cost[keys // years]))
        hours.append((keys % years, entry, time_taken[keys // years]))
    binary = rows.width
    grants = len(terms.grants)
    paid = rows.width + np.arange(grants * years).reshape(grants, years)
    rows.width += grants * years
    for year_no in range(years):
        money.append((np.full(grants, year_no), paid[:, year_no], -np.ones(grants)))
    _pay(rows, jobs, terms, job, year, paid)
    for parts, most in ((money, terms.money), (hours, terms.hours)):
        row, column, cell = (np.concatenate([part[k] for part in parts]) for k in range(3))
        rows.add(row, column, cell, np.full(years, -np.inf), most)
    aim = np.zeros(rows.width)
    aim[: len(job)] = -value
    whole = np.arange(rows.width) < binary
    with quiet():
        answer = milp(
            aim,
            integrality=whole.astype(np.int64),
            bounds=Bounds(0, np.where(whole, 1.0, np.inf)),
            constraints=rows.constraint(),
            options={"time_limit": max(seconds, 0.1), "mip_rel_gap": GAP},
        )
    if answer.x is None:
        return None
    taken = np.flatnonzero(answer.x[: len(job)] > 0.5)
    found = float(worth[job[taken], year[taken]].sum())
    bound = -float(answer.mip_dual_bound) if answer.mip_dual_bound is not None else found
    chosen = dict(zip(job[taken].tolist(), year[taken].tolist(), strict=True))
    return _Solved(chosen, found, max(bound + _LITTLE, found), answer.x[paid])


class _Rows:
    """Rows of a programme as they come."""

    def __init__(self) -> None:
        self.width = self.height = 0
        self._parts: list[tuple[Ints, Ints, Floats]] = []
        self._low: list[Floats] = []
        self._most: list[Floats] = []

    def add(self, row: Ints, column: Ints, cell: Floats | float, low: Floats, most: Floats) -> None:
        cells = np.broadcast_to(np.asarray(cell, dtype=np.float64), np.shape(column))
        self._parts.append((np.ravel(row) + self.height, np.ravel(column), np.ravel(cells)))
        self._low.append(low)
        self._most.append(most)
        self.height += len(most)

    def constraint(self) -> LinearConstraint:
        row, column, cell = (np.concatenate([part[k] for part in self._parts]) for k in range(3))
        matrix = coo_array((cell, (row, column)), shape=(self.height, self.width)).tocsr()
        low, most = np.concatenate(self._low), np.concatenate(self._most)
        held = np.isfinite(most)
        return LinearConstraint(matrix[held], low[held], most[held])


def _pay(rows: _Rows, jobs: Jobs, terms: Terms, job: Ints, year: Ints, paid: Ints) -> None:
    """Grants pay no more than they are, and together no more than what they may pay for costs."""
    grants = len(terms.grants)
    every = np.arange(grants)
    rows.add(np.repeat(every, terms.years), paid.ravel(), 1.0, np.full(grants, -np.inf),
             terms.grants)  # fmt: skip
    for size in range(1, grants + 1):
        for some in itertools.combinations(range(grants), size):
            eligible = np.flatnonzero(jobs.granted[job][:, list(some)].any(axis=1))
            row = np.concatenate([np.tile(np.arange(terms.years), size), year[eligible]])
            column = np.concatenate([paid[list(some)].ravel(), eligible])
            cell = np.concatenate([np.ones(size * terms.years), -jobs.cost[job[eligible]]])
            rows.add(row, column, cell, np.full(terms.years, -np.inf), np.zeros(terms.years))


@dataclass(frozen=True)
class _Priced:
    """What prices make of the jobs.

    Attributes:
        bound: no choice that keeps to the terms takes away more.
        year: jobs with years.
        worth: of each building, after prices.
        money, hours: spent by year.
        prices: of money and of hours.
    """

    bound: float
    year: dict[int, int]
    worth: Floats
    money: Floats
    hours: Floats
    prices: tuple[Floats, Floats]


def _best(place: Ints, value: Floats, size: int) -> tuple[Floats, Ints]:
    """The largest value at each place and whose it is; -inf and -1 where there is none."""
    top, who = np.full(size, -np.inf), np.full(size, -1)
    np.maximum.at(top, place, value)
    best = np.flatnonzero((value == top[place]) & (value > -np.inf))
    who[place[best]] = best
    return top, who


def _within(jobs: Jobs, worth: Floats, none: Floats) -> tuple[Floats, Ints, Ints]:
    """The best at openings and circuits: worth of each dwelling, jobs of circuits and openings."""
    which = np.flatnonzero(jobs.level == OPENING)
    top, who = _best(jobs.place[which], worth[which], len(none))
    opening = np.maximum(none, top)
    at_opening = np.where(top > none, which[who] if len(which) else -1, -1)
    base = np.bincount(jobs.circuit, opening, minlength=len(jobs.dwelling))
    which = np.flatnonzero(jobs.level == CIRCUIT)
    instead = np.bincount(jobs.pair_job, opening[jobs.pair_opening], minlength=len(jobs))
    top, who = _best(
        jobs.place[which], worth[which] + base[jobs.place[which]] - instead[which], len(base)
    )
    at_circuit = np.where(top > base, which[who] if len(which) else -1, -1)
    dwelling = np.bincount(
        jobs.dwelling, np.maximum(base, top), minlength=len(jobs.building)
    ).astype(np.float64)
    return dwelling, at_circuit, at_opening


def _last(jobs: Jobs, terms: Terms, met: Bools) -> Ints:
    """The year from which a job is too late for what it has to repair."""
    needed = met[jobs.pair_opening]
    last = np.full(len(jobs), terms.years)
    np.minimum.at(last, jobs.pair_job[needed], jobs.due[jobs.pair_opening[needed]])
    return last


def priced(
    jobs: Jobs,
    terms: Terms,
    met: Bools,
    money: Floats,
    hours: Floats,
    last: Ints | None = None,
    only: int | None = None,
) -> _Priced:
    """The best choice if money and hours cost something, and the bound that follows.

    Entry is counted once a dwelling, at its cheapest year, opened walls likewise, and grants as
    money for anything: no choice that keeps to the terms takes away more than the bound.

    Args:
        jobs, terms: the jobs and what there is to spend.
        met: openings that have to be repaired in time, shape (T,).
        money, hours: prices by year, in harm, shape (Y,).
        last: of ``_last``; worked out where None.
        only: the one year in which jobs are done, which makes the bound one of such choices only.
    """
    value = (
        terms.weights[None] * jobs.removed[:, None]
        - money[None] * jobs.cost[:, None]
        - hours[None] * jobs.hours[:, None]
    )
    last = _last(jobs, terms, met) if last is None else last
    value[np.arange(terms.years)[None] >= last[:, None]] = -np.inf
    if only is not None:
        value[:, np.arange(terms.years) != only] = -np.inf
    year = value.argmax(axis=1)
    worth = value.max(axis=1)
    none = np.where(met, -_NEVER, 0.0)
    singly = jobs.level <= CIRCUIT
    idle = np.bincount(jobs.dwelling[jobs.circuit], none, minlength=len(jobs.building))
    entry = money[None] * jobs.entry_cost[:, None] + hours[None] * jobs.entry_hours[:, None]
    walls = money.min() * jobs.walls_cost
    plain = _within(jobs, np.where(singly & jobs.walls, -np.inf, worth), none)
    opened = _within(jobs, worth, none)
    opens = opened[0] - walls > plain[0]
    inner = np.where(opens, opened[0] - walls, plain[0]) - entry.min(axis=1)
    base = np.maximum(idle, inner)
    which = np.flatnonzero(jobs.level == DWELLING)
    top, who = _best(jobs.place[which], worth[which], len(idle))
    rewired = top > base
    of_dwelling = which[who[rewired]]
    dwelling = np.maximum(base, top)
    buildings = int(jobs.building.max()) + 1 if len(jobs.building) else 0
    base = np.bincount(jobs.building, dwelling, minlength=buildings)
    which = np.flatnonzero(jobs.level == BUILDING)
    top, who = _best(jobs.place[which], worth[which], buildings)
    whole = top > base
    building = np.maximum(base, top)
    # down again: what is chosen
    free = ~whole[jobs.building] & ~rewired & (inner > idle)
    at_circuit = np.where(opens[jobs.dwelling], opened[1], plain[1])
    at_circuit = at_circuit[free[jobs.dwelling] & (at_circuit >= 0)]
    of_circuit = np.zeros(len(jobs), dtype=bool)
    of_circuit[at_circuit] = True
    taken = np.zeros(len(none), dtype=bool)
    taken[jobs.pair_opening[of_circuit[jobs.pair_job]]] = True
    home = jobs.dwelling[jobs.circuit]
    at_opening = np.where(opens[home], opened[2], plain[2])
    at_opening = at_opening[free[home] & ~taken & (at_opening >= 0)]
    in_dwelling = of_dwelling[~whole[jobs.building[jobs.place[of_dwelling]]]]
    picked = np.concatenate([which[who[whole]], in_dwelling, at_circuit, at_opening])
    spent, worked = np.zeros(terms.years), np.zeros(terms.years)
    np.add.at(spent, year[picked], jobs.cost[picked])
    np.add.at(worked, year[picked], jobs.hours[picked])
    first = entry.argmin(axis=1)
    np.add.at(spent, first[free], jobs.entry_cost[free])
    np.add.at(worked, first[free], jobs.entry_hours[free])
    np.add.at(spent, np.full(int((free & opens).sum()), money.argmin()),
              jobs.walls_cost[free & opens])  # fmt: skip
    total = building.sum()
    for price, most in ((money, terms.money), (hours, terms.hours)):
        held = np.isfinite(most)
        total += float((price[held] * most[held]).sum())
    if len(terms.grants):
        total += float(money.max() * terms.grants.sum())
    return _Priced(
        float(total),
        dict(zip(picked.tolist(), year[picked].tolist(), strict=True)),
        building,
        spent,
        worked,
        (money, hours),
    )


def _efficiency(jobs: Jobs, money: float, hours: float) -> Ints:
    """Jobs by harm taken away, most first for what money and hours cost."""
    dwelling = jobs.dwelling_of()
    entry = np.where(dwelling >= 0, jobs.entry_cost[dwelling], 0.0) if len(jobs.entry_cost) else 0.0
    price = money * (jobs.cost + entry) + hours * jobs.hours
    return np.argsort(-jobs.removed / np.maximum(price, 1e-12), kind="stable")


def _held_by_greed(jobs: Jobs, terms: Terms, met: Bools, group: Bools, among: Ints) -> Bools:
    """What the best of three orders repairs in time: cheapest, heaviest, most weight for money."""
    heavy = np.zeros(len(jobs))
    np.add.at(heavy, jobs.pair_job, np.where(group, jobs.weight, 0.0)[jobs.pair_opening])
    cost = jobs.cost[among]
    best, most = met, -1.0
    for key in (cost, -heavy[among], -heavy[among] / np.maximum(cost, 1e-9)):
        order = among[np.lexsort((cost, key))]
        held = Choice(jobs, terms)
        for some in (met, group):
            here = np.isin(order, jobs.pair_job[some[jobs.pair_opening]])
            held.filled(order[here].tolist(), jobs.lists, due=True)
        found = np.zeros_like(met)
        found[sorted(held.met())] = True
        weight = float(jobs.weight[found & group].sum())
        if weight > most and (found | ~met).all():
            best, most = found, weight
    return best


def required(jobs: Jobs, terms: Terms, seconds: float) -> Bools:
    """Openings that will be repaired in time: what comes first before the others that are due.

    Where money or hours do not suffice for all of them, those of most weight together are taken.
    """
    met = np.zeros(len(jobs.due), dtype=bool)
    inside = jobs.due > 0
    for group in (inside & jobs.first, inside & ~jobs.first):
        wanted = group | met
        if not group.any():
            continue
        pairs = wanted[jobs.pair_opening]
        among = np.unique(jobs.pair_job[pairs])
        counts = group[jobs.pair_opening]
        worth = np.zeros((len(jobs), terms.years))
        for year in range(terms.years):
            in_time = counts & (jobs.due[jobs.pair_opening] > year)
            worth[:, year] = np.bincount(
                jobs.pair_job[in_time], jobs.weight[jobs.pair_opening[in_time]],
                minlength=len(jobs),
            )  # fmt: skip
        by_greed = _held_by_greed(jobs, terms, met, group, among)
        able = np.zeros_like(met)
        able[jobs.pair_opening] = True
        if (by_greed | ~(wanted & able)).all():
            met = wanted & able
            continue
        solved = None
        if len(among) * terms.years <= IN_ONE:
            solved = programme(jobs, terms, worth, met, among, seconds)
        if solved is None:
            met = met | (by_greed & wanted) if (by_greed | ~met).all() else met
            continue
        chosen = np.full(len(jobs), terms.years)
        chosen[list(solved.year)] = list(solved.year.values())
        in_time = counts & (chosen[jobs.pair_job] < jobs.due[jobs.pair_opening])
        met = met.copy()
        met[jobs.pair_opening[in_time]] = True
    return met


def built(
    jobs: Jobs, terms: Terms, year: dict[int, int], helper: _Lists, paid: Floats | None = None
) -> Choice:
    """A choice of these jobs.

    Args:
        jobs, terms, helper: the jobs and what there is to spend.
        year: jobs with years.
        paid: what grants pay by year, shape (G, Y), where a programme has said it; else jobs are
            taken in the order given as far as money, hours and grants go.
    """
    found = Choice(jobs, terms)
    if paid is None:
        for job, when in year.items():
            found.filled([job], helper, [when])
        return found
    # what a programme chose fits, also where the last cent of it is rounded
    endless = replace(found, money=[np.inf] * terms.years, hours=[np.inf] * terms.years,
                      grants=[0.0] * len(terms.grants))  # fmt: skip
    for job, when in year.items():
        endless.filled([job], helper, [when])
    spent = np.zeros(terms.years)
    worked = np.zeros(terms.years)
    for job, when in year.items():
        spent[when] += jobs.cost[job]
        worked[when] += jobs.hours[job]
    for dwelling, when, walls in endless.entered:
        spent[when] += jobs.walls_cost[dwelling] if walls else jobs.entry_cost[dwelling]
        worked[when] += 0.0 if walls else jobs.entry_hours[dwelling]
    return replace(
        endless,
        money=(terms.money - spent + paid.sum(axis=0)).tolist(),
        hours=(terms.hours - worked).tolist(),
        grants=(terms.grants - paid.sum(axis=1)).tolist(),
    )


def choose(
    jobs: Jobs, terms: Terms, met: Bools | None = None, seconds: float = SOLVER_SECONDS,
    polish: bool = True,
) -> Choice:  # fmt: skip
    """Choose jobs and years so that most harm is taken away.

    Up to ``IN_ONE`` jobs times years one programme chooses among all, and the bound is its own.
    Above, prices of money and hours choose building by building, which gives the bound, and then
    some buildings at a time are chosen anew by the programme while the others stay.

    Args:
        jobs, terms: the jobs and what there is to spend.
        met: openings that have to be repaired in time; worked out by default.
        seconds: time limit of a programme.
        polish: whether some buildings are chosen anew.
    """
    if met is None:
        met = required(jobs, terms, seconds)
    helper = jobs.lists
    worth = terms.weights[None] * jobs.removed[:, None]
    if len(jobs) * terms.years <= IN_ONE:
        solved = programme(jobs, terms, worth, met, np.arange(len(jobs)), seconds)
        if solved is not None:
            found = built(jobs, terms, solved.year, helper, solved.paid)
            bound = max(solved.bound, found.removed)
            gap = (bound - found.removed) / bound if bound > 0 else 0.0
            return replace(found, bound=bound, gap=gap, by="integer programme")
    found, prices = _by_prices(jobs, terms, met, helper)
    bound = prices.bound
    if polish:
        found = _polished(found, met, helper, prices, worth, seconds)
    gap = (bound - found.removed) / bound if bound > 0 else 0.0
    return replace(found, bound=bound, gap=max(gap, 0.0), by=BY_PRICES)


def _must_first(jobs: Jobs, terms: Terms, met: Bools, helper: _Lists) -> Choice:
    needed = np.unique(jobs.pair_job[met[jobs.pair_opening]])
    order = needed[np.argsort(jobs.cost[needed], kind="stable")].tolist()
    firsts = set(np.unique(jobs.pair_job[(met & jobs.first)[jobs.pair_opening]]).tolist())
    order.sort(key=lambda job: job not in firsts)
    return Choice(jobs, terms).filled(order, helper, due=True)


def _by_prices(jobs: Jobs, terms: Terms, met: Bools, helper: _Lists) -> tuple[Choice, _Priced]:
    """The best choice that prices lead to, and the prices of the least bound."""
    most = np.concatenate([terms.money, terms.hours])
    held = np.flatnonzero(np.isfinite(most))
    unit = np.maximum(most[held], 1.0)
    must = _must_first(jobs, terms, met, helper)
    wanted = set(np.flatnonzero(met).tolist())
    spendable = [float(each[np.isfinite(each)].sum()) for each in (terms.money, terms.hours)]
    order = _efficiency(jobs, *(1 / each if each else 0.0 for each in spendable))
    best = must.copy().filled(order.tolist(), helper)
    price = np.full(len(held), 0.2 * best.removed / max(len(held), 1))
    last = _last(jobs, terms, met)
    lines: list[Floats] = []
    kept, least, reach = price, np.inf, FIRST_REACH
    for _ in range(PRICINGS):
        per = np.zeros(2 * terms.years)
        per[held] = price / unit
        each = priced(jobs, terms, met, per[: terms.years], per[terms.years :], last)
        used = np.concatenate([each.money, each.hours])[held]
        slope = (most[held] - used) / unit
        # the bound is convex in the prices, and lies nowhere below its tangents
        lines.append(np.array([*slope, -1.0, slope @ price - each.bound]))
        if each.bound < least - 1e-7:
            chosen, kept, least = each, price, each.bound
        else:
            reach = max(1.0 + 0.7 * (reach - 1.0), 1.02)
        if not len(held):
            break
        table = np.array(lines)
        near = [(each / reach, each * reach) for each in np.maximum(kept, 1e-9)]
        lowest = linprog(
            [*np.zeros(len(held)), 1.0], A_ub=table[:, :-1], b_ub=table[:, -1],
            bounds=[*near, (None, None)],
        )  # fmt: skip
        if lowest.x is None or least - float(lowest.x[-1]) < GAP * least:
            break
        price = lowest.x[:-1]
    return _better(best, chosen, must, wanted, helper, order), chosen


def _better(
    best: Choice, chosen: _Priced, must: Choice, wanted: set[int], helper: _Lists, order: Ints
) -> Choice:
    """The better of a choice and what prices chose, most harm for its price first, then filled."""
    jobs = best.jobs
    gain = {job: jobs.removed[job] / max(jobs.cost[job], 1e-9) for job in chosen.year}
    tries = [must.copy()]
    exact = Choice(jobs, best.terms)
    needed = {j for j in chosen.year if any(o in wanted for o in helper.openings[j])}
    for job in sorted(chosen.year, key=lambda j: (j not in needed, -gain[j])):
        exact.filled([job], helper, [chosen.year[job]])
    if wanted <= exact.met():
        tries.append(exact)
    for job in sorted(chosen.year, key=lambda j: -gain[j]):
        tries[0].filled([job], helper, [chosen.year[job]])
    tries.append(best)
    met = np.zeros(len(jobs.due), dtype=bool)
    met[sorted(wanted)] = True
    # all of a building in one year too, where entries would be paid in several
    options = [chosen.year] + [
        priced(jobs, best.terms, met, *chosen.prices, only=year).year
        for year in range(best.terms.years)
    ]
    for each in tries:
        for _ in range(2):
            each = _upgraded(each, chosen, options, helper)
        each = each.filled(order.tolist(), helper)
        if each.standing() > best.standing():
            best = each
    return best


def _joined(one: Choice, other: Choice) -> Choice:
    """Two choices in different buildings, the other made of what the one left."""
    return replace(
        one, year=one.year | other.year, money=other.money, hours=other.hours,
        grants=other.grants, taken=one.taken | other.taken, entered=one.entered | other.entered,
        used=one.used | other.used,
    )  # fmt: skip


def _upgraded(
    found: Choice, prices: _Priced, options: list[dict[int, int]], helper: _Lists
) -> Choice:
    """Building by building the best of some options instead of what is there, as money goes.

    What spares money comes first, then most harm for its price. Where there are grants nothing is
    exchanged.
    """
    jobs, terms = found.jobs, found.terms
    if len(terms.grants):
        return found
    building = jobs.building_of().tolist()
    sets: list[dict[int, dict[int, int]]] = []
    for listed in (found.year, *options):
        kept: dict[int, dict[int, int]] = {}
        for job, year in listed.items():
            kept.setdefault(building[job], {})[job] = year
        sets.append(kept)
    old = sets[0]
    moves = []
    for place in sorted(set().union(*sets)):
        before = old.get(place, {})
        one, due = _use(jobs, terms, before, helper), _in_time(before, helper)
        best = (0.0, 0.0, before, np.zeros((2, terms.years)))
        for each in sets[1:]:
            after = each.get(place, {})
            if after == before or not due <= _in_time(after, helper):
                continue
            other = _use(jobs, terms, after, helper)
            more = other[1] - one[1]
            price = float(prices.prices[0] @ more[0] + prices.prices[1] @ more[1])
            gain = other[0] - one[0]
            if gain - price > best[0]:
                best = (gain - price, -np.inf if price <= 0 else -gain / price, after, more)
        if best[0] > 0:
            moves.append((best[1], place, best[2], best[3]))
    left = np.array([found.money, found.hours])
    taken = dict(old)
    for _, place, after, more in sorted(moves, key=lambda move: move[:2]):
        if (more <= left + 1e-9).all():
            left = np.where(np.isfinite(left), left - more, left)
            taken[place] = after
    chosen = {job: when for each in taken.values() for job, when in each.items()}
    return built(jobs, terms, chosen, helper, np.zeros((0, terms.years)))


def _in_time(year: dict[int, int], helper: _Lists) -> set[int]:
    """Openings that jobs repair by when they must be."""
    return {o for job, when in year.items() for o in helper.openings[job] if when < helper.due[o]}


def _use(jobs: Jobs, terms: Terms, year: dict[int, int], helper: _Lists) -> tuple[float, Floats]:
    """Harm that jobs take away; money and hours by year, shape (2, Y), entries included."""
    spent = np.zeros((2, terms.years))
    harm, entered = 0.0, set()
    for job, when in year.items():
        harm += float(terms.weights[when] * jobs.removed[job])
        spent[0, when] += helper.cost[job]
        spent[1, when] += helper.hours[job]
        dwelling = helper.dwelling[job]
        if dwelling >= 0:
            entered.add((dwelling, when, False))
            if helper.walls[job]:
                entered.add((dwelling, when, True))
    for dwelling, when, walls in entered:
        spent[0, when] += helper.walls_cost[dwelling] if walls else helper.entry_cost[dwelling]
        spent[1, when] += 0.0 if walls else helper.entry_hours[dwelling]
    return harm, spent


def _short(found: Choice, prices: _Priced) -> Floats:
    """How much less each building's jobs are worth, after prices, than the best there."""
    jobs, terms = found.jobs, found.terms
    money, hours = prices.prices
    here = np.zeros(len(prices.worth))
    job = np.array([*found.year], dtype=np.int64)
    year = np.array([*found.year.values()], dtype=np.int64)
    net = terms.weights[year] * jobs.removed[job] - money[year] * jobs.cost[job]
    np.add.at(here, jobs.building_of()[job], net - hours[year] * jobs.hours[job])
    for dwelling, when, walls in found.entered:
        cost = jobs.walls_cost[dwelling] if walls else jobs.entry_cost[dwelling]
        time_taken = 0.0 if walls else jobs.entry_hours[dwelling]
        here[jobs.building[dwelling]] -= money[when] * cost + hours[when] * time_taken
    short: Floats = prices.worth - here
    return short


def _polished(
    found: Choice, met: Bools, helper: _Lists, prices: _Priced, worth: Floats, seconds: float
) -> Choice:
    """Choose some buildings anew, those first that fall short most, while there is time."""
    jobs, terms = found.jobs, found.terms
    building = jobs.building_of()
    size = np.bincount(building, minlength=len(prices.worth)) * terms.years
    seconds /= 2
    until = time.monotonic() + seconds
    tried = np.zeros(len(size), dtype=np.int64)
    for _ in range(ROUNDS):
        left = until - time.monotonic()
        if left < 0.5:
            break
        order = np.lexsort((-_short(found, prices), tried))
        order = order[size[order] > 0]
        some = np.zeros(len(size), dtype=bool)
        some[order[np.cumsum(size[order]) <= AT_ONCE]] = True
        tried[some] += 1
        among = np.flatnonzero(some[building])
        fixed = {job: year for job, year in found.year.items() if not some[building[job]]}
        rest = built(jobs, terms, fixed, helper)
        if len(rest.year) < len(fixed) or not len(among):
            continue  # a grant was shared out otherwise
        open_terms = replace(
            terms, money=np.array(rest.money), hours=np.array(rest.hours),
            grants=np.array(rest.grants),
        )  # fmt: skip
        inner = np.zeros_like(met)
        inner[jobs.pair_opening[some[building[jobs.pair_job]]]] = True
        solved = programme(jobs, open_terms, worth, met & inner, among, min(left, seconds / 3))
        if solved is None:
            continue
        other = _joined(rest, built(jobs, open_terms, solved.year, helper, solved.paid))
        if other.standing() > found.standing():
            found = other
    return found
