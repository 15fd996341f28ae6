"""What each method reads at each true condition, and what its reader then writes.

The three-lamp legend is the quoted one of two agreeing sources (lamps N–G, H–N, H–G): correct
0 1 1, open ground 0 1 0, open neutral 0 0 1, open hot 0 0 0, hot and ground reversed 1 0 1, hot and
neutral reversed 1 1 0; all three lit is in no legend. Every false ground, here or further up, and a
poor ground light 0 1 1; a reversed opening without a ground lights 0 1 0; a neutral that is open
where there is no ground lights nothing. Conductor resistance is 3.07 ohm per 1,000 ft for solid 14
AWG (NEC chapter 9 table 8, quoted reprint, not read in the standard). Other figures are invented.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_demo.arrays import Bools, Floats, Ints, Words, blanks, is_word, words
from data_demo.profiles import Inspector
from shared.vocabulary import (
    OPEN_BOX_METHODS,
    Condition,
    Method,
    Polarity,
    Result,
    Slots,
    YesNo,
)

OHMS_PER_FOOT_14_AWG = 3.07 / 1000
"""One solid conductor; NEC chapter 9 table 8, quoted reprint, not read in the standard."""

LAMP_READING: dict[Condition, Result] = {
    Condition.GROUNDED: Result.CORRECT,
    Condition.UNGROUNDED: Result.OPEN_GROUND,
    Condition.FALSE_GROUND: Result.CORRECT,
    Condition.REVERSED: Result.HOT_NEUTRAL_REVERSED,
    Condition.REVERSED_UNGROUNDED: Result.OPEN_GROUND,
    Condition.REVERSED_FALSE_GROUND: Result.CORRECT,
    Condition.OPEN_NEUTRAL: Result.OPEN_NEUTRAL,
    Condition.OPEN_HOT: Result.OPEN_HOT,
    Condition.HOT_ON_GROUND: Result.HOT_GROUND_REVERSED,
    Condition.POOR_GROUND: Result.CORRECT,
    Condition.FALSE_GROUND_UPSTREAM: Result.CORRECT,
    Condition.REVERSED_FALSE_GROUND_UPSTREAM: Result.CORRECT,
    Condition.OPEN_NEUTRAL_UNGROUNDED: Result.OPEN_HOT,
    Condition.OPEN_NEUTRAL_FALSE_GROUND: Result.OPEN_HOT,
}
"""What the lamps show when read rightly. A broken shared neutral shows what the loads make of it:
see ``shared_lamps``."""

COVER_OFF_READING: dict[Condition, Result] = {
    Condition.GROUNDED: Result.CORRECT,
    Condition.UNGROUNDED: Result.OPEN_GROUND,
    Condition.FALSE_GROUND: Result.FALSE_GROUND,
    Condition.REVERSED: Result.HOT_NEUTRAL_REVERSED,
    Condition.REVERSED_UNGROUNDED: Result.HOT_NEUTRAL_REVERSED,
    Condition.REVERSED_FALSE_GROUND: Result.REVERSED_FALSE_GROUND,
    Condition.OPEN_NEUTRAL: Result.OPEN_NEUTRAL,
    Condition.OPEN_HOT: Result.OPEN_HOT,
    Condition.HOT_ON_GROUND: Result.HOT_GROUND_REVERSED,
    Condition.POOR_GROUND: Result.CORRECT,
    Condition.FALSE_GROUND_UPSTREAM: Result.CORRECT,
    Condition.REVERSED_FALSE_GROUND_UPSTREAM: Result.CORRECT,
    Condition.OPEN_NEUTRAL_UNGROUNDED: Result.OPEN_NEUTRAL,
    Condition.OPEN_NEUTRAL_FALSE_GROUND: Result.FALSE_GROUND,
    Condition.SHARED_NEUTRAL_OPEN: Result.ABNORMAL_VOLTAGE,
}
"""What is written after the cover was off; ``ground_present`` tells the rest. Where the bond is in
a box further up this box shows a ground wire and no jumper."""

IMPEDANCE_READING: dict[Condition, Result] = {
    **COVER_OFF_READING,
    Condition.REVERSED_UNGROUNDED: Result.OPEN_GROUND,
    Condition.REVERSED_FALSE_GROUND: Result.FALSE_GROUND,
    Condition.OPEN_NEUTRAL_UNGROUNDED: Result.OPEN_HOT,
    Condition.OPEN_NEUTRAL_FALSE_GROUND: Result.OPEN_HOT,
}
"""What a ground-path impedance meter shows: it cannot tell the two false grounds apart, and a bond
further up looks to it like a true ground."""

UPSTREAM_READING: dict[Condition, Result] = {
    **COVER_OFF_READING,
    Condition.FALSE_GROUND_UPSTREAM: Result.FALSE_GROUND_UPSTREAM,
    Condition.REVERSED_FALSE_GROUND_UPSTREAM: Result.REVERSED_FALSE_GROUND,
}
"""What is written after the box further up was seen too."""

IMPEDANCE_FALSE_ALARM = 0.03
"""Chance that the impedance meter calls a true ground false."""
IMPEDANCE_MISS = 0.06
"""Chance that it passes a false ground."""
POOR_GROUND_LOOP = 2.0
"""Ohms of neutral-to-ground loop from which the meter's user calls a ground poor."""
NEAR_BOND_FEET = 10.0
"""Within so much of a bond further up the loop is as short as a jumper's."""
POOR_GROUND_SEEN = 0.25
"""Chance that a poor ground shows in an open box: rust, a missing bonding strip, a loose nut."""
LIVE_BOX_NOTICED = 0.5
"""Chance that a ground wire which is live from a box further up is noticed in an open box."""
DEAD_IS_NO_POWER = 0.4
"""Share of dark testers written down as "no power" instead of "open hot"."""
LAMP_STRIKES = 80.0
"""Volts from which a lamp lights."""

