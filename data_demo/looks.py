"""Looks at the hidden truth: who went, with what, at which openings, and what they wrote.

The three-lamp legend is the quoted one of two agreeing sources (lamps N–G, H–N, H–G): correct
0 1 1, open ground 0 1 0, open neutral 0 0 1, open hot 0 0 0, hot and ground reversed 1 0 1, hot and
neutral reversed 1 1 0. False ground and reversed false ground light 0 1 1, and a reversed opening
without a ground lights 0 1 0. Conductor resistance is 3.07 ohm per 1,000 ft for solid 14 AWG (NEC
chapter 9 table 8, quoted reprint, not read in the standard). Rates of misreading, of targeting and
of writing things down are invented.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from data_demo.profiles import Inspector, Profile
from data_demo.truth import Bools, Floats, Ints, Truth, Words, blanks, words
from shared.records import OPENING_OBSERVATIONS
from shared.vocabulary import (
    Condition,
    Marking,
    Method,
    Polarity,
    Result,
    Selection,
    Slots,
    YesNo,
    danger,
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
}
"""What the lamps show when read rightly."""

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
}
"""What is written after the cover was off; ``ground_present`` tells the rest."""

IMPEDANCE_READING: dict[Condition, Result] = {
    **COVER_OFF_READING,
    Condition.REVERSED_UNGROUNDED: Result.OPEN_GROUND,
    Condition.REVERSED_FALSE_GROUND: Result.FALSE_GROUND,
}
"""What a ground-path impedance meter shows: it cannot tell the two false grounds apart."""

IMPEDANCE_FALSE_ALARM = 0.03
"""Chance that the impedance meter calls a true ground false."""
IMPEDANCE_MISS = 0.06
"""Chance that it passes a false ground."""

TARGETED_ODDS_RATIO = 3.0
"""How much a targeted look prefers dangerous openings: ratio of odds of being looked at."""
TARGETED_THREE_SLOT = 1.6
"""The same for three-slot openings against others."""
COMPLAINT_ODDS_RATIO = 8.0
"""How much a complaint prefers openings with a fault that people notice."""
SAME_HAND = 0.7
"""Chance that one hand, reading the same opening again, makes the same mistake or none again."""
NOT_ACCESSIBLE_UNIT = 0.06
NOT_TESTED = 0.02
DEAD_IS_NO_POWER = 0.4
"""Share of dark testers written down as "no power" instead of "open hot"."""

MISREADINGS = (
    Result.CORRECT.value,
    Result.OPEN_GROUND.value,
    Result.OPEN_NEUTRAL.value,
    Result.HOT_NEUTRAL_REVERSED.value,
    Result.HOT_GROUND_REVERSED.value,
)

NOT_MEASURED = (
    "hot_neutral_volts",
    "plate_earth_volts",
    "case_earth_volts",
    "ground_contact_earth_volts",
)
NOT_NOTED = ("non_contact_detector", "heat_or_scorch", "shock_reported")
"""Columns that the invented inspectors leave blank."""

FIRST_DAY = np.datetime64("2022-01-10")
LAST_DAY = np.datetime64("2025-09-30")
SHARE_LOOKED_AT = {
    Selection.RANDOM.value: 0.3,
    Selection.TARGETED.value: 0.3,
    Selection.COMPLAINT.value: 0.04,
    Selection.SURVEY.value: 1.0,
    Selection.UNKNOWN.value: 0.25,
}


def make_observations(
    rng: np.random.Generator, truth: Truth, profile: Profile
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Send the profile's inspectors round.

    Returns:
        The observations (canonical columns; ``observed_on`` as datetime at midnight, None where a
        cell is blank) and the inspectors' hidden hands: ``inspector, misread, passes_everything``.
    """
    openings = truth.openings
    visits = _visits(rng, truth, profile)
    visit, opening = _looked_at(rng, openings, visits)
    looks = _Looks(
        opening=opening,
        visit=visit,
        inspector=visits["inspector"].to_numpy()[visit],
        method=words(visits["method"].to_numpy()[visit]),
        condition=openings["condition"].to_numpy()[opening],
        slots=openings["slots"].to_numpy()[opening],
        wiring_ungrounded=openings["wiring_ungrounded"].to_numpy()[opening],
        run_feet=openings["run_feet"].to_numpy()[opening],
    )
    missed = _missed(rng, looks, openings, profile.inspectors)
    columns = _read(rng, looks, missed, profile.inspectors)
    gfci, marking = _seen_on_the_face(rng, looks, openings)
    selection = visits["selection"].to_numpy()[visit]
    slots = looks.slots.copy()
    slots[rng.random(len(slots)) < 0.03] = None

    frame = pd.DataFrame(
        {
            "building_id": openings["building_id"].to_numpy()[opening],
            "unit_id": openings["unit_id"].to_numpy()[opening],
            "room": openings["room"].to_numpy()[opening],
            "opening_id": openings["opening_id"].to_numpy()[opening],
            "circuit_id": blanks(len(opening)),
            "observed_on": visits["observed_on"].to_numpy()[visit],
            "inspector": words([person.name for person in profile.inspectors])[looks.inspector],
            "method": looks.method,
            "selection": words(selection),
            "slots": slots,
            "gfci_protected": gfci,
            "marking": marking,
            "note": blanks(len(opening)),
            # None of the invented inspectors carries what these are measured with.
            **{name: np.full(len(opening), np.nan) for name in NOT_MEASURED},
            **{name: blanks(len(opening)) for name in NOT_NOTED},
            **columns,
        }
    )
    frame = _locked_doors(rng, frame, visit)
    hands = pd.DataFrame(
        {
            "inspector": [person.name for person in profile.inspectors],
            "misread": [person.misread for person in profile.inspectors],
            "passes_everything": [person.passes_everything for person in profile.inspectors],
        }
    )
    return frame[list(OPENING_OBSERVATIONS.columns)], hands


