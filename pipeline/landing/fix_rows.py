"""Landed fix reports as the ledger takes them up, and the looks that came in the same files."""

from __future__ import annotations

import duckdb

from pipeline.landing.conform import BLANK_ROW, CORRECTION_ROW
from pipeline.landing.current import (
    PartOfFile,
    all_valid_sql,
    empty_select,
    in_force_sql,
    outcomes_sql,
    parts_of,
    row_number,
    typed_columns,
)
from pipeline.landing.workspace import Manifest, Part, Workspace
from pipeline.offline import connect
from shared.records import LAYOUTS, literal
from shared.vocabulary import RecordKind

PLACE_COLUMNS: dict[str, str] = {
    "path": "VARCHAR",
    "sha256": "VARCHAR",
    "sheet": "VARCHAR",
    "_part": "INTEGER",
    "_row": "BIGINT",
}
"""Where a landed row stands: file, its hash, sheet, part, row."""


def has_fix_reports(workspace: Workspace) -> bool:
    """Say whether any fix report ever landed."""
    return bool(parts_of(workspace.manifests(), RecordKind.FIX_REPORTS))


def create_fix_views(con: duckdb.DuckDBPyConnection, workspace: Workspace) -> None:
    """Create the temporary views of landed fix reports in a connection.

    * ``landed_fixes``: fix reports in force that no correction has answered: the layout's columns
      and ``PLACE_COLUMNS``.
    * ``landed_fix_looks``: observations in force in the files that hold fix reports, likewise.

    Args:
        con: a connection that may read files.
        workspace: where they landed.
    """
    manifests = workspace.manifests()
    outcomes = outcomes_sql(workspace, manifests)
    fixes = parts_of(manifests, RecordKind.FIX_REPORTS)
    files = {manifest.sha256 for manifest, _ in fixes}
    looks = [
        pair
        for pair in parts_of(manifests, RecordKind.OPENING_OBSERVATIONS)
        if pair[0].sha256 in files
    ]
    answered = _answered(workspace, fixes, outcomes)
    for name, parts, kind in (
        ("landed_fixes", fixes, RecordKind.FIX_REPORTS),
        ("landed_fix_looks", looks, RecordKind.OPENING_OBSERVATIONS),
    ):
        if not parts:
            columns = typed_columns(LAYOUTS[kind]) | PLACE_COLUMNS
            con.execute(f"CREATE OR REPLACE TEMP VIEW {name} AS {empty_select(columns)}")
            continue
        valid = all_valid_sql(workspace, parts, kind)
        select = (
            f"SELECT v.*, p.path, p.sha256, p.sheet FROM ({in_force_sql(valid, outcomes)}) AS v "
            f"JOIN ({_places(parts)}) AS p USING (_part)"
        )
        if kind is RecordKind.FIX_REPORTS:
            select += f" ANTI JOIN ({answered}) AS a USING (_part, _row)"
        con.execute(f"CREATE OR REPLACE TEMP VIEW {name} AS {select}")


def _places(parts: list[PartOfFile]) -> str:
    rows = ", ".join(
        f"({part.part}::INTEGER, {literal(manifest.path)}, {literal(manifest.sha256)}, "
        f"{literal(part.sheet)})"
        for manifest, part in parts
    )
    return f"SELECT * FROM (VALUES {rows}) AS p(_part, path, sha256, sheet)"


def _answered(workspace: Workspace, parts: list[PartOfFile], outcomes: str) -> str:
    """SELECT of rows that a later correction took the place of, whatever it says instead.

    A correction that came back as it was written out says nothing instead.
    """
    root_of = {
        (manifest.sha256, part.sheet): part.part
        for manifest, part in parts
        if part.corrects is None
    }
    told = []
    for manifest, part in parts:
        if part.corrects is None:
            continue
        root = root_of[part.corrects.sha256, part.corrects.sheet]
        file = workspace.folder(manifest.sha256) / part.file
        told.append(
            f"SELECT {root}::INTEGER AS root, {CORRECTION_ROW} AS root_row, "
            f"{part.part}::INTEGER AS _part, _row FROM read_parquet({literal(str(file))})"
        )
    if not told:
        return empty_select({"_part": "INTEGER", "_row": "BIGINT"})
    return f"""
WITH told AS ({" UNION ALL ".join(told)}),
chain AS (
    SELECT root, root_row, _part, _row FROM told
    UNION SELECT root, root_row, root, root_row FROM told
),
unchanged AS (
    SELECT t._part, t._row FROM told AS t
    JOIN ({outcomes}) AS o ON o._part = t._part AND o._row = t._row AND o.status = 'duplicate'
    JOIN chain AS c ON c.root = t.root AND c.root_row = t.root_row
        AND c._part = o.other_part AND c._row = o.other_row
),
answers AS (SELECT * FROM told ANTI JOIN unchanged USING (_part, _row))
SELECT DISTINCT c._part, c._row FROM chain AS c JOIN answers AS a
    ON a.root = c.root AND a.root_row = c.root_row AND a._part > c._part"""


def row_numbers(
    workspace: Workspace, manifest: Manifest, part: Part
) -> list[tuple[int, tuple[int, int] | None]]:
    """Return the rows that a part read, blank ones left out, in their order.

    Each as its number, and part and row of the earlier row that it repeats, or None.
    """
    file = workspace.folder(manifest.sha256) / part.file
    con = connect()
    rows = con.execute(
        f"WITH rows AS (SELECT ({row_number(part)})::BIGINT AS number, _notes "
        f"FROM read_parquet({literal(str(file))}, file_row_number = true)) "
        "SELECT r.number, o.other_part, o.other_row FROM rows AS r "
        f"LEFT JOIN ({outcomes_sql(workspace, [manifest])}) AS o "
        f"ON o._part = {part.part} AND o._row = r.number AND o.status = 'duplicate' "
        f"WHERE NOT coalesce(list_contains(r._notes, '{BLANK_ROW}'), false) ORDER BY r.number"
    ).fetchall()
    con.close()
    return [(int(n), None if other is None else (int(other), int(row))) for n, other, row in rows]
