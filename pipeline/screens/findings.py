"""Findings as screens list them: with due dates, and with the building that they stand in."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import duckdb
import numpy as np
import pandas as pd
import sqlalchemy as sa

from pipeline.ledger import Ledger
from pipeline.ledger.database import EVENTS
from pipeline.ledger.due import OVERDUE_COUNTS, due
from pipeline.offline import scratch
from shared.rule_book import RuleBook

STANDINGS: dict[str, str] = {
    "overdue": "overdue",
    "week": "due within a week",
    "unproven": "reported, unproven",
    "unassigned": "open, nobody assigned",
    "open": "open",
    "closed": "proven or closed on paper",
}
"""Ways in which a finding can stand; a finding can stand in several."""

WEEK = 7
CLASSES = ("life_threatening", "severe", "moderate", "low")
"""Severity classes, worst first."""


def ledger_version(ledger: Ledger) -> int:
    """Position of the last event, which changes with every event; 0 for an empty ledger."""
    with ledger.reading() as con:
        return int(con.execute(sa.select(sa.func.max(EVENTS.c.position))).scalar() or 0)


def listing_of(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """What findings need of each building: building_id, name, address, city, owner, manager,
    year_built, rank, score."""
    return con.execute(
        "SELECT building_id, name, address, city, owner, manager, year_built, rank, score "
        "FROM memory.listing ORDER BY rank"
    ).fetchdf()


def dated(
    ledger: Ledger,
    rule_book: RuleBook,
    listing: pd.DataFrame | None = None,
    now: dt.datetime | None = None,
) -> pd.DataFrame:
    """Every finding with due dates and building, most pressing first.

    Args:
        ledger: the ledger.
        rule_book: classes, targets and windows.
        listing: ``listing_of`` a warehouse; None where nothing was built.
        now: as of when; now by default.

    Returns:
        The columns of ``due.due`` plus name, address, city, owner, manager, rank, score (of the
        building; NULL where the warehouse does not know it), days_left (to the present target,
        below 0 when past; NULL where nothing is left to do), opens (whether somebody still has to
        do something), assigned (whether a firm is), and one yes/no column per key of ``STANDINGS``.
        Order: overdue ones, then severity class, then the first target.
    """
    frame = due(ledger, rule_book, now)
    moment = (now or dt.datetime.now(dt.UTC)).date()
    names = ["building_id", "name", "address", "city", "owner", "manager", "rank", "score"]
    known = listing if listing is not None else pd.DataFrame(columns=names, dtype=object)
    con = scratch()
    try:
        con.register("found", frame)
        con.register("listed", known)
        return con.execute(
            """
            WITH joined AS (
                SELECT f.*, l.* EXCLUDE (building_id),
                    CASE WHEN f.open
                        THEN (f.present_target_on::DATE - $today::DATE) END AS days_left,
                    f.open AS opens,
                    f.firm IS NOT NULL AS assigned
                FROM found AS f LEFT JOIN listed AS l USING (building_id)
            )
            SELECT *,
                overdue AS stands_overdue,
                coalesce(open AND NOT paused AND days_left BETWEEN 0 AND $week, false)
                    AS stands_week,
                state = 'fix_reported_unproven' AS stands_unproven,
                opens AND NOT assigned AS stands_unassigned,
                opens AS stands_open,
                list_contains(['repair_proven', 'set_aside_unrepaired', 'no_longer_indicated'],
                    state) AS stands_closed
            FROM joined
            ORDER BY stands_overdue DESC, opens DESC,
                coalesce(list_position($classes, severity_class), 9), first_target_on,
                rank NULLS LAST, building_id, unit_id, opening_id
            """,
            {
                "today": moment,
                "week": WEEK,
                "classes": list(CLASSES),
            },
        ).fetchdf()
    finally:
        con.close()


@dataclass(frozen=True)
class Wanted:
    """Which findings: empty allows all.

    Attributes:
        standing: a key of ``STANDINGS``, or "".
        managers, owners, firms, states, classes: allowed values.
        building_id: one building, or "".
        search: words that must all stand in identifier, building, unit, opening or condition.
    """

    standing: str = ""
    managers: tuple[str, ...] = ()
    owners: tuple[str, ...] = ()
    firms: tuple[str, ...] = ()
    states: tuple[str, ...] = ()
    classes: tuple[str, ...] = ()
    building_id: str = ""
    search: str = ""


def urgent_first(frame: pd.DataFrame) -> pd.DataFrame:
    """Findings of ``triage.with_stakes`` with what is urgent first, else in the same order."""
    return frame.sort_values("urgent", ascending=False, kind="stable")


def narrowed(frame: pd.DataFrame, wanted: Wanted) -> pd.DataFrame:
    """Those findings of ``dated`` that are wanted, in the same order."""
    if wanted == Wanted():
        return frame
    keep = pd.Series(True, index=frame.index)
    if wanted.standing in STANDINGS:
        keep &= frame[f"stands_{wanted.standing}"].astype(bool)
    for column, allowed in (
        ("manager", wanted.managers),
        ("owner", wanted.owners),
        ("firm", wanted.firms),
        ("state", wanted.states),
        ("severity_class", wanted.classes),
    ):
        if allowed:
            keep &= frame[column].isin(allowed)
    if wanted.building_id:
        keep &= frame["building_id"] == wanted.building_id
    if wanted.search.strip():
        names = ("finding_id", "building_id", "name", "unit_id", "opening_id", "condition")
        text = frame[names[0]].astype(str)
        for name in names[1:]:
            text = text + " " + frame[name].fillna("").astype(str).str.replace("_", " ")
        for word in wanted.search.lower().split():
            keep &= text.str.lower().str.contains(word, regex=False)
    return frame[keep]


def assignable(frame: pd.DataFrame, most: int) -> pd.DataFrame:
    """The first findings of ``dated`` that can be assigned to a firm, at most so many."""
    still = (frame["stands_open"] | frame["stands_unproven"]).to_numpy(dtype=bool)
    return frame.iloc[np.flatnonzero(still)[:most]]


def by_building(frame: pd.DataFrame) -> pd.DataFrame:
    """Findings of ``dated`` counted by building, most overdue first.

    Returns:
        Columns building_id, name, manager, owner, rank, score, findings, open, unproven, proven,
        those of ``due.OVERDUE_COUNTS``, next_due_on (earliest present target of what is open),
        worst (severity class of what is open, or None).
    """
    con = scratch()
    try:
        con.register("found", frame)
        return con.execute(
            f"""
            SELECT building_id, any_value(name) AS name, any_value(manager) AS manager,
                any_value(owner) AS owner, any_value(rank) AS rank, any_value(score) AS score,
                count(*) AS findings, count(*) FILTER (opens) AS open,
                {OVERDUE_COUNTS},
                count(*) FILTER (stands_unproven) AS unproven,
                count(*) FILTER (state = 'repair_proven') AS proven,
                min(present_target_on) FILTER (opens) AS next_due_on,
                arg_min(severity_class, coalesce(list_position($classes, severity_class), 9))
                    FILTER (opens) AS worst
            FROM found GROUP BY building_id
            ORDER BY overdue DESC, open DESC, rank NULLS LAST, building_id
            """,
            {"classes": list(CLASSES)},
        ).fetchdf()
    finally:
        con.close()
