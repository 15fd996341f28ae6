"""One branch circuit, box by box from the panel to one receptacle, wired as each condition says.

The model: an ideal source at the panel; the neutral bus and the ground bus are bonded to earth
there, which is the reference (0 V). A hot, a neutral and, where there is one, an equipment
grounding conductor of the same gauge and length run from the panel to a box and from box to box,
and land on the terminals of each as its wiring says; what a box's terminals carry feeds all that
lies beyond it. A terminal without a conductor floats and is pulled to earth by insulation leakage.
Left out: source and electrode impedance, reactance, other loads on the circuit, except where two
circuits share a neutral that is broken: there the loads of both decide the voltages.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from pipeline.evidence.network import Floats, Network, Solution
from shared.faults import CoverplateError
from shared.numbers import Number
from shared.rule_book import Circuit
from shared.vocabulary import Condition


class Contact(StrEnum):
    """The three contacts of a receptacle, by the conductor that belongs on each."""

    HOT = "hot_contact"
    NEUTRAL = "neutral_contact"
    GROUND = "ground_contact"


PANEL = "panel_hot"
OTHER_LEG = "panel_other_leg"
"""Hot bus of the other half of a three-wire service: the supply voltage of opposite phase."""
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
    """Where each conductor lands in a box; None is a conductor that is absent or open.

    Attributes:
        hot, neutral, ground: the contact on which that conductor lands.
        jumper: whether the neutral contact and the ground contact are tied together.
        upstream: the box through whose terminals this one is fed; None if fed from the panel.
        poor_ground: whether the ground path has a high resistance of its own.
        stray_earth: whether the ground wire may touch other grounded metal (a pipe, a frame).
        shared_neutral: whether the neutral, broken on its way, is shared with a circuit of the
            other leg, so that the loads of both circuits lie in series across both legs.
    """

    hot: Contact | None
    neutral: Contact | None
    ground: Contact | None
    jumper: bool = False
    upstream: Wiring | None = None
    poor_ground: bool = False
    stray_earth: bool = False
    shared_neutral: bool = False

    @property
    def boxes(self) -> tuple[Wiring, ...]:
        """The boxes from the panel to this one, this one last."""
        return (*(self.upstream.boxes if self.upstream else ()), self)

    @property
    def live_contact(self) -> Contact | None:
        """The contact that the panel's hot conductor reaches; None if it is open on its way."""
        on: Contact | None = Contact.HOT
        for box in self.boxes:
            lands = {_H: box.hot, _N: box.neutral, _G: box.ground}
            on = None if on is None else lands[on]
        return on

    @property
    def neutral_open(self) -> bool:
        """Whether the neutral is open somewhere on its way, as the condition has it."""
        return any(box.neutral is None for box in self.boxes)


_H, _N, _G = Contact.HOT, Contact.NEUTRAL, Contact.GROUND
_FALSE_GROUND = Wiring(_H, _N, None, jumper=True)
_REVERSED_FALSE_GROUND = Wiring(_N, _H, None, jumper=True)
WIRING: dict[Condition, Wiring] = {
    Condition.GROUNDED: Wiring(_H, _N, _G),
    Condition.UNGROUNDED: Wiring(_H, _N, None),
    Condition.FALSE_GROUND: _FALSE_GROUND,
    Condition.REVERSED: Wiring(_N, _H, _G),
    Condition.REVERSED_UNGROUNDED: Wiring(_N, _H, None),
    Condition.REVERSED_FALSE_GROUND: _REVERSED_FALSE_GROUND,
    Condition.OPEN_NEUTRAL: Wiring(_H, None, _G),
    Condition.OPEN_HOT: Wiring(None, _N, _G),
    Condition.HOT_ON_GROUND: Wiring(_G, _N, _H),
    Condition.POOR_GROUND: Wiring(_H, _N, _G, poor_ground=True),
    Condition.FALSE_GROUND_UPSTREAM: Wiring(_H, _N, _G, upstream=_FALSE_GROUND, stray_earth=True),
    Condition.REVERSED_FALSE_GROUND_UPSTREAM: Wiring(_H, _N, _G, upstream=_REVERSED_FALSE_GROUND),
    Condition.OPEN_NEUTRAL_UNGROUNDED: Wiring(_H, None, None),
    Condition.OPEN_NEUTRAL_FALSE_GROUND: Wiring(_H, None, None, jumper=True),
    Condition.SHARED_NEUTRAL_OPEN: Wiring(_H, None, _G, shared_neutral=True),
}
"""What each condition means in copper. ``hot_on_ground`` has hot and ground exchanged. A reversed
false ground further up that touched other grounded metal would have blown its breaker."""

_ABSENT_OHMS = 1e12
"""Stands for a stray earth that is not there: nothing flows through it."""


