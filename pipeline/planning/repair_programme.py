"""The integer programme of a choice of repairs (mixed-integer linear, solved by HiGHS in scipy)."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from pipeline.planning.quiet import quiet
from pipeline.planning.repair_choice import (
    BUILDING,
    CIRCUIT,
    DWELLING,
    Bools,
    Floats,
    Ints,
    Jobs,
    Terms,
)

GAP = 1e-4
"""Relative gap at which a programme counts as solved."""

_LITTLE = 1e-9
"""Worth of sparing all cost, so that of jobs that do the same the cheapest is taken."""


@dataclass(frozen=True)
class Solved:
    """A programme's answer: jobs with years, what it is worth, the most that it could be worth."""

    year: dict[int, int]
    worth: float
    bound: float
    paid: Floats


def programme(
    jobs: Jobs, terms: Terms, worth: Floats, met: Bools, among: Ints, seconds: float
) -> Solved | None:
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
    last = jobs.too_late(met, years)
    job = np.repeat(among, years)
    year = np.tile(np.arange(years), len(among))
    usable = year < last[job]
    job, year = job[usable], year[usable]
    if not len(job):
        return None if needed.any() else Solved({}, 0.0, 0.0, np.zeros((len(terms.grants), years)))
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
        places = np.flatnonzero(some)
        home = dwelling[places]
        places = places[(cost[home] > 0) | (time_taken[home] > 0)]
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
    return Solved(chosen, found, max(bound + _LITTLE, found), answer.x[paid])


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
