"""A section through a building: storeys, dwellings, circuits, openings, and what is known of each.

Nothing is placed that nobody recorded: openings that no look named are a number, a storey is told
only where the names of the units say it.
"""

from __future__ import annotations

import itertools
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import duckdb

from pipeline.scoring.why import told
from pipeline.screens.opening_known import (
    KNOWN_SQL,
    Known,
    drawn_as,
    paper_told,
    sentence,
    unseen_told,
)
from pipeline.warehouse import queries
from shared.in_words import percent, plural
from shared.vocabulary import NO_LOOK_RESULTS, Condition, Result

DWELLINGS_DRAWN = 200
"""Of more units, or more openings, a storey is counted and not drawn."""
OPENINGS_DRAWN = 1200
GROUP = 50
"""Units counted together where there are too many to draw and storeys are not known."""
NEXT_MARKED = 5


@dataclass(frozen=True)
class Opening:
    """One recorded opening.

    Attributes:
        number: from 1 within the building, by unit and opening.
        unit_id, opening_id, room, circuit_id, slots: where and what; room, circuit_id and slots are
            None where nobody said.
        known: what is known of it.
        p_dangerous: the chance that it is dangerous, after all that is known.
        condition: what its circuit drawing shows: the defect found, else the likeliest wiring;
            where live metal or a shock is urgent the likeliest that puts volts on metal; None where
            no wiring says what is urgent.
        next_place: its place among the next looks, from 1; None where it is none of the first.
        told: in a sentence where it is, what is known of it and its chance.
        why: the chance of danger by each kind of knowledge (``scoring.why``), in words.
    """

    number: int
    unit_id: str
    opening_id: str
    room: str | None
    circuit_id: str | None
    slots: str | None
    known: Known
    p_dangerous: float
    condition: Condition | None
    next_place: int | None
    told: str
    why: tuple[str, ...]


@dataclass(frozen=True)
class Circuit:
    """Openings of a dwelling on one circuit; without a name, those whose circuit nobody said."""

    circuit_id: str | None
    openings: tuple[Opening, ...]


@dataclass(frozen=True)
class Dwelling:
    """One unit; without a name, what was recorded without one.

    Attributes:
        unit_id: its name, or "".
        circuits: those known in order, then the openings whose circuit is not known.
        papers: urgent and unanswered citations, complaints and work orders that name it.
    """

    unit_id: str
    circuits: tuple[Circuit, ...]
    papers: tuple[str, ...] = ()

    @property
    def openings(self) -> Iterable[Opening]:
        """All of its openings."""
        return itertools.chain.from_iterable(each.openings for each in self.circuits)


@dataclass(frozen=True)
class Storey:
    """Units side by side: a storey, or units of which no storey is known.

    Attributes:
        label: what it is.
        number: the storey; None where it is none.
        dwellings: in order of their names.
    """

    label: str
    number: int | None
    dwellings: tuple[Dwelling, ...]

    @property
    def counts(self) -> dict[Known, int]:
        """How many of its openings are how well known."""
        return _counts(self.dwellings)


@dataclass(frozen=True)
class Section:
    """A building, cut open.

    Attributes:
        building_id, name: which.
        storeys: the top one first; what is on no storey last.
        storeys_known: whether the names of the units tell storeys.
        why: why they do not, or "".
        papers: urgent and unanswered reports that name no unit.
        unseen_told: how many openings nobody recorded and what is likely of them, or "".
        unseen_next: whether the next look is among those.
        drawn: whether each opening is drawn; else storeys are counted.
        told: what there is, in sentences.
    """

    building_id: str
    name: str
    storeys: tuple[Storey, ...]
    storeys_known: bool
    why: str
    papers: tuple[str, ...]
    unseen_told: str
    unseen_next: bool
    drawn: bool
    told: tuple[str, ...]

    @property
    def counts(self) -> dict[Known, int]:
        """How many openings are how well known."""
        return _counts(each for storey in self.storeys for each in storey.dwellings)

    @property
    def openings(self) -> Iterable[Opening]:
        """All recorded openings."""
        return (
            opening
            for storey in self.storeys
            for dwelling in storey.dwellings
            for opening in dwelling.openings
        )

    def marked(self, places: Mapping[tuple[str, str], int]) -> Section:
        """The same building with other openings marked: places by unit and opening."""

        def dwelling(each: Dwelling) -> Dwelling:
            return replace(each, circuits=tuple(map(circuit, each.circuits)))

        def circuit(each: Circuit) -> Circuit:
            return replace(each, openings=tuple(map(opening, each.openings)))

        def opening(each: Opening) -> Opening:
            return replace(each, next_place=places.get((each.unit_id, each.opening_id)))

        storeys = (
            replace(each, dwellings=tuple(map(dwelling, each.dwellings))) for each in self.storeys
        )
        return replace(self, storeys=tuple(storeys), unseen_next=False)