MISREADINGS = (
    Result.CORRECT.value,
    Result.OPEN_GROUND.value,
    Result.OPEN_NEUTRAL.value,
    Result.HOT_NEUTRAL_REVERSED.value,
    Result.HOT_GROUND_REVERSED.value,
)

MEASURED = (
    "cover_removed",
    "ground_present",
    "neutral_ground_jumper",
    "polarity",
    "neutral_ground_volts",
    "load_amps",
    "ground_path_ohms",
    "hot_neutral_volts",
    "plate_earth_volts",
    "case_earth_volts",
    "ground_contact_earth_volts",
    "non_contact_detector",
    "heat_or_scorch",
    "shock_reported",
)
"""Columns that a look fills and a locked door leaves blank."""


@dataclass(frozen=True)
class Looks:
    """One entry a look: positions of opening, visit and inspector, and the truth behind it.

    ``supply_volts`` is what stands between the slots at that moment if the neutral is shared and
    broken; the other facts are those of ``data_demo.truth.Truth.openings``.
    """

    opening: Ints
    visit: Ints
    inspector: Ints
    method: Words
    condition: Words
    slots: Words
    ground_wire: Bools
    jumper_here: Bools
    run_feet: Floats
    stretch_feet: Floats
    poor_ohms: Floats
    supply_volts: Floats

    def by(self, *methods: Method) -> Bools:
        """Looks by any of the methods."""
        return is_word(self.method, *methods)

    def is_in(self, *conditions: Condition) -> Bools:
        """Looks at openings in any of the conditions."""
        return is_word(self.condition, *conditions)

    @property
    def three_slot(self) -> Bools:
        """Looks at openings that a tester's plug fits."""
        return is_word(self.slots, Slots.THREE_SLOT)


def yes_no(flags: Bools) -> Words:
    """Write booleans as yes and no."""
    return words(np.where(flags, YesNo.YES.value, YesNo.NO.value))


def shared_supply(rng: np.random.Generator, n: int) -> Floats:
    """Volts between the slots where the loads of two circuits lie in series across 240 V."""
    here, there = np.exp(rng.uniform(np.log(10), np.log(1000), (2, n)))
    return np.asarray(240.0 * here / (here + there))


