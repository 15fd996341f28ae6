"""Numbers, days and words as people read them, rounded to what the evidence supports."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd


def number(value: Any, digits: int = 2) -> str:  # noqa: ANN401 - any cell of a frame
    """A number to the significant digits that the evidence supports, never in powers of ten."""
    if value is None or pd.isna(value):
        return "–"
    value = float(value)
    if value == 0:
        return "0"
    if abs(value) < 0.001:
        return "<0.001" if value > 0 else ">-0.001"
    rounded = float(f"{value:.{digits - 1}e}")
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(rounded))))
    return f"{rounded:,.{decimals}f}"


def adding_up(parts: Sequence[float]) -> list[str]:
    """Parts and, last, their sum, rounded so that what is printed adds up (largest remainder)."""
    largest = max(abs(sum(parts)), *map(abs, parts))
    decimals = min(9, max(0, 3 - math.floor(math.log10(largest)))) if largest > 0 else 0
    scaled = [part * 10**decimals for part in parts]
    whole = [math.floor(each) for each in scaled]
    total = round(sum(scaled))
    by_remainder = sorted(range(len(parts)), key=lambda i: whole[i] - scaled[i])
    for i in by_remainder[: total - sum(whole)]:
        whole[i] += 1
    return [f"{each / 10**decimals:,.{decimals}f}" for each in (*whole, total)]


def exact(value: float) -> str:
    """A declared number just as it was declared."""
    return f"{int(value)}" if value.is_integer() else f"{value!r}"


def percent(value: Any) -> str:  # noqa: ANN401 - any cell of a frame
    """A share as whole per cent, never rounded to certainty."""
    if value is None or pd.isna(value):
        return "–"
    share = float(value)
    if 0 < share < 0.01:
        return "<1 %"
    if 0.99 < share < 1:
        return ">99 %"
    return f"{100 * share:.0f} %"


def count(value: Any) -> str:  # noqa: ANN401 - any cell of a frame
    """A whole number with thousands separated."""
    if value is None or pd.isna(value):
        return "–"
    return f"{round(float(value)):,}"


def amount(value: Any) -> str:  # noqa: ANN401 - any cell of a frame
    """A sum that somebody named or paid, to the cent."""
    return "–" if value is None or pd.isna(value) else f"{float(value):,.2f}"


def plural(value: Any, one: str, many: str = "") -> str:  # noqa: ANN401 - any cell of a frame
    """A count and its noun: "1 building", "28 buildings"."""
    many = many or one + "s"
    return f"{count(value)} {one if round(float(value)) == 1 else many}"


def day(value: Any) -> str:  # noqa: ANN401 - any cell of a frame
    """A day as 3 May 2024."""
    if value is None or pd.isna(value):
        return "–"
    stamp = pd.Timestamp(value)
    return f"{stamp.day} {stamp:%b %Y}"


def words(value: Any) -> str:  # noqa: ANN401 - any cell of a frame
    """A vocabulary word, or text, as people write it."""
    if value is None or (not isinstance(value, (list, np.ndarray)) and pd.isna(value)):
        return "–"
    if isinstance(value, (list, np.ndarray)):
        return ", ".join(words(member) for member in value)
    return str(value).replace("_", " ")
