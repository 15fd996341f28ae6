"""Ways between buildings, and the order in which a crew goes to them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import pandas as pd

from pipeline.planning.crews import Crew
from shared.rule_book import Looks

EARTH_KM = 6371.0088
"""Mean radius of the earth, IUGG; from memory."""

START = -1
"""The place where a crew's day begins."""


class Ways:
    """Minutes from place to place for one crew; places are building numbers, or ``START``.

    Args:
        buildings: building_no, building_id, latitude, longitude.
        crew: whose start it is.
        rules: speed and length of ways.
        table: minutes by ends, where somebody gave them; ends are buildings' or crews' names.
    """

    def __init__(
        self,
        buildings: pd.DataFrame,
        crew: Crew,
        rules: Looks,
        table: Mapping[tuple[str, str], float],
    ) -> None:
        self._at: dict[int, tuple[float, float]] = {}
        self._name = {START: crew.crew}
        for number, name, latitude, longitude in buildings[
            ["building_no", "building_id", "latitude", "longitude"]
        ].itertuples(index=False):
            self._name[number] = str(name)
            if not (pd.isna(latitude) or pd.isna(longitude)):
                self._at[number] = (math.radians(latitude), math.radians(longitude))
        # a start is known by its place, or by ways to or from it that somebody gave
        self.has_start = any(crew.crew in ends for ends in table)
        if crew.start_latitude is not None and crew.start_longitude is not None:
            self.has_start = True
            self._at[START] = (
                math.radians(crew.start_latitude), math.radians(crew.start_longitude)
            )  # fmt: skip
        self._table = table
        self._unknown = float(rules.unknown_travel_minutes)
        self._minutes_a_km = 60.0 * float(rules.travel_factor) / float(rules.travel_speed)
        self._known: dict[tuple[int, int], float] = {}

    def leg(self, start: int, end: int) -> float:
        """Minutes of the way from one place to another."""
        if start == end:
            return 0.0
        key = (start, end)
        if key not in self._known:
            self._known[key] = self._leg(start, end)
        return self._known[key]

    def _leg(self, start: int, end: int) -> float:
        given = self._table.get((self._name[start], self._name[end]))
        if given is not None:
            return given
        first, last = self._at.get(start), self._at.get(end)
        if first is None or last is None:
            # a crew whose start is not known comes from somewhere, and is at home where it ends
            return 0.0 if end == START and not self.has_start else self._unknown
        (a, b), (c, d) = first, last
        half = math.sin((c - a) / 2) ** 2 + math.cos(a) * math.cos(c) * math.sin((d - b) / 2) ** 2
        return 2 * EARTH_KM * math.asin(math.sqrt(min(half, 1.0))) * self._minutes_a_km

    def legs(self, places: Sequence[int]) -> list[float]:
        """Minutes of every way along places.

        What lies between two known places may be unknown: the way past it is no shorter than the
        known one, so that no unknown place brings known ones nearer; what lacks is added to the
        way to the second. Ways that the table gives are left as they are.
        """
        found: list[float] = []
        last: int | None = None
        since, guessed = 0.0, False
        for place, end in enumerate(places):
            if place:
                start = places[place - 1]
                found.append(self.leg(start, end))
                since += found[-1]
                guessed |= start != end and (self._name[start], self._name[end]) not in self._table
            if end not in self._at:
                continue
            if last is not None and guessed and (lacks := self.leg(last, end) - since) > 0:
                found[-1] += lacks
            last, since, guessed = end, 0.0, False
        return found

    def length(self, places: Sequence[int]) -> float:
        """Minutes of all ways along places."""
        return sum(self.legs(places))

    def best_place(
        self, places: Sequence[int], new: int, first: int, last: int
    ) -> tuple[int, float]:
        """After which of the places ``first`` to ``last`` a building costs fewest minutes, and how
        many."""
        known = [place for place, each in enumerate(places) if each in self._at]
        found = (first, math.inf)
        for before in range(first, last + 1):
            # ways change between the known places on either side only
            begin = max((each for each in known if each <= before), default=before)
            end = min((each for each in known if each > before), default=before + 1)
            head, tail = places[begin : before + 1], places[before + 1 : end + 1]
            more = self.length([*head, new, *tail]) - self.length([*head, *tail])
            if more < found[1] - 1e-9:
                found = (before, more)
        return found

    def ordered(
        self, route: Sequence[int], before: Sequence[int], after: Sequence[int]
    ) -> list[int]:
        """A short order of a route between what comes before and after it: stretches are turned
        round, and buildings moved, while that helps."""
        best = list(route)
        length = self.length([*before, *best, *after])
        better = True
        while better:
            better = False
            for other in _others(best):
                other_length = self.length([*before, *other, *after])
                if other_length < length - 1e-9:
                    best, length, better = other, other_length, True
                    break
        return best


def _others(route: list[int]) -> list[list[int]]:
    size = len(route)
    turned = [
        route[:i] + route[i:j][::-1] + route[j:]
        for i in range(size)
        for j in range(i + 2, size + 1)
    ]
    moved = []
    for i in range(size):
        rest = route[:i] + route[i + 1 :]
        moved += [[*rest[:j], route[i], *rest[j:]] for j in range(size) if j != i]
    return turned + moved
