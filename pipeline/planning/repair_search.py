"""Which jobs are done in which year: what must be repaired first, then what takes away most harm.

What must be repaired by a year is repaired by then as far as money and hours go, what must come
first before the rest. Where the jobs are few, one integer programme chooses among all of them; else
prices of money and hours choose building by building, and what falls short is chosen anew.
"""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
from scipy.optimize import linprog

from pipeline.planning.repair_choice import (
    Bools,
    Choice,
    Floats,
    Ints,
    Jobs,
    Terms,
    built,
    spent,
)
from pipeline.planning.repair_programme import GAP, programme
from pipeline.planning.repair_relaxation import Priced, priced

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
    worth = terms.weights[None] * jobs.removed[:, None]
    if len(jobs) * terms.years <= IN_ONE:
        solved = programme(jobs, terms, worth, met, np.arange(len(jobs)), seconds)
        if solved is not None:
            found = built(jobs, terms, solved.year, solved.paid)
            bound = max(solved.bound, found.removed)
            gap = (bound - found.removed) / bound if bound > 0 else 0.0
            return replace(found, bound=bound, gap=gap, by="integer programme")
    found, prices = _by_prices(jobs, terms, met)
    bound = prices.bound
    if polish:
        found = _polished(found, met, prices, worth, seconds)
    gap = (bound - found.removed) / bound if bound > 0 else 0.0
    return replace(found, bound=bound, gap=max(gap, 0.0), by=BY_PRICES)


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
            held.filled(order[here].tolist(), due=True)
        found = np.zeros_like(met)
        found[sorted(held.met())] = True
        weight = float(jobs.weight[found & group].sum())
        if weight > most and (found | ~met).all():
            best, most = found, weight
    return best


def _must_first(jobs: Jobs, terms: Terms, met: Bools) -> Choice:
    needed = np.unique(jobs.pair_job[met[jobs.pair_opening]])
    order = needed[np.argsort(jobs.cost[needed], kind="stable")].tolist()
    firsts = set(np.unique(jobs.pair_job[(met & jobs.first)[jobs.pair_opening]]).tolist())
    order.sort(key=lambda job: job not in firsts)
    return Choice(jobs, terms).filled(order, due=True)


def _efficiency(jobs: Jobs, money: float, hours: float) -> Ints:
    """Jobs by harm taken away, most first for what money and hours cost."""
    dwelling = jobs.dwelling_of()
    entry = np.where(dwelling >= 0, jobs.entry_cost[dwelling], 0.0) if len(jobs.entry_cost) else 0.0
    price = money * (jobs.cost + entry) + hours * jobs.hours
    return np.argsort(-jobs.removed / np.maximum(price, 1e-12), kind="stable")


def _by_prices(jobs: Jobs, terms: Terms, met: Bools) -> tuple[Choice, Priced]:
    """The best choice that prices lead to, and the prices of the least bound."""
    most = np.concatenate([terms.money, terms.hours])
    held = np.flatnonzero(np.isfinite(most))
    unit = np.maximum(most[held], 1.0)
    must = _must_first(jobs, terms, met)
    wanted = set(np.flatnonzero(met).tolist())
    spendable = [float(each[np.isfinite(each)].sum()) for each in (terms.money, terms.hours)]
    order = _efficiency(jobs, *(1 / each if each else 0.0 for each in spendable))
    best = must.copy().filled(order.tolist())
    price = np.full(len(held), 0.2 * best.removed / max(len(held), 1))
    last = jobs.too_late(met, terms.years)
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
    return _better(best, chosen, must, wanted, order), chosen


def _better(best: Choice, chosen: Priced, must: Choice, wanted: set[int], order: Ints) -> Choice:
    """The better of a choice and what prices chose, most harm for its price first, then filled."""
    jobs = best.jobs
    gain = {job: jobs.removed[job] / max(jobs.cost[job], 1e-9) for job in chosen.year}
    tries = [must.copy()]
    exact = Choice(jobs, best.terms)
    needed = {j for j in chosen.year if any(o in wanted for o in jobs.lists.openings[j])}
    for job in sorted(chosen.year, key=lambda j: (j not in needed, -gain[j])):
        exact.filled([job], [chosen.year[job]])
    if wanted <= exact.met():
        tries.append(exact)
    for job in sorted(chosen.year, key=lambda j: -gain[j]):
        tries[0].filled([job], [chosen.year[job]])
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
            each = _upgraded(each, chosen, options)
        each = each.filled(order.tolist())
        if each.standing() > best.standing():
            best = each
    return best


def _upgraded(found: Choice, prices: Priced, options: list[dict[int, int]]) -> Choice:
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
        one, due = _use(jobs, terms, before), _in_time(jobs, before)
        best = (0.0, 0.0, before, np.zeros((2, terms.years)))
        for each in sets[1:]:
            after = each.get(place, {})
            if after == before or not due <= _in_time(jobs, after):
                continue
            other = _use(jobs, terms, after)
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
    return built(jobs, terms, chosen, np.zeros((0, terms.years)))


def _in_time(jobs: Jobs, year: dict[int, int]) -> set[int]:
    """Openings that jobs repair by when they must be."""
    of = jobs.lists
    return {o for job, when in year.items() for o in of.openings[job] if when < of.due[o]}


def _use(jobs: Jobs, terms: Terms, year: dict[int, int]) -> tuple[float, Floats]:
    """Harm that jobs take away; money and hours by year, shape (2, Y), entries included."""
    of = jobs.lists
    harm = sum(float(terms.weights[when] * jobs.removed[job]) for job, when in year.items())
    entered = {
        (of.dwelling[job], when, walls)
        for job, when in year.items() if of.dwelling[job] >= 0
        for walls in {False, of.walls[job]}
    }  # fmt: skip
    return harm, spent(jobs, terms.years, year, entered)


def _polished(found: Choice, met: Bools, prices: Priced, worth: Floats, seconds: float) -> Choice:
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
        rest = built(jobs, terms, fixed)
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
        other = _joined(rest, built(jobs, open_terms, solved.year, solved.paid))
        if other.standing() > found.standing():
            found = other
    return found


def _joined(one: Choice, other: Choice) -> Choice:
    """Two choices in different buildings, the other made of what the one left."""
    return replace(
        one, year=one.year | other.year, money=other.money, hours=other.hours,
        grants=other.grants, taken=one.taken | other.taken, entered=one.entered | other.entered,
        used=one.used | other.used,
    )  # fmt: skip


def _short(found: Choice, prices: Priced) -> Floats:
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
