"""A day of looks: which crew goes where, in which order, to which openings, by which method.

Urgent openings come first, then a share of visits drawn by lot, then what finds most. The last is
an integer programme with estimated ways; its answer is driven along true ways, cut where it is too
long and filled up where time is left. The same is done from nothing, by findings a minute, and the
better of the two is the plan.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import itertools
import os
import sys
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from copy import deepcopy
from dataclasses import dataclass, field, replace

import duckdb
import numpy as np
import pandas as pd
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

from pipeline.planning.crews import Crew
from pipeline.planning.look_values import METHODS, Block, Level, Look, LookValues
from pipeline.planning.routes import START, Ways
from pipeline.warehouse import queries
from pipeline.warehouse.narrowing import Narrowing
from shared.faults import CoverplateError
from shared.rule_book import RuleBook
from shared.vocabulary import Method

Key = tuple[int, str, bool]
SOLVER_SECONDS = 6.0
GAP = 0.002
"""Seconds that the integer programme may take, and the gap at which it ends before."""

IN_PROGRAMME = 100
"""Dwellings that the integer programme chooses among; filling up considers all."""

SOON = 1e-9
_SILENCE = threading.Lock()


@dataclass(frozen=True)
class Part:
    """Looks on one entry, as they were given to a crew."""

    building: int
    level: Level
    kind: str  # "must", "lot" or "choice"
    key: Key | None = None


@dataclass
class Route:
    """A crew's day as it is put together."""

    crew: Crew
    ways: Ways
    arrival: float
    first: list[int] = field(default_factory=list)
    then: list[int] = field(default_factory=list)
    parts: list[Part] = field(default_factory=list)

    def __deepcopy__(self, memo: object) -> Route:
        return replace(self, first=list(self.first), then=list(self.then), parts=list(self.parts))

    @property
    def _end(self) -> int | None:
        return START if self.ways.has_start else None

    @property
    def minutes(self) -> float:
        """What the day takes, the way back to a known start with it."""
        stops = [*self.first, *self.then]
        arrivals = sum(a != b for a, b in itertools.pairwise([START, *stops]))
        looks = sum(part.level.minutes for part in self.parts)
        return self.ways.length(stops, START, self._end) + arrivals * self.arrival + looks

    @property
    def expected(self) -> float:
        """Dangerous openings that it is expected to find newly."""
        return sum(part.level.expected for part in self.parts)

    def cost(self, building: int, *, must: bool = False) -> tuple[int, float]:
        """Where the building is best put in, and the minutes that this takes without looks."""
        line, start, end = self._line(must)
        if building in line:
            return -1, 0.0
        place, more = self.ways.best_place(line, building, start, end)
        joins = (place == 0 and start == building) or (place == len(line) and end == building)
        return place, more + (0.0 if joins else self.arrival)

    def _line(self, must: bool) -> tuple[list[int], int, int | None]:
        if must:
            return self.first, START, self.then[0] if self.then else self._end
        return self.then, self.first[-1] if self.first else START, self._end

    def add(self, part: Part) -> None:
        """Put looks in, where they cost least."""
        must = part.kind == "must"
        place, _ = self.cost(part.building, must=must)
        if place >= 0:
            (self.first if must else self.then).insert(place, part.building)
        self.parts.append(part)

    def drop(self, part: Part) -> None:
        """Take looks out, and the way to their building if nothing else is done there."""
        self.parts.remove(part)
        if not any(p.building == part.building and p.kind != "must" for p in self.parts):
            self.then.remove(part.building)

    def shorten(self) -> None:
        """Put the buildings in a short order, those of urgent looks first."""
        begin = self.then[0] if self.then else self._end
        self.first = self.ways.ordered(self.first, START, begin)
        start = self.first[-1] if self.first else START
        self.then = self.ways.ordered(self.then, start, self._end)


