"""A crew's day as it is put together: where it goes, in which order, and what it does there."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field, replace

from pipeline.planning.crews import Crew
from pipeline.planning.look_values import Level
from pipeline.planning.routes import START, Ways

Key = tuple[int, str, bool]
SOON = 1e-9


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
    def _end(self) -> list[int]:
        return [START] if self.ways.has_start else []

    @property
    def minutes(self) -> float:
        """What the day takes, the way back to a known start with it."""
        stops = [*self.first, *self.then]
        arrivals = sum(a != b for a, b in itertools.pairwise([START, *stops]))
        looks = sum(part.level.minutes for part in self.parts)
        return self.ways.length([START, *stops, *self._end]) + arrivals * self.arrival + looks

    @property
    def way_back(self) -> float:
        """Minutes from the last building back to a known start, within those of the day."""
        stops = [START, *self.first, *self.then]
        if len(stops) == 1 or not self.ways.has_start:
            return 0.0
        return self.ways.length([*stops, START]) - self.ways.length(stops)

    @property
    def expected(self) -> float:
        """Dangerous openings that it is expected to find newly."""
        return sum(part.level.expected for part in self.parts)

    def cost(self, building: int, *, must: bool = False) -> tuple[int, float]:
        """Where the building is best put in, and the minutes that this takes without looks."""
        line = self.first if must else self.then
        if building in line:
            return -1, 0.0
        places = [START, *self.first, *self.then, *self._end]
        begin = 0 if must else len(self.first)
        place, more = self.ways.best_place(places, building, begin, begin + len(line))
        joins = building in places[place : place + 2]
        return place - begin, more + (0.0 if joins else self.arrival)

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
        self.first = self.ways.ordered(self.first, [START], [*self.then, *self._end])
        self.then = self.ways.ordered(self.then, [START, *self.first], self._end)
