"""The one way to open DuckDB here: it never looks for an extension on the internet."""

from __future__ import annotations

from pathlib import Path

import duckdb

from shared.records import quoted


def connect(
    database: Path | str = ":memory:", *, read_only: bool = False, **settings: str
) -> duckdb.DuckDBPyConnection:
    """Open a DuckDB database, in memory by default.

    Args:
        database: a file, or ":memory:".
        read_only: whether the file is only read.
        settings: DuckDB settings by name, beside those that keep it offline.
    """
    offline = {"autoinstall_known_extensions": "false", "autoload_known_extensions": "false"}
    return duckdb.connect(str(database), read_only=read_only, config={**offline, **settings})


def beside(con: duckdb.DuckDBPyConnection) -> duckdb.DuckDBPyConnection:
    """Return a cursor for one task, in the database in which a connection stands now.

    A bare cursor begins at the connection's own database, not where it has gone since: the screens'
    connections begin in memory and go to the warehouse.
    """
    ((database,),) = con.execute("SELECT current_database()").fetchall()
    cursor = con.cursor()
    cursor.execute(f"USE {quoted(database)}")
    return cursor
