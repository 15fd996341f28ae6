"""Where the crews must go, whatever it finds: what is urgent; open papers, dwellings that somebody
names, and buildings not looked at for long where that is asked for."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import NamedTuple

import duckdb

from pipeline.planning.asked import unknown_buildings
from pipeline.planning.crew_day import SOON, Part, Route
from pipeline.planning.crews import Visit
from pipeline.planning.look_values import Level, Look, LookValues
from pipeline.warehouse import queries
from shared.faults import CoverplateError
from shared.in_words import plural
from shared.rule_book import RuleBook
from shared.urgent_answers import clearing_paper
from shared.vocabulary import (
    OPEN_BOX_METHODS,
    Method,
    ReportKind,
    ReportStatus,
    ReportSubject,
    Selection,
)

Wanted = tuple[int, Look]
"""A building's number, and a look there."""

LISTED = 20
"""Buildings that a sentence lists at most."""


@dataclass(frozen=True)
class AskedFor:
    """Visits that are asked for beside what is urgent.

    Attributes:
        visits: dwellings, openings or buildings that somebody names, with why.
        open_reports: whether every dwelling of which an open citation or complaint speaks.
        unseen_years: buildings at which nobody looked for so long by a method able to see a false
            ground, as a statutory cycle may ask for; None where it does not matter.
    """

    visits: tuple[Visit, ...] = ()
    open_reports: bool = False
    unseen_years: float | None = None


NOTHING_ASKED = AskedFor()


def urgent_looks(
    con: duckdb.DuckDBPyConnection, values: LookValues, rule_book: RuleBook, told: list[str]
) -> list[Wanted]:
    """What must be looked at as it is urgent: openings, and papers that name none.

    Args:
        con: a warehouse.
        values: what looks are worth there, and which buildings are asked for.
        rule_book: by which it was built.
        told: what is to be known of it is added, in sentences.
    """
    number = _numbers(values)
    dwellings = values.buildings.set_index("building_id")["dwellings"]
    vague: list[str] = []
    minutes = {each: float(values.rules.minutes[each]) for each in Method}
    wanted: list[Wanted] = []
    for row in queries.urgent(con).to_dict(orient="records"):
        if row["building_id"] in number:
            says = list(dict.fromkeys(str(each["says"]) for each in row["grounds"]))
            more = f"; {len(says) - 1} more reported there" if len(says) > 1 else ""
            methods = [Method(each) for each in row["clearing_methods"]]
            wanted.append((
                int(number[row["building_id"]]),
                Look(row["unit_id"] or None, str(row["opening_id"]), 1, methods[0],
                     sum(minutes[each] for each in methods), 0.0, 1.0,
                     f"URGENT, whatever the score: {says[0]}{more}. {row['clears']}",
                     room=row["room"], besides=tuple(methods[1:]),
                     must_say=tuple(row["clearing_readings"])),
            ))  # fmt: skip
    most = int(float(rule_book.counting.openings_per_dwelling))
    for row in queries.reports(con, urgent_only=True).to_dict(orient="records"):
        if row["building_id"] in number:
            meant = max(int(row["openings"]) - int(row["opened"]), 1)
            many, building = min(meant, most), int(number[row["building_id"]])
            what = str(row["report_kind"]).replace("_", " ")
            answer = clearing_paper(str(row["subject"]))
            where = ""
            if not row["unit_id"] and (several := round(float(dwellings[row["building_id"]]))) > 1:
                where = f"Which of {several} dwellings it means is not known: ask before going. "
                vague.append(row["building_id"])
            wanted.append((
                building,
                Look(row["unit_id"] or None, None, many, answer.methods[0],
                     many * sum(minutes[each] for each in answer.methods), 0.0, float(many),
                     f"URGENT: a {what} of {row['reported_on']:%Y-%m-%d} speaks of "
                     f"{str(row['subject']).replace('_', ' ')}; it names no opening. "
                     f"{where}{many} of {meant} not opened since. {answer.told()}",
                     besides=answer.methods[1:], must_say=answer.readings),
            ))  # fmt: skip
    if vague:
        told.append(
            f"{plural(len(vague), 'urgent report names', 'urgent reports name')} no dwelling of a "
            f"building with several: {_listed(vague)}. The plan goes into one of them; ask whoever "
            "reported it which one is meant, for the report stands until every opening that it may "
            "mean was looked at."
        )
    return wanted


Place = tuple[int, str | None, str | None]
"""A building's number, a dwelling and an opening there; None for any."""


class _Asked(NamedTuple):
    building_no: int
    unit_id: str | None
    opening_id: str | None
    how_many: int | None
    why: str
    picked: Selection