@dataclass(frozen=True)
class _Looks:
    """One entry a look: positions of opening, visit and inspector, and the truth behind it."""

    opening: Ints
    visit: Ints
    inspector: Ints
    method: Words
    condition: Words
    slots: Words
    wiring_ungrounded: Bools
    run_feet: Floats

    def by(self, method: Method) -> Bools:
        return np.asarray(self.method == method.value, dtype=bool)

    def is_in(self, *conditions: Condition) -> Bools:
        return np.isin(self.condition.astype(str), [word.value for word in conditions])


def _yes_no(flags: Bools) -> Words:
    return words(np.where(flags, YesNo.YES.value, YesNo.NO.value))


def _translate(table: dict[Condition, Result], conditions: Words) -> Words:
    written = {condition.value: result.value for condition, result in table.items()}
    return words([written[condition] for condition in conditions])


def _visits(rng: np.random.Generator, truth: Truth, profile: Profile) -> pd.DataFrame:
    """Draw visits: one inspector with one method on one day in one building."""
    n = len(truth.register)
    number = rng.poisson(profile.visits, n)
    building = np.repeat(np.arange(n), number)
    m = len(building)
    inspector = rng.integers(0, len(profile.inspectors), m)
    method = blanks(m)
    for position, person in enumerate(profile.inspectors):
        here = inspector == position
        kit = [word.value for word, _ in person.methods]
        shares = np.asarray([share for _, share in person.methods])
        method[here] = rng.choice(kit, size=int(here.sum()), p=shares / shares.sum())
    reasons = [word.value for word, _ in profile.selection]
    shares = np.asarray([share for _, share in profile.selection])
    day = FIRST_DAY + rng.integers(0, int((LAST_DAY - FIRST_DAY).astype(int)), m)
    visits = pd.DataFrame(
        {
            "building": building,
            "inspector": inspector,
            "method": method,
            "selection": rng.choice(reasons, size=m, p=shares / shares.sum()),
            "observed_on": day,
        }
    )
    again = np.flatnonzero(rng.random(m) < 0.08)
    later = np.concatenate([np.zeros(m, dtype=int), rng.integers(2, 30, len(again))])
    visits = visits.iloc[np.concatenate([np.arange(m), again])].reset_index(drop=True)
    visits["observed_on"] += pd.to_timedelta(later, unit="D")
    visits = visits.drop_duplicates(["building", "inspector", "method", "observed_on"])
    return visits.sort_values(["observed_on", "building"], kind="stable", ignore_index=True)


