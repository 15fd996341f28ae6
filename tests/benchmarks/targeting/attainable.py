"""The order of somebody who knows a world's rules, not its truth, and thinks after every look.

Its chances are the exact posterior's (``tests.evidence.gate.exact``), so that it stands for the
best that can be had of the evidence: it knows the world's own rates, how leniently each reader
reads and on which circuit every opening lies. It goes where most is found a minute, looks at the
likeliest opening first, and leaves when what is left there finds less a minute than going
elsewhere. It plans no more than one visit ahead, has the voltmeter only, and leaves no visit to the
lot, so that it is a high mark and not a proven bound.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from shared.rule_book import load_rule_book
from shared.vocabulary import Method
from tests.benchmarks.targeting.orders import Curve, Field, Key
from tests.evidence.gate import readings
from tests.evidence.gate.exact import Sums, arranged
from tests.evidence.gate.hierarchy import CONDITIONS, DANGEROUS, OUTCOME_CONDITION, Floats


def _finds() -> Floats:
    """Chance that a voltmeter's look at each outcome, if it is dangerous, is not "correct"."""
    by_condition = np.zeros(len(CONDITIONS))
    rng = np.random.default_rng(0)
    for number in range(len(CONDITIONS)):
        outcome = int(np.flatnonzero(number == OUTCOME_CONDITION)[-1])
        written = [readings.write(rng, readings.VOLTMETER, outcome, 0.0) for _ in range(2000)]
        by_condition[number] = np.mean([cells["result"] != "correct" for cells in written])
    found: Floats = by_condition[OUTCOME_CONDITION] * DANGEROUS
    return found


class _Posterior:
    """What is known of every opening, updated look by look."""

    def __init__(self, field: Field) -> None:
        self.world = field.portfolio.world
        self.buildings, keys = arranged(field.portfolio)
        self.keys: list[list[Key]] = [
            list(zip(frame["building_id"], frame["opening_id"], strict=True)) for frame in keys
        ]
        self.place = {key: (n, i) for n, ks in enumerate(self.keys) for i, key in enumerate(ks)}
        self.weights = [[c for d in b.dwellings for c in d] for b in self.buildings]
        self.priors = [
            np.stack([
                self.world.grid_prior(b.year_built, b.rewired, kind)
                for kind in range(len(self.world.manager_types))
            ])
            for b in self.buildings
        ]  # fmt: skip
        self.sums = [Sums(self.world, b) for b in self.buildings]
        self.by_type = np.array(
            [np.log(p @ s.weights) for p, s in zip(self.priors, self.sums, strict=True)]
        )
        self.managers = np.array([b.manager for b in self.buildings])
        self.finds = _finds()

    def values(self, number: int) -> Floats:
        """Chance to find something dangerous, by opening of a building."""
        others = self.managers == self.managers[number]
        others[number] = False
        message = self.by_type[others].sum(axis=0)
        kinds = self.world.manager_types * np.exp(message - message.max())
        weights = ((kinds / kinds.sum()) @ self.priors[number]) * self.sums[number].weights
        chances: Floats = self.sums[number].outcomes(weights / weights.sum()) @ self.finds
        return chances

    def learn(self, key: Key, cells: Mapping[str, str]) -> None:
        """Take a look in."""
        number, place = self.place[key]
        for weights in self.weights[number]:
            if place < len(weights):
                weights[place] *= readings.likelihood(cells, 0.0)
                break
            place -= len(weights)
        self.sums[number] = Sums(self.world, self.buildings[number])
        self.by_type[number] = np.log(self.priors[number] @ self.sums[number].weights)


def by_exact_posterior(field: Field, minutes: float) -> Curve:
    """Go where most is found a minute by the exact posterior, thinking anew after every look."""
    book = load_rule_book().looks
    there = float(book.unknown_travel_minutes) + float(book.arrival_minutes)
    entry, each = float(book.entry_minutes), float(book.minutes[Method.VOLTMETER_UNDER_LOAD])
    known = _Posterior(field)
    units = [[str(field.truth.loc[key, "unit_id"]) for key in keys] for keys in known.keys]
    values = [known.values(number) for number in range(len(known.keys))]

    def best(number: int, entered: set[str], way: float) -> tuple[float, list[int]]:
        """Findings a minute of the best visit to a building, and its openings in order."""
        chances = values[number]
        left: dict[str, list[int]] = {}
        for place in np.argsort(-chances, kind="stable").tolist():
            if known.keys[number][place] not in field.known:
                left.setdefault(units[number][place], []).append(place)
        worth, spent, rate, line = 0.0, way, 0.0, []
        parts = []
        for unit, places in left.items():
            door = 0.0 if unit in entered else entry
            gained = np.cumsum(chances[places])
            rates = gained / (door + each * np.arange(1, len(places) + 1))
            parts.append((float(rates.max()), door, places))
        for _, door, places in sorted(parts, key=lambda part: -part[0]):
            taken, more, here = worth, spent + door, []
            for place in places:
                taken, more = taken + float(chances[place]), more + each
                here.append(place)
                if taken / more > rate:
                    rate, worth, spent = taken / more, taken, more
                    line, here = line + here, []
        return rate, line

    spent, curve = 0.0, [(0.0, 0)]
    standing: int | None = None
    entered: set[str] = set()
    while True:
        offers = [
            (*best(n, entered if n == standing else set(), 0.0 if n == standing else there), n)
            for n in range(len(known.keys))
        ]
        _, line, number = max(offers, key=lambda offer: offer[0])
        if not line:
            return curve
        if number != standing:
            standing, entered = number, set()
            spent += there
        key = known.keys[number][line[0]]
        unit = units[number][line[0]]
        spent += each + (0.0 if unit in entered else entry)
        entered.add(unit)
        if spent > minutes:
            return curve
        known.learn(key, field.look(key, readings.VOLTMETER))
        curve.append((spent, field.found))
        same = np.flatnonzero(known.managers == known.managers[number]).tolist()
        for other in same if len(known.world.manager_types) > 1 else [number]:
            values[other] = known.values(other)