_OPENINGS = """
WITH said AS (
    SELECT coalesce(r.unit_id, '') AS unit_id, r.opening_id,
        list(DISTINCT r.result ORDER BY r.result) AS faults
    FROM observations AS r JOIN buildings AS b USING (building_no)
    WHERE b.building_id = $building AND NOT list_contains($no_fault, r.result)
    GROUP BY ALL
), own AS (
    SELECT o.*, said.faults, n.what, {known} AS how_known
    FROM openings AS o
    LEFT JOIN said USING (unit_id, opening_id)
    LEFT JOIN next_looks AS n USING (building_no)
    WHERE o.building_id = $building
), places AS (
    -- As ``next_looks`` names the first: what is urgent, then where danger is least settled.
    SELECT unit_id, opening_id, row_number() OVER (ORDER BY urgent DESC,
        CASE WHEN urgent THEN 0 ELSE -p_dangerous * (1 - p_dangerous) * location_factor END,
        unit_id, opening_id) AS place
    FROM own
    WHERE urgent OR (NOT sees_false_ground AND slots IS DISTINCT FROM 'two_slot'
        AND what = CASE WHEN NOT looked THEN 'untested' ELSE 'only_blind_methods' END)
)
SELECT own.unit_id, own.opening_id, own.room, own.circuit_id, own.slots, own.how_known,
    own.urgent_defect, own.grounds, own.defect, own.standing, own.methods, own.verified_on,
    own.reported_fixed_on, own.faults, own.confirmed, own.p_of_era, own.p_of_building,
    own.p_of_dwelling, own.p_of_circuit, own.p_dangerous, {probabilities},
    CASE WHEN own.urgent OR places.place <= $marked THEN places.place END AS next_place
FROM own LEFT JOIN places USING (unit_id, opening_id)
ORDER BY own.unit_id, own.opening_id
"""

_BUILDING = """
SELECT b.building_id, b.name, b.storeys, b.dwelling_units, z.openings_unseen, z.openings_assumed,
    n.what = 'unrecorded' AS unseen_next, g.p_three_slot,
    g.p_dangerous
FROM buildings AS b
JOIN building_sizes AS z USING (building_no)
LEFT JOIN next_looks AS n USING (building_no)
LEFT JOIN opening_groups AS g ON g.building_no = b.building_no AND NOT g.recorded
WHERE b.building_id = ?
"""

_PAPERS = """
SELECT coalesce(r.unit_id, '') AS unit_id, r.report_kind, r.reference, r.reported_on, r.subject
FROM urgent_reports AS r JOIN buildings AS b USING (building_no)
WHERE b.building_id = ? AND NOT r.answered
ORDER BY ALL
"""


def section(con: duckdb.DuckDBPyConnection, building_id: str) -> Section:
    """Cut a building open.

    Args:
        con: a warehouse.
        building_id: the building.

    Raises:
        CoverplateError: if no source names that building.
    """
    found = _rows(con, _BUILDING, [building_id])
    if not found:
        queries.building(con, building_id)
    facts = found[0]
    probabilities = ", ".join(f"own.{name}" for name in queries.PROBABILITIES)
    rows = _rows(
        con,
        _OPENINGS.format(known=KNOWN_SQL, probabilities=probabilities),
        {
            "building": building_id,
            "marked": NEXT_MARKED,
            "no_fault": [each.value for each in (Result.CORRECT, *NO_LOOK_RESULTS)],
        },
    )
    openings = [_opening(number, row) for number, row in enumerate(rows, start=1)]
    papers: dict[str, list[str]] = {}
    for row in _rows(con, _PAPERS, [building_id]):
        papers.setdefault(str(row["unit_id"]), []).append(paper_told(row))
    whole = tuple(papers.pop("", ()))
    dwellings = _dwellings(openings, papers)
    registered = None if facts["storeys"] is None else int(facts["storeys"])
    by_unit, why = storeys_told([each.unit_id for each in dwellings], registered)
    drawn = len(dwellings) <= DWELLINGS_DRAWN and len(openings) <= OPENINGS_DRAWN
    return Section(
        building_id=building_id,
        name=str(facts["name"] or building_id),
        storeys=tuple(
            _storeys(dwellings, by_unit, registered or 0)
            if by_unit
            else _in_order(dwellings, len(dwellings) if drawn else GROUP)
        ),
        storeys_known=bool(by_unit),
        why=why,
        papers=whole,
        unseen_told=unseen_told(facts),
        unseen_next=bool(facts["unseen_next"]),
        drawn=drawn,
        told=tuple(_told(facts, dwellings, openings, why, drawn)),
    )


def _rows(
    con: duckdb.DuckDBPyConnection, query: str, parameters: list[str] | dict[str, object]
) -> list[dict[str, Any]]:
    answer = con.execute(query, parameters)
    names = [str(column[0]) for column in answer.description or ()]
    return [dict(zip(names, row, strict=True)) for row in answer.fetchall()]


