"""The one way to open DuckDB here: it never looks for an extension on the internet."""

from __future__ import annotations

from pathlib import Path

import duckdb


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
