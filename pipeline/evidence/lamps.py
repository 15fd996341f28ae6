"""What a three-lamp tester shows: which of its lamps light, and which word its legend gives.

A lamp lights where the voltage across it reaches its strike voltage. A contact that floats is held
half way between the other two by the lamps themselves, each of which then sees about half the
supply: below the strike voltage, so both stay dark, as the published legend for an open ground has
it.
"""

from __future__ import annotations

import numpy as np

from pipeline.evidence.circuit import PAIRS, Setup, solve
from shared.rule_book import Circuit
from shared.vocabulary import Condition, Result

Pattern = tuple[bool, bool, bool]
"""Lit lamps in the order N–G, H–N, H–G (``circuit.PAIRS``)."""

LEGEND: dict[Pattern, Result] = {
    (False, True, True): Result.CORRECT,
    (False, True, False): Result.OPEN_GROUND,
    (False, False, True): Result.OPEN_NEUTRAL,
    (False, False, False): Result.OPEN_HOT,
    (True, False, True): Result.HOT_GROUND_REVERSED,
    (True, True, False): Result.HOT_NEUTRAL_REVERSED,
}
"""What a legend says of each pattern; two published legends, quoted, agree. Order and colour of the
lamps differ by maker, hence patterns are named by conductor pairs. All three lit is in no legend.
"""


def pattern(circuit: Circuit, condition: Condition, *, load_on: bool = False) -> Pattern:
    """Solve the opening with the tester plugged in and say which lamps light.

    Args:
        circuit: the rule book's circuit section.
        condition: the condition of the opening.
        load_on: whether an appliance is switched on beyond the same break of the circuit.
    """
    load = float(circuit.appliance_ohms) if load_on else None
    solved = solve(circuit, condition, Setup(float(circuit.run_length), load_ohms=load, lamps=True))
    strike = float(circuit.lamp_strike_volts)
    first, second, third = (
        bool(np.abs(solved.between(start, end)) >= strike) for start, end in PAIRS
    )
    return first, second, third
