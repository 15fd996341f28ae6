"""Current states, and events of some kinds, as DuckDB tables for the SQL of lists and progress."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from importlib import resources
from typing import Any

import duckdb
import pandas as pd
import pyarrow as pa
import sqlalchemy as sa

from pipeline.ledger.chain import damaged
from pipeline.ledger.current_states import COLUMNS, LISTS, content_of, contents
from pipeline.ledger.database import EVENTS, FINDINGS
from pipeline.ledger.persons import firm_name, may_be_one
from pipeline.ledger.store import Ledger, folded_of
from pipeline.offline import Function, scratch
from shared.faults import CoverplateError

_COLUMNS = (
    "position",
    "finding_id",
    "sequence",
    "recorded_at",
    "kind",
    "who",
    "origin",
    "payload",
    "hash",
)

_IN_SQL: dict[str, Function] = {
    "firm_name": (firm_name, ("VARCHAR",), "VARCHAR"),
    "may_be_one": (lambda one, other: may_be_one(one, other), ("VARCHAR",) * 2, "BOOLEAN"),
}

FIX_EVENTS = ("fix_reported", "verified", "verification_failed", "dismissed", "reopened")
"""The kinds of event that ``fixes.sql`` reads."""

PAID_EVENTS = (*FIX_EVENTS, "billed")
"""The kinds of event that ``spent.sql`` and ``bills.sql`` read."""

MONEY_EVENTS = (*PAID_EVENTS, "quoted", "assigned")
"""The kinds of event that the SQL of money reads."""

FIRM_EVENTS = (*PAID_EVENTS, "assigned", "entry_refused", "no_access")
"""The kinds of event that the record of firms reads."""

VISIT_STEPS = ("visit_planned", "visit_moved", "visit_called_off", "visit_made")
"""The kinds of event that a visit consists of."""

VISIT_EVENTS = (*VISIT_STEPS, "notice_given", "entry_refused", "no_access")
"""The kinds of event that ``visits.sql`` reads."""


def sql(name: str) -> str:
    """Return the text of a SQL file of this package."""
    return resources.files("pipeline.ledger").joinpath(f"{name}.sql").read_text(encoding="utf-8")


def events_table(
    ledger: Ledger, kinds: Collection[str], building_id: str | None = None
) -> pa.Table:
    """Return events of some kinds in the order written.

    Args:
        ledger: the ledger.
        kinds: kinds of event.
        building_id: only those of one building's findings.

    Returns:
        Columns position, finding_id, sequence, recorded_at (text, UTC), kind, who, origin, payload
        (JSON text), hash.
    """
    rows: list[Any] = []
    if kinds:
        query = (
            sa.select(*(EVENTS.c[name] for name in _COLUMNS))
            .where(EVENTS.c.kind.in_(sorted(kinds)))
            .order_by(EVENTS.c.position)
        )
        if building_id is not None:
            query = query.join(FINDINGS, FINDINGS.c.finding_id == EVENTS.c.finding_id).where(
                FINDINGS.c.building_id == building_id
            )
        with ledger.reading() as con:
            rows = list(con.execute(query))
    columns = list(zip(*rows, strict=True)) if rows else [()] * len(_COLUMNS)
    whole = {"position", "sequence"}
    return pa.table(
        {
            name: pa.array(column, pa.int64() if name in whole else pa.string())
            for name, column in zip(_COLUMNS, columns, strict=True)
        }
    )


def _states(ledger: Ledger, building_id: str | None) -> pa.Table:
    """Return what is kept of each finding, one JSON text a row; what is behind is folded anew."""
    with ledger.reading() as con:
        states = contents(con, building_id)
        late = sorted(each for each, content in states.items() if content is None)
        if late:  # a ledger that is only read may be of before its states were kept
            states |= {each.finding_id: content_of(each) for each in folded_of(con, late)}
    unread = [each for each, content in states.items() if content is None]
    if unread:
        raise ValueError(f"{unread[0]}: its events cannot be read")
    return pa.table({"content": pa.array([states[each] for each in sorted(states)], pa.string())})


_SHAPE = json.dumps({name: column.type for name, column in COLUMNS.items()})


@contextmanager
def damage_told(ledger: Ledger) -> Iterator[None]:
    """Say in words that a ledger is damaged where that is why its events cannot be worked with.

    Raises:
        CoverplateError: something in it is not what was written.
    """
    try:
        yield
    except CoverplateError:
        raise
    except (duckdb.Error, ValueError, TypeError, LookupError, AttributeError, RecursionError) as no:
        # A fault of the program looks the same from here; the ledger itself tells them apart.
        wrong = ledger.verify()
        if not wrong:
            raise
        raise damaged(wrong[0].said) from no


@contextmanager
def history(
    ledger: Ledger, *, kinds: Collection[str] = (), building_id: str | None = None
) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open a DuckDB connection with the tables ``findings`` and ``history``.

    ``findings`` holds the current state of every finding, one row each, in the columns of
    ``current_states.COLUMNS``. ``history`` holds the events of ``kinds`` in the columns of
    ``events_table``, recorded_at as TIMESTAMP in UTC, payload as JSON.

    Raises:
        CoverplateError: the ledger is damaged.
    """
    con = scratch(_IN_SQL)
    try:
        with damage_told(ledger):
            con.execute("SET TimeZone = 'UTC'")
            con.register("handed_over", _states(ledger, building_id))
            con.execute(
                "CREATE TEMP TABLE findings AS SELECT unnest(from_json_strict(content, ?)) "
                "FROM handed_over",
                [_SHAPE],
            )
            con.unregister("handed_over")
            con.register("handed_over", events_table(ledger, kinds, building_id))
            con.execute(
                "CREATE TEMP TABLE history AS SELECT * REPLACE ("
                "replace(replace(recorded_at, 'T', ' '), 'Z', '')::TIMESTAMP AS recorded_at, "
                "payload::JSON AS payload) FROM handed_over"
            )
            con.unregister("handed_over")
            strange = "SELECT count(*) FROM history WHERE payload ->> 'kind' IS DISTINCT FROM kind"
            if con.execute(strange).fetchall() != [(0,)]:
                raise ValueError("an event's content is of another kind than the event")
            con.execute(sql("names"))
            yield con
    finally:
        con.close()


def visit_steps(con: duckdb.DuckDBPyConnection, ledger: Ledger) -> None:
    """Make the temporary table ``visit_steps``: the steps of all visits, of every building."""
    con.register("handed_over", events_table(ledger, VISIT_STEPS, None))
    con.execute(
        "CREATE OR REPLACE TEMP TABLE visit_steps AS "
        "SELECT * REPLACE (payload::JSON AS payload) FROM handed_over"
    )
    con.unregister("handed_over")


def hand_over(con: duckdb.DuckDBPyConnection, name: str, frame: pd.DataFrame) -> None:
    """Make a temporary table of a frame."""
    con.register("handed_over", frame)
    con.execute(f"CREATE OR REPLACE TEMP TABLE {name} AS SELECT * FROM handed_over")
    con.unregister("handed_over")


def current(ledger: Ledger, building_id: str | None = None) -> pd.DataFrame:
    """Return the current state of every finding, one row each.

    Returns:
        The columns of ``current_states.COLUMNS`` but for those that hold lists.
    """
    with history(ledger, building_id=building_id) as con:
        return con.execute(f"SELECT * EXCLUDE ({', '.join(LISTS)}) FROM findings").df()
