"""When things should be done: own targets that can move, first targets and windows that cannot.

``due.sql`` holds the one definition of overdue; whatever counts overdue findings reads it, by
``OVERDUE_COUNTS``.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterator
from contextlib import contextmanager

import duckdb
import pandas as pd

from pipeline.ledger.families import URGENT_FAMILIES
from pipeline.ledger.history import hand_over, history, sql
from pipeline.ledger.store import Ledger
from pipeline.offline import scratch
from shared.rule_book import RuleBook


@contextmanager
def dated_findings(
    ledger: Ledger,
    rule_book: RuleBook,
    now: dt.datetime | None = None,
    building_id: str | None = None,
    *,
    kinds: Collection[str] = (),
) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open ``history`` with the tables ``target_moves`` and ``due`` (the SQL files so named).

    Args:
        ledger: the ledger.
        rule_book: classes, targets and windows.
        now: the moment as of which things are due, UTC; now by default.
        building_id: one building's findings only.
        kinds: of the events to be read; none are needed for due dates.
    """
    moment = (now or dt.datetime.now(dt.UTC)).astimezone(dt.UTC).replace(tzinfo=None)
    due = rule_book.due
    tables = {
        "classes": pd.DataFrame(
            [(c.value, s.value) for c, s in due.severity_class.items()],
            columns=["condition", "severity_class"],
        ),
        "targets": pd.DataFrame(
            [(s.value, int(float(days))) for s, days in due.target_days.items()],
            columns=["severity_class", "target_days"],
        ),
        "windows": pd.DataFrame(
            [
                (name, s.value, float(hours))
                for name, regulation in due.regulations.items()
                for s, hours in regulation.hours.items()
            ],
            columns=["regulation", "severity_class", "hours"],
        ),
    }
    with history(ledger, kinds=kinds, building_id=building_id) as con:
        for name, frame in tables.items():
            hand_over(con, name, frame)
        con.execute(
            f"CREATE TEMP TABLE target_moves AS {sql('target_moves')}",
            {
                "now": moment,
                "conflict_class": due.record_conflict_class.value,
                "urgent_families": list(URGENT_FAMILIES),
                "urgent_class": rule_book.urgent.severity_class.value,
            },
        )
        con.execute(
            f"CREATE TEMP TABLE due AS {sql('due')}",
            {"now": moment, "verify_within": int(float(due.verify_within_days))},
        )
        yield con


def due(
    ledger: Ledger,
    rule_book: RuleBook,
    now: dt.datetime | None = None,
    building_id: str | None = None,
) -> pd.DataFrame:
    """Return every finding with its due dates, one row each; columns as in ``current`` and due.sql.

    Among them severity_class; first_target_on (from the raising, never moved), present_target_on,
    times_moved, days_slipped (present after first target; of open ones); regulatory_due_at (UTC),
    regulatory_standing (a key of ``WINDOW_WORDS``, or missing where no window runs); open, paused
    (open, and its target stands still); overdue_first and overdue_present (open and past the first
    or the present target; a paused one is never past the present one), proof_overdue,
    window_passed, and overdue: any of these four; days_overdue (past the first target),
    days_unproven, days_since_seen (since the first look that pointed at it), days_known (since it
    was raised).
    """
    with dated_findings(ledger, rule_book, now, building_id) as con:
        return con.execute("SELECT * FROM due ORDER BY finding_id").df()


def target_moves(
    ledger: Ledger,
    rule_book: RuleBook,
    now: dt.datetime | None = None,
    building_id: str | None = None,
) -> pd.DataFrame:
    """Return how own targets moved, one row a move, in the order written.

    Returns:
        Columns finding_id, sequence (of the event), written_at (UTC), who, kind (assigned: another
        due day; paused: a pause that still runs, with the days so far; resumed: a pause that
        ended; graver_condition: a sooner day), from_day, to_day, reason (a pause's own, also where
        it ended; missing where none was given).
    """
    with dated_findings(ledger, rule_book, now, building_id) as con:
        return con.execute(
            "SELECT * EXCLUDE (place, severity_class) FROM target_moves WHERE kind <> 'raised' "
            "ORDER BY finding_id, place"
        ).df()


WINDOW_WORDS: dict[str, str] = {
    "running": "running",
    "met": "met: proven within it",
    "reported_within_proven_late": "reported done within it, proven only after it",
    "repaired_late": "repaired after it, proven",
    "passed": "passed, not repaired",
    "reported_within_unproven": "passed: reported done within it, not proven",
    "reported_late_unproven": "passed: reported done after it, not proven",
}
"""How a regulatory window stands, as people read it. Only what is proven within it meets it."""

MOVE_WORDS: dict[str, str] = {
    "assigned": "another due day",
    "paused": "stands still, so far",
    "resumed": "stood still",
    "graver_condition": "graver condition",
}
"""The kinds of ``target_moves`` as people read them."""

OVERDUE_COUNTS = sql("overdue_counts")
"""SQL aggregates over rows of ``due``: overdue, overdue_first, overdue_present, paused, slipped
(open ones whose target moved to a later day), median_days_slipped (of those), proof_overdue,
window_passed."""


def overdue_counts(frame: pd.DataFrame) -> dict[str, float | None]:
    """Return ``OVERDUE_COUNTS`` of rows of ``due``."""
    con = scratch()
    try:
        con.register("handed_over", frame)
        found = con.execute(f"SELECT {OVERDUE_COUNTS} FROM handed_over")
        names = [column[0] for column in found.description or ()]
        return dict(zip(names, found.fetchone() or (), strict=True))
    finally:
        con.close()
