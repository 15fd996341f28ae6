"""Small ways to build exports and to look at what was landed, shared by the tests of the
landing."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import duckdb

from pipeline.landing import IntakeReport, Workspace, create_views, intake

TODAY = dt.date(2025, 6, 30)

HEADER = "building_id,unit_id,room,opening_id,observed_on,inspector,method,selection,slots,result"
ROWS = (
    "B007,1A,kitchen,001,2024-03-05,Ada,three_lamp_tester,random,three_slot,correct",
    "B007,1A,hall,002,2024-03-05,Ada,three_lamp_tester,random,two_slot,open_ground",
)
CSV = "\n".join([HEADER, *ROWS]) + "\n"


def land(
    workspace: Workspace,
    folder: Path,
    content: bytes | str,
    name: str = "looks.csv",
    **options: Any,
) -> list[IntakeReport]:
    """Write a file and take it in."""
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return intake(workspace, [path], today=TODAY, **options)


def query(workspace: Workspace, sql: str) -> list[tuple[Any, ...]]:
    """Run SQL over the views of a workspace."""
    con = duckdb.connect()
    create_views(con, workspace)
    rows = con.execute(sql).fetchall()
    con.close()
    return rows


def counts(report: IntakeReport) -> tuple[int, int, int, int, int]:
    """Return rows read, accepted, duplicate, superseded, quarantined."""
    return (
        report.rows_read,
        report.accepted,
        report.duplicate,
        report.superseded,
        report.quarantined,
    )


def reconciles(report: IntakeReport) -> bool:
    """Say whether every row read ended as exactly one thing."""
    read, *ended = counts(report)
    return read == sum(ended) and min(ended) >= 0
