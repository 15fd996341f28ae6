"""Small random choices of repairs, and all that can be chosen there, one by one."""

from __future__ import annotations

import itertools

import numpy as np

from pipeline.planning.repair_choice import (
    BUILDING,
    CIRCUIT,
    DWELLING,
    OPENING,
    Choice,
    Jobs,
    Terms,
)


def jobs_of(listed, *, circuit, dwelling, building, entry, walls=0.0, must=None, grants=0):
    """Jobs out of (level, place, openings, removed, cost, hours, opens walls, grants)."""
    size, units = len(circuit), len(building)
    must = must or {}
    level, place, openings, removed, cost, hours, opens, granted = zip(*listed, strict=True)
    due, first, weight = np.zeros(size, int), np.zeros(size, bool), np.zeros(size)
    for opening, (year, ahead, heavy) in must.items():
        due[opening], first[opening], weight[opening] = year, ahead, heavy
    table = np.zeros((len(listed), grants), bool)
    for job, some in enumerate(granted):
        table[job, list(some)] = True
    return Jobs(
        removed=np.array(removed, float), cost=np.array(cost, float),
        hours=np.array(hours, float), level=np.array(level), place=np.array(place),
        pair_job=np.repeat(np.arange(len(listed)), [len(each) for each in openings]),
        pair_opening=np.array([o for each in openings for o in each], dtype=np.int64),
        circuit=np.array(circuit), dwelling=np.array(dwelling), building=np.array(building),
        walls=np.array(opens, bool), entry_cost=np.full(units, float(entry)),
        entry_hours=np.full(units, 0.5), walls_cost=np.full(units, float(walls)),
        due=due, first=first, weight=weight, granted=table,
    )  # fmt: skip


def small(seed, *, grants=0, musts=True):
    """Five openings on three circuits in two dwellings of one building, two years."""
    rng = np.random.default_rng(seed)
    circuit, dwelling, building = [0, 0, 1, 2, 2], [0, 0, 1], [0, 0]
    harm = rng.gamma(0.5, 1.0, size=5)
    harm /= 2 * harm.sum() / rng.uniform(0.5, 1.0)

    def some():
        return [g for g in range(grants) if rng.random() < 0.5]

    listed = []
    for opening in range(5):
        for share in (1.0, 0.6)[: rng.integers(1, 3)]:
            listed.append(
                (
                    OPENING,
                    opening,
                    [opening],
                    share * harm[opening],
                    rng.integers(2, 12),
                    rng.uniform(0.2, 2),
                    rng.random() < 0.4,
                    some(),
                )
            )
    listed.append((CIRCUIT, 0, [0, 1], harm[:2].sum(), rng.integers(5, 16), 3.0, True, some()))
    listed.append(
        (DWELLING, 0, [0, 1, 2], harm[:3].sum() + 0.02, rng.integers(8, 24), 5.0, True, some())
    )
    listed.append(
        (BUILDING, 0, [0, 1, 2, 3, 4], harm.sum() + 0.05, rng.integers(14, 40), 9.0, True, some())
    )
    must = {}
    if musts:
        for opening in rng.choice(5, size=rng.integers(0, 3), replace=False).tolist():
            ahead = bool(rng.random() < 0.4)
            must[opening] = (1 if ahead else int(rng.integers(1, 3)), ahead, rng.uniform(0.1, 1))
    jobs = jobs_of(listed, circuit=circuit, dwelling=dwelling, building=building,
                   entry=rng.integers(0, 5), walls=rng.integers(0, 5), must=must,
                   grants=grants)  # fmt: skip
    terms = Terms(
        weights=np.array([1.5, 0.5]), money=rng.integers(3, 22, size=2).astype(float),
        hours=np.where(rng.random(2) < 0.5, np.inf, rng.uniform(1, 8, size=2)),
        grants=rng.integers(0, 10, size=grants).astype(float),
    )  # fmt: skip
    return jobs, terms


def _disjoint(jobs, most):
    """Every set of jobs of which no two are at one opening or are two of one circuit."""
    openings = [set(each) for each in jobs.lists.openings]
    for size in range(most + 1):
        for some in itertools.combinations(range(len(jobs)), size):
            covered = [o for job in some for o in openings[job]]
            if len(covered) == len(set(covered)):
                yield some


def _affordable(jobs, terms, some, years):
    """Whether money, hours and grants suffice; grants by whole enumeration of orders is not
    needed for one grant: it pays what it may, in whichever year money is short."""
    dwelling = jobs.dwelling_of()
    spent, worked = np.zeros(terms.years), np.zeros(terms.years)
    eligible = np.zeros(terms.years)
    entered = set()
    for job, year in zip(some, years, strict=True):
        spent[year] += jobs.cost[job]
        worked[year] += jobs.hours[job]
        if jobs.granted.shape[1] and jobs.granted[job, 0]:
            eligible[year] += jobs.cost[job]
        home = dwelling[job]
        if home >= 0 and (home, year, False) not in entered:
            entered.add((home, year, False))
            spent[year] += jobs.entry_cost[home]
            worked[year] += jobs.entry_hours[home]
        if home >= 0 and jobs.walls[job] and (home, year, True) not in entered:
            entered.add((home, year, True))
            spent[year] += jobs.walls_cost[home]
    if (worked > terms.hours + 1e-9).any():
        return False
    short = np.maximum(spent - terms.money, 0)
    if not len(terms.grants):
        return bool((short < 1e-9).all())
    return bool((short <= eligible + 1e-9).all() and short.sum() <= terms.grants[0] + 1e-9)


def brute(jobs, terms):
    """The best there is: what comes first, then what is due, then harm taken away."""
    best = (-1.0, -1.0, -1.0)
    for some in _disjoint(jobs, 5):
        for years in itertools.product(range(terms.years), repeat=len(some)):
            if _affordable(jobs, terms, some, years):
                made = Choice(jobs, terms, dict(zip(some, years, strict=True)))
                best = max(best, made.standing())
    return best
