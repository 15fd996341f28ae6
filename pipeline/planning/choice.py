"""Which dwellings the crews go to beyond what is given: an integer programme beside findings a
minute, both driven along true ways, cut where they are too long and filled up."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from copy import deepcopy

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

from pipeline.planning.crew_day import SOON, Key, Part, Route
from pipeline.planning.look_values import Block, LookValues
from pipeline.planning.quiet import quiet
from pipeline.planning.routes import START

SOLVER_SECONDS = 6.0
GAP = 0.002
"""Seconds that the integer programme may take, and the gap at which it ends before."""

IN_PROGRAMME = 100
"""Dwellings that the integer programme chooses among; filling up considers all."""


class Choice:
    """What the crews may do beyond what is given, and the ways of choosing among it."""

    def __init__(self, values: LookValues, routes: Sequence[Route]) -> None:
        kinds = {route.crew.opens for route in routes}
        spare = sum(max(route.crew.minutes - route.minutes, 0.0) for route in routes)
        self.blocks: dict[bool, dict[Key, Block]] = {}
        for kind in kinds:
            first = values.blocks(kind)
            rate = _going_rate(first, spare, values)
            blocks = values.blocks(kind, rate) if rate else first
            self.blocks[kind] = {block.key: block for block in blocks}

    def filled(self, routes: Sequence[Route]) -> list[Route]:
        """Fill up spare time with what finds most a minute."""
        mine = [deepcopy(route) for route in routes]
        while True:
            best: tuple[float, float, Route, Part, Part | None] | None = None
            taken = {p.key: (route, p) for route in mine for p in route.parts if p.key}
            for route in mine:
                spare = route.crew.minutes - route.minutes
                costs: dict[int, float] = {}
                for key, block in self.blocks[route.crew.opens].items():
                    holder, present = taken.get(key, (route, None))
                    if holder is not route:
                        continue
                    building = key[0]
                    if building not in costs:
                        costs[building] = route.cost(building)[1]
                    for level in block.levels:
                        worth, more = level.expected, level.minutes + costs[building]
                        if present:
                            worth -= present.level.expected
                            more -= present.level.minutes
                        if worth <= SOON or more > spare + SOON:
                            continue
                        rate = worth / max(more, 1e-6)
                        if best is None or (rate, worth) > best[:2]:
                            part = Part(building, level, "choice", key)
                            best = (rate, worth, route, part, present)
            if best is None:
                return mine
            _, _, route, part, present = best
            if present:
                route.parts[route.parts.index(present)] = part
            else:
                route.add(part)

    def solved(self, routes: Sequence[Route], taken: float) -> tuple[list[Route], float]:
        """Solve the integer programme; return routes along true ways that fit, and the gap.

        ``taken`` is how many buildings a crew will go to, about.
        """
        mine = [deepcopy(route) for route in routes]
        options = [
            (number, key, level)
            for number, route in enumerate(mine)
            for key, block in _best_of(self.blocks[route.crew.opens])
            for level in block.levels
        ]
        if not options:
            return mine, 0.0
        visits = sorted({(number, key[0]) for number, key, _ in options})
        column = {visit: len(options) + place for place, visit in enumerate(visits)}
        keys = {key: place for place, key in enumerate(sorted({k for _, k, _ in options}))}
        size, crews = len(options) + len(visits), len(mine)
        near = _ways_to(mine, visits, taken)
        worth = np.zeros(size)
        data: list[tuple[int, int, float]] = []
        for place, (number, key, level) in enumerate(options):
            worth[place] = -level.expected
            data.append((number, place, level.minutes))
            data.append((crews + keys[key], place, 1.0))
        links: dict[tuple[int, Key], int] = {}
        for place, (number, key, _) in enumerate(options):
            row = links.setdefault((number, key), crews + len(keys) + len(links))
            data.append((row, place, 1.0))
        for (number, key), row in links.items():
            data.append((row, column[number, key[0]], -1.0))
        for visit in visits:
            data.append((visit[0], column[visit], near[visit]))
        rows, columns, cells = zip(*data, strict=True)
        height = crews + len(keys) + len(links)
        most = np.concatenate([
            [route.crew.minutes - route.minutes for route in mine],
            np.ones(len(keys)), np.zeros(len(links)),
        ])  # fmt: skip
        with quiet():
            answer = milp(
                worth,
                integrality=np.ones(size, dtype=np.int64),
                bounds=Bounds(0, 1),
                constraints=LinearConstraint(
                    csr_array((cells, (rows, columns)), shape=(height, size)), -np.inf, most
                ),
                options={"time_limit": SOLVER_SECONDS, "mip_rel_gap": GAP},
            )
        if answer.x is None:
            return self.filled(mine), 1.0
        for place in np.flatnonzero(answer.x[: len(options)] > 0.5).tolist():
            number, key, level = options[place]
            mine[number].add(Part(key[0], level, "choice", key))
        for place, route in enumerate(mine):
            route.shorten()
            while route.minutes > route.crew.minutes + SOON and _chosen(route):
                route.drop(min(_chosen(route), key=lambda p: p.level.expected / p.level.minutes))
            if route.minutes > route.crew.minutes + SOON:
                # what is given fits in the order in which it was given
                mine[place] = deepcopy(routes[place])
        gap = float(answer.mip_gap) if answer.mip_gap is not None else 0.0
        return self.filled(mine), gap


def expected_of(routes: Sequence[Route]) -> float:
    """Dangerous openings that all crews together are expected to find newly."""
    return sum(route.expected for route in routes)


def _best_of(blocks: Mapping[Key, Block]) -> list[tuple[Key, Block]]:
    best = sorted(
        blocks.items(), key=lambda each: -max(v.expected / v.minutes for v in each[1].levels)
    )
    return best[:IN_PROGRAMME]


def _going_rate(blocks: Sequence[Block], spare: float, values: LookValues) -> float:
    """Findings a minute of the last dwelling that the crews' time suffices for."""
    way = float(values.rules.unknown_travel_minutes) / 2 + float(values.rules.arrival_minutes)
    rates = sorted(
        (max((v.expected / (v.minutes + way), v.minutes + way) for v in block.levels)
         for block in blocks),
        reverse=True,
    )  # fmt: skip
    spent = np.cumsum([minutes for _, minutes in rates])
    last = int(np.searchsorted(spent, spare))
    return rates[last][0] if last < len(rates) else 0.0


