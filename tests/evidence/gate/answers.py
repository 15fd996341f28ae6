"""What every contender answers, in one shape, so that one set of measures judges all."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd


@dataclass(frozen=True)
class Answers:
    """A contender's answers about one portfolio.

    Attributes:
        buildings: one row a building, in any order: building_id, expected, low, high (its number
            of dangerous openings and the 90 % interval, inclusive), place (1 = to visit first; by
            the expected number unless the contender has an order of its own).
        openings: one row an opening that was looked at: building_id, opening_id, p_dangerous and,
            where the contender says so, p_live (else missing).
    """

    buildings: pd.DataFrame
    openings: pd.DataFrame
