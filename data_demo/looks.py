"""Looks at the hidden truth: who went, with what, at which openings, and what they wrote.

What the instruments show is in ``data_demo.instruments`` and ``data_demo.live_metal``. Rates of
misreading, of targeting and of writing things down are invented.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from data_demo.arrays import Bools, Ints, Words, blanks, words
from data_demo.instruments import MEASURED, Looks, read, shared_supply, yes_no
from data_demo.live_metal import live_readings
from data_demo.profiles import Inspector, Profile
from data_demo.truth import Truth
from shared.records import OPENING_OBSERVATIONS
from shared.vocabulary import (
    OPEN_BOX_METHODS,
    Condition,
    Marking,
    Method,
    Result,
    Selection,
    Slots,
    YesNo,
    danger,
)

TARGETED_ODDS_RATIO = 3.0
"""How much a targeted look prefers dangerous openings: ratio of odds of being looked at."""
TARGETED_THREE_SLOT = 1.6
"""The same for three-slot openings against others."""
COMPLAINT_ODDS_RATIO = 8.0
"""How much a complaint prefers openings with a fault that people notice."""
NOTICED = (
    Condition.OPEN_HOT,
    Condition.OPEN_NEUTRAL,
    Condition.OPEN_NEUTRAL_UNGROUNDED,
    Condition.OPEN_NEUTRAL_FALSE_GROUND,
    Condition.SHARED_NEUTRAL_OPEN,
    Condition.HOT_ON_GROUND,
)
SAME_HAND = 0.7
"""Chance that one hand, reading the same opening again, makes the same mistake or none again."""
NOT_ACCESSIBLE_UNIT = 0.06
NOT_TESTED = 0.02
CIRCUIT_KNOWN = 0.9
"""Share of looks at which somebody knew the circuit, where the layout has a column for it."""
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
    looks = Looks(
        opening=opening,
        visit=visit,
        inspector=visits["inspector"].to_numpy()[visit],
        method=words(visits["method"].to_numpy()[visit]),
        condition=openings["condition"].to_numpy()[opening],
        slots=openings["slots"].to_numpy()[opening],
        ground_wire=openings["ground_wire"].to_numpy()[opening],
        jumper_here=openings["jumper_here"].to_numpy()[opening],
        run_feet=openings["run_feet"].to_numpy()[opening],
        stretch_feet=openings["stretch_feet"].to_numpy()[opening],
        poor_ohms=openings["poor_ohms"].to_numpy()[opening],
        supply_volts=shared_supply(rng, len(opening)),
    )
    missed = _missed(rng, looks, openings, profile.inspectors)
    columns = read(rng, looks, missed, profile.inspectors)
    complaint = np.asarray(visits["selection"].to_numpy()[visit] == Selection.COMPLAINT.value)
    columns |= live_readings(rng, looks, complaint)
    circuit = openings["circuit_id"].to_numpy()[opening].copy()
    circuit[rng.random(len(opening)) >= CIRCUIT_KNOWN] = None
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
            "circuit_id": circuit,
            "observed_on": visits["observed_on"].to_numpy()[visit],
            "inspector": words([person.name for person in profile.inspectors])[looks.inspector],
            "firm_of_inspector": blanks(len(opening)),
            "method": looks.method,
            "selection": words(selection),
            "slots": slots,
            "gfci_protected": gfci,
            "gfci_button_tripped": blanks(len(opening)),
            "gfci_year": blanks(len(opening)),
            "marking": marking,
            "note": blanks(len(opening)),
            "visit_id": blanks(len(opening)),
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
    # Only three slots look as if they had no ground: other faces than two or three pass unnoticed.
    dangerous = np.asarray(
        [
            danger(
                Condition(condition),
                Slots.THREE_SLOT if slots == Slots.THREE_SLOT else Slots.TWO_SLOT,
                float(gfci),
            )
            > 0.5
            for condition, slots, gfci in zip(
                openings["condition"], openings["slots"], openings["gfci"], strict=True
            )
        ]
    )[opening]
    three = (openings["slots"] == Slots.THREE_SLOT.value).to_numpy()[opening]
    noticed = openings["condition"].isin(NOTICED).to_numpy()[opening]
    targeted = selection == Selection.TARGETED.value
    odds = np.where(targeted & dangerous, odds * TARGETED_ODDS_RATIO, odds)
    odds = np.where(targeted & three, odds * TARGETED_THREE_SLOT, odds)
    complaint = selection == Selection.COMPLAINT.value
    odds = np.where(complaint & (noticed | dangerous), odds * COMPLAINT_ODDS_RATIO, odds)
    chosen = rng.random(len(odds)) < 1 - 1 / (1 + odds)
    return visit[chosen], opening[chosen]


def _missed(
    rng: np.random.Generator,
    looks: Looks,
    openings: pd.DataFrame,
    inspectors: tuple[Inspector, ...],
) -> Bools:
    """Which looks were misread. One hand tends to misread the same opening in the same way."""
    rate = np.asarray([person.misread for person in inspectors])[looks.inspector]
    habit = rng.random((len(openings), len(inspectors)))[looks.opening, looks.inspector]
    fresh = rng.random(len(rate))
    draw = np.where(rng.random(len(rate)) < SAME_HAND, habit, fresh)
    return draw < rate


def _seen_on_the_face(
    rng: np.random.Generator, looks: Looks, openings: pd.DataFrame
) -> tuple[Words, Words]:
    """Whether protection and marking were written down; the lamp tester's user seldom does."""
    n = len(looks.opening)
    thorough = np.where(
        looks.by(*OPEN_BOX_METHODS), 0.85, np.where(looks.by(Method.VISUAL), 0.6, 0.25)
    )
    protected = openings["gfci"].to_numpy()[looks.opening]
    gfci = yes_no(protected)
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
    for flags, word in ((locked, Result.NOT_ACCESSIBLE), (skipped, Result.NOT_TESTED)):
        frame.loc[flags, "result"] = word.value
        for column in MEASURED:
            frame.loc[flags, column] = np.nan if frame[column].dtype == float else None
    frame.loc[locked, ["slots", "gfci_protected", "marking"]] = None
    return frame
