"""Why an opening is held dangerous or not: what each kind of knowledge made of its chance.

The chance is told before → after, from the building's year and wiring down to the opening's own
looks; the differences of the log odds add up to the whole way exactly.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import log
from typing import Any

from shared.standing import Standing

STEPS: tuple[tuple[str, str], ...] = (
    ("p_of_era", "year, wiring and slots"),
    ("p_of_building", "what was seen in the rest of the building"),
    ("p_of_dwelling", "what was seen in its dwelling"),
    ("p_of_circuit", "what was seen on its circuit"),
    ("p_dangerous", "its own looks"),
)
"""Column and knowledge of each step, in the order in which they are told."""

_LEAST = 1e-9


@dataclass(frozen=True)
class Step:
    """One kind of knowledge.

    Attributes:
        known: what is known from here on.
        before, after: chance of danger, 0 to 1; before the first step there is none.
        log_odds: what it adds to the log odds; of the first step, the log odds themselves.
    """

    known: str
    before: float | None
    after: float
    log_odds: float


def told(row: Mapping[str, Any]) -> list[Step]:
    """The steps of one opening.

    Args:
        row: with the columns of ``STEPS`` and ``standing``.
    """
    found: list[Step] = []
    before: float | None = None
    for column, known in STEPS:
        after = float(row[column])
        change = _log_odds(after) - (0.0 if before is None else _log_odds(before))
        if column == "p_dangerous" and row.get("standing") == Standing.PROVEN:
            known = "its own looks, and the repair proven since"
        found.append(Step(known, before, after, change))
        before = after
    return found


def _log_odds(p: float) -> float:
    inside = min(max(p, _LEAST), 1 - _LEAST)
    return log(inside / (1 - inside))
