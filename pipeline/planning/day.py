"""A day of looks: which crew goes where, in which order, to which openings, by which method.

Urgent openings come first, then what is asked for, then a share of visits drawn by lot, then what
finds most. The last is
an integer programme with estimated ways; its answer is driven along true ways, cut where it is too
long and filled up where time is left. The same is done from nothing, by findings a minute, and the
better of the two is the plan.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import duckdb
import numpy as np
import pandas as pd

from pipeline.planning.asked import check_asked, unknown_buildings
from pipeline.planning.choice import Choice, expected_of, improved
from pipeline.planning.crew_day import SOON, Part, Route
from pipeline.planning.crews import Crew
from pipeline.planning.look_values import Level, Look, LookValues
from pipeline.planning.must_visits import (
    NOTHING_ASKED,
    AskedFor,
    asked_looks,
    place,
    place_in_order,
    tell_asked_left,
    tell_left,
    urgent_looks,
)
from pipeline.planning.routes import START, Ways
from pipeline.warehouse.narrowing import Narrowing
from shared.in_words import number, plural
from shared.rule_book import RuleBook
from shared.vocabulary import Selection


@dataclass(frozen=True)
class DayPlan:
    """The plan of a day.

    Attributes:
        stops: one row a stop, in order of crew and stop; see ``STOP_COLUMNS``.
        crews: one row a crew: crew, stops, minutes, hours, expected_new_dangerous,
            way_back_minutes (within minutes; 0 where its start is not known).
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

    def how_made(self) -> str:
        """What the plan is expected to find, and how it was made, as a sentence."""
        return (
            f"{number(self.expected, 3)} dangerous openings are expected to be found newly; made "
            f"by {self.made_by} (integer programme {number(self.by_programme, 3)}, gap "
            f"{100 * self.gap:.2g} % under estimated ways; by findings a minute "
            f"{number(self.by_greed, 3)})."
        )