def shared_lamps(supply: Floats) -> Words:
    """What the lamps show on a broken shared neutral, from the volts between the slots."""
    hot_neutral = supply >= LAMP_STRIKES
    neutral_ground = np.abs(supply - 120.0) >= LAMP_STRIKES
    shown = np.select(
        [hot_neutral & neutral_ground, hot_neutral, neutral_ground],
        [
            Result.ABNORMAL_VOLTAGE.value,
            Result.CORRECT.value,
            Result.HOT_GROUND_REVERSED.value,
        ],
        Result.OPEN_NEUTRAL.value,
    )
    return words(shown)


def _translate(table: dict[Condition, Result], conditions: Words) -> Words:
    written = {condition.value: result.value for condition, result in table.items()}
    return words([written.get(condition, "") for condition in conditions])


def _lamps(looks: Looks) -> Words:
    shown = _translate(LAMP_READING, looks.condition)
    shared = looks.is_in(Condition.SHARED_NEUTRAL_OPEN)
    shown[shared] = shared_lamps(looks.supply_volts)[shared]
    return shown


def read(
    rng: np.random.Generator, looks: Looks, missed: Bools, inspectors: tuple[Inspector, ...]
) -> dict[str, Words | Floats]:
    """Fill result and measured columns of every look; those of live metal are not among them."""
    n = len(looks.opening)
    blank = blanks(n)
    result = words([Result.NOT_TESTED.value] * n)
    columns: dict[str, Words | Floats] = {
        "result": result,
        "cover_removed": blank.copy(),
        "ground_present": blank.copy(),
        "neutral_ground_jumper": blank.copy(),
        "polarity": blank.copy(),
        "neutral_ground_volts": np.full(n, np.nan),
        "load_amps": np.full(n, np.nan),
        "ground_path_ohms": np.full(n, np.nan),
    }
    lamps = looks.by(Method.THREE_LAMP_TESTER) & looks.three_slot
    loaded = looks.by(Method.VOLTMETER_UNDER_LOAD) & looks.three_slot
    result[lamps] = _lamps(looks)[lamps]
    _read_volts(rng, looks, loaded, missed, columns)
    _read_ohms(rng, looks, looks.by(Method.GROUND_IMPEDANCE_METER), missed, columns)
    _read_open_box(rng, looks, missed, columns)
    _lift_neutral(rng, looks, missed, columns)

    wrong = (lamps | loaded) & missed & ~is_word(result, Result.OPEN_HOT)
    result[wrong] = rng.choice(MISREADINGS, size=int(wrong.sum()))
    dead = is_word(result, Result.OPEN_HOT) & (rng.random(n) < DEAD_IS_NO_POWER)
    result[dead] = Result.NO_POWER.value
    passer = np.asarray([person.passes_everything for person in inspectors])[looks.inspector]
    passer &= lamps & ~is_word(result, Result.OPEN_HOT, Result.NO_POWER)
    result[passer & (rng.random(n) < 0.97)] = Result.CORRECT.value
    return columns


