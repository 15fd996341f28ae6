"""Draws a portfolio from a world: truth aside, and the exports that anybody could have written."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from shared.records import BUILDING_REGISTER, OPENING_OBSERVATIONS
from tests.evidence.gate import readings
from tests.evidence.gate.hierarchy import (
    CONDITIONS,
    DANGEROUS,
    GRID,
    HANDS,
    OUTCOME_CONDITION,
    OUTCOME_PROTECTED,
    OUTCOME_THREE,
    OUTCOMES,
    STATES,
    World,
)

INSPECTORS = ("Ashdown", "Birkett", "Coldwell", "Dunmore", "Eastwick", "Farrow")
MANAGERS = tuple(f"Manager {letter}" for letter in "ABCDEFGHIJ")
OPENING = ["building_id", "opening_id"]
"""What identifies an opening here: numbers are unique in a building, in no telling order."""


@dataclass(frozen=True)
class Portfolio:
    """A world's portfolio.

    Attributes:
        world: where it comes from.
        register: one row a building, columns of the default layout, as text.
        looks: one row a look, columns of the default layout, as text, always with places.
        truth: one row an opening: building_id, unit_id, circuit_id, opening_id, outcome,
            condition, dangerous, live.
        leniency: by inspector.
    """

    world: World
    register: pd.DataFrame
    looks: pd.DataFrame
    truth: pd.DataFrame
    leniency: dict[str, float]

    def write(self, folder: Path) -> list[Path]:
        """Write register and looks as CSV in the default layout."""
        folder.mkdir(parents=True, exist_ok=True)
        looks = self.looks
        if not self.world.with_places:
            looks = looks.drop(columns=["unit_id", "circuit_id"])
        paths = [folder / "register.csv", folder / "looks.csv"]
        self.register.to_csv(paths[0], index=False)
        looks.to_csv(paths[1], index=False)
        return paths


def generate(world: World, seed: int) -> Portfolio:
    """Draw a portfolio."""
    rng = np.random.default_rng([seed, *world.name.encode()])
    manager_type = rng.choice(2, size=len(MANAGERS), p=world.manager_types)
    leniency = {
        name: world.leniency if number < world.lenient_readers else 0.0
        for number, name in enumerate(rng.permutation(INSPECTORS))
    }
    register: list[dict[str, object]] = []
    truth: list[dict[str, object]] = []
    looks: list[dict[str, str]] = []
    for number in range(world.buildings):
        manager = int(rng.integers(len(MANAGERS)))
        year = _year(rng)
        rewired = bool(year < 1975 and rng.random() < 0.15)
        prior = world.grid_prior(year, rewired, int(manager_type[manager]))
        point = int(rng.choice(len(GRID), p=prior))
        building = f"{number + 1:04d}"
        openings = _openings(rng, world, building, point)
        truth += openings
        dwellings = len({str(opening["unit_id"]) for opening in openings})
        register.append(
            {
                "building_id": building,
                "name": f"House {building}",
                "year_built": year,
                "year_rewired": int(rng.integers(1985, 2016)) if rewired else None,
                "storeys": int(rng.integers(1, 4)),
                "dwelling_units": dwellings,
                "receptacle_count": len(openings),
                "occupants": int(dwellings + rng.integers(0, 2 * dwellings + 1)),
                "manager": MANAGERS[manager],
            }
        )
        if rng.random() < world.visited:
            looks += _visit(rng, world, openings, leniency)
    frame = pd.DataFrame(truth)
    outcomes = frame["outcome"].to_numpy()
    frame["condition"] = np.array(CONDITIONS)[OUTCOME_CONDITION[outcomes]]
    frame["three_slot"] = OUTCOME_THREE[outcomes]
    frame["protected"] = OUTCOME_PROTECTED[outcomes]
    frame["dangerous"] = DANGEROUS[outcomes]
    frame["live"] = frame["condition"].isin(["reversed_false_ground", "hot_on_ground"])
    return Portfolio(
        world,
        pd.DataFrame(register)
        .astype({"year_rewired": "Int64"})
        .reindex(columns=[name for name in BUILDING_REGISTER.columns if name in register[0]]),
        pd.DataFrame(looks)
        .reindex(columns=list(OPENING_OBSERVATIONS.columns))
        .dropna(axis=1, how="all")
        .fillna(""),
        frame,
        leniency,
    )


def _year(rng: np.random.Generator) -> int:
    """Three in four buildings are of the years in which most cases are found."""
    return int(rng.integers(1930, 1976) if rng.random() < 0.75 else rng.integers(1976, 2012))


def _openings(
    rng: np.random.Generator, world: World, building: str, point: int
) -> list[dict[str, object]]:
    found: list[dict[str, object]] = []
    for dwelling in range(int(rng.integers(1, 7))):
        hand = int(rng.choice(len(HANDS), p=world.hands[point]))
        for circuit in range(int(rng.integers(2, 5))):
            state = int(rng.choice(len(STATES), p=world.states[point, hand]))
            for _ in range(int(rng.integers(2, 6))):
                found.append(
                    {
                        "building_id": building,
                        "unit_id": f"{dwelling + 1}",
                        "circuit_id": f"{dwelling + 1}-{circuit + 1}",
                        "outcome": int(rng.choice(OUTCOMES, p=world.outcomes[state])),
                    }
                )
    for opening, number in zip(found, rng.permutation(len(found)), strict=True):
        opening["opening_id"] = f"R{number + 1:03d}"
    return found


def _visit(
    rng: np.random.Generator,
    world: World,
    openings: list[dict[str, object]],
    leniency: dict[str, float],
) -> list[dict[str, str]]:
    """Looks at some dwellings of a building, at some openings in these, by one of two readers."""
    readers = rng.choice(INSPECTORS, size=2, replace=False)
    first = dt.date(2019, 1, 1) + dt.timedelta(days=int(rng.integers(0, 1800)))
    dwellings = sorted({str(opening["unit_id"]) for opening in openings})
    kept = rng.random(len(dwellings)) < world.dwelling_share
    kept[rng.integers(len(dwellings))] = True
    reader_of = {
        unit: str(rng.choice(readers)) for unit, keep in zip(dwellings, kept, strict=True) if keep
    }
    looks: list[dict[str, str]] = []
    for opening in openings:
        unit = str(opening["unit_id"])
        if unit not in reader_of:
            continue
        outcome = int(str(opening["outcome"]))
        lamps, volts, cover = rng.random(3)
        methods = []
        if lamps < world.opening_share:
            methods.append((readings.LAMPS, 0))
        if volts < world.voltmeter_share and OUTCOME_THREE[outcome]:
            methods.append((readings.VOLTMETER, 20))
        if cover < world.cover_off_share:
            methods.append((readings.COVER_OFF, 40))
        for method, days in methods:
            reader = reader_of[unit]
            looks.append(
                {
                    "building_id": str(opening["building_id"]),
                    "unit_id": unit,
                    "opening_id": str(opening["opening_id"]),
                    "circuit_id": str(opening["circuit_id"]),
                    "observed_on": (first + dt.timedelta(days=days)).isoformat(),
                    "inspector": reader,
                    "method": method,
                    "selection": "random",
                    **readings.write(rng, method, outcome, leniency[reader]),
                }
            )
    return looks
