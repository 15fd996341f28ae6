"""One opening, solved and ready to be drawn: where conductors land, volts, currents, lamps.

Everything comes from the circuit model; a drawing adds nothing to it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

from pipeline.evidence.circuit import (
    PAIRS,
    WIRING,
    Contact,
    Setup,
    Wiring,
    floats,
    here,
    load_for_amps,
    solve,
)
from pipeline.evidence.lamps import LEGEND, Pattern, pattern
from pipeline.evidence.shock import Scenario, Shock, shock
from shared.rule_book import Circuit
from shared.vocabulary import CONDITIONS, Condition


class Situation(StrEnum):
    """What is connected to the opening."""

    TESTER = "tester"
    METER = "meter"
    IN_USE = "in_use"
    CASE_FAULT = "case_fault"
    OPEN_NEUTRAL = "open_neutral"


SITUATIONS: dict[Situation, str] = {
    Situation.TESTER: "three-lamp tester plugged in",
    Situation.METER: "voltmeter neutral to ground, load switched on",
    Situation.IN_USE: "sound appliance with a metal case, switched on",
    Situation.CASE_FAULT: "the same appliance with its live wire touching the case",
    Situation.OPEN_NEUTRAL: "sound appliance on, neutral broken further up",
}
"""What each situation is, in words."""

_SCENARIO = {
    Situation.IN_USE: Scenario.NORMAL_USE,
    Situation.CASE_FAULT: Scenario.CASE_FAULT,
    Situation.OPEN_NEUTRAL: Scenario.OPEN_NEUTRAL,
}


@dataclass(frozen=True)
class OpeningPicture:
    """A three-slot opening in one condition and one situation.

    Attributes:
        condition, situation: which.
        wiring: where conductors land.
        volts: of each contact against earth, V, with nobody touching.
        floating: contacts held by leakage alone, where a meter may show anything.
        amps: through hot, neutral, ground (the last stretch of each), jumper, load and fault, A;
            absent elements carry nothing.
        lamps: lit lamps in the order N–G, H–N, H–G; None without the tester.
        legend: the word that a legend gives for these lamps, or None.
        meter_volts: neutral to ground under load, V; None without the meter.
        shock: touch voltage, body current and clearing times; None for instruments.
        touched_milliamps: through a person on earth who touches the case, mA.
    """

    condition: Condition
    situation: Situation
    wiring: Wiring
    volts: dict[Contact, float]
    floating: frozenset[Contact]
    amps: dict[str, float]
    lamps: Pattern | None
    legend: str | None
    meter_volts: float | None
    shock: Shock | None

    @property
    def touch_volts(self) -> float | None:
        """Metal case against earth, V."""
        return None if self.shock is None else self.shock.touch_volts


def with_run(circuit: Circuit, feet: float) -> Circuit:
    """The circuit with another run length, ft."""
    length = circuit.run_length.model_copy(update={"value": feet})
    return circuit.model_copy(update={"run_length": length})


def opening_picture(
    circuit: Circuit, condition: Condition, situation: Situation, *, load_amps: float | None = None
) -> OpeningPicture:
    """Solve one opening for one drawing.

    Args:
        circuit: the rule book's circuit section; its ``run_length`` counts.
        condition: the opening's condition.
        situation: what is connected.
        load_amps: load of the meter reading, A; the rule book's by default.
    """
    feet = float(circuit.run_length)
    setup = Setup(feet)
    if situation is Situation.TESTER:
        setup = Setup(feet, lamps=True)
    elif situation is Situation.METER:
        amps = float(circuit.test_load_amps) if load_amps is None else load_amps
        load = load_for_amps(circuit, condition, feet, amps)
        setup = Setup(feet, load_ohms=load, meter=PAIRS[0])
    else:
        setup = Setup(
            feet,
            load_ohms=float(circuit.appliance_ohms),
            appliance=True,
            neutral_open_upstream=situation is Situation.OPEN_NEUTRAL,
            case_fault=situation is Situation.CASE_FAULT,
        )
    solved = solve(circuit, condition, setup)
    conductors, elements = ("hot", "neutral", "ground"), ("jumper", "load", "fault")
    lit = pattern(circuit, condition) if situation is Situation.TESTER else None
    across = abs(float(solved.between(*PAIRS[0])))
    scenario = _SCENARIO.get(situation)
    wiring = WIRING[condition]
    if situation is Situation.OPEN_NEUTRAL:
        wiring = _broken(wiring)
    return OpeningPicture(
        condition=condition,
        situation=situation,
        wiring=wiring,
        volts={contact: float(solved.volts[contact]) for contact in Contact},
        floating=frozenset(c for c in Contact if floats(circuit, condition, c)),
        amps={name: abs(float(here(solved, name))) for name in conductors}
        | {name: abs(float(solved.current(name))) for name in elements},
        lamps=lit,
        legend=None if lit is None else (LEGEND[lit].value if lit in LEGEND else None),
        meter_volts=across if situation is Situation.METER else None,
        shock=None if scenario is None else shock(circuit, condition, scenario),
    )


def _broken(wiring: Wiring) -> Wiring:
    """The wiring with its neutral broken on leaving the panel."""
    if wiring.upstream is None:
        return replace(wiring, neutral=None)
    return replace(wiring, upstream=_broken(wiring.upstream))


def same_lamps(circuit: Circuit, condition: Condition) -> tuple[Condition, ...]:
    """Every condition that lights the same lamps, the given one included."""
    shown = pattern(circuit, condition)
    return tuple(each for each in CONDITIONS if pattern(circuit, each) == shown)


def clears(seconds: float) -> str:
    """Say in how long something clears a fault."""
    if math.isinf(seconds):
        return "never"
    if seconds < 1:
        return f"in {seconds:.2g} s"
    return f"in {seconds:.0f} s" if seconds < 120 else f"in {seconds / 60:.0f} min"


def fault_path(picture: OpeningPicture) -> str:
    """Say where the current of a hot-to-case fault goes, from the currents themselves."""
    through = [
        words
        for name, words in (
            ("ground", "the equipment grounding conductor"),
            ("neutral", "the neutral conductor"),
        )
        if picture.amps[name] > 0.5
    ]
    if picture.amps["fault"] < 0.5 or not through:
        return "nowhere: no conductor takes it back, so it waits on the case for somebody"
    if picture.amps["jumper"] > 0.5:
        return "over the neutral-to-ground jumper and back along the neutral conductor"
    return "back along " + " and ".join(through)
