"""Rows that stand and should be read by a person: a clean bill beside words of danger, and looks of
one file that say different things of one opening on one day."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import duckdb

from pipeline.landing.current import valid_rows_sql
from pipeline.landing.report import Finding
from pipeline.landing.row_kinds import speaks_of_danger_sql
from pipeline.landing.workspace import Part
from shared.records import literal
from shared.vocabulary import RecordKind

TEXTS = ("note", "room")
"""Columns of free text beside a result."""

LOUD = frozenset({"danger_in_text", "contradicting_rows", "beside_rows", "cells_without_value"})
"""Findings after which an intake does not end as if nothing had been."""


def contradictions(
    con: duckdb.DuckDBPyConnection, folder: Path, parts: Sequence[Part]
) -> tuple[Part, ...]:
    """Return the parts of a file with what contradicts itself in them as findings.

    Args:
        con: any connection.
        folder: of the file, its outcomes written.
        parts: its parts.
    """
    found = []
    for part in parts:
        more: list[Finding] = []
        if part.record_kind is RecordKind.OPENING_OBSERVATIONS:
            rows = valid_rows_sql(folder, part)
            more = [*_danger_in_text(con, rows), *_contradicting(con, rows, folder, part)]
        found.append(part.model_copy(update={"findings": (*part.findings, *more)}))
    return tuple(found)


def _danger_in_text(con: duckdb.DuckDBPyConnection, rows: str) -> list[Finding]:
    speaks = " OR ".join(speaks_of_danger_sql(column) for column in TEXTS)
    text = f"concat_ws(' · ', {', '.join(TEXTS)})"
    count, first, example = con.execute(
        f"SELECT count(*), list(_row ORDER BY _row)[1:5], arg_min({text}, _row) FROM ({rows}) "
        f"WHERE result = 'correct' AND coalesce({', '.join(TEXTS)}) IS NOT NULL AND ({speaks})"
    ).fetchall()[0]
    if not count:
        return []
    message = (
        "rows with the result 'correct' beside words of danger or of a defect, which nothing "
        f"reads: read them, such as {example!r}"
    )
    return [Finding(kind="danger_in_text", message=message, count=count, rows=tuple(first))]


def _contradicting(
    con: duckdb.DuckDBPyConnection, rows: str, folder: Path, part: Part
) -> list[Finding]:
    outcomes = f"read_parquet({literal(str(folder / 'outcomes.parquet'))})"
    count, first = con.execute(
        f"SELECT count(*), list(s._row ORDER BY s._row)[1:5] FROM {outcomes} AS o "
        f"JOIN ({rows}) AS s ON s._row = o._row JOIN ({rows}) AS n ON n._row = o.other_row "
        f"WHERE o.status = 'superseded' AND o._part = {part.part} AND o.other_part = {part.part} "
        "AND s.result <> n.result"
    ).fetchall()[0]
    if not count:
        return []
    message = (
        "rows that a later row of the same file replaces with another result for the same opening, "
        "day, person and method; where these are two openings (two halves of a receptacle, merged "
        "cells), say which is which in unit or opening"
    )
    return [Finding(kind="contradicting_rows", message=message, count=count, rows=tuple(first))]
