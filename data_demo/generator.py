"""One call that draws a whole invented portfolio: register, observations and the truth."""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np
import pandas as pd

from data_demo.looks import make_observations
from data_demo.profiles import Profile, profile_named
from data_demo.truth import make_truth

MISSING_FACTS = (
    "year_built",
    "year_rewired",
    "wiring_method",
    "storeys",
    "dwelling_units",
    "occupants",
    "vulnerable_occupants",
    "manager",
)
"""Register columns that people leave blank."""


@dataclass(frozen=True)
class Portfolio:
    """An invented portfolio with its known truth.

    Attributes:
        register: building register as exported, canonical columns; facts are missing here and
            there (``Int64`` columns with NA, None for blank text).
        observations: opening observations, canonical columns; ``observed_on`` is a datetime at
            midnight, blank cells are None or NaN.
        truth: one row an opening: ``building_id, unit_id, opening_id, slots, condition, gfci`` and
            what lies behind them (``room, marking, wiring_ungrounded, converted, run_feet``).
            ``unit_id`` is None in a house of one dwelling.
        full_register: the register before facts went missing.
        hands: hidden rates of each building (see ``data_demo.truth.Truth``).
        inspectors: hidden reading habits: ``inspector, misread, passes_everything``.
    """

    register: pd.DataFrame
    observations: pd.DataFrame
    truth: pd.DataFrame
    full_register: pd.DataFrame
    hands: pd.DataFrame
    inspectors: pd.DataFrame


def generate(seed: int, n_buildings: int, profile: str) -> Portfolio:
    """Draw a portfolio; the same arguments always give the same frames.

    Args:
        seed: any non-negative integer.
        n_buildings: how many buildings, at least 1.
        profile: name in ``data_demo.profiles.PROFILES``.

    Raises:
        CoverplateError: no profile has that name.
    """
    shape = profile_named(profile)
    rng = np.random.default_rng([seed, zlib.crc32(profile.encode())])
    truth = make_truth(rng, n_buildings, shape)
    observations, inspectors = make_observations(rng, truth, shape)
    return Portfolio(
        register=_forget(rng, truth.register, shape),
        observations=observations,
        truth=truth.openings,
        full_register=truth.register,
        hands=truth.hands,
        inspectors=inspectors,
    )


def _forget(rng: np.random.Generator, register: pd.DataFrame, profile: Profile) -> pd.DataFrame:
    """Blank facts at random. A lost number of occupants takes the vulnerable ones with it."""
    known = register.copy()
    n = len(known)
    for column in MISSING_FACTS:
        lost = rng.random(n) < profile.missing
        known.loc[lost, column] = None if known[column].dtype == object else pd.NA
    known.loc[known["occupants"].isna(), "vulnerable_occupants"] = pd.NA
    known.loc[rng.random(n) >= profile.with_counts, "receptacle_count"] = pd.NA
    return known
