"""Severity: expected harm from one opening to one person in one year, by condition.

Touch voltages, body currents and clearing times come from the circuit model; how often people
touch what, and how often things fail, from the rule book. Harm of one shock is the chance of
ventricular fibrillation plus a declared weight for a shock that one cannot let go of. The figures
order openings; they are no forecast of accidents. What a condition leaves open (how poor a poor
ground is, where the box further up is, what runs on two circuits) is averaged over.

A neutral that opens counts once. The term ``open_neutral`` is for openings whose neutral holds now:
the break that is still to come, times the days for which it stands. It is nil where the condition
itself is an open neutral. Such an opening is in that state for the same declared days of the year,
not the whole of it, and what is plugged into a dead opening is handled as often as the same rule
says: so the share of openings found with an open neutral times their severity is the same harm,
seen from inside the break, and is not added to it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.stats import norm

from pipeline.evidence.circuit import WIRING, Unknowns, spread
from pipeline.evidence.network import Floats
from pipeline.evidence.shock import Scenario, Shock, shock
from shared.rule_book import Harm, RuleBook
from shared.vocabulary import CONDITIONS, Condition, Slots

UNIT = "death equivalents per person, opening and year (for ranking; not a forecast)"
"""Unit of every severity."""

TERMS: tuple[str, ...] = tuple(Scenario)
"""Names of the terms that add up to a severity, one for each scenario."""

_POINTS = 16
"""Points over which what a condition leaves open is averaged."""

_SECONDS_A_DAY = 86_400.0
_DAYS_A_YEAR = 365.25


def fibrillation_probability(harm: Harm, milliamps: ArrayLike, seconds: ArrayLike) -> Floats:
    """Chance of ventricular fibrillation from a body current, 0 to 1; shapes broadcast.

    Log-normal in the dose I·√t about the declared constant, at which the declared probability
    holds. After Dalziel (50 kg body, 116 mA·√s at 0.5 %), from memory.
    """
    dose = np.asarray(milliamps, dtype=np.float64) * np.sqrt(np.asarray(seconds, dtype=np.float64))
    start = norm.ppf(float(harm.fibrillation_probability))
    with np.errstate(divide="ignore"):
        steps = np.log(dose / float(harm.fibrillation_constant)) / float(harm.fibrillation_spread)
    chance: Floats = norm.cdf(start + steps)
    return chance


def shock_harm(harm: Harm, milliamps: ArrayLike, seconds: ArrayLike) -> Floats:
    """Harm of one shock, death equivalents, 0 to 1; shapes broadcast.

    Above the let-go current the declared weight is added, in proportion to how much of the
    declared contact time the shock lasts.
    """
    fatal = fibrillation_probability(harm, milliamps, seconds)
    held = np.asarray(milliamps, dtype=np.float64) > float(harm.let_go_milliamps)
    share = np.asarray(seconds, dtype=np.float64) / float(harm.exposure_seconds)
    weight = float(harm.no_let_go_weight) * held * np.minimum(share, 1.0)
    total: Floats = fatal + (1.0 - fatal) * weight
    return total


def _one_touch(harm: Harm, found: Shock, gfci: float) -> float:
    """Harm of touching once, given the trip time of a GFCI (infinite for none)."""
    seconds = min(float(harm.exposure_seconds), found.breaker_touched, gfci)
    return float(shock_harm(harm, found.body_milliamps, seconds))


def _standing(days: float, cleared: float) -> float:
    """Share of a year for which one fault stands, given the time in which it is cleared, s."""
    return min(days, cleared / _SECONDS_A_DAY) / _DAYS_A_YEAR


def _touches(harm: Harm, scenario: Scenario, found: Shock, gfci: float, slots: Slots) -> float:
    """Touches per person, opening and year in a scenario."""
    touches = float(harm.touches_normal)
    if scenario is Scenario.COVER_PLATE:
        return touches * float(harm.plate_share)
    if scenario is Scenario.BEHIND_SWITCH:
        return touches * float(harm.shell_share)
    if slots is not Slots.THREE_SLOT:
        touches *= float(harm.two_wire_case_share)
    if scenario is Scenario.OPEN_NEUTRAL:
        standing = _standing(float(harm.open_neutral_days), found.breaker_untouched)
        return touches * float(harm.stopped_touch_factor) * float(harm.open_neutrals) * standing
    if scenario is Scenario.CASE_FAULT:
        cleared = min(found.breaker_untouched, gfci)
        return touches * float(harm.case_faults) * _standing(float(harm.case_fault_days), cleared)
    return touches


def _term(harm: Harm, scenario: Scenario, found: Shock, slots: Slots, protected: bool) -> float:
    if not protected:
        touches = _touches(harm, scenario, found, np.inf, slots)
        return touches * _one_touch(harm, found, np.inf)
    near = float(harm.gfci_at_opening)
    total = 0.0
    for place, share in enumerate((1.0 - near, near)):
        touches = _touches(harm, scenario, found, found.gfci_untouched[place], slots)
        total += share * touches * _one_touch(harm, found, found.gfci_touched[place])
    return total


@dataclass(frozen=True)
class _Case:
    """One thing that a condition can be, with its share.

    Attributes:
        share: its probability.
        unknowns: what the condition leaves open, settled.
        break_above: chance that a neutral which opens does so above every bond of neutral and
            ground: beyond the bond the ground contact stays on a neutral that holds.
    """

    share: float
    unknowns: Unknowns | None
    break_above: float


def _cases(rule_book: RuleBook, condition: Condition) -> list[_Case]:
    """What a condition can be; one case unless it leaves something open."""
    wiring = WIRING[condition]
    if not (wiring.upstream or wiring.poor_ground or wiring.shared_neutral):
        return [_Case(1.0, None, 1.0)]
    points = spread(rule_book.circuit, _POINTS)
    cases = []
    for index in range(_POINTS):
        point = points.point(index)
        above = float(point.upstream_share) if wiring.upstream else 1.0
        cases.append(_Case(1.0 / _POINTS, point, above))
    return cases


def _weight(harm: Harm, condition: Condition, scenario: Scenario, case: _Case) -> float:
    """What one case of a condition counts in a scenario: its share, and for how long it is so."""
    wiring = WIRING[condition]
    if not wiring.neutral_open:
        return case.share * (case.break_above if scenario is Scenario.OPEN_NEUTRAL else 1.0)
    if scenario is Scenario.OPEN_NEUTRAL:
        return 0.0
    standing = float(harm.open_neutral_days) / _DAYS_A_YEAR
    handled = scenario in (Scenario.NORMAL_USE, Scenario.CASE_FAULT)
    stopped = handled and not wiring.shared_neutral
    return case.share * standing * (float(harm.stopped_touch_factor) if stopped else 1.0)


def severity(rule_book: RuleBook) -> pd.DataFrame:
    """Expected harm of an opening by slots, condition and protection.

    A two-slot opening has no ground contact: a case there is on its own, and only the declared
    share of appliances has one. An opening that is neither two- nor three-slot is taken as
    two-slot: nothing is claimed about a case on it.

    Returns:
        Columns slots, condition, protected (GFCI), one per name in ``TERMS`` and severity, their
        sum, all in ``UNIT``; then body_milliamps_<term>, mA through a body in that scenario (the
        mean over what the condition leaves open). Terms are summed as rare events, which they are.
    """
    solved = {
        (condition, ground_contact): [
            (
                case,
                {
                    scenario: shock(
                        rule_book.circuit,
                        condition,
                        scenario,
                        ground_contact=ground_contact,
                        unknowns=case.unknowns,
                    )
                    for scenario in Scenario
                },
            )
            for case in _cases(rule_book, condition)
        ]
        for condition in CONDITIONS
        for ground_contact in (False, True)
    }
    harm = rule_book.harm
    rows = []
    for slots in Slots:
        for condition in CONDITIONS:
            cases = solved[condition, slots is Slots.THREE_SLOT]
            for protected in (False, True):
                terms = {
                    scenario.value: sum(
                        _weight(harm, condition, scenario, case)
                        * _term(harm, scenario, found[scenario], slots, protected)
                        for case, found in cases
                    )
                    for scenario in Scenario
                }
                rows.append(
                    {
                        "slots": slots.value,
                        "condition": condition.value,
                        "protected": protected,
                        **terms,
                        "severity": sum(terms.values()),
                        **{
                            f"body_milliamps_{scenario.value}": sum(
                                case.share * found[scenario].body_milliamps for case, found in cases
                            )
                            for scenario in Scenario
                        },
                    }
                )
    return pd.DataFrame(rows)


def severity_array(rule_book: RuleBook) -> Floats:
    """Severities as an array, shape (3 slots, C conditions, 2: without and with GFCI), ``UNIT``."""
    values = severity(rule_book)["severity"].to_numpy(dtype=np.float64)
    return values.reshape(len(Slots), len(CONDITIONS), 2)
