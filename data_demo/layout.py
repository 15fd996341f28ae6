"""Where the openings of an invented building are: dwellings, rooms, circuits and lengths of run."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from data_demo.arrays import Floats, Ints, Words, blanks, words

ROOMS = ("kitchen", "bathroom", "living", "bedroom", "hall", "laundry")
SHARED_ROOMS = ("basement", "exterior", "common")
ALL_ROOMS = (*ROOMS, *SHARED_ROOMS)
ROOM_CODE = {
    "kitchen": "K",
    "bathroom": "B",
    "living": "L",
    "bedroom": "R",
    "hall": "H",
    "laundry": "W",
    "basement": "U",
    "exterior": "X",
    "common": "C",
}

SHARED_AREA = "COM"
"""The ``unit_id`` of basement, exterior and common openings in a house of several dwellings."""

ON_CIRCUIT = 4.5
"""Openings on a circuit, on the mean; so a dwelling's circuits have three to six of them."""
FIRST_BOX_FEET = (30.0, 0.55)
"""Run from the panel to the first box of a circuit: median in feet, spread of its logarithm."""
BETWEEN_BOXES = (5.0, 16.0)
"""Run from box to box, from and to, in feet."""


@dataclass(frozen=True)
class Layout:
    """Openings in order of building, dwelling and circuit; N openings, D dwellings, C circuits.

    Attributes:
        building: position of the opening's building, shape (N,).
        unit: the dwelling's name, None in a house of one, shape (N,).
        room: position of the room in ``ALL_ROOMS``, shape (N,).
        dwelling, circuit: number of the dwelling and of the circuit, shape (N,). What a house of
            several dwellings shares counts as one more dwelling.
        place: how many boxes lie between the opening and the panel, shape (N,).
        run_feet: length of run from the panel, shape (N,).
        dwelling_building: position of each dwelling's building, shape (D,).
        circuit_dwelling: number of each circuit's dwelling, shape (C,).
    """

    building: Ints
    unit: Words
    room: Ints
    dwelling: Ints
    circuit: Ints
    place: Ints
    run_feet: Floats
    dwelling_building: Ints
    circuit_dwelling: Ints

    @property
    def opening_id(self) -> Words:
        """Identifiers such as K2, the second opening of the kitchen, shape (N,)."""
        order = pd.DataFrame({"d": self.dwelling, "r": self.room})
        number = order.groupby(["d", "r"], sort=False).cumcount().to_numpy() + 1
        code = words([ROOM_CODE[word] for word in ALL_ROOMS])[self.room]
        return words(code + number.astype(str).astype(object))

    @property
    def circuit_id(self) -> Words:
        """Identifiers such as C2, counted within each dwelling, shape (N,)."""
        first = np.searchsorted(self.circuit_dwelling, np.arange(len(self.dwelling_building)))
        number = self.circuit - first[self.dwelling] + 1
        return words("C" + number.astype(str).astype(object))


def lay_out(rng: np.random.Generator, register: pd.DataFrame) -> Layout:
    """Lay out the openings of every building of a register."""
    building, unit, room, dwelling = _rooms(rng, register)
    count = np.bincount(dwelling)
    first = np.cumsum(count) - count
    within = np.arange(len(dwelling)) - first[dwelling]
    circuits = np.maximum(1, np.rint(count / ON_CIRCUIT)).astype(np.int64)
    circuit = (np.cumsum(circuits) - circuits)[dwelling] + within * circuits[dwelling] // count[
        dwelling
    ]
    circuit_dwelling = np.repeat(np.arange(len(count)), circuits)
    size = np.bincount(circuit)
    head = np.cumsum(size) - size
    place = np.arange(len(circuit)) - head[circuit]
    median, spread = FIRST_BOX_FEET
    start = np.clip(rng.lognormal(np.log(median), spread, len(size)), 5, 110)
    steps = np.where(place == 0, 0.0, rng.uniform(*BETWEEN_BOXES, len(circuit)))
    along = np.cumsum(steps)
    return Layout(
        building=building,
        unit=unit,
        room=room,
        dwelling=dwelling,
        circuit=circuit,
        place=place,
        run_feet=(start[circuit] + along - along[head][circuit]).round(1),
        dwelling_building=building[first],
        circuit_dwelling=circuit_dwelling,
    )


def _rooms(rng: np.random.Generator, register: pd.DataFrame) -> tuple[Ints, Words, Ints, Ints]:
    """Fill dwellings with openings: building, unit, position of the room, number of dwelling."""
    dwellings = register["dwelling_units"].to_numpy(dtype=np.int64)
    built = register["year_built"].to_numpy(dtype=np.int64)
    n = len(register)
    unit_building = np.repeat(np.arange(n), dwellings)
    place = np.arange(len(unit_building)) - np.repeat(np.cumsum(dwellings) - dwellings, dwellings)
    per_floor = np.where(dwellings <= 4, 2, 4)[unit_building]
    names = words(
        [
            f"{floor + 1}{'ABCD'[door]}"
            for floor, door in zip(place // per_floor, place % per_floor, strict=True)
        ]
    )
    names[dwellings[unit_building] == 1] = None

    older = built[unit_building] < 1965
    m = len(unit_building)
    bedrooms = rng.integers(1, 4, m)
    counts = np.column_stack(
        [
            np.where(older, rng.integers(2, 5, m), rng.integers(4, 8, m)),
            rng.integers(1, 3, m),
            np.where(older, rng.integers(2, 5, m), rng.integers(3, 7, m)),
            bedrooms * np.where(older, 2, 3),
            rng.integers(0, 2, m),
            rng.integers(0, 2, m),
        ]
    )
    shared_counts = np.column_stack(
        [
            rng.integers(0, 4, n),
            rng.integers(0, 3, n),
            np.where(dwellings > 1, rng.integers(1, 5, n), 0),
        ]
    )
    shared_names = blanks(n)
    shared_names[dwellings > 1] = SHARED_AREA

    owner = np.concatenate([unit_building, np.arange(n)])
    label = np.concatenate([names, shared_names])
    # In a house of one dwelling what it shares with nobody belongs to that dwelling.
    home = np.concatenate([np.arange(m), m + np.arange(n)])
    alone = np.flatnonzero(dwellings == 1)
    home[m + alone] = (np.cumsum(dwellings) - dwellings)[alone]
    table = np.zeros((m + n, len(ALL_ROOMS)), dtype=np.int64)
    table[:m, : len(ROOMS)] = counts
    table[m:, len(ROOMS) :] = shared_counts
    by_building = np.argsort(owner, kind="stable")
    owner, label, table = owner[by_building], label[by_building], table[by_building]
    total = table.sum(axis=1)
    room = np.repeat(np.tile(np.arange(table.shape[1]), len(table)), table.ravel())
    homes = pd.factorize(np.repeat(home[by_building], total))[0].astype(np.int64)
    return np.repeat(owner, total), words(np.repeat(label, total)), room, homes
