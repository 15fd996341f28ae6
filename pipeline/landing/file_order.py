"""Runs a COPY and says whether it kept the order of the file, which row numbers rest on.

DuckDB copies in order only while no step of the plan is a join or the like, whatever the number of
threads; an optimiser may put one in (it turns a longer ``IN`` into a join). DuckDB therefore tells
the steps that it took, and the file is read the careful way where the order may be lost.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import duckdb

IN_ORDER = "BATCH_COPY_TO_FILE"
"""The name of the step that writes batches in the order of the source."""


def copied_in_order(con: duckdb.DuckDBPyConnection, copy: str) -> int | None:
    """Run a COPY statement; return how many rows it wrote, or None where it may have mixed them.

    Raises:
        duckdb.Error: the statement fails.
    """
    con.execute("PRAGMA enable_profiling = 'no_output'")
    try:
        ((written,),) = con.execute(copy).fetchall()
        told = json.loads(con.get_profiling_information())
    finally:
        con.execute("PRAGMA disable_profiling")
    return int(written) if IN_ORDER in set(_steps(told["operator"])) else None


def _steps(plan: Any) -> Iterator[str]:  # noqa: ANN401 - any JSON value
    if isinstance(plan, list):
        for step in plan:
            yield from _steps(step)
    elif isinstance(plan, dict):
        yield str(plan.get("name"))
        yield from _steps(plan.get("children", []))