@dataclass(frozen=True)
class Unknowns:
    """What no record says of a circuit and a condition leaves open; arrays of one shape.

    Attributes:
        upstream_share: where the box further up is, as a share of the run from the panel.
        poor_ohms: resistance of a poor ground path beyond its conductor's, Ω.
        same_leg_ohms, other_leg_ohms: loads on this circuit and on the one that shares its broken
            neutral, Ω.
        stray_ohms: from a ground wire to earth over other grounded metal, Ω; huge for none.
    """

    upstream_share: Floats
    poor_ohms: Floats
    same_leg_ohms: Floats
    other_leg_ohms: Floats
    stray_ohms: Floats

    def column(self) -> Unknowns:
        """The same with one more axis at the end, to broadcast against loads."""
        return Unknowns(*(getattr(self, each.name)[..., None] for each in fields(self)))

    def point(self, index: int) -> Unknowns:
        """One of the points."""
        return Unknowns(*(getattr(self, each.name)[index] for each in fields(self)))


def _evenly_in_logs(least: Number, most: Number, level: ArrayLike) -> Floats:
    low, high = float(least), float(most)
    values: Floats = low * (high / low) ** np.asarray(level, dtype=np.float64)
    return values


def typical(circuit: Circuit) -> Unknowns:
    """Single values where one must be stated: for drawings, facts and checks.

    The box further up half way, a poor ground in the middle of its range, no other grounded metal;
    of two circuits on a broken neutral this one runs the rule book's appliance and the other its
    largest test load: the side on which the voltage is too high.
    """
    heavy = float(circuit.supply_volts) / float(circuit.test_load_amps)
    poor = _evenly_in_logs(circuit.poor_ground_least_ohms, circuit.poor_ground_most_ohms, 0.5)
    return Unknowns(
        upstream_share=np.asarray(0.5),
        poor_ohms=poor,
        same_leg_ohms=np.asarray(float(circuit.appliance_ohms)),
        other_leg_ohms=np.asarray(heavy),
        stray_ohms=np.asarray(_ABSENT_OHMS),
    )


_LATTICE = (97, 157, 43, 201, 71)
"""Odd multipliers of a rank-1 lattice: every unknown takes every level once, in another order."""


def spread(circuit: Circuit, points: int) -> Unknowns:
    """Points of equal probability of the unknowns, each shape (points,); a power of two."""
    order = np.arange(points)
    place, poor, same, other, stray = (
        ((order * step) % points + 0.5) / points for step in _LATTICE
    )
    loads = circuit.shared_load_least_ohms, circuit.shared_load_most_ohms
    touching = float(circuit.stray_earth_share)
    level = np.clip(stray / touching, 0.0, 1.0) if touching else stray
    return Unknowns(
        upstream_share=place,
        poor_ohms=_evenly_in_logs(
            circuit.poor_ground_least_ohms, circuit.poor_ground_most_ohms, poor
        ),
        same_leg_ohms=_evenly_in_logs(*loads, same),
        other_leg_ohms=_evenly_in_logs(*loads, other),
        stray_ohms=np.where(
            stray < touching,
            _evenly_in_logs(circuit.stray_earth_least_ohms, circuit.stray_earth_most_ohms, level),
            _ABSENT_OHMS,
        ),
    )


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
        neutral_open_upstream: whether the neutral conductor is broken on leaving the panel, above
            every box.
        appliance: whether an appliance with a metal case is plugged in: its filter leaks a little
            from either conductor to the case.
        case_on_ground_contact: whether the plug ties the case to the ground contact (a three-slot
            opening) or leaves the case on its own.
        case_fault: whether the appliance's energised conductor touches its case.
        body_on: the node that a person touches while on earth; None for nobody.
        meter: a pair of contacts with a high-impedance voltmeter on it; None for none.
        lamps: whether a three-lamp tester is plugged in.
        unknowns: what the condition leaves open, of a shape that broadcasts with ``feet``; None
            for the ``typical`` values.
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
    unknowns: Unknowns | None = None


def build(circuit: Circuit, wiring: Wiring, setup: Setup) -> Network:
    """Make the network of one opening.

    Elements are named ``hot``, ``neutral`` and ``ground`` (the conductors that leave the panel),
    ``hot_here`` and so on (the last stretch, where a box lies between), ``jumper`` (in this box),
    ``load``, ``fault``, ``body``, ``meter``, ``lamp_0`` to ``lamp_2``, and ``leak_…`` for the
    leakages.
    """
    supply = float(circuit.supply_volts)
    network = Network(fixed={PANEL: supply, EARTH: 0.0})
    known = typical(circuit) if setup.unknowns is None else setup.unknowns
    run = conductor_ohms(circuit, setup.feet)
    leak = float(circuit.leakage_ohms)
    boxes = wiring.boxes
    if len(boxes) > 2:
        raise ValueError("the unknowns place one box further up, not several")
    source: dict[Contact, str] = {_H: PANEL, _N: EARTH, _G: EARTH}
    for number, box in enumerate(boxes):
        last = number == len(boxes) - 1
        share = 1.0 if len(boxes) == 1 else known.upstream_share
        stretch = run * (1.0 - share if number else share)
        terminal: dict[Contact, str] = {contact: _node(contact, last) for contact in Contact}
        for node in terminal.values():
            network.resistor(f"leak_{node}", node, EARTH, leak)
        for own, lands in ((_H, box.hot), (_N, box.neutral), (_G, box.ground)):
            if lands is None or (own is _N and number == 0 and setup.neutral_open_upstream):
                continue
            extra = known.poor_ohms if own is _G and box.poor_ground else 0.0
            name = own.value.removesuffix("_contact") + ("_here" if number else "")
            network.resistor(name, source[own], terminal[lands], stretch + extra)
        if box.jumper:
            name = "jumper" if last else "jumper_upstream"
            network.resistor(name, terminal[_N], terminal[_G], float(circuit.jumper_ohms))
        source = terminal
    if wiring.stray_earth:
        network.resistor("stray", Contact.GROUND, EARTH, known.stray_ohms)
    if wiring.shared_neutral:
        network.fixed[OTHER_LEG] = -supply
        network.resistor("same_leg", PANEL, Contact.NEUTRAL, known.same_leg_ohms)
        network.resistor("other_leg", OTHER_LEG, Contact.NEUTRAL, known.other_leg_ohms)
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
        network.resistor("fault", energised(wiring), case, float(circuit.case_fault_ohms))
    if setup.body_on is not None:
        body = float(circuit.body_ohms) + float(circuit.body_earth_ohms)
        network.resistor("body", setup.body_on, EARTH, body)
    return network


