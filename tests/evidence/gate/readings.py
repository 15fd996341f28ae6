"""What a look writes down, and how likely that was given the opening: one table for both.

The lamps' legend and what a voltmeter reads under load are the published ones; the rates of
misreading are each world's own, invented. A jumper at the opening itself leaves next to no path
between neutral and ground contact; a bond at a box upstream leaves the cable between, and reads
like a true ground.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from tests.evidence.gate.hierarchy import (
    CONDITIONS,
    OUTCOME_CONDITION,
    OUTCOME_PROTECTED,
    OUTCOME_THREE,
    OUTCOMES,
    Floats,
)

LAMPS = "three_lamp_tester"
VOLTMETER = "voltmeter_under_load"
COVER_OFF = "cover_off_inspection"

RESULTS = (
    "correct",
    "open_ground",
    "open_neutral",
    "open_hot",
    "hot_neutral_reversed",
    "hot_ground_reversed",
)
"""What the lamps can say."""

_LAMPS_SHOW = {
    "grounded": "correct",
    "ungrounded": "open_ground",
    "false_ground": "correct",
    "reversed": "hot_neutral_reversed",
    "reversed_ungrounded": "open_ground",
    "reversed_false_ground": "correct",
    "open_neutral": "open_neutral",
    "open_hot": "open_hot",
    "hot_on_ground": "hot_ground_reversed",
    "false_ground_upstream": "correct",
}
LAMP_MISREAD = 0.02

_LAMPS = np.full((len(CONDITIONS), len(RESULTS)), LAMP_MISREAD / (len(RESULTS) - 1))
for _number, _condition in enumerate(CONDITIONS):
    _LAMPS[_number, RESULTS.index(_LAMPS_SHOW[_condition])] = 1 - LAMP_MISREAD

_COVER_COLUMNS = ("result", "ground_present", "neutral_ground_jumper", "polarity")
_COVER_WRITES: dict[str, tuple[str, str, str, str]] = {
    "grounded": ("correct", "yes", "no", "correct"),
    "ungrounded": ("open_ground", "no", "no", "correct"),
    "false_ground": ("false_ground", "no", "yes", "correct"),
    "reversed": ("hot_neutral_reversed", "yes", "no", "reversed"),
    "reversed_ungrounded": ("hot_neutral_reversed", "no", "no", "reversed"),
    "reversed_false_ground": ("reversed_false_ground", "no", "yes", "reversed"),
    "open_neutral": ("open_neutral", "yes", "no", ""),
    "open_hot": ("open_hot", "yes", "no", ""),
    "hot_on_ground": ("hot_ground_reversed", "yes", "no", "correct"),
}
"""What is written after the cover was off, by what the reader took the opening for."""

COVER_KINDS = tuple(_COVER_WRITES)


def _taken_for() -> Floats:
    """Chance that a reader with the cover off takes one condition for another, shape (10, 9)."""
    table = np.zeros((len(CONDITIONS), len(COVER_KINDS)))
    for number, condition in enumerate(CONDITIONS):
        # In a box beyond the bond the ground wire is there and no jumper is seen.
        seen = "grounded" if condition == "false_ground_upstream" else condition
        table[number, COVER_KINDS.index(seen)] += 0.97
        missed = {"false_ground": "grounded", "reversed_false_ground": "false_ground"}
        table[number, COVER_KINDS.index(missed.get(condition, seen))] += 0.02
        table[number] += 0.01 / len(COVER_KINDS)
    return table


_COVER = _taken_for()

PATH_OHMS = {
    # median of neutral-to-ground volts ÷ amps, and spread of its logarithm
    "jumper": (0.004, 0.6),
    "cable": (0.110, 0.55),
    "line": (11.9, 0.02),
}
_PATH = {
    "grounded": "cable",
    "false_ground": "jumper",
    "reversed": "line",
    "reversed_false_ground": "jumper",
    "false_ground_upstream": "cable",
}
"""What lies between neutral and ground contact; other conditions give no steady reading."""

BONDED_OHMS = 0.015
"""Below this a reader with a voltmeter writes that neutral and ground are tied together."""
VOLTMETER_MISREAD = 0.02
PROTECTION_WRITTEN = 0.7
"""Share of looks that say whether the opening is protected; what they say is right."""


def write(
    rng: np.random.Generator, method: str, true_outcome: int, leniency: float
) -> dict[str, str]:
    """What one look writes down: the columns that depend on the opening.

    Args:
        rng: random numbers.
        method: the method.
        true_outcome: what the opening is.
        leniency: share of what should be reported that this reader writes as correct.
    """
    condition = int(OUTCOME_CONDITION[true_outcome])
    cells = {"slots": "three_slot" if OUTCOME_THREE[true_outcome] else "two_slot"}
    if rng.random() < PROTECTION_WRITTEN:
        cells["gfci_protected"] = "yes" if OUTCOME_PROTECTED[true_outcome] else "no"
    lets_pass = rng.random() < leniency
    if method == LAMPS:
        result = RESULTS[rng.choice(len(RESULTS), p=_LAMPS[condition])]
        cells["result"] = "correct" if lets_pass else result
    elif method == COVER_OFF:
        taken = COVER_KINDS[rng.choice(len(COVER_KINDS), p=_COVER[condition])]
        written = _COVER_WRITES["grounded" if lets_pass else taken]
        cells |= dict(zip(_COVER_COLUMNS, written, strict=True))
        cells["cover_removed"] = "yes"
    else:
        path = _PATH.get(CONDITIONS[condition])
        if path is None:
            result = RESULTS[rng.choice(len(RESULTS), p=_LAMPS[condition])]
        else:
            amps = round(float(rng.uniform(7.5, 12.5)), 1)
            # The line's own volts hardly change with the load.
            middle, spread = PATH_OHMS[path]
            by = 10.0 if path == "line" else amps
            volts = max(round(float(by * middle * np.exp(spread * rng.normal())), 4), 0.0001)
            cells |= {"neutral_ground_volts": f"{volts:g}", "load_amps": f"{amps:g}"}
            result = _voltmeter_result(volts, amps)
            if rng.random() < VOLTMETER_MISREAD:
                result = "correct"
        cells["result"] = "correct" if lets_pass else result
    return cells


def _voltmeter_result(volts: float, amps: float) -> str:
    if volts > 60:
        return "hot_neutral_reversed"
    return "false_ground" if volts / amps < BONDED_OHMS else "correct"


def likelihood(cells: Mapping[str, str], leniency: float) -> Floats:
    """Chance (or density) of what a look wrote, by true outcome, shape (40,).

    Args:
        cells: the look's columns as text, blanks or missing where nothing was written.
        leniency: this reader's.
    """
    method, result = cells["method"], cells["result"]
    if method == LAMPS:
        by_condition = (1 - leniency) * _LAMPS[:, RESULTS.index(result)]
        if result == "correct":
            by_condition = by_condition + leniency
    elif method == COVER_OFF:
        written = tuple(cells.get(name) or "" for name in _COVER_COLUMNS)
        kinds = np.array([written == _COVER_WRITES[kind] for kind in COVER_KINDS], dtype=float)
        by_condition = (1 - leniency) * (_COVER @ kinds)
        if written == _COVER_WRITES["grounded"]:
            by_condition = by_condition + leniency
    else:
        by_condition = _voltmeter(cells, result, leniency)
    found = by_condition[OUTCOME_CONDITION]
    found = found * ((cells["slots"] == "three_slot") == OUTCOME_THREE)
    protected = cells.get("gfci_protected") or ""
    if protected:
        found = found * ((protected == "yes") == OUTCOME_PROTECTED)
    return np.asarray(found, dtype=np.float64).reshape(OUTCOMES)


def _voltmeter(cells: Mapping[str, str], result: str, leniency: float) -> Floats:
    written = cells.get("neutral_ground_volts") or ""
    found = np.zeros(len(CONDITIONS))
    for number, condition in enumerate(CONDITIONS):
        path = _PATH.get(condition)
        if (path is None) != (not written):
            continue
        if path is None:
            found[number] = (1 - leniency) * _LAMPS[number, RESULTS.index(result)] + leniency * (
                result == "correct"
            )
            continue
        volts, amps = float(written), float(cells["load_amps"])
        middle, spread = PATH_OHMS[path]
        away = (np.log(volts / (10.0 if path == "line" else amps)) - np.log(middle)) / spread
        density = np.exp(-0.5 * away**2) / spread
        says = _voltmeter_result(volts, amps)
        right = (says == result) * (1 - VOLTMETER_MISREAD) + (
            result == "correct"
        ) * VOLTMETER_MISREAD
        found[number] = density * ((1 - leniency) * right + leniency * (result == "correct"))
    return found