def asked_looks(
    con: duckdb.DuckDBPyConnection,
    values: LookValues,
    asked: AskedFor,
    method: Method,
    day: dt.date,
    told: list[str],
) -> tuple[list[Wanted], list[Wanted], list[Wanted]]:
    """What is asked for beside what is urgent; its openings are not chosen once more.

    Args:
        con: a warehouse.
        values: what looks are worth there, and which buildings the plan is for.
        asked: for what.
        method: by which openings are looked at.
        day: of the plan.
        told: what is to be known of it is added, in sentences.

    Returns:
        What somebody names, what open reports speak of, and what was not looked at for long; each
        place once.

    Raises:
        CoverplateError: a visit names a building that is not known.
    """
    groups: tuple[Iterable[_Asked], ...] = (
        _named(con, values, asked.visits, told),
        _of_reports(con, values) if asked.open_reports else (),
        () if asked.unseen_years is None else _unseen(con, values, asked.unseen_years, day),
    )
    most = int(float(values.rules.random_openings))
    minutes = float(values.rules.minutes[method])
    found: tuple[dict[Place, Look], ...] = ({}, {}, {})
    for group, each in ((group, each) for group, those in enumerate(groups) for each in those):
        key = (each.building_no, each.unit_id, each.opening_id)
        if held := next((looks for looks in found if key in looks), None):
            held[key] = replace(held[key], why=f"{held[key].why} Besides: {each.why}")
            continue
        many = 1 if each.opening_id else each.how_many or most
        worth = values.given(*key, many, method)
        where = ""
        if not each.opening_id:
            dwelling = "" if each.unit_id else "a dwelling, and "
            where = f" Choose {dwelling}{plural(many, 'opening')} there, at random."
        found[group][key] = Look(
            each.unit_id, each.opening_id, many, method, many * minutes, worth, float(many),
            f"Asked for: {each.why}{where}", picked=each.picked,
        )  # fmt: skip
    named, reported, unseen = (
        [(building, look) for (building, _, _), look in looks.items()] for looks in found
    )
    return named, reported, unseen


def _named(
    con: duckdb.DuckDBPyConnection, values: LookValues, visits: Sequence[Visit], told: list[str]
) -> Iterator[_Asked]:
    number = _numbers(values)
    if unknown := unknown_buildings(con, {each.building_id for each in visits}):
        raise CoverplateError(
            f"visits are asked for at buildings that are not known: {', '.join(unknown)}",
            expected="identifiers as exports write them",
            to_do="see `coverplate rank` and correct the file of visits; nothing was planned",
        )
    if apart := [each.building_id for each in visits if each.building_id not in number]:
        told.append(
            f"{plural(len(apart), 'visit')} asked for: not in this plan, as the buildings are left "
            f"out of it: {_listed(apart)}."
        )
    for each in visits:
        if each.building_id in number:
            why = each.why if each.why.endswith((".", "!", "?")) else f"{each.why}."
            yield _Asked(
                number[each.building_id], each.unit_id, each.opening_id, each.how_many, why,
                Selection.TARGETED,
            )  # fmt: skip


def _of_reports(con: duckdb.DuckDBPyConnection, values: LookValues) -> Iterator[_Asked]:
    """Dwellings of which an open citation or complaint speaks that is not urgent."""
    number = _numbers(values)
    for row in queries.reports(con).to_dict(orient="records"):
        if (
            row["building_id"] in number
            and not row["urgent"]
            and row["report_kind"] in (ReportKind.CITATION, ReportKind.COMPLAINT)
            and row["status"] == ReportStatus.OPEN
            and row["subject"] != ReportSubject.OTHER
        ):
            of = f" {row['reference']}" if row["reference"] else ""
            why = (
                f"a {row['report_kind']}{of} of {row['reported_on']:%Y-%m-%d} is open, of "
                f"{str(row['subject']).replace('_', ' ')}."
            )
            complaint = row["report_kind"] == ReportKind.COMPLAINT
            yield _Asked(
                number[row["building_id"]], row["unit_id"] or None, None, None, why,
                Selection.COMPLAINT if complaint else Selection.TARGETED,
            )  # fmt: skip


def _unseen(
    con: duckdb.DuckDBPyConnection, values: LookValues, years: float, day: dt.date
) -> Iterator[_Asked]:
    """Buildings not looked at for long, those never looked at and the longest first."""
    able = [method.value for method in values.capable_methods]
    number = _numbers(values)
    rows = con.execute(
        """
        SELECT b.building_id, max(o.observed_on) AS seen
        FROM buildings AS b
        LEFT JOIN observations AS o
            ON o.building_no = b.building_no AND list_contains($able, o.method)
            AND NOT list_contains(['no_power', 'not_accessible', 'not_tested'], o.result)
            AND o.observed_on <= $day
        GROUP BY b.building_id
        HAVING seen IS NULL OR seen < $before
        ORDER BY seen NULLS FIRST, b.building_id
        """,
        {"able": able, "day": day, "before": day - dt.timedelta(days=round(365.25 * years))},
    ).fetchall()
    for building, seen in rows:
        if building in number:
            looked = f"looked since {seen}" if seen else "ever looked"
            why = f"nobody {looked} by a method able to see a false ground."
            # which building it is follows from the calendar, not from what is expected there
            yield _Asked(number[building], None, None, None, why, Selection.RANDOM)


