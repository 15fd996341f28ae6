"""GFCIs that repairs rest on: how old, when last tested, and what is to be asked of them.

A GFCI that no longer trips leaves an opening as it was before the repair. What is known of it moves
no probability and no state: it is told as a question.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

import pandas as pd

from pipeline.ledger.history import hand_over, history, sql
from pipeline.ledger.landed_looks import plain
from pipeline.ledger.store import Ledger
from shared.rule_book import RuleBook

QUESTIONS: dict[str, str] = {
    "failed": "its own button took no power off on {failed_on}: have it tested or replaced",
    "year_not_known": "the year in which it was made or installed is not known: ask for it",
    "old": "of {gfci_year}, older than {oldest_years:g} years: ask for its test or replacement",
    "no_self_test": "of {gfci_year}; up to {self_test_year:g} a GFCI may have been made that does "
    "not test itself: ask for its test or replacement",
    "test_not_known": "no test by its own button is known: ask for one",
    "test_long_ago": "last tested by its own button on {tested_on}, more than {test_within_days:g} "
    "days ago: ask for its test or replacement",
}
"""What ``gfci_devices`` asks, with what is known of the device and the rule book's limits."""

_LOOKS = {
    "building_id": "str",
    "unit_id": "str",
    "opening_id": "str",
    "observed_on": "datetime64[us]",
    "gfci_year": "Int32",
    "gfci_button_tripped": "str",
}


def gfci_devices(
    ledger: Ledger,
    rule_book: RuleBook,
    *,
    looks: pd.DataFrame | None = None,
    building_id: str | None = None,
    today: dt.date | None = None,
) -> list[dict[str, Any]]:
    """Return what is known of the GFCIs that reported and proven repairs rest on.

    Args:
        ledger: the ledger.
        rule_book: the limits.
        looks: ``queries.gfci_looks`` of a warehouse, where one was built.
        building_id: one building's findings only.
        today: as of which day; today by default.

    Returns:
        One a finding, by place: keys finding_id, building_id, unit_id, opening_id, remedy, state,
        fixed_on, gfci_year, tested_on and failed_on (the last days on which its own button did and
        did not take the power off), asks (keys of ``QUESTIONS``), asked (the same in words).
    """
    empty = pd.DataFrame({name: [] for name in _LOOKS}).astype(_LOOKS)
    limits = {
        name: float(getattr(rule_book.gfci, name)) for name in type(rule_book.gfci).model_fields
    }
    kinds = ("fix_reported", "verified", "verification_failed")
    with history(ledger, kinds=kinds, building_id=building_id) as con:
        hand_over(con, "looks", empty if looks is None else looks[list(_LOOKS)])
        day = today or dt.datetime.now(dt.UTC).date()
        frame = con.execute(sql("gfci"), {"today": day, **limits}).df()
    found = []
    for row in map(plain, frame.to_dict(orient="records")):
        row["gfci_year"] = None if row["gfci_year"] is None else int(row["gfci_year"])
        row["asks"] = list(row["asks"])
        row["asked"] = [QUESTIONS[each].format(**row, **limits) for each in row["asks"]]
        found.append(row)
    return found


def known_words(device: dict[str, Any]) -> str:
    """Return year and last test of a device in words."""
    year = (
        f"made or installed in {device['gfci_year']}" if device["gfci_year"] else "year not known"
    )
    tested = f"last tested by its own button on {device['tested_on']}"
    return f"{year}, {tested if device['tested_on'] else 'no test by its own button known'}"