def _ways_to(
    routes: Sequence[Route], visits: Sequence[tuple[int, int]], taken: float
) -> dict[tuple[int, int], float]:
    """Minutes allowed for getting to a building: half the two shortest ways from and to it.

    Of those to choose from a crew goes to a few, and ways between few are longer, as the root of
    how many fewer they are (as among places spread evenly); no longer than the mean way.

    Args:
        routes: the crews.
        visits: crews, by their place, and buildings to choose among.
        taken: buildings that a crew will go to.
    """
    found = {}
    for number, building in visits:
        route = routes[number]
        if building in route.then:
            found[number, building] = 0.0
            continue
        others = [b for n, b in visits if n == number and b != building]
        others += [START, *route.first, *route.then]
        legs = sorted(route.ways.leg(other, building) for other in others)
        fewer = max(len(legs) / max(taken, 1.0), 1.0)
        near = sum(legs[:2]) / min(len(legs), 2) * fewer**0.5
        found[number, building] = min(near, sum(legs) / len(legs)) + route.arrival
    return found


def _chosen(route: Route) -> list[Part]:
    return [part for part in route.parts if part.kind == "choice"]


def improved(choice: Choice, routes: list[Route]) -> list[Route]:
    """Take out what was chosen, one building after the other, and fill up anew, while it helps."""
    for route in routes:
        route.shorten()
    best = choice.filled(routes)
    for number, building in [(n, p.building) for n, r in enumerate(best) for p in _chosen(r)]:
        tried = deepcopy(best)
        for part in [p for p in _chosen(tried[number]) if p.building == building]:
            tried[number].drop(part)
        tried[number].shorten()
        tried = choice.filled(tried)
        if expected_of(tried) > expected_of(best) + SOON:
            best = tried
    return best
