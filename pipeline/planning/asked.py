"""What a plan is asked for, checked against what is known; refusals in words."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable

import duckdb

from pipeline.warehouse.narrowing import Narrowing
from shared.faults import CoverplateError

FIRST_DAY, LAST_DAY = dt.date(1900, 1, 1), dt.date(2200, 12, 31)
"""Days on which a plan may begin. Judgement: others are slips of the pen."""


def unknown_buildings(con: duckdb.DuckDBPyConnection, named: Iterable[str]) -> list[str]:
    """Those of the identifiers that no building has."""
    known = {each for (each,) in con.execute("SELECT building_id FROM buildings").fetchall()}
    return sorted(set(named) - known)


def check_asked(
    con: duckdb.DuckDBPyConnection, only: Narrowing, day: dt.date | None = None
) -> None:
    """Refuse what cannot be planned.

    Args:
        con: a warehouse.
        only: which buildings.
        day: on which the plan begins; None where none is asked for.

    Raises:
        CoverplateError: a building named is not known, none answers, or the day is far off.
    """
    if unknown := unknown_buildings(con, only.building_ids):
        raise CoverplateError(
            f"no building answers to that: {', '.join(map(repr, unknown))}",
            expected="identifiers as exports write them",
            to_do="see `coverplate rank`; nothing was planned",
        )
    where, parameters = only.where()
    if not con.execute(f"SELECT 1 FROM narrowed_by WHERE {where} LIMIT 1", parameters).fetchone():
        raise CoverplateError(
            "no building answers to that", to_do="see `coverplate rank` with the same options"
        )
    if day is not None and not FIRST_DAY <= day <= LAST_DAY:
        raise CoverplateError(
            f"no plan can begin on {day}",
            expected=f"a day from {FIRST_DAY} to {LAST_DAY}",
            to_do="correct the day; nothing was planned",
        )
