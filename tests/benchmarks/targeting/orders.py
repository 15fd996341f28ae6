"""Orders that need no model, one that knows the truth, and the plan of looks, on one clock.

All of them pay the same: the rule book's minutes for ways (no building has coordinates, so that all
ways are alike), arrival, entry and looks. The simple ones go from building to building and look at
every opening there by a voltmeter under load, the quickest method of these worlds that sees a false
ground. Something is found where a look at a truly dangerous opening, whose danger no look showed
before, does not read "correct".
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline import landing
from pipeline.landing import Workspace
from pipeline.planning.day import crews_alike, plan_looks
from pipeline.warehouse import queries, store
from pipeline.warehouse.build import build
from pipeline.warehouse.narrowing import Narrowing
from shared.numbers import Number
from shared.rule_book import RuleBook, load_rule_book
from shared.vocabulary import Method
from tests.evidence.gate import readings
from tests.evidence.gate.generate import Portfolio

HOURS = 8.0
TOOLS = (readings.LAMPS, readings.VOLTMETER, readings.COVER_OFF)
"""Methods for which these worlds say what a look reads."""

Key = tuple[str, str]
Curve = list[tuple[float, int]]
"""Minutes spent and openings found by then, in order."""


def rules() -> RuleBook:
    """The rule book of crews that have no other tools."""
    book = load_rule_book()
    never = Number(value=1e6, unit="minutes", source="not at hand")
    minutes = {m: v if m in TOOLS else never for m, v in book.looks.minutes.items()}
    return book.model_copy(update={"looks": book.looks.model_copy(update={"minutes": minutes})})


@dataclass
class Field:
    """A portfolio as crews meet it: they look, and what they find is counted.

    Attributes:
        portfolio: the truth.
        known: openings that were looked at by a method able to see a false ground, or showed a
            danger.
        found: dangerous ones newly found.
    """

    portfolio: Portfolio
    seed: int

    def __post_init__(self) -> None:
        truth, looks = self.portfolio.truth, self.portfolio.looks
        self.rng = np.random.default_rng(self.seed)
        self.truth = truth.set_index(["building_id", "opening_id"])
        shown = looks[~looks["result"].isin(["correct"])]
        capable = looks[looks["method"].isin([readings.VOLTMETER, readings.COVER_OFF])]
        self.shown: set[Key] = set(zip(shown["building_id"], shown["opening_id"], strict=True))
        self.known = self.shown | set(
            zip(capable["building_id"], capable["opening_id"], strict=True)
        )
        self.recorded: set[Key] = set(zip(looks["building_id"], looks["opening_id"], strict=True))
        dangerous = truth[truth["dangerous"]]
        self.to_find = len(
            set(zip(dangerous["building_id"], dangerous["opening_id"], strict=True)) - self.shown
        )
        self.found = 0

    def look(self, key: Key, method: str) -> dict[str, str]:
        """Look at an opening; return what is written down."""
        row = self.truth.loc[key]
        cells = readings.write(self.rng, method, int(row["outcome"]), 0.0)
        if cells["result"] != "correct":
            self.found += bool(row["dangerous"]) and key not in self.shown
            self.shown.add(key)
        self.known.add(key)
        self.recorded.add(key)
        return {
            "building_id": key[0], "unit_id": str(row["unit_id"]), "opening_id": key[1],
            "circuit_id": str(row["circuit_id"]), "method": method, **cells,
        }  # fmt: skip


def by_buildings(
    field: Field, order: Iterable[str], minutes: float, wanted: Callable[[Key], bool]
) -> Curve:
    """Go from building to building and look at the openings wanted, dwelling by dwelling."""
    book = load_rule_book().looks
    there = float(book.unknown_travel_minutes) + float(book.arrival_minutes)
    each = float(book.minutes[Method.VOLTMETER_UNDER_LOAD])
    spent, curve = 0.0, [(0.0, 0)]
    of = dict(iter(field.truth["unit_id"].groupby(level=0)))
    for building in order:
        here = [
            (unit, key) for key, unit in sorted(of[building].items(), key=lambda each: each[1])
            if key not in field.known and wanted(key)
        ]  # fmt: skip
        if not here:
            continue
        spent += there
        entered = ""
        for unit, key in here:
            spent += each + (float(book.entry_minutes) if unit != entered else 0.0)
            entered = unit
            if spent > minutes:
                return curve
            field.look(key, readings.VOLTMETER)
            curve.append((spent, field.found))
    return curve


def by_plan(field: Field, folder: Path, days: int, say: Callable[[str], None]) -> Curve:
    """Plan a day, look, take the looks in, build, and plan the next."""
    workspace = Workspace(folder / "workspace").create()
    landing.intake(workspace, field.portfolio.write(folder / "exports"))
    book, curve = rules(), [(0.0, 0)]
    for number in range(days):
        build(workspace)
        day = dt.date(2026, 1, 5) + dt.timedelta(days=number)
        with store.reading(workspace) as con:
            plan = plan_looks(
                con, book, Narrowing(), crews_alike(1, HOURS), day=day, urgent=False,
                version=str(queries.build_facts(con)["version"]),
            )  # fmt: skip
        looks = []
        for stop in plan.stops.to_dict(orient="records"):
            building = str(stop["building_id"])
            if stop["opening_id"]:
                keys = [(building, each) for each in (stop["opening_id"], *stop["also"])]
            else:
                pool = sorted(
                    (building, each) for each in field.truth.loc[building].index
                    if (building, each) not in field.recorded
                )  # fmt: skip
                take = min(int(stop["how_many"]), len(pool))
                keys = [pool[i] for i in field.rng.choice(len(pool), take, replace=False)]
            begun = number * 60 * HOURS + stop["begins_after"]
            for place, key in enumerate(keys, start=1):
                looks.append({
                    **field.look(key, stop["method"]),
                    "observed_on": day.isoformat(), "inspector": "T. Greaves",
                    "selection": "random" if stop["random_pick"] or not stop["opening_id"]
                    else "targeted",
                })  # fmt: skip
                curve.append((begun + place / len(keys) * stop["minutes"], field.found))
        say(f"day {number + 1}: {len(looks)} looks, {field.found} found")
        frame = pd.DataFrame(looks)
        if not field.portfolio.world.with_places:
            frame = frame.drop(columns=["unit_id", "circuit_id"])
        path = folder / f"day-{number + 1}.csv"
        frame.to_csv(path, index=False)
        landing.intake(workspace, [path])
    return curve


def simple_orders(portfolio: Portfolio, seed: int) -> dict[str, list[str]]:
    """Orders of buildings that need no model."""
    register, looks = portfolio.register.set_index("building_id"), portfolio.looks
    failed = looks[~looks["result"].isin(["correct"])].groupby("building_id").size()
    failures = failed.reindex(register.index, fill_value=0)
    rng = np.random.default_rng(seed)
    return {
        "oldest first": list(register["year_built"].sort_values(kind="stable").index),
        "most failed readings first": list((-failures).sort_values(kind="stable").index),
        "most units first": list((-register["dwelling_units"]).sort_values(kind="stable").index),
        "random": list(rng.permutation(register.index)),
    }


def knowing_order(field: Field) -> list[str]:
    """Buildings by how many dangerous openings a minute are still to be found there."""
    book = load_rule_book().looks
    truth = field.truth.reset_index()
    known = [
        key in field.known for key in zip(truth["building_id"], truth["opening_id"], strict=True)
    ]
    bad = truth[truth["dangerous"] & ~np.array(known)]
    of = bad.groupby("building_id")
    minutes = (
        float(book.unknown_travel_minutes) + float(book.arrival_minutes)
        + float(book.entry_minutes) * of["unit_id"].nunique()
        + float(book.minutes[Method.VOLTMETER_UNDER_LOAD]) * of.size()
    )  # fmt: skip
    return list((of.size() / minutes).sort_values(ascending=False, kind="stable").index)
