"""What a choice of repairs is: jobs with their years, under what there is to spend.

A job is a remedy at an opening, a circuit, a dwelling or a building. Every opening is repaired once
at most, a circuit has one job of its own at most, and whoever works at openings or circuits of a
dwelling in a year pays its entry once. Harm is counted so that all there is in the years of the
plan comes to 1.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

OPENING, CIRCUIT, DWELLING, BUILDING = range(4)
"""Levels at which a job is done."""


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

    def too_late(self, met: Bools, years: int) -> Ints:
        """The year from which each job is too late for what it has to repair, else the last's end.

        Args:
            met: openings that have to be repaired in time, shape (T,).
            years: of the plan.
        """
        needed = met[self.pair_opening]
        found = np.full(len(self), years)
        np.minimum.at(found, self.pair_job[needed], self.due[self.pair_opening[needed]])
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

    def spent(self) -> Floats:
        """Money, grants included, and hours by year, with the entries, shape (2, Y)."""
        return spent(self.jobs, self.terms.years, self.year, self.entered)

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
        years: Sequence[int] | None = None,
        due: bool = False,
    ) -> Choice:
        """Take jobs in an order, each in the first year in which money and hours suffice.

        Args:
            order: jobs.
            years: the years to try; all by default.
            due: only years in time for what the job must repair.
        """
        jobs = self.jobs.lists
        for job in order:
            openings = jobs.openings[job]
            key = (jobs.level[job], jobs.place[job])
            if key in self.used or any(each in self.taken for each in openings):
                continue
            last = min((jobs.due[o] for o in openings if jobs.due[o]), default=0) if due else 0
            for year in years or range(self.terms.years):
                if last and year >= last:
                    break
                if self._add(job, year, openings, key):
                    break
        return self

    def _add(self, job: int, year: int, openings: list[int], key: tuple[int, int]) -> bool:
        jobs = self.jobs.lists
        dwelling, walls = jobs.dwelling[job], jobs.walls[job]
        cost, hours = jobs.cost[job], jobs.hours[job]
        if hours > self.hours[year] + 1e-9:
            return False
        paid: list[tuple[int, float]] = []
        for grant in jobs.grants[job]:
            share = min(cost, self.grants[grant])
            paid.append((grant, share))
            cost -= share
        if dwelling >= 0:
            if (dwelling, year, False) not in self.entered:
                cost += jobs.entry_cost[dwelling]
                hours += jobs.entry_hours[dwelling]
            if walls and (dwelling, year, True) not in self.entered:
                cost += jobs.walls_cost[dwelling]
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


def spent(
    jobs: Jobs, years: int, year: dict[int, int], entered: Iterable[tuple[int, int, bool]]
) -> Floats:
    """Money and hours by year, shape (2, Y).

    Args:
        jobs: all jobs.
        years: of the plan.
        year: jobs with years.
        entered: dwellings with the year of their entry, and whether it is for opening walls.
    """
    of, money, hours = jobs.lists, [0.0] * years, [0.0] * years
    for job, when in year.items():
        money[when] += of.cost[job]
        hours[when] += of.hours[job]
    for dwelling, when, walls in entered:
        money[when] += of.walls_cost[dwelling] if walls else of.entry_cost[dwelling]
        hours[when] += 0.0 if walls else of.entry_hours[dwelling]
    return np.array([money, hours])


def built(jobs: Jobs, terms: Terms, year: dict[int, int], paid: Floats | None = None) -> Choice:
    """A choice of these jobs.

    Args:
        jobs, terms: the jobs and what there is to spend.
        year: jobs with years.
        paid: what grants pay by year, shape (G, Y), where a programme has said it; else jobs are
            taken in the order given as far as money, hours and grants go.
    """
    found = Choice(jobs, terms)
    if paid is None:
        for job, when in year.items():
            found.filled([job], [when])
        return found
    # what a programme chose fits, also where the last cent of it is rounded
    endless = replace(found, money=[np.inf] * terms.years, hours=[np.inf] * terms.years,
                      grants=[0.0] * len(terms.grants))  # fmt: skip
    for job, when in year.items():
        endless.filled([job], [when])
    money, hours = endless.spent()
    return replace(
        endless,
        money=(terms.money - money + paid.sum(axis=0)).tolist(),
        hours=(terms.hours - hours).tolist(),
        grants=(terms.grants - paid.sum(axis=1)).tolist(),
    )


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
