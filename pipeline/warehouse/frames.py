"""Frames into tables, and into rows."""

from __future__ import annotations

from typing import Any

import duckdb
import pandas as pd


def store_frame(
    con: duckdb.DuckDBPyConnection,
    table: str,
    frame: pd.DataFrame,
    order: str,
    *,
    append: bool = False,
) -> None:
    """Make a table of a frame, or append the frame to it; rows in ``order``."""
    into = f"INSERT INTO {table}" if append else f"CREATE TABLE {table} AS"
    con.register("results_frame", frame)
    con.execute(f"{into} SELECT * FROM results_frame ORDER BY {order}")
    con.unregister("results_frame")


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows of a frame as dictionaries with text keys."""
    return [{str(k): v for k, v in row.items()} for row in frame.to_dict(orient="records")]
