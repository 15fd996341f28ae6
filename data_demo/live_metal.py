"""Readings of live metal: volts to an independent earth, a detector, heat, a shock, the supply.

Few looks have them. What they read follows the true condition; how often somebody took them is
invented.
"""

from __future__ import annotations

import numpy as np

from data_demo.arrays import Bools, Floats, Words, blanks
from data_demo.instruments import OHMS_PER_FOOT_14_AWG, Looks, yes_no
from shared.vocabulary import OPEN_BOX_METHODS, Condition, Method, YesNo

DETECTOR_ANSWERS = 50.0
"""Volts from which a non-contact detector answers."""
DETECTOR_WRONG = 0.005
LOAD_ON = 0.3
"""Share of looks at which something is switched on beyond an open neutral."""
SHOCK_IF_LIVE = 0.4
SHOCK_OTHERWISE = 0.001
SCORCH_IF_BAD = 0.12
SCORCH_OTHERWISE = 0.0015
BAD_CONTACT = (
    Condition.OPEN_NEUTRAL,
    Condition.OPEN_HOT,
    Condition.OPEN_NEUTRAL_UNGROUNDED,
    Condition.OPEN_NEUTRAL_FALSE_GROUND,
    Condition.SHARED_NEUTRAL_OPEN,
)
"""Conditions in which something loose or broken makes heat."""


def metal_volts(rng: np.random.Generator, looks: Looks) -> Floats:
    """Volts of the opening's metal against an independent earth, V; one a look."""
    n = len(looks.opening)
    supply = rng.normal(119, 1.0, n)
    live = looks.is_in(
        Condition.REVERSED_FALSE_GROUND,
        Condition.REVERSED_FALSE_GROUND_UPSTREAM,
        Condition.HOT_ON_GROUND,
    )
    fed_back = looks.is_in(Condition.OPEN_NEUTRAL_FALSE_GROUND) & (rng.random(n) < LOAD_ON)
    bonded = looks.is_in(Condition.FALSE_GROUND, Condition.FALSE_GROUND_UPSTREAM)
    neutral_rises = OHMS_PER_FOOT_14_AWG * looks.run_feet * rng.uniform(0, 6, n)
    return np.select(
        [live | fed_back, bonded, ~looks.ground_wire],
        [supply, neutral_rises, rng.uniform(0, 9, n)],
        np.abs(rng.normal(0, 0.1, n)),
    )


def live_readings(
    rng: np.random.Generator, looks: Looks, complaint: Bools
) -> dict[str, Words | Floats]:
    """Fill the columns of live metal.

    Args:
        rng: the source of chance.
        looks: the looks.
        complaint: whether a complaint led to the look; one entry a look.
    """
    n = len(looks.opening)
    volts = metal_volts(rng, looks)
    live = volts >= DETECTOR_ANSWERS
    metered = looks.by(Method.VOLTMETER_UNDER_LOAD)
    opened = looks.by(*OPEN_BOX_METHODS)
    eyes = looks.by(Method.VISUAL)

    def share(of: Bools, chance: float) -> Bools:
        return np.asarray(of & (rng.random(n) < chance), dtype=bool)

    def numbers(here: Bools, values: Floats) -> Floats:
        return np.where(here, values.round(1), np.nan)

    answers = live ^ (rng.random(n) < DETECTOR_WRONG)
    detector = blanks(n)
    held = share(metered | opened, 0.12) | share(eyes, 0.05)
    detector[held] = yes_no(answers)[held]
    scorched = share(looks.is_in(*BAD_CONTACT), SCORCH_IF_BAD)
    scorched |= rng.random(n) < SCORCH_OTHERWISE
    scorch = blanks(n)
    looked = (eyes | opened) & (scorched | share(eyes | opened, 0.3))
    scorch[looked] = yes_no(scorched)[looked]
    shock = blanks(n)
    shock[complaint & (share(live, SHOCK_IF_LIVE) | (rng.random(n) < SHOCK_OTHERWISE))] = (
        YesNo.YES.value
    )
    dead = looks.is_in(
        Condition.OPEN_NEUTRAL,
        Condition.OPEN_HOT,
        Condition.OPEN_NEUTRAL_UNGROUNDED,
        Condition.OPEN_NEUTRAL_FALSE_GROUND,
    )
    supply = np.select(
        [looks.is_in(Condition.SHARED_NEUTRAL_OPEN), dead],
        [looks.supply_volts, rng.uniform(0, 4, n)],
        rng.normal(119.5, 1.2, n),
    )
    return {
        "hot_neutral_volts": numbers(share(metered, 0.4), supply),
        "plate_earth_volts": numbers(share(metered | opened, 0.06), volts),
        "case_earth_volts": numbers(share(metered & complaint, 0.1), volts),
        "ground_contact_earth_volts": numbers(
            share((metered | opened) & looks.three_slot, 0.12), volts
        ),
        "non_contact_detector": detector,
        "heat_or_scorch": scorch,
        "shock_reported": shock,
    }
