"""The one way to open DuckDB here: it never looks for an extension on the internet."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from threading import Lock

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


Function = tuple[Callable[..., str | bool], tuple[str, ...], str]
"""A function, the SQL types of its arguments, and its own."""

_LOCK = Lock()
_SHARED: list[duckdb.DuckDBPyConnection] = []
_FUNCTIONS: set[str] = set()


def scratch(
    functions: Mapping[str, Function] | None = None,
) -> duckdb.DuckDBPyConnection:
    """Return a connection for temporary tables alone: a session of one database in memory.

    To open a database takes 30 ms of processor, a session of one that is open 1 ms. Temporary
    tables, views, macros and registered frames are the session's own. Nothing else may be made
    here, as all sessions would share it: no other tables, nothing attached, no settings but the
    session's.

    Args:
        functions: what SQL can call, by name; a name means the same wherever it is asked for.
    """
    with _LOCK:
        if not _SHARED:
            _SHARED.append(connect())
        (shared,) = _SHARED
        for name, (function, arguments, result) in (functions or {}).items():
            if name not in _FUNCTIONS:
                # of the shared connection, as one that is closed takes its functions with it
                shared.create_function(name, function, [*arguments], result)
                _FUNCTIONS.add(name)
        return shared.cursor()


def beside(con: duckdb.DuckDBPyConnection) -> duckdb.DuckDBPyConnection:
    """Return a cursor for one task, in the database in which a connection stands now.

    A bare cursor begins at the connection's own database, not where it has gone since: the screens'
    connections begin in memory and go to the warehouse.
    """
    ((database,),) = con.execute("SELECT current_database()").fetchall()
    cursor = con.cursor()
    cursor.execute(f"USE {quoted(database)}")
    return cursor