def _looked_at(
    rng: np.random.Generator, openings: pd.DataFrame, visits: pd.DataFrame
) -> tuple[Ints, Ints]:
    """Choose the openings of each visit; a targeted visit prefers what looks suspicious."""
    codes, _ = pd.factorize(openings["building_id"])
    size = np.bincount(codes)
    first = np.concatenate([[0], np.cumsum(size)[:-1]])
    present = size[visits["building"].to_numpy()]
    visit = np.repeat(np.arange(len(visits)), present)
    within = np.arange(len(visit)) - np.repeat(np.cumsum(present) - present, present)
    opening = first[visits["building"].to_numpy()][visit] + within

    selection = visits["selection"].to_numpy().astype(str)[visit]
    share = np.select(
        [selection == word for word in SHARE_LOOKED_AT], list(SHARE_LOOKED_AT.values())
    )
    share = np.where(share < 1, share * np.repeat(rng.uniform(0.4, 1.6, len(visits)), present), 1.0)
    odds = np.where(share < 1, share / np.maximum(1e-9, 1 - np.minimum(share, 0.95)), np.inf)
    dangerous = np.asarray(
        [
            danger(Condition(condition), Slots(slots), float(gfci)) > 0.5
            for condition, slots, gfci in zip(
                openings["condition"], openings["slots"], openings["gfci"], strict=True
            )
        ]
    )[opening]
    three = (openings["slots"] == Slots.THREE_SLOT.value).to_numpy()[opening]
    noticed = (
        openings["condition"]
        .isin([Condition.OPEN_HOT, Condition.OPEN_NEUTRAL, Condition.HOT_ON_GROUND])
        .to_numpy()[opening]
    )
    targeted = selection == Selection.TARGETED.value
    odds = np.where(targeted & dangerous, odds * TARGETED_ODDS_RATIO, odds)
    odds = np.where(targeted & three, odds * TARGETED_THREE_SLOT, odds)
    complaint = selection == Selection.COMPLAINT.value
    odds = np.where(complaint & (noticed | dangerous), odds * COMPLAINT_ODDS_RATIO, odds)
    chosen = rng.random(len(odds)) < 1 - 1 / (1 + odds)
    return visit[chosen], opening[chosen]


def _missed(
    rng: np.random.Generator,
    looks: _Looks,
    openings: pd.DataFrame,
    inspectors: tuple[Inspector, ...],
) -> Bools:
    """Which looks were misread. One hand tends to misread the same opening in the same way."""
    rate = np.asarray([person.misread for person in inspectors])[looks.inspector]
    habit = rng.random((len(openings), len(inspectors)))[looks.opening, looks.inspector]
    fresh = rng.random(len(rate))
    draw = np.where(rng.random(len(rate)) < SAME_HAND, habit, fresh)
    return draw < rate


