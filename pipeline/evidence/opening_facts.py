"""The circuit model's answers for every condition in one table, for screens and for checks."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.evidence.circuit import (
    PAIRS,
    Contact,
    Setup,
    load_for_amps,
    resistance_between,
    solve,
)
from pipeline.evidence.lamps import pattern
from pipeline.evidence.protection import breaker_seconds
from pipeline.evidence.shock import Scenario, shock
from shared.rule_book import Circuit
from shared.vocabulary import CONDITIONS, Condition

FACTS: dict[str, str] = {
    "condition": "condition of the opening",
    "lamps": "tester lamps N–G, H–N, H–G: 1 lit, 0 dark",
    "neutral_ground_volts": "V, high-impedance meter, no load; on a floating contact the model's "
    "leakage, in the field anything",
    "hot_neutral_volts": "V, likewise",
    "hot_ground_volts": "V, likewise",
    "neutral_ground_volts_at_amps": "V while the stated current flows (or would flow)",
    "load_ohms_amps": "A drawn by the stated load resistance",
    "neutral_ground_volts_at_ohms": "V with that load",
    "ground_path_ohms": "Ω, ground contact to earth",
    "loop_ohms": "Ω, neutral contact to ground contact",
    "case_volts_normal_use": "V, case of a sound appliance to earth",
    "case_volts_open_neutral": "V, the same with the neutral open upstream",
    "case_volts_case_fault": "V, the same with a hot-to-case fault, before anything clears it",
    "fault_amps": "A through that fault",
    "fault_breaker_15_seconds": "s for a 15 A breaker to clear it; infinite if never",
    "fault_breaker_20_seconds": "s for a 20 A breaker to clear it; infinite if never",
    "fault_gfci_seconds": "s for a GFCI further up to clear it with nobody touching",
    "fault_gfci_touched_seconds": "s for it to trip once a body touches the case",
    "body_milliamps_normal_use": "mA through a body from case to earth in normal use",
    "body_milliamps_open_neutral": "mA, the same with the neutral open upstream",
    "body_milliamps_case_fault": "mA, the same with a hot-to-case fault",
}
"""Meaning and unit of every column of ``opening_facts``."""


def opening_facts(
    circuit: Circuit,
    *,
    feet: float | None = None,
    load_amps: float | None = None,
    load_ohms: float = 10.0,
) -> pd.DataFrame:
    """Solve a three-slot opening under every condition.

    Args:
        circuit: the rule book's circuit section.
        feet: run length, ft; the rule book's by default.
        load_amps: load current, A; the rule book's test load by default.
        load_ohms: load resistance, Ω.

    Returns:
        One row per condition, columns as in ``FACTS``.
    """
    length = float(circuit.run_length) if feet is None else feet
    amps = float(circuit.test_load_amps) if load_amps is None else load_amps
    settled = circuit.model_copy(
        update={"run_length": circuit.run_length.model_copy(update={"value": length})}
    )
    rows = [_row(settled, condition, amps, load_ohms) for condition in CONDITIONS]
    return pd.DataFrame(rows, columns=list(FACTS))


def _row(circuit: Circuit, condition: Condition, amps: float, ohms: float) -> list[object]:
    feet = float(circuit.run_length)
    idle = [
        abs(float(solve(circuit, condition, Setup(feet, meter=pair)).between(*pair)))
        for pair in PAIRS
    ]
    pair = PAIRS[0]
    drawing = load_for_amps(circuit, condition, feet, amps)
    at_amps = solve(circuit, condition, Setup(feet, load_ohms=drawing, meter=pair))
    at_ohms = solve(circuit, condition, Setup(feet, load_ohms=ohms, meter=pair))
    normal, opened, fault = (
        shock(circuit, condition, scenario)
        for scenario in (Scenario.NORMAL_USE, Scenario.OPEN_NEUTRAL, Scenario.CASE_FAULT)
    )
    breakers = [float(breaker_seconds(circuit, np.array(fault.fault_amps), r)) for r in (15, 20)]
    return [
        condition.value,
        "".join(str(int(lit)) for lit in pattern(circuit, condition)),
        *idle,
        abs(float(at_amps.between(*pair))),
        abs(float(at_ohms.current("load"))),
        abs(float(at_ohms.between(*pair))),
        float(resistance_between(circuit, condition, feet, Contact.GROUND)),
        float(resistance_between(circuit, condition, feet, Contact.NEUTRAL, Contact.GROUND)),
        normal.touch_volts,
        opened.touch_volts,
        fault.touch_volts,
        fault.fault_amps,
        *breakers,
        fault.gfci_untouched[0],
        fault.gfci_touched[0],
        normal.body_milliamps,
        opened.body_milliamps,
        fault.body_milliamps,
    ]