def storeys_told(units: Sequence[str], registered: int | None) -> tuple[dict[str, int], str]:
    """Return the storey of each unit whose name tells it, and why none is told.

    Units are named storey and letter ("3B") or storey and two digits ("301", "1204"). All units
    whose names hold a digit must be named one way, on a storey that the register counts.

    Args:
        units: their names.
        registered: storeys by the register, or None.

    Returns:
        Unit to storey, empty where storeys are not known; then the reason, or "".
    """
    numbered = [unit for unit in units if re.search(r"\d", unit)]
    if not numbered:
        return {}, "no unit is named by a number"
    if registered is None:
        return {}, "no register says how many storeys there are"
    for form in (r"([1-9]\d?)[ -]?[A-Za-z]", r"([1-9]\d?)(?!00)\d\d"):
        matches = {unit: re.fullmatch(form, unit.strip()) for unit in numbered}
        if all(matches.values()):
            storeys = {unit: int(found[1]) for unit, found in matches.items() if found}
            highest = max(storeys.values())
            if highest <= registered:
                return storeys, ""
            unit = next(unit for unit in numbered if storeys[unit] == highest)
            return {}, f"unit {unit} would lie above the {registered} that the register counts"
    return {}, "names of units do not tell them"


def _opening(number: int, row: dict[str, Any]) -> Opening:
    known = Known(row["how_known"])
    condition = drawn_as(row, known)
    place = None if row["next_place"] is None else int(row["next_place"])
    return Opening(
        number=number,
        unit_id=str(row["unit_id"] or ""),
        opening_id=str(row["opening_id"]),
        room=row["room"],
        circuit_id=row["circuit_id"],
        slots=row["slots"],
        known=known,
        p_dangerous=float(row["p_dangerous"]),
        condition=condition,
        next_place=place,
        told=sentence(known, row, condition),
        why=tuple(f"{percent(step.after)} {step.known}" for step in told(row)),
    )


def _natural(name: str | None) -> tuple[Any, ...]:
    """A key that puts 2 before 10, and what has no name last."""
    parts = re.split(r"(\d+)", name or "")
    return (
        not name,
        [(0, int(p), "") if p.isdecimal() else (1, 0, p.casefold()) for p in parts if p],
        name or "",
    )


def _dwellings(openings: list[Opening], papers: dict[str, list[str]]) -> list[Dwelling]:
    by_unit: dict[str, dict[str | None, list[Opening]]] = {unit: {} for unit in papers}
    for each in openings:
        by_unit.setdefault(each.unit_id, {}).setdefault(each.circuit_id, []).append(each)
    return [
        Dwelling(
            unit,
            tuple(
                Circuit(name, tuple(sorted(on, key=lambda each: _natural(each.opening_id))))
                for name, on in sorted(circuits.items(), key=lambda pair: _natural(pair[0]))
            ),
            tuple(papers.get(unit, ())),
        )
        for unit, circuits in sorted(by_unit.items(), key=lambda pair: _natural(pair[0]))
    ]


def _storeys(
    dwellings: list[Dwelling], by_unit: dict[str, int], registered: int
) -> Iterable[Storey]:
    on: dict[int, list[Dwelling]] = {}
    rest = []
    for each in dwellings:
        if each.unit_id in by_unit:
            on.setdefault(by_unit[each.unit_id], []).append(each)
        else:
            rest.append(each)
    # Storeys of which nothing is recorded are told together.
    levels = range(registered, 0, -1)
    for recorded, run in itertools.groupby(levels, key=lambda level: level in on):
        numbers = list(run)
        if recorded:
            yield from (Storey(f"Storey {n}", n, tuple(on[n])) for n in numbers)
        elif len(numbers) == 1:
            yield Storey(f"Storey {numbers[0]}", numbers[0], ())
        else:
            yield Storey(f"Storeys {numbers[-1]} to {numbers[0]}", numbers[0], ())
    if rest:
        yield Storey("On no storey by name", None, tuple(rest))


def _in_order(dwellings: list[Dwelling], together: int) -> Iterable[Storey]:
    together = max(1, together)
    for start in range(0, len(dwellings), together):
        group = tuple(dwellings[start : start + together])
        label = "Storeys not known"
        if len(group) < len(dwellings):
            label = f"{group[0].unit_id or 'no unit named'} to {group[-1].unit_id or 'none named'}"
        yield Storey(label, None, group)


def _counts(dwellings: Iterable[Dwelling]) -> dict[Known, int]:
    found = Counter(opening.known for each in dwellings for opening in each.openings)
    return {known: found[known] for known in Known}


def _told(
    facts: dict[str, Any],
    dwellings: list[Dwelling],
    openings: list[Opening],
    why: str,
    drawn: bool,
) -> Iterable[str]:
    dwellings_of = facts["dwelling_units"]
    size = (
        "no register counts its dwellings"
        if dwellings_of is None
        else f"the register counts {plural(dwellings_of, 'dwelling')}"
    )
    recorded = plural(len(openings), "recorded opening")
    yield f"{recorded} in {plural(len(dwellings), 'unit')}; {size}."
    if why and dwellings:
        yield f"Storeys not known: {why}. Units are drawn in order of their names."
    if not drawn:
        yield (
            f"More than {DWELLINGS_DRAWN} units or {OPENINGS_DRAWN:,} openings: counted, and only "
            "those urgent or next to be looked at are drawn."
        )
