"""The history as a DuckDB table, and the SQL over it: current states, spells, looks at progress.

Events are validated and chained where they are written; reading many of them is set-shaped work, so
they are handed to DuckDB whole and folded there by one SQL for both databases.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from importlib import resources

import duckdb
import pandas as pd
import pyarrow as pa
import sqlalchemy as sa

from pipeline.ledger.chain import DAMAGED
from pipeline.ledger.database import EVENTS, FINDINGS
from pipeline.ledger.store import Ledger
from pipeline.offline import connect
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


def sql(name: str) -> str:
    """Return the text of a SQL file of this package."""
    return resources.files("pipeline.ledger").joinpath(f"{name}.sql").read_text(encoding="utf-8")


def history_table(ledger: Ledger, building_id: str | None = None) -> pa.Table:
    """Return events in the order written.

    Args:
        ledger: the ledger.
        building_id: only those of one building's findings.

    Returns:
        Columns position, finding_id, sequence, recorded_at (text, UTC), kind, who, origin, payload
        (JSON text), hash.
    """
    query = sa.select(*(EVENTS.c[name] for name in _COLUMNS)).order_by(EVENTS.c.position)
    if building_id is not None:
        query = query.join(FINDINGS, FINDINGS.c.finding_id == EVENTS.c.finding_id).where(
            FINDINGS.c.building_id == building_id
        )
    with ledger.reading() as con:
        rows = con.execute(query).all()
    columns = list(zip(*rows, strict=True)) if rows else [()] * len(_COLUMNS)
    whole = {"position", "sequence"}
    return pa.table(
        {
            name: pa.array(column, pa.int64() if name in whole else pa.string())
            for name, column in zip(_COLUMNS, columns, strict=True)
        }
    )


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
        raise CoverplateError(
            f"the ledger is damaged: {wrong[0].said}",
            expected="every event as it was written",
            to_do=DAMAGED,
        ) from no


@contextmanager
def history(ledger: Ledger, building_id: str | None = None) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open a DuckDB connection with ``history`` and the view ``findings`` (``fold.sql``).

    ``history`` has the columns of ``history_table``, recorded_at as TIMESTAMP in UTC, payload as
    JSON.

    Raises:
        CoverplateError: the ledger is damaged.
    """
    con = connect()
    try:
        with damage_told(ledger):
            con.execute("SET TimeZone = 'UTC'")
            con.register("handed_over", history_table(ledger, building_id))
            con.execute(
                "CREATE TEMP TABLE history AS SELECT * REPLACE ("
                "replace(replace(recorded_at, 'T', ' '), 'Z', '')::TIMESTAMP AS recorded_at, "
                "payload::JSON AS payload) FROM handed_over"
            )
            con.unregister("handed_over")
            strange = "SELECT count(*) FROM history WHERE payload ->> 'kind' IS DISTINCT FROM kind"
            if con.execute(strange).fetchall() != [(0,)]:
                raise ValueError("an event's content is of another kind than the event")
            con.execute(sql("treatment"))
            con.execute(sql("names"))
            con.execute(f"CREATE TEMP VIEW findings AS {sql('fold')}")
            yield con
    finally:
        con.close()


def hand_over(con: duckdb.DuckDBPyConnection, name: str, frame: pd.DataFrame) -> None:
    """Make a temporary table of a frame."""
    con.register("handed_over", frame)
    con.execute(f"CREATE OR REPLACE TEMP TABLE {name} AS SELECT * FROM handed_over")
    con.unregister("handed_over")


def current(ledger: Ledger, building_id: str | None = None) -> pd.DataFrame:
    """Return the current state of every finding, one row each; columns as in ``fold.sql``."""
    with history(ledger, building_id) as con:
        return con.execute("SELECT * FROM findings").df()
