"""Scenes put into each invented portfolio on purpose, so that they are seen in the first minute.

A scene changes the truth of one circuit or dwelling that nobody had looked at, and adds the looks
of people who were there. What Coverplate should make of it is told apart from it, in words and
identifiers, and is written to ``expected.json``; nothing else in the program knows of scenes.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from data_demo.arrays import Bools
from data_demo.generator import Portfolio
from data_demo.layout import SHARED_AREA
from data_demo.wiring import CircuitState, Hand
from shared.records import OPENING_OBSERVATIONS
from shared.vocabulary import (
    Condition,
    Method,
    Polarity,
    Result,
    Selection,
    Slots,
    WiringMethod,
    YesNo,
)

Cells = Mapping[str, object]

OLD = 1965
"""Scenes of converted wiring play in buildings from before this year."""
OPENINGS_NEEDED = 4
"""Openings on a circuit that a scene needs."""


@dataclass(frozen=True)
class Cast:
    """Who plays: a reader with a voltmeter and the default layout, one who opens boxes, one with
    nothing but lamps; and whether there is the building in which place decides."""

    meter: str
    opener: str
    lamps: str
    place_decides: bool = False


CASTS: dict[str, Cast] = {
    "housing_authority": Cast("K. Orlan", "S. Ambrel", "T. Vesk", place_decides=True),
    "property_manager": Cast("P. Corrow", "L. Fennadine", "crew phone 3"),
    "insurer": Cast("Surveyor 14", "Surveyor 20", "Surveyor 11"),
}
"""Of each portfolio that has scenes."""

AS_GROUNDED: Cells = {
    "slots": Slots.THREE_SLOT.value,
    "condition": Condition.GROUNDED.value,
    "gfci": False,
    "marking": None,
    "circuit_state": CircuitState.GROUNDED.value,
    "wiring_ungrounded": False,
    "converted": False,
    "ground_wire": True,
    "jumper_here": False,
    "stretch_feet": np.nan,
    "poor_ohms": np.nan,
}
AS_JUMPERED: Cells = {
    **AS_GROUNDED,
    "condition": Condition.FALSE_GROUND.value,
    "circuit_state": CircuitState.JUMPERED.value,
    "wiring_ungrounded": True,
    "converted": True,
    "ground_wire": False,
    "jumper_here": True,
}
AS_LIVE: Cells = {**AS_JUMPERED, "condition": Condition.REVERSED_FALSE_GROUND.value}
AS_FED_FROM_A_JUMPER: Cells = {
    **AS_JUMPERED,
    "condition": Condition.FALSE_GROUND_UPSTREAM.value,
    "circuit_state": CircuitState.HEAD_JUMPERED.value,
    "ground_wire": True,
    "jumper_here": False,
}
AS_POOR: Cells = {
    **AS_GROUNDED,
    "condition": Condition.POOR_GROUND.value,
    "circuit_state": CircuitState.POOR.value,
}

OPEN_BOX: Cells = {"cover_removed": YesNo.YES.value, "polarity": Polarity.CORRECT.value}
SOUND_BOX: Cells = {
    **OPEN_BOX,
    "result": Result.CORRECT.value,
    "ground_present": YesNo.YES.value,
    "neutral_ground_jumper": YesNo.NO.value,
}
JUMPERED_BOX: Cells = {
    **OPEN_BOX,
    "result": Result.FALSE_GROUND.value,
    "ground_present": YesNo.NO.value,
    "neutral_ground_jumper": YesNo.YES.value,
}
PASS: Cells = {"result": Result.CORRECT.value}


def with_scenes(portfolio: Portfolio, name: str) -> tuple[Portfolio, dict[str, Any]]:
    """Put a portfolio's scenes into it.

    Args:
        portfolio: as generated.
        name: key in ``CASTS``.

    Returns:
        The portfolio with the scenes' truth and looks, and what is expected of them by scene: see
        ``data_demo/README.md``.
    """
    stage = _Stage(portfolio, CASTS[name])
    expected: dict[str, Any] = {}
    if stage.cast.place_decides:
        expected["place_decides"] = _place_decides(stage)
    expected["urgent"] = [
        _plate_volts(stage),
        _passed_again_by_lamps(stage),
        _shock(stage),
        _scorched(stage),
        _abnormal_supply(stage),
    ]
    expected["cleared"] = [_cleared(stage)]
    expected["upstream"] = [_upstream(stage)]
    expected["poor_ground"] = [_poor_ground(stage)]
    return stage.played(), expected


class _Stage:
    """A portfolio under change: truth by opening, looks added, buildings already played in."""

    def __init__(self, portfolio: Portfolio, cast: Cast) -> None:
        self.cast = cast
        self.portfolio = portfolio
        self.truth = portfolio.truth.copy()
        self.looks: list[dict[str, object]] = []
        self.used: set[str] = set()
        seen = portfolio.observations[["building_id", "unit_id", "opening_id"]].drop_duplicates()
        key = ["building_id", "unit_id", "opening_id"]
        self.looked_at = (
            self.truth[key].merge(seen, on=key, how="left", indicator=True)["_merge"].eq("both")
        ).to_numpy(copy=True)
        facts = portfolio.full_register.set_index("building_id")
        self.built = self.truth["building_id"].map(facts["year_built"]).to_numpy(dtype=np.int64)
        self.method = self.truth["building_id"].map(facts["wiring_method"]).to_numpy()
        self.rewired = self.truth["building_id"].map(facts["year_rewired"]).notna().to_numpy()

    def metal(self) -> Bools:
        """Openings in buildings where metal serves as ground."""
        kinds = [WiringMethod.ARMORED_CABLE.value, WiringMethod.METAL_RACEWAY.value]
        return np.isin(self.method.astype(str), kinds)

    def old(self) -> Bools:
        """Openings in buildings first wired without a ground and never rewired as a whole."""
        return (self.built < OLD) & ~self.rewired & ~self.metal()

    def newer(self) -> Bools:
        """Openings in buildings with a ground wire, from the start or since they were rewired."""
        return ((self.built >= OLD) | self.rewired) & ~self.metal()

    def circuit(self, where: Bools) -> list[int]:
        """Take a whole circuit of a dwelling that nobody looked at; rows of the truth, in order.

        One in a building without a scene, if there is one.

        Raises:
            LookupError: if there is none.
        """
        fresh = where & ~self.looked_at & (self.truth["unit_id"] != SHARED_AREA).to_numpy()
        groups = self.truth.assign(fresh=fresh).groupby(
            ["building_id", "unit_id", "circuit_id"], sort=False, dropna=False
        )
        found: list[int] = []
        for (building, _, _), rows in groups:
            if len(rows) < OPENINGS_NEEDED or not rows["fresh"].all():
                continue
            if found and building in self.used:
                continue
            found = [int(row) for row in rows.index]
            if building not in self.used:
                break
        if not found:
            raise LookupError("no circuit is left that nobody looked at; choose another seed")
        self.used.add(str(self.truth.at[found[0], "building_id"]))
        self.looked_at[found] = True
        return found

    def wire(self, rows: list[int], cells: Cells) -> None:
        """Change the truth of openings."""
        for column, value in cells.items():
            values = self.truth[column].to_numpy(copy=True)
            values[rows] = value
            self.truth[column] = values

    def look(self, row: int, who: str, day: dt.date, method: Method, cells: Cells) -> None:
        """Add a look at an opening."""
        opening = self.truth.loc[row]
        known = ("building_id", "unit_id", "room", "opening_id", "circuit_id", "slots")
        self.looks.append(
            {
                **{column: opening[column] for column in known},
                "observed_on": pd.Timestamp(day),
                "inspector": who,
                "method": method.value,
                "selection": Selection.RANDOM.value,
                **cells,
            }
        )

    def named(self, row: int) -> dict[str, str | None]:
        """Say which opening a row of the truth is."""
        key = ("building_id", "unit_id", "opening_id")
        cells = {column: self.truth[column].to_numpy()[row] for column in key}
        return {column: None if pd.isna(cell) else str(cell) for column, cell in cells.items()}

    def played(self) -> Portfolio:
        """Return the portfolio with the scenes, looks in order of day."""
        before = self.portfolio.observations
        added = pd.DataFrame(self.looks, columns=list(OPENING_OBSERVATIONS.columns))
        for column in before.columns:
            if before[column].dtype == object:
                cells = added[column].astype(object)
                added[column] = cells.where(cells.notna(), None)
            else:
                added[column] = added[column].astype(before[column].dtype)
        looks = pd.concat([before, added], ignore_index=True)
        looks = looks.sort_values("observed_on", kind="stable", ignore_index=True)
        return replace(self.portfolio, truth=self.truth, observations=looks)


def _place_decides(stage: _Stage) -> dict[str, Any]:
    """One dwelling converted by jumper beside one that was rewired; lamps pass both alike."""
    truth = stage.truth
    unseen = ~pd.Series(stage.looked_at).groupby(truth["building_id"]).transform("any")
    fitting = truth[stage.old() & unseen.to_numpy() & truth["unit_id"].isin(["1A", "1B"])]
    several = fitting.groupby("building_id", sort=False)["unit_id"].nunique()
    buildings = several.index[several == 2]
    if buildings.empty:
        raise LookupError("no building is left that nobody looked at; choose another seed")
    building = str(buildings[0])
    stage.used.add(building)
    stage.looked_at |= (truth["building_id"] == building).to_numpy()
    told: dict[str, Any] = {"building_id": building}
    for name, unit, hand, cells, found in (
        ("jumpered", "1A", Hand.JUMPER, AS_JUMPERED, JUMPERED_BOX),
        ("rewired", "1B", Hand.REWIRED, AS_GROUNDED, SOUND_BOX),
    ):
        home = truth[(truth["building_id"] == building) & (truth["unit_id"] == unit)]
        stage.wire(list(home.index), {**cells, "hand": hand.value})
        opened = set(home.groupby("circuit_id", sort=False).head(1).index)
        for row in home.index:
            if row in opened:
                day, who = dt.date(2024, 11, 18), stage.cast.opener
                stage.look(row, who, day, Method.COVER_OFF_INSPECTION, found)
            else:
                day, who = dt.date(2024, 3, 12), stage.cast.meter
                stage.look(row, who, day, Method.THREE_LAMP_TESTER, PASS)
        told[name] = {
            "unit_id": unit,
            "cover_off": [str(truth.at[row, "opening_id"]) for row in home.index if row in opened],
            "passed_lamps": [
                str(truth.at[row, "opening_id"]) for row in home.index if row not in opened
            ],
            "condition": str(cells["condition"]),
        }
    return told


def _plate_volts(stage: _Stage) -> dict[str, Any]:
    """The slots read right, and the cover plate stands at the supply voltage."""
    row = stage.circuit(stage.old())[1]
    stage.wire([row], AS_LIVE)
    cells = {
        **PASS,
        "hot_neutral_volts": 120.4,
        "neutral_ground_volts": 0.01,
        "load_amps": 11.6,
        "plate_earth_volts": 118.7,
        "non_contact_detector": YesNo.YES.value,
    }
    day = dt.date(2025, 2, 6)
    stage.look(row, stage.cast.meter, day, Method.VOLTMETER_UNDER_LOAD, cells)
    return {**stage.named(row), "defect": "live_metal", "says": "118.7 V from plate to earth"}


def _passed_again_by_lamps(stage: _Stage) -> dict[str, Any]:
    """Volts on the ground contact; a later pass by lamps takes nothing back."""
    row = stage.circuit(stage.old())[0]
    stage.wire([row], AS_LIVE)
    cells = {**PASS, "ground_contact_earth_volts": 119.2}
    stage.look(row, stage.cast.meter, dt.date(2024, 5, 22), Method.VOLTMETER_UNDER_LOAD, cells)
    stage.look(row, stage.cast.lamps, dt.date(2025, 3, 19), Method.THREE_LAMP_TESTER, PASS)
    return {
        **stage.named(row),
        "defect": "live_metal",
        "says": "119.2 V from ground contact to earth",
        "later_pass_by": Method.THREE_LAMP_TESTER.value,
    }


def _shock(stage: _Stage) -> dict[str, Any]:
    """Somebody had a shock; the lamps pass."""
    row = stage.circuit(stage.old())[1]
    stage.wire([row], AS_LIVE)
    cells = {
        **PASS,
        "selection": Selection.COMPLAINT.value,
        "shock_reported": YesNo.YES.value,
        "note": "tenant had a shock from the kettle",
    }
    stage.look(row, stage.cast.meter, dt.date(2025, 1, 27), Method.THREE_LAMP_TESTER, cells)
    return {**stage.named(row), "defect": "shock_reported", "says": "a shock was reported"}


def _scorched(stage: _Stage) -> dict[str, Any]:
    """An open neutral that has been hot."""
    row = stage.circuit(stage.newer())[2]
    stage.wire([row], {**AS_GROUNDED, "condition": Condition.OPEN_NEUTRAL.value})
    cells = {"result": Result.OPEN_NEUTRAL.value, "heat_or_scorch": YesNo.YES.value}
    stage.look(row, stage.cast.meter, dt.date(2024, 12, 3), Method.THREE_LAMP_TESTER, cells)
    return {**stage.named(row), "defect": "heat_or_scorch", "says": "heat or scorch marks"}


def _abnormal_supply(stage: _Stage) -> dict[str, Any]:
    """A neutral that two circuits share is broken: too many volts on one of them."""
    rows = stage.circuit(stage.newer())
    stage.wire(rows, {**AS_GROUNDED, "condition": Condition.SHARED_NEUTRAL_OPEN.value})
    cells = {
        "result": Result.ABNORMAL_VOLTAGE.value,
        "hot_neutral_volts": 163.5,
        "neutral_ground_volts": 43.8,
        "note": "lamps in the room very bright",
    }
    day = dt.date(2025, 4, 9)
    stage.look(rows[1], stage.cast.meter, day, Method.VOLTMETER_UNDER_LOAD, cells)
    return {
        **stage.named(rows[1]),
        "defect": "abnormal_voltage",
        "says": "supply voltage 163.5 V",
    }


def _cleared(stage: _Stage) -> dict[str, Any]:
    """Lamps showed hot and ground reversed at an open neutral under load; the open box says so."""
    row = stage.circuit(stage.newer())[1]
    stage.wire([row], {**AS_GROUNDED, "condition": Condition.OPEN_NEUTRAL.value})
    cells = {"result": Result.HOT_GROUND_REVERSED.value}
    stage.look(row, stage.cast.meter, dt.date(2024, 6, 11), Method.THREE_LAMP_TESTER, cells)
    box = {**SOUND_BOX, "result": Result.OPEN_NEUTRAL.value}
    day = dt.date(2024, 6, 12)
    stage.look(row, stage.cast.opener, day, Method.COVER_OFF_INSPECTION, box)
    return {
        **stage.named(row),
        "said": "hot_on_ground",
        "cleared_by_method": Method.COVER_OFF_INSPECTION.value,
        "cleared_on": day.isoformat(),
    }


def _upstream(stage: _Stage) -> dict[str, Any]:
    """A box without a jumper and with a ground wire; the jumper is in the box before it."""
    head, *beyond = stage.circuit(stage.old())
    feet = stage.truth["run_feet"]
    stage.wire([head], {**AS_JUMPERED, "circuit_state": CircuitState.HEAD_JUMPERED.value})
    stage.wire(beyond, AS_FED_FROM_A_JUMPER)
    stage.truth.loc[beyond, "stretch_feet"] = (feet[beyond] - feet[head]).round(1)
    opener = stage.cast.opener
    row = beyond[1]
    stage.look(row, opener, dt.date(2024, 9, 17), Method.COVER_OFF_INSPECTION, SOUND_BOX)
    found = {
        **SOUND_BOX,
        "result": Result.FALSE_GROUND_UPSTREAM.value,
        "selection": Selection.TARGETED.value,
    }
    stage.look(row, opener, dt.date(2025, 5, 14), Method.UPSTREAM_BOX_SEEN, found)
    lamps = stage.cast.meter
    stage.look(beyond[0], lamps, dt.date(2024, 4, 23), Method.THREE_LAMP_TESTER, PASS)
    return {
        **stage.named(row),
        "cover_off_said": Result.CORRECT.value,
        "condition": Condition.FALSE_GROUND_UPSTREAM.value,
        "head": stage.named(head)["opening_id"],
    }


def _poor_ground(stage: _Stage) -> dict[str, Any]:
    """Armored cable whose metal is a poor way back: passed by lamps, shown by the ohms."""
    rows = stage.circuit(stage.metal())
    stage.wire(rows, AS_POOR)
    ohms = (8.4, 23.0, 61.5)
    stage.truth.loc[rows, "poor_ohms"] = [*ohms, *(12.0 for _ in rows[len(ohms) :])]
    day = dt.date(2025, 6, 3)
    for row, read in zip(rows, ohms, strict=False):
        cells = {"result": Result.POOR_GROUND.value, "ground_path_ohms": read}
        stage.look(row, stage.cast.opener, day, Method.GROUND_IMPEDANCE_METER, cells)
    stage.look(rows[3], stage.cast.meter, day, Method.THREE_LAMP_TESTER, PASS)
    return {
        **stage.named(rows[1]),
        "condition": Condition.POOR_GROUND.value,
        "ground_path_ohms": ohms[1],
    }