def _read_volts(
    rng: np.random.Generator,
    looks: Looks,
    here: Bools,
    missed: Bools,
    columns: dict[str, Words | Floats],
) -> None:
    """Neutral to ground under load: I·R of one conductor, from the bond or the service to here."""
    n = len(here)
    small_load = rng.random(n) < 0.15
    amps = np.where(small_load, rng.uniform(0.5, 3, n), rng.normal(11.4, 0.5, n))
    supply = rng.normal(120, 1.2, n)
    drop = OHMS_PER_FOOT_14_AWG * looks.run_feet * amps
    stretch = OHMS_PER_FOOT_14_AWG * np.nan_to_num(looks.stretch_feet) * amps
    shared = looks.is_in(Condition.SHARED_NEUTRAL_OPEN)
    volts = np.select(
        [
            looks.is_in(Condition.GROUNDED, Condition.POOR_GROUND),
            looks.is_in(Condition.FALSE_GROUND, Condition.REVERSED_FALSE_GROUND),
            looks.is_in(Condition.FALSE_GROUND_UPSTREAM, Condition.REVERSED_FALSE_GROUND_UPSTREAM),
            looks.is_in(Condition.REVERSED, Condition.HOT_ON_GROUND),
            looks.is_in(Condition.OPEN_NEUTRAL),
            shared,
            looks.is_in(Condition.OPEN_NEUTRAL_FALSE_GROUND, Condition.OPEN_HOT),
        ],
        [
            drop,
            np.abs(rng.normal(0, 0.012, n)),
            stretch,
            supply - drop,
            supply,
            np.abs(looks.supply_volts - 120.0),
            0.0,
        ],
        default=np.abs(rng.normal(0, 18, n)),
    )
    dead = looks.is_in(
        Condition.OPEN_NEUTRAL,
        Condition.OPEN_HOT,
        Condition.OPEN_NEUTRAL_UNGROUNDED,
        Condition.OPEN_NEUTRAL_FALSE_GROUND,
    )
    amps = np.where(dead, 0.0, amps)
    volts = np.abs(volts * rng.normal(1, 0.01, n) + rng.normal(0, 0.01, n))
    # A slipped probe or a hold button left on: the number is another opening's.
    volts = np.where(missed, np.abs(rng.normal(0.8, 0.6, n)), volts)
    odd = np.abs(looks.supply_volts - 120.0) > 20
    said = np.select(
        [
            dead & ~looks.is_in(Condition.OPEN_NEUTRAL),
            looks.is_in(Condition.OPEN_NEUTRAL),
            looks.is_in(Condition.UNGROUNDED, Condition.REVERSED_UNGROUNDED),
            looks.is_in(Condition.HOT_ON_GROUND),
            shared & odd,
            volts > 60,
            (volts <= 0.10) & (amps > 8),
        ],
        [
            Result.OPEN_HOT.value,
            Result.OPEN_NEUTRAL.value,
            Result.OPEN_GROUND.value,
            Result.HOT_GROUND_REVERSED.value,
            Result.ABNORMAL_VOLTAGE.value,
            Result.HOT_NEUTRAL_REVERSED.value,
            Result.FALSE_GROUND.value,
        ],
        Result.CORRECT.value,
    )
    silent = rng.random(n) < 0.1
    said = np.where(silent, Result.NOT_TESTED.value, said)
    columns["result"][here] = words(said)[here]
    columns["neutral_ground_volts"][here] = volts.round(2)[here]
    noted = here & (rng.random(n) < 0.9)
    columns["load_amps"][noted] = amps.round(1)[noted]


def _read_ohms(
    rng: np.random.Generator,
    looks: Looks,
    method: Bools,
    missed: Bools,
    columns: dict[str, Words | Floats],
) -> None:
    """Impedance from ground contact to the service: over either conductor it is one run's.

    On a false ground the current returns over the neutral, so the ohms alone look like a true
    ground's; what gives it away is that the meter sees no impedance between neutral and ground.
    With the bond further up it sees the stretch from there, and passes it. A poor path shows.
    """
    n = len(method)
    here = method & looks.three_slot
    path = OHMS_PER_FOOT_14_AWG * looks.run_feet + rng.uniform(0.02, 0.25, n)
    path += np.nan_to_num(looks.poor_ohms) * rng.uniform(0.9, 1.1, n)
    no_path = looks.is_in(Condition.UNGROUNDED, Condition.REVERSED_UNGROUNDED)
    ohms = np.where(no_path, 10 ** rng.uniform(4.5, 6.5, n), path).round(2)
    said = _translate(IMPEDANCE_READING, looks.condition)
    chance = rng.random(n)
    true_ground = looks.is_in(Condition.GROUNDED)
    false_ground = looks.is_in(Condition.FALSE_GROUND, Condition.REVERSED_FALSE_GROUND)
    upstream = looks.is_in(
        Condition.FALSE_GROUND_UPSTREAM, Condition.REVERSED_FALSE_GROUND_UPSTREAM
    )
    said[true_ground & (chance < IMPEDANCE_FALSE_ALARM)] = Result.FALSE_GROUND.value
    said[false_ground & (chance < IMPEDANCE_MISS)] = Result.CORRECT.value
    said[upstream & (looks.stretch_feet < NEAR_BOND_FEET)] = Result.FALSE_GROUND.value
    said[looks.is_in(Condition.POOR_GROUND) & (ohms > POOR_GROUND_LOOP)] = Result.POOR_GROUND.value
    said[missed & ~no_path] = Result.CORRECT.value
    columns["result"][here] = said[here]
    dark = looks.is_in(
        Condition.OPEN_HOT,
        Condition.OPEN_NEUTRAL,
        Condition.HOT_ON_GROUND,
        Condition.OPEN_NEUTRAL_UNGROUNDED,
        Condition.OPEN_NEUTRAL_FALSE_GROUND,
        Condition.SHARED_NEUTRAL_OPEN,
    )
    shown = here & ~dark
    columns["ground_path_ohms"][shown] = ohms[shown]


