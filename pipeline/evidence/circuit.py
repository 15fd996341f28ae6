"""One branch circuit and one receptacle, wired as each condition says, and solved.

The model: an ideal source at the panel; the neutral bus and the ground bus are bonded to earth
there, which is the reference (0 V). A hot, a neutral and, where there is one, an equipment
grounding conductor of the same gauge and length run to the opening and land on its contacts as the
condition says. A contact without a conductor floats and is pulled to earth by insulation leakage.
Left out: source and electrode impedance, reactance, other loads on the circuit.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from pipeline.evidence.network import Floats, Network, Solution
from shared.faults import CoverplateError
from shared.rule_book import Circuit
from shared.vocabulary import Condition


class Contact(StrEnum):
    """The three contacts of a receptacle, by the conductor that belongs on each."""

    HOT = "hot_contact"
    NEUTRAL = "neutral_contact"
    GROUND = "ground_contact"


PANEL = "panel_hot"
EARTH = "earth"
CASE = "case"
PAIRS: tuple[tuple[Contact, Contact], ...] = (
    (Contact.NEUTRAL, Contact.GROUND),
    (Contact.HOT, Contact.NEUTRAL),
    (Contact.HOT, Contact.GROUND),
)
"""The pairs a tester looks at, in lamp order: N–G, H–N, H–G."""


@dataclass(frozen=True)
class Wiring:
    """Where each conductor lands at the opening; None is a conductor that is absent or open.

    Attributes:
        hot, neutral, ground: the contact on which that conductor lands.
        jumper: whether the neutral contact and the ground contact are tied together.
    """

    hot: Contact | None
    neutral: Contact | None
    ground: Contact | None
    jumper: bool = False


_H, _N, _G = Contact.HOT, Contact.NEUTRAL, Contact.GROUND
WIRING: dict[Condition, Wiring] = {
    Condition.GROUNDED: Wiring(_H, _N, _G),
    Condition.UNGROUNDED: Wiring(_H, _N, None),
    Condition.FALSE_GROUND: Wiring(_H, _N, None, jumper=True),
    Condition.REVERSED: Wiring(_N, _H, _G),
    Condition.REVERSED_UNGROUNDED: Wiring(_N, _H, None),
    Condition.REVERSED_FALSE_GROUND: Wiring(_N, _H, None, jumper=True),
    Condition.OPEN_NEUTRAL: Wiring(_H, None, _G),
    Condition.OPEN_HOT: Wiring(None, _N, _G),
    Condition.HOT_ON_GROUND: Wiring(_G, _N, _H),
}
"""What each condition means in copper. ``hot_on_ground`` has hot and ground exchanged."""


def conductor_ohms(circuit: Circuit, feet: ArrayLike) -> Floats:
    """Resistance of one conductor of the rule book's gauge, Ω.

    Args:
        circuit: the rule book's circuit section.
        feet: one-way run length, ft; any shape.

    Raises:
        CoverplateError: if the rule book has no resistance for its gauge.

    Source of the resistances: NEC chapter 9 table 8, quoted reprint.
    """
    by_gauge = {
        14: float(circuit.ohms_per_1000_ft_14),
        12: float(circuit.ohms_per_1000_ft_12),
        10: float(circuit.ohms_per_1000_ft_10),
    }
    gauge = float(circuit.conductor_gauge)
    if gauge not in by_gauge:
        raise CoverplateError(
            f"the rule book's conductor_gauge is {gauge:g} AWG",
            expected="one of 14, 12 or 10 AWG",
            to_do="set circuit.conductor_gauge to a gauge with a resistance",
        )
    return np.asarray(feet, dtype=np.float64) * by_gauge[int(gauge)] / 1000.0


@dataclass(frozen=True)
class Setup:
    """What is connected to the opening, beside its own wiring.

    Attributes:
        feet: one-way run length, ft; any shape.
        load_ohms: a load between the hot and the neutral contact, Ω; None for none. Its shape
            must broadcast with ``feet``.
        neutral_open_upstream: whether the neutral conductor is broken on its way.
        appliance: whether an appliance with a metal case is plugged in: its filter leaks a little
            from either conductor to the case.
        case_on_ground_contact: whether the plug ties the case to the ground contact (a three-slot
            opening) or leaves the case on its own.
        case_fault: whether the appliance's energised conductor touches its case.
        body_on: the node that a person touches while on earth; None for nobody.
        meter: a pair of contacts with a high-impedance voltmeter on it; None for none.
        lamps: whether a three-lamp tester is plugged in.
    """

    feet: ArrayLike
    load_ohms: ArrayLike | None = None
    neutral_open_upstream: bool = False
    appliance: bool = False
    case_on_ground_contact: bool = True
    case_fault: bool = False
    body_on: str | None = None
    meter: tuple[Contact, Contact] | None = None
    lamps: bool = False


def build(circuit: Circuit, wiring: Wiring, setup: Setup) -> Network:
    """Make the network of one opening.

    Elements are named ``hot``, ``neutral`` and ``ground`` (the conductors), ``jumper``, ``load``,
    ``fault``, ``body``, ``meter``, ``lamp_0`` to ``lamp_2``, and ``leak_…`` for the leakages.
    """
    network = Network(fixed={PANEL: float(circuit.supply_volts), EARTH: 0.0})
    run = conductor_ohms(circuit, setup.feet)
    leak = float(circuit.leakage_ohms)
    for contact in Contact:
        network.resistor(f"leak_{contact.value}", contact, EARTH, leak)
    if wiring.hot is not None:
        network.resistor("hot", PANEL, wiring.hot, run)
    if wiring.neutral is not None and not setup.neutral_open_upstream:
        network.resistor("neutral", EARTH, wiring.neutral, run)
    if wiring.ground is not None:
        network.resistor("ground", EARTH, wiring.ground, run)
    if wiring.jumper:
        network.resistor("jumper", Contact.NEUTRAL, Contact.GROUND, float(circuit.jumper_ohms))
    if setup.load_ohms is not None:
        network.resistor("load", Contact.HOT, Contact.NEUTRAL, setup.load_ohms)
    if setup.lamps:
        for number, (start, end) in enumerate(PAIRS):
            network.resistor(f"lamp_{number}", start, end, float(circuit.lamp_ohms))
    if setup.meter is not None:
        network.resistor("meter", *setup.meter, float(circuit.meter_ohms))
    case = case_node(setup)
    if setup.appliance:
        if case == CASE:
            network.resistor("leak_case", CASE, EARTH, leak)
        filter_ohms = float(circuit.appliance_leakage_ohms)
        network.resistor("leak_hot_to_case", Contact.HOT, case, filter_ohms)
        network.resistor("leak_neutral_to_case", Contact.NEUTRAL, case, filter_ohms)
    if setup.case_fault:
        live = Contact.NEUTRAL if wiring.hot is Contact.NEUTRAL else Contact.HOT
        network.resistor("fault", live, case, float(circuit.case_fault_ohms))
    if setup.body_on is not None:
        body = float(circuit.body_ohms) + float(circuit.body_earth_ohms)
        network.resistor("body", setup.body_on, EARTH, body)
    return network


def case_node(setup: Setup) -> str:
    """Name the node that the metal case is."""
    return Contact.GROUND if setup.case_on_ground_contact else CASE


def solve(circuit: Circuit, condition: Condition, setup: Setup) -> Solution:
    """Solve one opening; see ``build`` for the names of elements."""
    return build(circuit, WIRING[condition], setup).solve()


def resistance_between(
    circuit: Circuit, condition: Condition, feet: ArrayLike, start: str, end: str = EARTH
) -> Floats:
    """Resistance seen between two nodes of an idle opening with the source at rest, Ω.

    Ground contact against ``EARTH`` is the ground-path impedance; neutral contact against ground
    contact is the loop that a ground-impedance meter measures.
    """
    network = build(circuit, WIRING[condition], Setup(feet))
    network.fixed = {PANEL: 0.0, EARTH: 0.0}
    network.inject(start, 1.0)
    network.inject(end, -1.0)
    return network.solve().between(start, end)


def load_for_amps(
    circuit: Circuit, condition: Condition, feet: ArrayLike, amps: ArrayLike
) -> Floats:
    """Resistance of a load that makes exactly ``amps`` flow at the opening, Ω.

    Where the opening cannot drive that current (an open conductor, say) it is the resistance of a
    load rated for that current at the supply voltage: the same appliance, plugged in all the same.
    """
    current = np.asarray(amps, dtype=np.float64)
    idle = solve(circuit, condition, Setup(feet))
    open_volts = np.abs(idle.between(Contact.HOT, Contact.NEUTRAL))
    inner = resistance_between(circuit, condition, feet, Contact.HOT, Contact.NEUTRAL)
    wanted = open_volts / current - inner
    rated = float(circuit.supply_volts) / current
    return np.where(wanted > 0, wanted, rated)


def floats(circuit: Circuit, condition: Condition, contact: Contact) -> bool:
    """Whether a contact is on nothing but leakage: a high-impedance meter may show anything there.

    Judged by its source resistance: above a thousandth of the meter's own.
    """
    ohms = resistance_between(circuit, condition, float(circuit.run_length), contact)
    return bool(ohms > float(circuit.meter_ohms) / 1000.0)
