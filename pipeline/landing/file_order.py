"""Says whether a COPY keeps the order of the file, which row numbers rest on.

DuckDB copies in order only while no step of the plan is a join or the like, whatever the number of
threads; an optimiser may put one in (it turns a longer ``IN`` into a join). The plan is therefore
looked at before it is run, and the file is read the careful way where the order would be lost.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import duckdb

IN_ORDER = "BATCH_COPY_TO_FILE"
"""The name of the step that writes batches in the order of the source."""


def keeps_order(con: duckdb.DuckDBPyConnection, copy: str) -> bool:
    """Say whether a COPY statement would keep the order of its source."""
    (row,) = con.execute(f"EXPLAIN (FORMAT json) {copy}").fetchall()
    return IN_ORDER in set(_steps(json.loads(row[1])))


def _steps(plan: Any) -> Iterator[str]:  # noqa: ANN401 - any JSON value
    if isinstance(plan, list):
        for step in plan:
            yield from _steps(step)
    elif isinstance(plan, dict):
        yield str(plan.get("name"))
        yield from _steps(plan.get("children", []))