@dataclass(frozen=True)
class DayPlan:
    """The plan of a day.

    Attributes:
        stops: one row a stop, in order of crew and stop; see ``STOP_COLUMNS``.
        crews: one row a crew: crew, stops, minutes, hours, expected_new_dangerous.
        told: what is to be known of it, in sentences.
        left: urgent looks for which no time, or no crew, was left.
        gap: how far the integer programme's answer may be from its best, as a share.
        made_by: "integer programme" or "findings a minute".
        expected, by_programme, by_greed: dangerous openings expected to be found newly, by the
            plan and by either way of making it.
    """

    stops: pd.DataFrame
    crews: pd.DataFrame
    told: tuple[str, ...]
    left: int
    gap: float
    made_by: str
    expected: float
    by_programme: float
    by_greed: float


STOP_COLUMNS = (
    "crew", "order", "building_id", "unit_id", "opening_id", "how_many", "method", "minutes",
    "expected_new_dangerous", "why", "must_visit", "random_pick", "settles", "also", "room",
    "circuit_id", "name", "address", "latitude", "longitude", "travel_minutes", "entry_minutes",
    "begins_after", "notice_by", "notice_too_late",
)  # fmt: skip
"""Columns of a plan: minutes are those of the looks, travel_minutes the way there with arrival, on
the first stop of a building, entry_minutes on the first of a dwelling; begins_after counts minutes
from the start of the day; also names openings of the circuit that the same look speaks of."""


def plan_looks(
    con: duckdb.DuckDBPyConnection,
    rule_book: RuleBook,
    only: Narrowing,
    crews: Sequence[Crew],
    *,
    day: dt.date,
    version: str,
    today: dt.date | None = None,
    random_share: float | None = None,
    travel: Mapping[tuple[str, str], float] | None = None,
    urgent: bool = True,
) -> DayPlan:
    """Plan the looks of a day.

    Args:
        con: a warehouse.
        rule_book: by which it was built.
        only: which buildings.
        crews: who goes.
        day: when.
        version: the warehouse's; with the day it decides what is drawn by lot.
        today: to tell whether notice can still be given; today by default.
        random_share: share of the time for visits by lot; the rule book's by default.
        travel: minutes by ends, see ``crews.read_travel``.
        urgent: whether these crews go to what is urgent; else somebody else does.

    Raises:
        CoverplateError: no building answers to ``only``.
    """
    values = LookValues(con, rule_book, only)
    if values.buildings.empty:
        raise CoverplateError(
            "no building answers to that", to_do="see `coverplate rank` with the same options"
        )
    routes = [
        Route(crew, Ways(values.buildings, crew, values.rules, travel or {}),
              float(values.rules.arrival_minutes))
        for crew in crews
    ]  # fmt: skip
    told: list[str] = []
    left = _place_urgent(con, values, routes, rule_book, told) if urgent else 0
    share = float(values.rules.random_share) if random_share is None else random_share
    seed = hashlib.sha256(f"{version}|{day.isoformat()}".encode()).digest()
    _place_by_lot(values, routes, share, np.random.default_rng(list(seed)), told)
    choice = _Choice(values, routes)
    greedy = _improved(choice, choice.filled(routes))
    solved, gap = choice.solved(routes, sum(len(route.then) for route in greedy) / len(greedy))
    programme = _improved(choice, solved)
    by_greed, by_programme = _expected(greedy), _expected(programme)
    best = programme if by_programme >= by_greed - SOON else greedy
    for route in best:
        route.shorten()
    if not any(route.parts for route in best):
        told.append("No look is left that would find anything, or no time for one.")
    stops = _stops(values, best, day, today or dt.date.today())
    missing = stops.loc[stops["latitude"].isna() | stops["longitude"].isna(), "building_id"]
    if missing.nunique():
        told.append(
            f"{missing.nunique()} of the {stops['building_id'].nunique()} buildings to go to "
            f"have no coordinates: {float(values.rules.unknown_travel_minutes):g} minutes are "
            "allowed for each way there (rule book)."
        )
    late = int(stops.drop_duplicates(["building_id", "unit_id"])["notice_too_late"].sum())
    if late:
        told.append(
            f"For {late} dwelling{'' if late == 1 else 's'} the day comes sooner than "
            f"{float(values.rules.notice_days):g} days of notice allow (notice_by); ask what law "
            "and lease require there."
        )
    return DayPlan(
        stops=stops,
        crews=pd.DataFrame(
            [
                {
                    "crew": route.crew.crew, "stops": int((stops["crew"] == route.crew.crew).sum()),
                    "minutes": route.minutes, "hours": route.crew.hours,
                    "expected_new_dangerous": route.expected,
                }
                for route in best
            ]
        ),
        told=tuple(told), left=left, gap=gap,
        made_by="integer programme" if best is programme else "findings a minute",
        expected=_expected(best), by_programme=by_programme, by_greed=by_greed,
    )  # fmt: skip


