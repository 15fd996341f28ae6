"""The hidden truth of an invented portfolio: who wired what, and what a perfect look would find.

The structure is the trade's, the figures are invented. Wiring origin comes first: by era, with a
rate per building, less what a rewire replaced. Only openings on ungrounded wiring are *converted*
from two to three slots, and only converted ones can be falsely grounded for want of a ground, at a
rate that belongs to the hand that did the house (or to the one crew of an owner or manager).
Reversal is independent of all that. Open conductors and a hot ground contact are rare.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from data_demo.profiles import Profile
from shared.records import BUILDING_REGISTER
from shared.vocabulary import Condition, Marking, Slots, WiringMethod

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Words = npt.NDArray[np.object_]

DECADES = tuple(range(1900, 2020, 10))
UNGROUNDED_BY_DECADE = (0.97, 0.97, 0.96, 0.95, 0.93, 0.80, 0.35, 0.06, 0.015, 0.006, 0.003, 0.002)
"""Mean share of openings first wired without a ground, by decade built."""
UNGROUNDED_STRENGTH = 4.0
"""How alike buildings of one decade are: the sum of the beta distribution's two parameters."""
REWIRED_BY_DECADE = (0.4, 0.4, 0.4, 0.35, 0.3, 0.25, 0.12, 0.05, 0.0, 0.0, 0.0, 0.0)
WHOLE_REWIRE = 0.4
"""Share of rewires that reached every opening; the others reached a part, by Beta(5, 2)."""
CONVERSION = (2.0, 1.6)
"""Beta parameters of a building's share of ungrounded openings given three slots."""
CAREFUL_HAND = (0.4, 20.0)
"""Beta parameters of the false-ground rate among converted openings: most hands."""
LONE_HABIT = (3.0, 6.0)
"""The same for a hand with the habit, found in a few houses of any owner."""
CREW_HABIT = (6.0, 6.0)
"""The same for the houses that the one crew of an owner or manager did."""
LONE_HABIT_SHARE = 0.08
CREW_REACH = 0.8
"""Share of a firm's houses that its crew reached."""
REVERSAL = (1.0, 45.0)
OPEN_NEUTRAL = 0.003
OPEN_HOT = 0.003
HOT_ON_GROUND = 0.0006
GFCI_FROM = {
    "exterior": 1973,
    "bathroom": 1975,
    "kitchen": 1987,
    "basement": 1987,
    "laundry": 2005,
}
"""Year from which new wiring in a room has GFCI protection here (reference years, rounded)."""

BUILDING_NAMES = ("House", "Court", "Buildings", "Row", "Lodge")

ROOMS = ("kitchen", "bathroom", "living", "bedroom", "hall", "laundry")
SHARED_ROOMS = ("basement", "exterior", "common")
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
CONVERTED_MORE = {"kitchen": 1.25, "bathroom": 1.2, "laundry": 1.2, "living": 1.1}
"""Rooms whose openings were converted sooner, as a factor on the building's conversion rate."""

SHARED_AREA = "COM"
"""The ``unit_id`` of basement, exterior and common openings in a house of several dwellings."""

TRUTH_COLUMNS = (
    "building_id",
    "unit_id",
    "opening_id",
    "slots",
    "condition",
    "gfci",
    "room",
    "marking",
    "wiring_ungrounded",
    "converted",
    "run_feet",
)


@dataclass(frozen=True)
class Truth:
    """A portfolio as it is.

    Attributes:
        register: one row a building, columns of the building register; complete, before facts
            go missing.
        hands: one row a building: ``building_id, ungrounded_rate, conversion_rate,
            false_ground_rate, reversal_rate, habit`` (careful, lone or crew), ``openings``.
        openings: one row an opening, ``TRUTH_COLUMNS``. ``gfci``, ``wiring_ungrounded`` (after any
            rewire) and ``converted`` are booleans; ``marking`` is a word or None; ``run_feet`` is
            the length of the run to the service in feet.
    """

    register: pd.DataFrame
    hands: pd.DataFrame
    openings: pd.DataFrame


