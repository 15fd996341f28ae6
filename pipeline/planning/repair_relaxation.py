"""The Lagrangian relaxation of a choice of repairs: what is chosen if money and hours have prices.

Nothing then ties one building to another, so each is chosen for alone, and no choice that keeps to
the terms takes away more than the bound that follows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.planning.repair_choice import (
    BUILDING,
    CIRCUIT,
    DWELLING,
    OPENING,
    Bools,
    Floats,
    Ints,
    Jobs,
    Terms,
)

_NEVER = 1e4


@dataclass(frozen=True)
class Priced:
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


def priced(
    jobs: Jobs,
    terms: Terms,
    met: Bools,
    money: Floats,
    hours: Floats,
    last: Ints | None = None,
    only: int | None = None,
) -> Priced:
    """The best choice if money and hours cost something, and the bound that follows.

    Entry is counted once a dwelling, at its cheapest year, opened walls likewise, and grants as
    money for anything: no choice that keeps to the terms takes away more than the bound.

    Args:
        jobs, terms: the jobs and what there is to spend.
        met: openings that have to be repaired in time, shape (T,).
        money, hours: prices by year, in harm, shape (Y,).
        last: of ``Jobs.too_late``; worked out where None.
        only: the one year in which jobs are done, which makes the bound one of such choices only.
    """
    value = (
        terms.weights[None] * jobs.removed[:, None]
        - money[None] * jobs.cost[:, None]
        - hours[None] * jobs.hours[:, None]
    )
    last = jobs.too_late(met, terms.years) if last is None else last
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
    return Priced(
        float(total),
        dict(zip(picked.tolist(), year[picked].tolist(), strict=True)),
        building,
        spent,
        worked,
        (money, hours),
    )
