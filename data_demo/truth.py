"""The hidden truth of an invented portfolio: who wired what, and what a perfect look would find.

The structure is the trade's, the figures are invented. Here are the buildings and their rates:
wiring origin by era, less what a rewire replaced; how much was *converted* from two to three slots;
how often that was done with a jumper, which belongs to the hand that did the house (or to the one
crew of an owner or manager); how often metal that serves as ground is a poor one. What hands left
in each dwelling, circuit and opening is drawn in ``data_demo.wiring``.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np
import pandas as pd

from data_demo.arrays import Bools, Ints, Words, words
from data_demo.layout import lay_out
from data_demo.profiles import Profile
from data_demo.wiring import wire
from shared.records import BUILDING_REGISTER
from shared.vocabulary import WiringMethod

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
POOR_GROUND = {
    WiringMethod.ARMORED_CABLE.value: (1.4, 3.0),
    WiringMethod.METAL_RACEWAY.value: (1.2, 4.0),
}
"""Beta parameters of the share of circuits with a poor ground, where metal is the ground path."""
POOR_ELSEWHERE = 0.004
METAL_GROUNDS = 0.35
"""How much less of a building with armored cable or metal raceway was wired without a ground."""

BUILDING_NAMES = ("House", "Court", "Buildings", "Row", "Lodge")


@dataclass(frozen=True)
class Truth:
    """A portfolio as it is.

    Attributes:
        register: one row a building, columns of the building register; complete, before facts
            go missing.
        hands: one row a building: ``building_id, ungrounded_rate, conversion_rate,
            false_ground_rate, poor_rate, reversal_rate, habit`` (careful, lone or crew),
            ``openings``.
        openings: one row an opening, ``wiring.TRUTH_COLUMNS``. ``hand`` is the dwelling's
            (``wiring.Hand``), ``circuit_state`` the circuit's (``wiring.CircuitState``). Booleans:
            ``gfci``; ``wiring_ungrounded``, no ground path back to the service, after any rewire;
            ``converted``; ``ground_wire``, a ground wire or path is seen in the box;
            ``jumper_here``, a jumper is. ``marking`` is a word or None; ``run_feet`` is the length
            of the run to the service and ``stretch_feet`` that from the bond further up, in feet;
            ``poor_ohms`` is what a poor ground path adds, Ω.
    """

    register: pd.DataFrame
    hands: pd.DataFrame
    openings: pd.DataFrame


def make_truth(rng: np.random.Generator, n_buildings: int, profile: Profile) -> Truth:
    """Draw a portfolio of ``n_buildings`` buildings."""
    register, decade = _buildings(rng, n_buildings, profile)
    hands = _hands(rng, register, decade, profile)
    openings = wire(rng, register, hands, lay_out(rng, register))
    counts = openings.groupby("building_id", sort=False).size()
    register["receptacle_count"] = register["building_id"].map(counts).astype("Int64")
    hands["openings"] = register["receptacle_count"].astype("int64")
    return Truth(register[list(BUILDING_REGISTER.columns)], hands, openings)


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
    return _with_fire_facts(register, profile), decade


def _with_fire_facts(register: pd.DataFrame, profile: Profile) -> pd.DataFrame:
    """Add the facts that bear on fire; by a generator of their own, so that nothing else moves.

    Aluminum branch wiring belongs to about 1965 to 1972 (U.S. Consumer Product Safety Commission,
    Publication 516, from memory), fuses to houses of before 1960; the shares are invented.
    """
    n = len(register)
    rng = np.random.default_rng([n, zlib.crc32(f"fire {profile.name}".encode())])
    built = register["year_built"].to_numpy(dtype=np.int64)
    wired = register["year_rewired"].fillna(register["year_built"]).to_numpy(dtype=np.int64)
    aluminum = (wired >= 1965) & (wired <= 1972) & (rng.random(n) < 0.5)
    fuses = (wired < 1960) & (rng.random(n) < 0.4)
    state = rng.choice(["sound", "worn", "damaged", "overheated"], size=n, p=[0.6, 0.3, 0.07, 0.03])
    asked = rng.random(n) < 0.7
    oversized = np.where(fuses & (rng.random(n) < 0.3), "yes", "no")
    facts = {
        "wiring_metal": np.where(aluminum, "aluminum", "copper"),
        "panel_type": np.where(fuses, "fuses", "circuit_breakers"),
        "panel_condition": np.where(built < 1990, state, "sound"),
        "fuses_oversized": oversized,
    }
    return register.assign(
        **{name: np.where(asked, values, None) for name, values in facts.items()}
    )


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
    metal = register["wiring_method"].isin(POOR_GROUND).to_numpy()
    mean = np.where(metal, METAL_GROUNDS * mean, mean)
    poor = np.full(n, POOR_ELSEWHERE)
    for method, parameters in POOR_GROUND.items():
        here = (register["wiring_method"] == method).to_numpy()
        poor[here] = rng.beta(*parameters, int(here.sum()))
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
            "poor_rate": poor,
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
