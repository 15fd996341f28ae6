"""How an opening stands, what makes it urgent, and what is done first, in the trade's words."""

from __future__ import annotations

from enum import StrEnum


class Standing(StrEnum):
    """Where what is said of an opening comes from."""

    PROVEN = "proven"
    MEASURED = "measured"
    REPORTED = "reported"
    INFERRED = "inferred"


STANDING_MEANING: dict[Standing, str] = {
    Standing.PROVEN: "a capable look proved a repair here, and nothing urgent was reported since",
    Standing.MEASURED: "somebody measured, or saw with the cover off, and wrote down what",
    Standing.REPORTED: "somebody looked and reported in words; nothing was measured",
    Standing.INFERRED: "nobody reported it; the rest of the building and portfolio speak for it",
}


NOT_URGENT: dict[Standing, str] = {
    Standing.PROVEN: "a repair is proven, nothing urgent stands",
    Standing.MEASURED: "measured, nothing urgent stands",
    Standing.REPORTED: "looked at, nothing urgent stands",
    Standing.INFERRED: "nobody looked",
}
"""The same at an opening of which nothing that was reported is urgent, as lists of what is only
inferred say it: "reported" would be read as live metal reported."""


class UrgentDefect(StrEnum):
    """What is urgent and no condition of the wiring by itself; see ``URGENT_CONDITIONS``."""

    LIVE_METAL = "live_metal"
    SHOCK_REPORTED = "shock_reported"
    HEAT_OR_SCORCH = "heat_or_scorch"
    ABNORMAL_VOLTAGE = "abnormal_voltage"


URGENT_WORDS = "live metal, heat, a shock or a wrong supply voltage was reported or measured"
"""What urgent means, in half a sentence."""

FIRST_MEASURE: tuple[str, ...] = (
    "Keep people away from the opening and from whatever is plugged in there.",
    "Unplug what is plugged in only if that can be done without touching metal.",
    "Have the circuit's breaker switched off and locked off, by someone who knows which it is.",
    "A qualified person today. Nothing here is for a layman to open or repair.",
)
"""What is done first at an urgent opening; common practice, no source. Printed with every list."""
