"""What a person on earth gets from touching metal at an opening, scenario by scenario.

Each scenario is solved twice, with nobody there and with a body of the declared resistance between
the metal and earth. A fault that something clears before anyone comes is over; a shock lasts until
a breaker or a GFCI ends it, or for the declared contact time.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from pipeline.evidence.circuit import WIRING, Contact, Setup, Unknowns, case_node, solve
from pipeline.evidence.network import Floats, Solution
from pipeline.evidence.protection import breaker_seconds, gfci_trip_seconds, imbalance_milliamps
from shared.rule_book import Circuit
from shared.vocabulary import Condition


class Scenario(StrEnum):
    """A moment at which a person touches something at the opening.

    * ``NORMAL_USE``: the metal case of a sound appliance that is switched on;
    * ``COVER_PLATE``: the cover's screw or metal plate, on the same metal as a ground contact;
    * ``BEHIND_SWITCH``: a part behind the switch of a plugged appliance that is off;
    * ``OPEN_NEUTRAL``: the case of an appliance left on when the neutral opens upstream;
    * ``CASE_FAULT``: the case of an appliance whose energised conductor touches it.
    """

    NORMAL_USE = "normal_use"
    COVER_PLATE = "cover_plate"
    BEHIND_SWITCH = "behind_switch"
    OPEN_NEUTRAL = "open_neutral"
    CASE_FAULT = "case_fault"


@dataclass(frozen=True)
class Shock:
    """One scenario at one condition.

    Attributes:
        touch_volts: metal against earth with nobody there, V.
        body_milliamps: through a body from the metal to earth, mA.
        fault_amps: through the case fault with nobody there, A.
        breaker_untouched, breaker_touched: time in which the breaker clears the circuit without
            and with a body on it, s; infinite where it does not.
        gfci_untouched, gfci_touched: the same for a GFCI, each as (further up, at the opening).
    """

    touch_volts: float
    body_milliamps: float
    fault_amps: float
    breaker_untouched: float
    breaker_touched: float
    gfci_untouched: tuple[float, float]
    gfci_touched: tuple[float, float]


@dataclass(frozen=True)
class Shocks:
    """The same over points of what a condition leaves open; arrays of one shape, (P,) or ().

    Attributes:
        touch_volts, body_milliamps, fault_amps, breaker_untouched, breaker_touched: as ``Shock``.
        gfci_untouched, gfci_touched: as ``Shock``, an array for each place.
    """

    touch_volts: Floats
    body_milliamps: Floats
    fault_amps: Floats
    breaker_untouched: Floats
    breaker_touched: Floats
    gfci_untouched: tuple[Floats, Floats]
    gfci_touched: tuple[Floats, Floats]


def _setup(circuit: Circuit, scenario: Scenario, *, ground_contact: bool) -> Setup:
    feet, load = float(circuit.run_length), float(circuit.appliance_ohms)
    if scenario in (Scenario.COVER_PLATE, Scenario.BEHIND_SWITCH):
        # Something else on the circuit is on: beyond an open neutral that makes the neutral live.
        return Setup(feet, load_ohms=load)
    return Setup(
        feet,
        load_ohms=load,
        appliance=True,
        case_on_ground_contact=ground_contact,
        neutral_open_upstream=scenario is Scenario.OPEN_NEUTRAL,
        case_fault=scenario is Scenario.CASE_FAULT,
    )


def shocks(
    circuit: Circuit,
    condition: Condition,
    scenario: Scenario,
    *,
    ground_contact: bool = True,
    unknowns: Unknowns | None = None,
) -> Shocks:
    """Solve one scenario at one condition.

    Args:
        circuit: the rule book's circuit section; its ``run_length`` is the length used.
        condition: the condition of the opening.
        scenario: what happens and what is touched.
        ground_contact: True for a three-slot opening, whose ground contact the plug ties to the
            case; False where the case stays on its own.
        unknowns: what the condition leaves open; None for the typical values.

    A GFCI at the head of the circuit lies before any break of the neutral: it is supplied, and
    trips or not by the imbalance there. One at the opening, beyond the break, has no supply and is
    taken not to trip (from memory).
    """
    wiring = WIRING[condition]
    setup = replace(_setup(circuit, scenario, ground_contact=ground_contact), unknowns=unknowns)
    metal = {
        Scenario.COVER_PLATE: Contact.GROUND,
        Scenario.BEHIND_SWITCH: Contact.NEUTRAL,
    }.get(scenario, case_node(setup))
    alone = solve(circuit, condition, setup)
    touched = solve(circuit, condition, replace(setup, body_on=metal))
    unsupplied = setup.neutral_open_upstream or wiring.neutral_open
    must = float(circuit.gfci_must_trip_milliamps)

    def gfci(solved: Solution) -> tuple[Floats, Floats]:
        head, near = (
            gfci_trip_seconds(imbalance_milliamps(wiring, solved, at_opening=at_opening), must)
            for at_opening in (False, True)
        )
        return head, np.full_like(near, np.inf) if unsupplied else near

    return Shocks(
        touch_volts=np.abs(alone.volts[metal]),
        body_milliamps=np.abs(touched.current("body")) * 1000.0,
        fault_amps=np.abs(alone.current("fault")),
        breaker_untouched=breaker_seconds(circuit, np.abs(alone.current("hot"))),
        breaker_touched=breaker_seconds(circuit, np.abs(touched.current("hot"))),
        gfci_untouched=gfci(alone),
        gfci_touched=gfci(touched),
    )


def shock(
    circuit: Circuit,
    condition: Condition,
    scenario: Scenario,
    *,
    ground_contact: bool = True,
    unknowns: Unknowns | None = None,
) -> Shock:
    """The single one of ``shocks``: at single values of what a condition leaves open."""
    found = shocks(circuit, condition, scenario, ground_contact=ground_contact, unknowns=unknowns)
    return Shock(
        touch_volts=float(found.touch_volts),
        body_milliamps=float(found.body_milliamps),
        fault_amps=float(found.fault_amps),
        breaker_untouched=float(found.breaker_untouched),
        breaker_touched=float(found.breaker_touched),
        gfci_untouched=(float(found.gfci_untouched[0]), float(found.gfci_untouched[1])),
        gfci_touched=(float(found.gfci_touched[0]), float(found.gfci_touched[1])),
    )
