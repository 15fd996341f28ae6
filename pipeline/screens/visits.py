"""Visits as screens plan and list them: dwellings with open findings, and visits with buildings."""

from __future__ import annotations

import pandas as pd

from pipeline.offline import scratch


def dwellings(frame: pd.DataFrame) -> pd.DataFrame:
    """Dwellings with findings at which something is still to be done, most overdue first.

    Args:
        frame: ``findings.dated``.

    Returns:
        Columns building_id, unit_id, name (of the building), open, overdue (of these). Records in
        doubt are not counted: they are put right on paper, not by a visit.
    """
    con = scratch()
    try:
        con.register("found", frame)
        return con.execute(
            """
            SELECT building_id, unit_id, any_value(name) AS name, count(*) AS open,
                count(*) FILTER (overdue) AS overdue
            FROM found WHERE opens AND grade <> 'record_in_doubt'
            GROUP BY building_id, unit_id ORDER BY overdue DESC, open DESC, building_id, unit_id
            """
        ).fetchdf()
    finally:
        con.close()


def to_visit(frame: pd.DataFrame, building_id: str, unit_id: str) -> pd.DataFrame:
    """Findings of a dwelling to which somebody can be sent, in the order of ``findings.dated``.

    Those open, and those whose reported fix waits for a look that proves it.
    """
    still = frame["stands_open"] | frame["stands_unproven"]
    there = (frame["building_id"] == building_id) & (frame["unit_id"] == unit_id)
    return frame[there & still & (frame["grade"] != "record_in_doubt")]


def with_buildings(visits: pd.DataFrame, listing: pd.DataFrame | None) -> pd.DataFrame:
    """``visits.visits`` with name and address of the building, where the warehouse knows them."""
    names = ["building_id", "name", "address"]
    if listing is None:
        return visits.assign(name=None, address=None)
    return visits.merge(listing[names], on="building_id", how="left")