def _read(
    rng: np.random.Generator, looks: _Looks, missed: Bools, inspectors: tuple[Inspector, ...]
) -> dict[str, Words | Floats]:
    """Fill result and measured columns of every look."""
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
    testable = np.asarray(looks.slots == Slots.THREE_SLOT.value, dtype=bool)

    lamps = looks.by(Method.THREE_LAMP_TESTER) & testable
    result[lamps] = _translate(LAMP_READING, looks.condition[lamps])
    _read_volts(rng, looks, looks.by(Method.VOLTMETER_UNDER_LOAD) & testable, missed, columns)
    _read_ohms(rng, looks, looks.by(Method.GROUND_IMPEDANCE_METER) & testable, missed, columns)
    _read_cover_off(looks, looks.by(Method.COVER_OFF_INSPECTION), missed, columns)

    wrong = (lamps | (looks.by(Method.VOLTMETER_UNDER_LOAD) & testable)) & missed
    wrong &= ~_equals(result, Result.OPEN_HOT)
    result[wrong] = rng.choice(MISREADINGS, size=int(wrong.sum()))
    dead = _equals(result, Result.OPEN_HOT) & (rng.random(n) < DEAD_IS_NO_POWER)
    result[dead] = Result.NO_POWER.value
    passer = np.asarray([person.passes_everything for person in inspectors])[looks.inspector]
    passer &= (
        testable & lamps & ~_equals(result, Result.OPEN_HOT) & ~_equals(result, Result.NO_POWER)
    )
    result[passer & (rng.random(n) < 0.97)] = Result.CORRECT.value
    return columns


def _equals(words: Words, word: Result) -> Bools:
    return np.asarray(words == word.value, dtype=bool)