def _expected(routes: Sequence[Route]) -> float:
    return sum(route.expected for route in routes)


def _place_urgent(
    con: duckdb.DuckDBPyConnection,
    values: LookValues,
    routes: Sequence[Route],
    rule_book: RuleBook,
    told: list[str],
) -> int:
    """Give urgent openings, and papers that name none, to the crews; return how many are left."""
    number = dict(
        zip(values.buildings["building_id"], values.buildings["building_no"], strict=True)
    )
    method = values.capable_method(may_open_boxes=True)
    each = float(values.rules.minutes[method])
    wanted: list[tuple[int, Look]] = []
    for row in queries.urgent(con).to_dict(orient="records"):
        if row["building_id"] in number:
            says = str(row["grounds"][0]["says"]) if len(row["grounds"]) else "reported"
            wanted.append((
                int(number[row["building_id"]]),
                Look(row["unit_id"] or None, str(row["opening_id"]), 1, method, each, 0.0, 1.0,
                     f"URGENT, whatever the score: {says}.", room=row["room"]),
            ))  # fmt: skip
    most = int(float(rule_book.counting.openings_per_dwelling))
    for row in queries.reports(con, urgent_only=True).to_dict(orient="records"):
        if row["building_id"] in number:
            meant = max(int(row["openings"]) - int(row["opened"]), 1)
            many, building = min(meant, most), int(number[row["building_id"]])
            what = str(row["report_kind"]).replace("_", " ")
            wanted.append((
                building,
                Look(row["unit_id"] or None, None, many, method, many * each, 0.0, float(many),
                     f"URGENT: a {what} of {row['reported_on']:%Y-%m-%d} speaks of "
                     f"{str(row['subject']).replace('_', ' ')}; it names no opening. "
                     f"{many} of {meant} not opened since."),
            ))  # fmt: skip
    able = [route for route in routes if route.crew.opens]
    entry = float(values.rules.entry_minutes)
    number_wanted = len(wanted)
    while wanted:
        fits = []
        for place, (building, look) in enumerate(wanted):
            for route in able:
                entered = any(
                    p.building == building and p.level.looks[0].unit_id == look.unit_id
                    for p in route.parts
                )
                takes = look.minutes + (0.0 if entered else entry)
                ends = route.minutes + route.cost(building, must=True)[1] + takes
                if ends <= route.crew.minutes + SOON:
                    fits.append((not entered, ends, place, takes, route))
        if not fits:
            break
        # what is done where a crew is already, else what is done soonest
        _, _, place, takes, route = min(fits, key=lambda each: each[:3])
        building, look = wanted.pop(place)
        route.add(Part(building, Level(takes, look.expected, (look,)), "must"))
        if look.opening_id is None and look.unit_id:
            values.leave_out(building, look.unit_id)
    left = len(wanted)
    if left and not able:
        told.append(
            f"{left} urgent look{'' if left == 1 else 's'} cannot be made: no crew may open boxes."
        )
    elif left:
        told.append(
            f"The hours do not suffice: {left} of {number_wanted} urgent looks are not in this "
            "plan. See `coverplate urgent`; they cannot wait."
        )
    return left


def _place_by_lot(
    values: LookValues,
    routes: Sequence[Route],
    share: float,
    rng: np.random.Generator,
    told: list[str],
) -> None:
    opens = any(route.crew.opens for route in routes)
    able = [route for route in routes if route.crew.opens == opens]
    budget = share * sum(route.crew.minutes for route in routes)
    method, entry = values.capable_method(opens), float(values.rules.entry_minutes)
    spent = 0.0
    while budget > spent:
        drawn = values.drawn(rng, method)
        if drawn is None:
            break
        building, looks = drawn
        takes = entry + sum(look.minutes for look in looks)
        costs = [route.cost(building)[1] + takes for route in able]
        place = min(range(len(able)), key=lambda i: able[i].minutes + costs[i])
        more = costs[place]
        if spent and more > 2 * (budget - spent):
            break
        if able[place].minutes + more > able[place].crew.minutes + SOON:
            told.append("The hours do not suffice for the share of visits drawn by lot.")
            break
        worth = sum(look.expected for look in looks)
        able[place].add(Part(building, Level(takes, worth, looks), "lot"))
        spent += more


