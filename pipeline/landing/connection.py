"""The DuckDB connection of an intake: in memory, bounded, and cut off from the internet."""

from __future__ import annotations

from pathlib import Path

import duckdb

from pipeline.offline import connect
from shared.records import literal

MEMORY_LIMIT = "2GB"
"""DuckDB's own limit; Python, Arrow and file buffers come on top and stay well under as much
again."""


def open_connection(scratch: Path) -> duckdb.DuckDBPyConnection:
    """Open an in-memory DuckDB that spills into ``scratch`` and never reaches the internet."""
    con = connect()
    con.execute(f"SET memory_limit = '{MEMORY_LIMIT}'")
    con.execute(f"SET temp_directory = {literal(str(scratch / 'spill'))}")
    # row numbers are positions in the file
    con.execute("SET preserve_insertion_order = true")
    return con
