"""What a three-lamp tester shows: which of its lamps light, and which word its legend gives.

A lamp lights where the voltage across it reaches its strike voltage. A contact that floats is held
half way between the other two by the lamps themselves, each of which then sees about half the
supply: below the strike voltage, so both stay dark, as the published legend for an open ground has
it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.evidence.circuit import PAIRS, Setup, Unknowns, solve
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

OFF_LEGEND = Result.ABNORMAL_VOLTAGE
"""What a pattern that no legend has is written down as: all three lit is usually a loose neutral
or feedback, quoted."""


def lit(
    circuit: Circuit,
    condition: Condition,
    feet: ArrayLike,
    *,
    load_on: bool = False,
    unknowns: Unknowns | None = None,
) -> NDArray[np.bool_]:
    """Which lamps light, lamps in the order of ``PAIRS`` on the last axis, shape (..., 3).

    Args:
        circuit: the rule book's circuit section.
        condition: the condition of the opening.
        feet: one-way run length, ft; any shape.
        load_on: whether an appliance is switched on beyond the same break of the circuit.
        unknowns: what the condition leaves open; None for the typical values.
    """
    load = float(circuit.appliance_ohms) if load_on else None
    setup = Setup(feet, load_ohms=load, lamps=True, unknowns=unknowns)
    solved = solve(circuit, condition, setup)
    across = np.stack([np.abs(solved.between(start, end)) for start, end in PAIRS], axis=-1)
    shown: NDArray[np.bool_] = across >= float(circuit.lamp_strike_volts)
    return shown


def pattern(circuit: Circuit, condition: Condition, *, load_on: bool = False) -> Pattern:
    """The lit lamps at the rule book's run length and the typical unknowns; see ``lit``."""
    first, second, third = lit(circuit, condition, float(circuit.run_length), load_on=load_on)
    return bool(first), bool(second), bool(third)