def _read_volts(
    rng: np.random.Generator,
    looks: _Looks,
    here: Bools,
    missed: Bools,
    columns: dict[str, Words | Floats],
) -> None:
    """Neutral to ground under load: I·R of one conductor on a true ground, nothing on a false."""
    n = len(here)
    small_load = rng.random(n) < 0.15
    amps = np.where(small_load, rng.uniform(0.5, 3, n), rng.normal(11.4, 0.5, n))
    supply = rng.normal(120, 1.2, n)
    drop = OHMS_PER_FOOT_14_AWG * looks.run_feet * amps
    volts = np.select(
        [
            looks.is_in(Condition.GROUNDED),
            looks.is_in(Condition.FALSE_GROUND, Condition.REVERSED_FALSE_GROUND),
            looks.is_in(Condition.REVERSED, Condition.HOT_ON_GROUND),
            looks.is_in(Condition.OPEN_NEUTRAL),
            looks.is_in(Condition.OPEN_HOT),
        ],
        [drop, np.abs(rng.normal(0, 0.012, n)), supply - drop, supply, 0.0],
        default=np.abs(rng.normal(0, 18, n)),
    )
    dead = looks.is_in(Condition.OPEN_NEUTRAL, Condition.OPEN_HOT)
    amps = np.where(dead, 0.0, amps)
    volts = np.abs(volts * rng.normal(1, 0.01, n) + rng.normal(0, 0.01, n))
    # A slipped probe or a hold button left on: the number is another opening's.
    volts = np.where(missed, np.abs(rng.normal(0.8, 0.6, n)), volts)
    said = np.select(
        [
            looks.is_in(Condition.OPEN_HOT),
            looks.is_in(Condition.OPEN_NEUTRAL),
            looks.is_in(Condition.UNGROUNDED, Condition.REVERSED_UNGROUNDED),
            looks.is_in(Condition.HOT_ON_GROUND),
            volts > 60,
            (volts <= 0.10) & (amps > 8),
        ],
        [
            Result.OPEN_HOT.value,
            Result.OPEN_NEUTRAL.value,
            Result.OPEN_GROUND.value,
            Result.HOT_GROUND_REVERSED.value,
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
    looks: _Looks,
    here: Bools,
    missed: Bools,
    columns: dict[str, Words | Floats],
) -> None:
    """Impedance from ground contact to the service: over either conductor it is one run's.

    On a false ground the current returns over the neutral, so the ohms alone look like a true
    ground's; what gives it away is that the meter sees no impedance between neutral and ground.
    """
    n = len(here)
    path = OHMS_PER_FOOT_14_AWG * looks.run_feet + rng.uniform(0.02, 0.25, n)
    no_path = looks.is_in(Condition.UNGROUNDED, Condition.REVERSED_UNGROUNDED)
    ohms = np.where(no_path, 10 ** rng.uniform(4.5, 6.5, n), path).round(2)
    said = _translate(IMPEDANCE_READING, looks.condition)
    chance = rng.random(n)
    true_ground = looks.is_in(Condition.GROUNDED)
    false_ground = looks.is_in(Condition.FALSE_GROUND, Condition.REVERSED_FALSE_GROUND)
    said[true_ground & (chance < IMPEDANCE_FALSE_ALARM)] = Result.FALSE_GROUND.value
    said[false_ground & (chance < IMPEDANCE_MISS)] = Result.CORRECT.value
    said[missed & ~no_path] = Result.CORRECT.value
    columns["result"][here] = said[here]
    dark = looks.is_in(Condition.OPEN_HOT, Condition.OPEN_NEUTRAL, Condition.HOT_ON_GROUND)
    shown = here & ~dark
    columns["ground_path_ohms"][shown] = ohms[shown]


def _read_cover_off(
    looks: _Looks, here: Bools, missed: Bools, columns: dict[str, Words | Floats]
) -> None:
    """What stands in the box: ground path, jumper between neutral and ground, polarity."""
    jumper = looks.is_in(Condition.FALSE_GROUND, Condition.REVERSED_FALSE_GROUND)
    backwards = looks.is_in(
        Condition.REVERSED, Condition.REVERSED_UNGROUNDED, Condition.REVERSED_FALSE_GROUND
    )
    grounded = ~looks.wiring_ungrounded
    said = _translate(COVER_OFF_READING, looks.condition)
    said[missed] = Result.CORRECT.value
    three = np.asarray(looks.slots == Slots.THREE_SLOT.value, dtype=bool)
    columns["result"][here] = said[here]
    columns["cover_removed"][here] = YesNo.YES.value
    columns["ground_present"][here] = _yes_no(grounded | missed)[here]
    columns["neutral_ground_jumper"][here & three] = _yes_no(jumper & ~missed)[here & three]
    polarity = np.where(backwards & ~missed, Polarity.REVERSED.value, Polarity.CORRECT.value)
    columns["polarity"][here] = words(polarity)[here]


def _seen_on_the_face(
    rng: np.random.Generator, looks: _Looks, openings: pd.DataFrame
) -> tuple[Words, Words]:
    """Whether protection and marking were written down; the lamp tester's user seldom does."""
    n = len(looks.opening)
    thorough = np.where(
        looks.by(Method.COVER_OFF_INSPECTION), 0.85, np.where(looks.by(Method.VISUAL), 0.6, 0.25)
    )
    protected = openings["gfci"].to_numpy()[looks.opening]
    gfci = _yes_no(protected)
    gfci[rng.random(n) >= thorough] = None
    marking = openings["marking"].to_numpy()[looks.opening].copy()
    marking[rng.random(n) >= thorough] = None
    # Whoever read the label knows of the protection.
    told = np.isin(marking.astype(str), [Marking.GFCI_PROTECTED.value, Marking.BOTH.value])
    gfci[told & protected] = YesNo.YES.value
    return gfci, marking


def _locked_doors(rng: np.random.Generator, frame: pd.DataFrame, visit: Ints) -> pd.DataFrame:
    """Turn some units' looks into "not accessible" and some openings' into "not tested"."""
    n = len(frame)
    group = pd.factorize(
        pd.Series(visit.astype(str)) + "|" + frame["unit_id"].fillna("").astype(str)
    )[0]
    locked = rng.random(int(group.max(initial=-1)) + 1)[group] < NOT_ACCESSIBLE_UNIT
    skipped = ~locked & (rng.random(n) < NOT_TESTED)
    measured = [
        "cover_removed",
        "ground_present",
        "neutral_ground_jumper",
        "polarity",
        "neutral_ground_volts",
        "load_amps",
        "ground_path_ohms",
    ]
    for flags, word in ((locked, Result.NOT_ACCESSIBLE), (skipped, Result.NOT_TESTED)):
        frame.loc[flags, "result"] = word.value
        frame.loc[flags, measured[4:]] = np.nan
        frame.loc[flags, measured[:4]] = None
    frame.loc[locked, ["slots", "gfci_protected", "marking"]] = None
    return frame