def make_truth(rng: np.random.Generator, n_buildings: int, profile: Profile) -> Truth:
    """Draw a portfolio of ``n_buildings`` buildings."""
    register, decade = _buildings(rng, n_buildings, profile)
    hands = _hands(rng, register, decade, profile)
    openings = _openings(rng, register, hands)
    counts = openings.groupby("building_id", sort=False).size()
    register["receptacle_count"] = register["building_id"].map(counts).astype("Int64")
    hands["openings"] = register["receptacle_count"].astype("int64")
    return Truth(register[list(BUILDING_REGISTER.columns)], hands, openings)


def words(values: npt.ArrayLike) -> Words:
    """Turn values into an array of Python objects, the form text columns have."""
    return np.asarray(values, dtype=object)


def blanks(n: int) -> Words:
    """Return ``n`` blank cells."""
    return np.full(n, None, dtype=object)


def _pick(rng: np.random.Generator, choices: tuple[str, ...], n: int) -> Words:
    return words(choices)[rng.integers(0, len(choices), n)]


def _firms(names: tuple[str, ...], number: int, kind: str) -> Words:
    more = [f"{kind} {position + 1:04d}" for position in range(len(names), number)]
    return words([*names, *more])


def _buildings(rng: np.random.Generator, n: int, profile: Profile) -> tuple[pd.DataFrame, Ints]:
    weights = np.asarray(profile.era_weights, dtype=float)
    decade = rng.choice(len(DECADES), size=n, p=weights / weights.sum())
    year_built = np.asarray(DECADES)[decade] + rng.integers(0, 10, n)
    rewired = rng.random(n) < np.asarray(REWIRED_BY_DECADE)[decade]
    year_rewired = np.maximum(year_built + 20, rng.integers(1966, 2019, n))

    sizes = np.asarray([size for size, _ in profile.dwelling_weights])
    shares = np.asarray([share for _, share in profile.dwelling_weights], dtype=float)
    dwellings = rng.choice(sizes, size=n, p=shares / shares.sum())
    storeys = np.clip(1 + dwellings // 3 + rng.integers(0, 2, n), 1, 6)
    occupants = np.maximum(1, rng.poisson(2.1 * dwellings))
    vulnerable = rng.binomial(occupants, rng.beta(1.5, 6, n))

    town = rng.integers(0, len(profile.towns), n)
    spread = rng.normal(0, 0.012, (n, 2))
    centre = np.asarray([place[1:3] for place in profile.towns])[town] + spread
    house_number = rng.integers(1, 180, n)
    street = _pick(rng, profile.streets, n)
    kind = _pick(rng, BUILDING_NAMES, n)
    places = list(zip(house_number.tolist(), street, kind, strict=True))

    n_owners = max(min(len(profile.owners), n), round(n / profile.buildings_per_owner))
    n_managers = max(min(len(profile.managers), n), round(n / profile.buildings_per_manager))
    ids = [profile.id_format.format(number) for number in range(1, n + 1)]
    value = np.round(dwellings * rng.lognormal(12.3, 0.35, n), -3)
    register = pd.DataFrame(
        {
            "building_id": words(ids),
            "name": words([f"{road.split()[0]} {kind} {number}" for number, road, kind in places]),
            "address": words([f"{number} {road}" for number, road, _ in places]),
            "city": words([place[0] for place in profile.towns])[town],
            "postal_code": words([place[3] for place in profile.towns])[town],
            "latitude": centre[:, 0].round(5),
            "longitude": centre[:, 1].round(5),
            "year_built": pd.array(year_built, dtype="Int64"),
            "year_rewired": pd.array(np.where(rewired, year_rewired, 0), dtype="Int64"),
            "wiring_method": _wiring_method(rng, year_built, dwellings),
            "storeys": pd.array(storeys, dtype="Int64"),
            "dwelling_units": pd.array(dwellings, dtype="Int64"),
            "receptacle_count": pd.array(np.zeros(n, dtype=np.int64), dtype="Int64"),
            "occupants": pd.array(occupants, dtype="Int64"),
            "vulnerable_occupants": pd.array(vulnerable, dtype="Int64"),
            "insured_value": value if profile.insured else np.full(n, np.nan),
            "owner": _firms(profile.owners, n_owners, "Owner")[rng.integers(0, n_owners, n)],
            "manager": _firms(profile.managers, n_managers, "Manager")[
                rng.integers(0, n_managers, n)
            ],
        }
    )
    register.loc[~rewired, "year_rewired"] = pd.NA
    return register, decade


def _wiring_method(rng: np.random.Generator, year_built: Ints, dwellings: Ints) -> Words:
    chance = rng.random(len(year_built))
    large = dwellings >= 6
    old = np.where(
        chance < 0.55,
        WiringMethod.KNOB_AND_TUBE.value,
        np.where(large, WiringMethod.METAL_RACEWAY.value, WiringMethod.ARMORED_CABLE.value),
    )
    middle = np.where(
        chance < 0.8,
        WiringMethod.CABLE_WITHOUT_GROUND.value,
        WiringMethod.ARMORED_CABLE.value,
    )
    new = np.full(len(year_built), WiringMethod.CABLE_WITH_GROUND.value)
    return words(np.where(year_built < 1940, old, np.where(year_built < 1965, middle, new)))


def _hands(
    rng: np.random.Generator, register: pd.DataFrame, decade: Ints, profile: Profile
) -> pd.DataFrame:
    n = len(register)
    mean = np.asarray(UNGROUNDED_BY_DECADE)[decade]
    ungrounded = rng.beta(mean * UNGROUNDED_STRENGTH, (1 - mean) * UNGROUNDED_STRENGTH)
    reach = np.where(rng.random(n) < WHOLE_REWIRE, 1.0, rng.beta(5, 2, n))
    rewired_share = np.where(register["year_rewired"].isna(), 0.0, reach)
    crew = _has_crew(register["owner"], profile.owners, profile.crew_owners, profile.crew_cycle)
    crew |= _has_crew(
        register["manager"], profile.managers, profile.crew_managers, profile.crew_cycle
    )
    crew &= rng.random(n) < CREW_REACH
    lone = ~crew & (rng.random(n) < LONE_HABIT_SHARE)
    rate = np.select(
        [crew, lone],
        [rng.beta(*CREW_HABIT, n), rng.beta(*LONE_HABIT, n)],
        rng.beta(*CAREFUL_HAND, n),
    )
    return pd.DataFrame(
        {
            "building_id": register["building_id"],
            "ungrounded_rate": ungrounded,
            "rewired_share": rewired_share,
            "conversion_rate": rng.beta(*CONVERSION, n),
            "false_ground_rate": rate,
            "reversal_rate": rng.beta(*REVERSAL, n),
            "retrofit_rate": rng.beta(1.2, 5, n),
            "habit": np.select([crew, lone], ["crew", "lone"], "careful"),
        }
    )


def _has_crew(
    firm: pd.Series, names: tuple[str, ...], positions: tuple[int, ...], cycle: int
) -> Bools:
    """Whether the firm of each building is one of those with a crew, by its place in the list."""
    place = {name: position for position, name in enumerate(names)}
    numbers = np.asarray([place[f] if f in place else int(f.split()[-1]) - 1 for f in firm])
    return np.isin(numbers % cycle, positions)


def _openings(
    rng: np.random.Generator, register: pd.DataFrame, hands: pd.DataFrame
) -> pd.DataFrame:
    building, unit, room = _layout(rng, register)
    n = len(building)
    order = pd.DataFrame({"b": building, "u": unit, "r": room})
    number = order.groupby(["b", "u", "r"], sort=False, dropna=False).cumcount().to_numpy() + 1
    code = words([ROOM_CODE[word] for word in (*ROOMS, *SHARED_ROOMS)])[room]
    opening_id = code + number.astype(str).astype(object)
    room_word = words((*ROOMS, *SHARED_ROOMS))[room]

    def rate(name: str) -> Floats:
        return hands[name].to_numpy()[building]

    ungrounded = rng.random(n) < rate("ungrounded_rate")
    rewired = rng.random(n) < rate("rewired_share")
    ungrounded &= ~rewired
    factor = np.asarray([CONVERTED_MORE.get(word, 0.9) for word in (*ROOMS, *SHARED_ROOMS)])[room]
    converted = ungrounded & (rng.random(n) < np.minimum(0.98, rate("conversion_rate") * factor))
    false_ground = converted & (rng.random(n) < rate("false_ground_rate"))
    backwards = rng.random(n) < rate("reversal_rate")
    slots = np.where(ungrounded & ~converted, Slots.TWO_SLOT.value, Slots.THREE_SLOT.value)
    odd = rng.random(n)
    slots = np.where(~ungrounded & (odd < 0.01), Slots.TWO_SLOT.value, slots)
    slots = np.where(~ungrounded & (odd > 0.992), Slots.OTHER.value, slots)

    condition = np.select(
        [
            false_ground & backwards,
            false_ground,
            ungrounded & backwards,
            ungrounded,
            backwards,
        ],
        [
            Condition.REVERSED_FALSE_GROUND.value,
            Condition.FALSE_GROUND.value,
            Condition.REVERSED_UNGROUNDED.value,
            Condition.UNGROUNDED.value,
            Condition.REVERSED.value,
        ],
        Condition.GROUNDED.value,
    )
    rare = rng.random(n)
    condition = np.where(rare < OPEN_NEUTRAL, Condition.OPEN_NEUTRAL.value, condition)
    condition = np.where(rare > 1 - OPEN_HOT, Condition.OPEN_HOT.value, condition)
    hot = (slots == Slots.THREE_SLOT.value) & (np.abs(rare - 0.5) < HOT_ON_GROUND / 2)
    condition = np.where(hot, Condition.HOT_ON_GROUND.value, condition)

    gfci = _protection(rng, register, building, room_word, rewired, rate("retrofit_rate"))
    upstream = converted & ~false_ground & (rng.random(n) < 0.25)
    gfci |= upstream
    return pd.DataFrame(
        {
            "building_id": register["building_id"].to_numpy()[building],
            "unit_id": unit,
            "opening_id": opening_id,
            "slots": words(slots),
            "condition": words(condition),
            "gfci": gfci,
            "room": room_word,
            "marking": _marking(rng, gfci, converted & ~false_ground),
            "wiring_ungrounded": ungrounded,
            "converted": converted,
            "run_feet": np.clip(rng.lognormal(np.log(38), 0.55, n), 5, 160).round(1),
        }
    )


def _layout(rng: np.random.Generator, register: pd.DataFrame) -> tuple[Ints, Words, Ints]:
    """Lay openings out: for each, its building, its unit and the position of its room."""
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
    table = np.zeros((m + n, len(ROOMS) + len(SHARED_ROOMS)), dtype=np.int64)
    table[:m, : len(ROOMS)] = counts
    table[m:, len(ROOMS) :] = shared_counts
    by_building = np.argsort(owner, kind="stable")
    owner, label, table = owner[by_building], label[by_building], table[by_building]
    total = table.sum(axis=1)
    room = np.repeat(np.tile(np.arange(table.shape[1]), len(table)), table.ravel())
    return np.repeat(owner, total), words(np.repeat(label, total)), room


def _protection(
    rng: np.random.Generator,
    register: pd.DataFrame,
    building: Ints,
    room: Words,
    rewired: Bools,
    retrofit: Floats,
) -> Bools:
    built = register["year_built"].to_numpy(dtype=np.int64)[building]
    renewed = register["year_rewired"].fillna(0).to_numpy(dtype=np.int64)[building]
    wired = np.where(rewired, renewed, built)
    since = np.asarray([GFCI_FROM.get(word, 9999) for word in room])
    chance = np.where(wired >= since, 0.92, np.where(since < 9999, retrofit, 0.02))
    return rng.random(len(building)) < chance


def _marking(rng: np.random.Generator, gfci: Bools, honest_conversion: Bools) -> Words:
    n = len(gfci)
    labelled = rng.random(n)
    marking = blanks(n)
    marking[gfci & (labelled < 0.3)] = Marking.GFCI_PROTECTED.value
    marking[honest_conversion & gfci & (labelled < 0.55)] = Marking.BOTH.value
    marking[honest_conversion & ~gfci & (labelled < 0.05)] = Marking.NO_EQUIPMENT_GROUND.value
    return marking