STOP_COLUMNS = (
    "crew", "order", "building_id", "unit_id", "opening_id", "how_many", "method", "minutes",
    "expected_new_dangerous", "why", "besides", "must_say", "must_visit", "random_pick", "settles",
    "also", "room",
    "circuit_id", "name", "address", "latitude", "longitude", "travel_minutes", "entry_minutes",
    "begins_after", "notice_by", "notice_too_late", "asked_for", "picked",
)  # fmt: skip
"""Columns of a plan: minutes are those of the looks, travel_minutes the way there with arrival, on
the first stop of a building, entry_minutes on the first of a dwelling; begins_after counts minutes
from the start of the day; also names openings of the circuit that the same look speaks of;
must_say the columns of a look without which an urgent opening stays urgent, besides the methods
that this takes beside the first; must_visit is what is urgent, asked_for what is asked for
besides; picked how its openings count as picked (selection), once somebody has looked."""


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
    asked: AskedFor = NOTHING_ASKED,
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
        asked: visits that must be made besides.

    Raises:
        CoverplateError: a building is not known, or none answers; the day is far off.
    """
    check_asked(con, only, day)
    values = LookValues(con, rule_book, only)
    routes = [
        Route(crew, Ways(values.buildings, crew, values.rules, travel or {}),
              float(values.rules.arrival_minutes))
        for crew in crews
    ]  # fmt: skip
    told: list[str] = []
    if day < (today or dt.date.today()):
        told.append(f"{day} is past: this is a plan for a day on which nobody can go any more.")
    ends, teams = {end for pair in travel or {} for end in pair}, {each.crew for each in crews}
    if unknown := unknown_buildings(con, ends - teams):
        told.append(
            f"The table of ways names {', '.join(unknown)}: neither building nor crew, so their "
            "ways are not used."
        )
    if both := sorted((ends & teams) - set(unknown_buildings(con, ends))):
        told.append(
            f"The table of ways names {', '.join(both)}: crew and building alike, so its ways are "
            "taken for both. Give the crew another name."
        )
    left = 0
    if urgent:
        wanted = urgent_looks(con, values, rule_book, told)
        kept = place(values, routes, wanted, urgent=True)
        tell_left(values, routes, kept, len(wanted), told)
        left = len(kept)
    if asked != NOTHING_ASKED:
        method = values.capable_method(any(route.crew.opens for route in routes))
        named, reported, unseen = asked_looks(con, values, asked, method, day, told)
        kept = [*place(values, routes, named), *place(values, routes, reported)]
        kept += place_in_order(values, routes, unseen)
        tell_asked_left(values, kept, len(named) + len(reported) + len(unseen), told)
    share = float(values.rules.random_share) if random_share is None else random_share
    seed = hashlib.sha256(f"{version}|{day.isoformat()}".encode()).digest()
    _place_by_lot(values, routes, share, np.random.default_rng(list(seed)), told)
    choice = Choice(values, routes)
    greedy = improved(choice, choice.filled(routes))
    solved, gap = choice.solved(routes, sum(len(route.then) for route in greedy) / len(greedy))
    programme = improved(choice, solved)
    by_greed, by_programme = expected_of(greedy), expected_of(programme)
    best = programme if by_programme >= by_greed - SOON else greedy
    for route in best:
        route.shorten()
    if not any(route.parts for route in best):
        told.append("No look is left that would find anything, or no time for one.")
    stops = _stops(values, best, day, today or dt.date.today())
    nowhere = stops[stops["latitude"].isna() | stops["longitude"].isna()]
    missing = nowhere["building_id"]
    if missing.nunique():
        told.append(
            f"{missing.nunique()} of the {stops['building_id'].nunique()} buildings to go to "
            f"have no coordinates: {float(values.rules.unknown_travel_minutes):g} minutes are "
            "allowed for each way there (rule book)."
        )
        if (pressing := missing[nowhere["must_visit"].astype(bool)].unique()).size:
            told[-1] += f" Urgent among them: {', '.join(pressing)}."
    late = int(stops.drop_duplicates(["building_id", "unit_id"])["notice_too_late"].sum())
    if late:
        told.append(
            f"For {plural(late, 'dwelling')} the day comes sooner than "
            f"{float(values.rules.notice_days):g} days of notice allow (notice_by); ask what law "
            "and lease require there."
        )
    homeless = [route.crew.crew for route in best if route.parts and not route.ways.has_start]
    if homeless:
        told.append(
            f"Where {'crew' if len(homeless) == 1 else 'crews'} {', '.join(homeless)} "
            f"{'starts' if len(homeless) == 1 else 'start'} is not known: no way back is "
            "counted. A file of crews names the start."
        )
    return DayPlan(
        stops=stops,
        crews=pd.DataFrame(
            [
                {
                    "crew": route.crew.crew, "stops": int((stops["crew"] == route.crew.crew).sum()),
                    "minutes": route.minutes, "hours": route.crew.hours,
                    "expected_new_dangerous": route.expected,
                    "way_back_minutes": route.way_back,
                }
                for route in best
            ]
        ),
        told=tuple(told), left=left, gap=gap,
        made_by="integer programme" if best is programme else "findings a minute",
        expected=expected_of(best), by_programme=by_programme, by_greed=by_greed,
    )  # fmt: skip


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
        if more > budget - spent and rng.random() >= (budget - spent) / more:
            # what goes past the share is made with such a chance that the share holds on average
            if not spent:
                told.append(
                    "No visit is drawn by lot for this day: one takes longer than the share of the "
                    "time kept for them, so that they fall on some days only."
                )
            break
        if able[place].minutes + more > able[place].crew.minutes + SOON:
            told.append("The hours do not suffice for the share of visits drawn by lot.")
            break
        worth = sum(look.expected for look in looks)
        able[place].add(Part(building, Level(takes, worth, looks), "lot"))
        spent += more


def _stops(
    values: LookValues, routes: Sequence[Route], day: dt.date, today: dt.date
) -> pd.DataFrame:
    known = values.buildings.set_index("building_no").to_dict(orient="index")
    notice_by = day - dt.timedelta(days=round(float(values.rules.notice_days)))
    rows: list[dict[str, object]] = []
    for route in routes:
        clock, before = 0.0, START
        legs = iter(route.ways.legs([START, *route.first, *route.then]))
        order = 0
        for must, line in ((True, route.first), (False, route.then)):
            for building in line:
                way = next(legs)
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
                            "besides": [each.value for each in look.besides],
                            "must_say": list(look.must_say),
                            "must_visit": part.kind == "must", "random_pick": part.kind == "lot",
                            "asked_for": part.kind == "asked", "picked": _picked(part, look),
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


def _picked(part: Part, look: Look) -> str:
    if look.picked is not None:
        return look.picked.value
    by_lot = part.kind == "lot" or (part.kind != "must" and look.opening_id is None)
    return (Selection.RANDOM if by_lot else Selection.TARGETED).value


def way_back_told(minutes: float) -> str:
    """The way back of a crew's day, as part of a sentence; blank where none is known."""
    return f", {minutes:.0f} minutes of it back to the start" if minutes else ""


def clock(minutes: float) -> str:
    """Minutes from the start of a day as hours and minutes."""
    return f"{round(minutes) // 60}:{round(minutes) % 60:02d}"


def crews_alike(number: int, hours: float) -> list[Crew]:
    """Crews of which only the hours are known; they may open boxes."""
    return [Crew(crew=str(each + 1), hours=hours) for each in range(number)]
