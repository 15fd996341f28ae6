"""What clears a fault, and how fast: a breaker by the current's size, a GFCI by its imbalance."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from pipeline.evidence.circuit import Contact, Wiring, here
from pipeline.evidence.network import Floats, Solution
from shared.rule_book import Circuit

CURVE_ENDS_AT_MILLIAMPS = 264.0
"""The published GFCI curve is stated from 6 to 264 mA; above it the last value is kept."""


def gfci_trip_seconds(
    milliamps: ArrayLike, must_trip: float = 6.0, ends_at: float = CURVE_ENDS_AT_MILLIAMPS
) -> Floats:
    """Longest trip time of a class A GFCI, s: T = (20/I)^1.43.

    Args:
        milliamps: imbalance between the two circuit conductors, mA; any shape.
        must_trip: current below which a trip cannot be relied on, mA; there the answer is infinite.
        ends_at: current above which the curve is held level, mA.

    Source: UL 943, quoted by three publications, not read in the standard. A maximum, not a
    typical time.
    """
    current = np.asarray(milliamps, dtype=np.float64)
    capped = np.clip(current, must_trip, ends_at)
    return np.where(current >= must_trip, (20.0 / capped) ** 1.43, np.inf)


def breaker_seconds(circuit: Circuit, amps: ArrayLike, rating: float | None = None) -> Floats:
    """Longest time in which a breaker clears a current, s; infinite where it never does.

    From the declared instant multiple upwards the declared instant time. Below, an inverse-square
    thermal curve through the declared time at twice the rating: t = t₂·3/((I/In)² - 1).

    Args:
        circuit: the rule book's circuit section.
        amps: current through the breaker, A; any shape.
        rating: breaker rating, A; the rule book's by default.
    """
    rated = float(circuit.breaker_amps) if rating is None else rating
    multiple = np.asarray(amps, dtype=np.float64) / rated
    excess = np.where(multiple > 1.0, multiple**2 - 1.0, np.nan)
    thermal = np.where(multiple > 1.0, float(circuit.breaker_double_seconds) * 3.0 / excess, np.inf)
    instant = float(circuit.breaker_instant_seconds)
    return np.where(
        multiple >= float(circuit.breaker_instant_multiple),
        instant,
        np.maximum(thermal, instant),
    )


def imbalance_milliamps(wiring: Wiring, solved: Solution, *, at_opening: bool) -> Floats:
    """Current that a GFCI sees missing between the two circuit conductors, mA.

    Args:
        wiring: how the conductors land.
        solved: the solved opening.
        at_opening: False for a GFCI at the head of the circuit, through which the hot and the
            neutral conductor both pass, wherever they land and wherever one breaks further on; a
            fault that returns by a jumper to the neutral is then balanced and not seen. True for a
            GFCI at the opening itself: only what passes from its line side to the hot and neutral
            contacts is measured, and a jumper or a conductor on the ground contact goes round it.
    """
    if not at_opening:
        net = solved.current("hot") + solved.current("neutral")
        return np.abs(net) * 1000.0
    lands = {"hot": wiring.hot, "neutral": wiring.neutral, "ground": wiring.ground}
    net = np.zeros_like(solved.current("hot"))
    for name, contact in lands.items():
        if contact in (Contact.HOT, Contact.NEUTRAL):
            net = net + here(solved, name)
    # The jumper runs from the neutral's line-side terminal to the ground contact.
    return np.abs(net - solved.current("jumper")) * 1000.0