class _Choice:
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
        with _unheard():
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
        for route in mine:
            route.shorten()
            while route.minutes > route.crew.minutes + SOON:
                route.drop(min(_chosen(route), key=lambda p: p.level.expected / p.level.minutes))
        gap = float(answer.mip_gap) if answer.mip_gap is not None else 0.0
        return self.filled(mine), gap


@contextmanager
def _unheard() -> Iterator[None]:
    """HiGHS now and then prints a line past its own options; stdout is for the answer.

    One at a time: of two plans at once the later would keep the earlier's silence as stdout.
    """
    with _SILENCE:
        sys.stdout.flush()
        kept, nowhere = os.dup(1), os.open(os.devnull, os.O_WRONLY)
        try:
            os.dup2(nowhere, 1)
            yield
        finally:
            os.dup2(kept, 1)
            os.close(kept)
            os.close(nowhere)


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


def _improved(choice: _Choice, routes: list[Route]) -> list[Route]:
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
        if _expected(tried) > _expected(best) + SOON:
            best = tried
    return best


def _stops(
    values: LookValues, routes: Sequence[Route], day: dt.date, today: dt.date
) -> pd.DataFrame:
    known = values.buildings.set_index("building_no").to_dict(orient="index")
    notice_by = day - dt.timedelta(days=round(float(values.rules.notice_days)))
    rows: list[dict[str, object]] = []
    for route in routes:
        clock, before = 0.0, START
        order = 0
        for must, line in ((True, route.first), (False, route.then)):
            for building in line:
                way = route.ways.leg(before, building)
                way += route.arrival if before != building else 0.0
                before = building
                here = [
                    p for p in route.parts if p.building == building and (p.kind == "must") == must
                ]
                here.sort(key=lambda p: p.level.looks[0].unit_id or "")
                for part in here:
                    entry = part.level.minutes - sum(look.minutes for look in part.level.looks)
                    for look in part.level.looks:
                        order += 1
                        clock += way + entry
                        at = known[building]
                        rows.append({
                            "crew": route.crew.crew, "order": order,
                            "building_id": at["building_id"], "unit_id": look.unit_id,
                            "opening_id": look.opening_id, "how_many": look.how_many,
                            "method": look.method.value, "minutes": look.minutes,
                            "expected_new_dangerous": look.expected, "why": look.why,
                            "must_visit": part.kind == "must", "random_pick": part.kind == "lot",
                            "settles": look.settles, "also": list(look.also), "room": look.room,
                            "circuit_id": look.circuit_id, "name": at["name"],
                            "address": at["address"], "latitude": at["latitude"],
                            "longitude": at["longitude"], "travel_minutes": way,
                            "entry_minutes": entry, "begins_after": clock,
                            "notice_by": notice_by, "notice_too_late": notice_by < today,
                        })  # fmt: skip
                        clock += look.minutes
                        way = entry = 0.0
    frame = pd.DataFrame(rows, columns=list(STOP_COLUMNS))
    for name in ("unit_id", "opening_id", "room", "circuit_id"):
        frame[name] = frame[name].astype(object).where(frame[name].notna(), None)
    return frame


def clock(minutes: float) -> str:
    """Minutes from the start of a day as hours and minutes."""
    return f"{round(minutes) // 60}:{round(minutes) % 60:02d}"


def crews_alike(number: int, hours: float) -> list[Crew]:
    """Crews of which only the hours are known; they may open boxes."""
    return [Crew(crew=str(each + 1), hours=hours) for each in range(number)]


def methods_used(stops: pd.DataFrame) -> list[Method]:
    """The methods of a plan, in the order of the vocabulary."""
    used = set(stops["method"])
    return [method for method in METHODS if method.value in used]
