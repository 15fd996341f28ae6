"""Severity: expected harm from one opening to one person in one year, by condition.

Touch voltages, body currents and clearing times come from the circuit model; how often people
touch what, and how often things fail, from the rule book. Harm of one shock is the chance of
ventricular fibrillation plus a declared weight for a shock that one cannot let go of. The figures
order openings; they are no forecast of accidents. What a condition leaves open (how poor a poor
ground is, where the box further up is, what runs on two circuits) is averaged over.

A neutral that opens counts once. The term ``open_neutral`` is for openings whose neutral holds now:
breaks to come in a year, times the harm of one. It is nil where the condition itself is an open
neutral: such an opening is live for the declared days that one break stands, not for a whole year,
and what is plugged into a dead opening is handled as often as the same rule says. So a break to
come and a break that is there count alike, each as one break.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.stats import norm

from pipeline.evidence.circuit import WIRING, Unknowns, spread
from pipeline.evidence.network import Floats
from pipeline.evidence.shock import Scenario, Shocks, shocks
from shared.rule_book import Harm, RuleBook
from shared.vocabulary import CONDITIONS, Condition, Slots

_POINTS = 256
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


def _one_touch(harm: Harm, found: Shocks, gfci: Floats) -> Floats:
    """Harm of touching once, given the trip time of a GFCI (infinite for none)."""
    seconds = np.minimum(float(harm.exposure_seconds), np.minimum(found.breaker_touched, gfci))
    return shock_harm(harm, found.body_milliamps, seconds)


def _standing(days: float, cleared: Floats) -> Floats:
    """Share of a year for which one fault stands, given the time in which it is cleared, s."""
    share: Floats = np.minimum(days, cleared / _SECONDS_A_DAY) / _DAYS_A_YEAR
    return share


def _touches(harm: Harm, scenario: Scenario, found: Shocks, gfci: Floats, slots: Slots) -> Floats:
    """Touches per person, opening and year in a scenario."""
    touches = float(harm.touches_normal)
    each = np.ones_like(found.touch_volts)
    if scenario is Scenario.COVER_PLATE:
        return each * touches * float(harm.plate_share)
    if scenario is Scenario.BEHIND_SWITCH:
        return each * touches * float(harm.shell_share)
    if slots is Slots.TWO_SLOT:
        touches *= float(harm.two_wire_case_share)
    if scenario is Scenario.OPEN_NEUTRAL:
        standing = _standing(float(harm.open_neutral_days), found.breaker_untouched)
        return touches * float(harm.stopped_touch_factor) * float(harm.open_neutrals) * standing
    if scenario is Scenario.CASE_FAULT:
        cleared = np.minimum(found.breaker_untouched, gfci)
        return touches * float(harm.case_faults) * _standing(float(harm.case_fault_days), cleared)
    return each * touches


def _term(harm: Harm, scenario: Scenario, found: Shocks, slots: Slots, protected: bool) -> Floats:
    never = np.full_like(found.touch_volts, np.inf)
    if not protected:
        touches = _touches(harm, scenario, found, never, slots)
        return touches * _one_touch(harm, found, never)
    near = float(harm.gfci_at_opening)
    total = np.zeros_like(found.touch_volts)
    for place, share in enumerate((1.0 - near, near)):
        touches = _touches(harm, scenario, found, found.gfci_untouched[place], slots)
        total = total + share * touches * _one_touch(harm, found, found.gfci_touched[place])
    return total


def _unknowns(rule_book: RuleBook, condition: Condition) -> Unknowns | None:
    """Points of what a condition leaves open; None where it leaves nothing open."""
    wiring = WIRING[condition]
    if wiring.upstream or wiring.poor_ground or wiring.shared_neutral:
        return spread(rule_book.circuit, _POINTS)
    return None


def _weight(
    harm: Harm, condition: Condition, scenario: Scenario, unknowns: Unknowns | None
) -> Floats | float:
    """Share of the year and of the breaks for which a scenario is as it was solved.

    A neutral that opens beyond the bond further up leaves the ground contact on one that holds.
    """
    wiring = WIRING[condition]
    if not wiring.neutral_open:
        bonded = wiring.upstream is not None and scenario is Scenario.OPEN_NEUTRAL
        return unknowns.upstream_share if bonded and unknowns else 1.0
    if scenario is Scenario.OPEN_NEUTRAL:
        return 0.0
    standing = float(harm.open_neutral_days) / _DAYS_A_YEAR
    handled = scenario in (Scenario.NORMAL_USE, Scenario.CASE_FAULT)
    stopped = handled and not wiring.shared_neutral
    return standing * (float(harm.stopped_touch_factor) if stopped else 1.0)


def severity(rule_book: RuleBook) -> pd.DataFrame:
    """Expected harm of an opening by slots, condition and protection.

    A two-slot opening has no ground contact: a case there is on its own, and only the declared
    share of appliances has one. An opening that is neither two- nor three-slot (a 20 A slot, a
    range, a locking receptacle) is taken as three-slot: it has a ground contact.

    Returns:
        Columns slots, condition, protected (GFCI), one per ``Scenario`` and severity, their
        sum, all in death equivalents per person, opening and year (for ranking; not a forecast);
        then body_milliamps_<term>, mA through a body in that scenario (the mean over what the
        condition leaves open). Terms are summed as rare events, which they are.
    """
    return _severity(rule_book).copy()


@lru_cache(maxsize=4)
def _severity(rule_book: RuleBook) -> pd.DataFrame:
    harm = rule_book.harm
    rows = []
    for slots in Slots:
        for condition in CONDITIONS:
            unknowns = _unknowns(rule_book, condition)
            found = {
                scenario: shocks(
                    rule_book.circuit,
                    condition,
                    scenario,
                    ground_contact=slots is not Slots.TWO_SLOT,
                    unknowns=unknowns,
                )
                for scenario in Scenario
            }
            for protected in (False, True):
                terms = {
                    scenario.value: float(
                        np.mean(
                            _weight(harm, condition, scenario, unknowns)
                            * _term(harm, scenario, each, slots, protected)
                        )
                    )
                    for scenario, each in found.items()
                }
                rows.append(
                    {
                        "slots": slots.value,
                        "condition": condition.value,
                        "protected": protected,
                        **terms,
                        "severity": sum(terms.values()),
                        **{
                            f"body_milliamps_{scenario.value}": float(each.body_milliamps.mean())
                            for scenario, each in found.items()
                        },
                    }
                )
    return pd.DataFrame(rows)


def severity_array(rule_book: RuleBook) -> Floats:
    """Severities as an array, shape (3 slots, C conditions, 2: without and with GFCI)."""
    return as_array(severity(rule_book))


def as_array(severities: pd.DataFrame) -> Floats:
    """The column severity of what ``severity`` gives, as ``severity_array`` has it."""
    values = severities["severity"].to_numpy(dtype=np.float64)
    return values.reshape(len(Slots), len(CONDITIONS), 2)