def _read_open_box(
    rng: np.random.Generator, looks: Looks, missed: Bools, columns: dict[str, Words | Floats]
) -> None:
    """What stands in the box: ground path, jumper between neutral and ground, polarity."""
    here = looks.by(*OPEN_BOX_METHODS)
    # What was swapped in a box further up is right in this one by the colours.
    backwards = looks.is_in(
        Condition.REVERSED, Condition.REVERSED_UNGROUNDED, Condition.REVERSED_FALSE_GROUND
    )
    said = _translate(COVER_OFF_READING, looks.condition)
    upstream = looks.by(Method.UPSTREAM_BOX_SEEN)
    said[upstream] = _translate(UPSTREAM_READING, looks.condition)[upstream]
    seen = looks.is_in(Condition.POOR_GROUND) & (rng.random(len(here)) < POOR_GROUND_SEEN)
    said[seen] = Result.POOR_GROUND.value
    noticed = looks.is_in(Condition.REVERSED_FALSE_GROUND_UPSTREAM)
    noticed &= rng.random(len(here)) < LIVE_BOX_NOTICED
    said[noticed] = Result.REVERSED_FALSE_GROUND.value
    said[missed] = Result.CORRECT.value
    columns["result"][here] = said[here]
    columns["cover_removed"][here] = YesNo.YES.value
    columns["ground_present"][here] = yes_no(looks.ground_wire | missed)[here]
    three = here & looks.three_slot
    columns["neutral_ground_jumper"][three] = yes_no(looks.jumper_here & ~missed)[three]
    polarity = np.where(backwards & ~missed, Polarity.REVERSED.value, Polarity.CORRECT.value)
    columns["polarity"][here] = words(polarity)[here]


def _lift_neutral(
    rng: np.random.Generator, looks: Looks, missed: Bools, columns: dict[str, Words | Floats]
) -> None:
    """The ground wire against an independent earth, with the circuit's neutral off its bar."""
    n = len(missed)
    here = looks.by(Method.NEUTRAL_LIFTED_TEST) & looks.ground_wire & ~missed
    bonded = looks.is_in(Condition.FALSE_GROUND_UPSTREAM)
    live = looks.is_in(Condition.REVERSED_FALSE_GROUND_UPSTREAM)
    poor = looks.is_in(Condition.POOR_GROUND)
    path = OHMS_PER_FOOT_14_AWG * looks.run_feet + rng.uniform(0.02, 0.25, n)
    path += np.nan_to_num(looks.poor_ohms)
    ohms = np.where(bonded, 10 ** rng.uniform(4.5, 6.5, n), path).round(2)
    columns["result"][here & bonded] = Result.FALSE_GROUND_UPSTREAM.value
    columns["result"][here & live] = Result.REVERSED_FALSE_GROUND.value
    columns["result"][here & poor] = Result.POOR_GROUND.value
    shown = here & ~live
    columns["ground_path_ohms"][shown] = ohms[shown]
