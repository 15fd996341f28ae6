"""Numbers, days and words as people read them, rounded to what the evidence supports."""

from __future__ import annotations

import math

import pandas as pd

from pipeline.scoring.burden import BURDEN_UNIT, ORDER_TOLD, RANK_TOLD
from pipeline.scoring.explanation import SCORE_UNIT
from shared.in_words import amount as to_the_cent
from shared.in_words import count, day, number, percent, plural

__all__ = [
    "BURDEN_UNIT",
    "ORDER_TOLD",
    "RANK_TOLD",
    "SCORE_UNIT",
    "STATE_WORDS",
    "amount",
    "between",
    "count",
    "day",
    "missing",
    "number",
    "percent",
    "plural",
    "signed",
    "to_the_cent",
    "word",
]

STATE_WORDS: dict[str, str] = {
    "suspected_defect": "suspected, in use",
    "confirmed_defect": "confirmed, in use",
    "record_in_doubt": "record in doubt",
    "made_safe_defect_remains": "made safe for now, defect remains",
    "fix_reported_unproven": "fix reported, unproven",
    "fix_disproved": "fix disproved",
    "repair_proven": "repair proven",
    "set_aside_unrepaired": "set aside, unrepaired",
    "no_longer_indicated": "no longer indicated, unrepaired",
}
"""The states of findings, as people read them."""

_WORDS = {
    "three_lamp_tester": "three-lamp tester",
    "ground_impedance_meter": "ground-impedance meter",
    "cover_off_inspection": "cover-off inspection",
    "ground_wire_clamp": "clamp on the ground wire",
    "neutral_lifted_test": "test with the neutral lifted",
    "upstream_box_seen": "box further up seen",
    "visual": "visual look",
    "reversed": "hot and neutral reversed",
    "reversed_ungrounded": "reversed and ungrounded",
    "reversed_false_ground": "reversed false ground",
    "hot_on_ground": "hot on the ground contact",
    "false_ground_upstream": "false ground further up",
    "reversed_false_ground_upstream": "reversed false ground further up",
    "open_neutral_ungrounded": "open neutral, ungrounded",
    "open_neutral_false_ground": "false ground with open neutral",
    "shared_neutral_open": "shared neutral open",
    "two_slot": "two-slot",
    "three_slot": "three-slot",
    "correct": "“correct”",
}


def missing(value: object) -> bool:
    """Whether a cell holds nothing."""
    if value is None:
        return True
    if isinstance(value, (list, tuple, dict)) or hasattr(value, "shape"):
        return False
    return bool(pd.isna(value))


def word(value: object) -> str:
    """A vocabulary word, or text, as people write it; a dash for nothing."""
    if missing(value):
        return "–"
    text = str(value)
    return _WORDS.get(text, text.replace("_", " "))


def signed(value: object, digits: int = 2) -> str:
    """A part of a sum with its sign, by two significant digits."""
    if missing(value):
        return "–"
    amount_of = float(value)
    if abs(amount_of) < 0.001:
        return "±0"
    return ("+" if amount_of > 0 else "−") + number(abs(amount_of), digits)


def between(low: object, high: object, digits: int = 2) -> str:
    """An interval; one number where both ends read the same."""
    first, last = number(low, digits), number(high, digits)
    return first if first == last else f"{first}–{last}"


def amount(value: object) -> str:
    """A sum of money in words of scale, three significant digits, in the source's currency."""
    if missing(value):
        return "–"
    size = float(value)
    if size == 0:
        return "0"
    for scale, name in ((1e9, " billion"), (1e6, " million")):
        if abs(size) >= scale:
            shown = number(size / scale, 3)
            return (shown.rstrip("0").rstrip(".") if "." in shown else shown) + name
    digits = max(1, min(3, math.floor(math.log10(abs(size))) + 1))
    return number(size, digits)