def place(
    values: LookValues,
    routes: Sequence[Route],
    wanted: Sequence[Wanted],
    *,
    urgent: bool = False,
) -> list[Wanted]:
    """Give looks to the crews, as long as any fits, and return those that are left.

    Args:
        values: of which dwellings are taken out that an urgent paper has looked at.
        routes: the crews' days, to which they are added.
        wanted: the looks, what is put first of those that take as long.
        urgent: whether they go before all others.
    """
    entry = float(values.rules.entry_minutes)
    left = list(wanted)
    while left:
        fits = []
        for number, (building, look) in enumerate(left):
            for route in filter(partial(_may_make, look), routes):
                entered = any(
                    p.building == building and p.level.looks[0].unit_id == look.unit_id
                    for p in route.parts
                )
                takes = look.minutes + (0.0 if entered else entry)
                ends = route.minutes + route.cost(building, must=urgent)[1] + takes
                if ends <= route.crew.minutes + SOON:
                    fits.append((not entered, ends, number, takes, route))
        if not fits:
            break
        # what is done where a crew is already, else what is done soonest
        _, _, number, takes, route = min(fits, key=lambda each: each[:3])
        building, look = left.pop(number)
        kind = "must" if urgent else "asked"
        route.add(Part(building, Level(takes, look.expected, (look,)), kind))
        if urgent and look.opening_id is None and look.unit_id:
            values.leave_out(building, look.unit_id)
    return left


def place_in_order(
    values: LookValues, routes: Sequence[Route], wanted: Sequence[Wanted]
) -> list[Wanted]:
    """The same, the first of them first, however far it is."""
    entry = float(values.rules.entry_minutes)
    left: list[Wanted] = []
    for number, each in enumerate(wanted):
        least = each[1].minutes + entry
        if all(route.minutes + least > route.crew.minutes + SOON for route in routes):
            return [*left, *wanted[number:]]
        left += place(values, routes, [each])
    return left


def tell_left(
    values: LookValues, routes: Sequence[Route], left: Sequence[Wanted], of: int, told: list[str]
) -> None:
    """Tell why urgent looks are left, of so many."""
    entry = float(values.rules.entry_minutes)
    closed = [
        (building, look) for building, look in left
        if not any(_may_make(look, route) for route in routes)
    ]  # fmt: skip
    if closed:
        told.append(f"{plural(len(closed), 'urgent look')} cannot be made: no crew may open boxes.")
    left = [each for each in left if each not in closed]
    if left:
        name = {no: building for building, no in _numbers(values).items()}
        told.append(
            f"The hours do not suffice: {len(left)} of {of} urgent looks are not in "
            "this plan. See `coverplate urgent`; they cannot wait. Not in it: "
            f"{_listed(name[building] for building, _ in left)}."
        )
        far = [
            name[building]
            for building, look in left
            if all(
                replace(route, first=[], then=[], parts=[]).cost(building)[1] + entry + look.minutes
                > route.crew.minutes + SOON
                for route in filter(partial(_may_make, look), routes)
            )
        ]
        if far:
            told.append(
                f"Too far for a day of any crew, even if it did nothing else: {_listed(far)}. Send "
                "somebody who starts nearer."
            )


def tell_asked_left(values: LookValues, left: Sequence[Wanted], of: int, told: list[str]) -> None:
    """Tell which of the visits asked for are left, of so many."""
    if not left:
        return
    name = {no: building for building, no in _numbers(values).items()}
    those = list(dict.fromkeys(name[building] for building, _ in left))
    more = f" and {len(those) - LISTED} more" if len(those) > LISTED else ""
    told.append(
        f"{len(left)} of the {plural(of, 'visit')} asked for are not in this plan: the hours do "
        f"not suffice, or no crew may make them. Not in it: {', '.join(those[:LISTED])}{more}."
    )


def _numbers(values: LookValues) -> dict[str, int]:
    """Numbers of the buildings that the plan is for, by their identifiers."""
    ids, numbers = values.buildings["building_id"], values.buildings["building_no"]
    return dict(zip(ids, map(int, numbers), strict=True))


def _may_make(look: Look, route: Route) -> bool:
    """Whether a crew may look so: a box is opened by those only who may."""
    return route.crew.opens or look.method not in OPEN_BOX_METHODS


def _listed(buildings: Iterable[str]) -> str:
    """Buildings, each once, with how often where it is more than once."""
    return ", ".join(b + f" ({n} looks)" * (n > 1) for b, n in Counter(buildings).items())