def _node(contact: Contact, last: bool) -> str:
    return contact if last else f"upstream_{contact.value}"


def energised(wiring: Wiring) -> Contact:
    """The contact whose side of an appliance is live when it is switched off: where hot lands."""
    return Contact.NEUTRAL if wiring.live_contact is Contact.NEUTRAL else Contact.HOT


def here(solved: Solution, conductor: str) -> Floats:
    """Current in the last stretch of a conductor (hot, neutral, ground), towards the opening, A."""
    last = f"{conductor}_here"
    stretched = any(name.endswith("_here") for name in solved.elements)
    return solved.current(last if stretched else conductor)


def case_node(setup: Setup) -> str:
    """Name the node that the metal case is."""
    return Contact.GROUND if setup.case_on_ground_contact else CASE


def solve(circuit: Circuit, condition: Condition, setup: Setup) -> Solution:
    """Solve one opening; see ``build`` for the names of elements."""
    return build(circuit, WIRING[condition], setup).solve()


def resistance_between(
    circuit: Circuit,
    condition: Condition,
    feet: ArrayLike,
    start: str,
    end: str = EARTH,
    *,
    load_ohms: ArrayLike | None = None,
    neutral_lifted: bool = False,
    unknowns: Unknowns | None = None,
) -> Floats:
    """Resistance seen between two nodes of an opening with the source at rest, Ω.

    Ground contact against ``EARTH`` is the ground-path impedance; neutral contact against ground
    contact is the loop that a ground-impedance meter measures.

    Args:
        circuit: the rule book's circuit section.
        condition: the condition of the opening.
        feet: one-way run length, ft; any shape.
        start, end: nodes.
        load_ohms: a load between the slots, Ω; None for none.
        neutral_lifted: whether the circuit's neutral is taken off at the panel.
        unknowns: what the condition leaves open; None for the typical values.
    """
    setup = Setup(
        feet, load_ohms=load_ohms, neutral_open_upstream=neutral_lifted, unknowns=unknowns
    )
    network = build(circuit, WIRING[condition], setup)
    network.fixed = dict.fromkeys(network.fixed, 0.0)
    network.inject(start, 1.0)
    network.inject(end, -1.0)
    return network.solve().between(start, end)


def load_for_amps(
    circuit: Circuit,
    condition: Condition,
    feet: ArrayLike,
    amps: ArrayLike,
    unknowns: Unknowns | None = None,
) -> Floats:
    """Resistance of a load that makes exactly ``amps`` flow at the opening, Ω.

    Where the opening cannot drive that current (an open conductor, say) it is the resistance of a
    load rated for that current at the supply voltage: the same appliance, plugged in all the same.
    """
    current = np.asarray(amps, dtype=np.float64)
    idle = solve(circuit, condition, Setup(feet, unknowns=unknowns))
    open_volts = np.abs(idle.between(Contact.HOT, Contact.NEUTRAL))
    inner = resistance_between(
        circuit, condition, feet, Contact.HOT, Contact.NEUTRAL, unknowns=unknowns
    )
    wanted = open_volts / current - inner
    rated = float(circuit.supply_volts) / current
    return np.where(wanted > 0, wanted, rated)


def floats(
    circuit: Circuit,
    condition: Condition,
    start: str,
    end: str = EARTH,
    *,
    load_ohms: float | None = None,
) -> bool:
    """Whether a high-impedance meter between two nodes hangs on nothing but leakage.

    Then it may show anything. Judged by the resistance of the source: above a thousandth of the
    meter's own.
    """
    feet = float(circuit.run_length)
    ohms = resistance_between(circuit, condition, feet, start, end, load_ohms=load_ohms)
    return bool(ohms > float(circuit.meter_ohms) / 1000.0)
