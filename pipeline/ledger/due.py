"""When things should be done: own targets that can be paused, regulatory windows that cannot."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager

import duckdb
import pandas as pd

from pipeline.ledger.families import URGENT_FAMILIES
from pipeline.ledger.history import history, sql
from pipeline.ledger.store import Ledger
from shared.rule_book import RuleBook


@contextmanager
def dated_findings(
    ledger: Ledger,
    rule_book: RuleBook,
    now: dt.datetime | None = None,
    building_id: str | None = None,
) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open ``history`` with a further table ``due``: findings with due dates (``due.sql``).

    Args:
        ledger: the ledger.
        rule_book: classes, targets and windows.
        now: the moment as of which things are due, UTC; now by default.
        building_id: one building's findings only.
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
    with history(ledger, building_id) as con:
        for name, frame in tables.items():
            con.register("handed_over", frame)
            con.execute(f"CREATE TEMP TABLE {name} AS SELECT * FROM handed_over")
            con.unregister("handed_over")
        con.execute(
            f"CREATE TEMP TABLE due AS {sql('due')}",
            {
                "now": moment,
                "conflict_class": due.record_conflict_class.value,
                "urgent_families": list(URGENT_FAMILIES),
                "urgent_class": rule_book.urgent.severity_class.value,
                "verify_within": int(float(due.verify_within_days)),
            },
        )
        yield con


def due(
    ledger: Ledger,
    rule_book: RuleBook,
    now: dt.datetime | None = None,
    building_id: str | None = None,
) -> pd.DataFrame:
    """Return every finding with its due dates, one row each; columns as in fold.sql and due.sql.

    Among them severity_class, own_due_on, regulatory_due_at (UTC), open, overdue, days_overdue,
    regulatory_standing (running, passed, passed_fix_unproven, met, met_late or missing),
    days_unproven, proof_overdue, days_known.
    """
    with dated_findings(ledger, rule_book, now, building_id) as con:
        return con.execute("SELECT * FROM due ORDER BY finding_id").df()
