"""What is in force now: views over the landed files, a pure function of them in landing order.

Every view is built from the manifests and Parquet files under ``landed`` alone, so a warehouse can
be thrown away and built again. Nothing here sorts or groups observations: the rows that are not
simply accepted are few and listed in ``outcomes.parquet``, and an anti-join with that list is
linear.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from pathlib import Path

import duckdb
from pyarrow import parquet

from pipeline.landing import as_of
from pipeline.landing.workspace import Manifest, Part, Workspace
from shared.records import LAYOUTS, SQL_TYPE, Layout, literal, quoted
from shared.vocabulary import RecordKind

OUTCOME_COLUMNS: dict[str, str] = {
    "_part": "INTEGER",
    "_row": "BIGINT",
    "status": "VARCHAR",
    "other_part": "INTEGER",
    "other_row": "BIGINT",
}
"""One row per row that is not simply accepted: ``duplicate`` of, or ``superseded`` by, another."""

PartOfFile = tuple[Manifest, Part]

SMALL = 10_000
"""Parts of at most so many rows are read together, where there are enough of them."""

FEW = 8
"""So many parts are worth it."""


def parts_of(manifests: Iterable[Manifest], kind: RecordKind | None = None) -> list[PartOfFile]:
    """Return all parts in landing order, of one record kind or of all."""
    found = [
        (manifest, part)
        for manifest in manifests
        for part in manifest.parts
        if kind is None or part.record_kind is kind
    ]
    return sorted(found, key=lambda pair: (pair[0].sequence, pair[1].part))


def empty_select(columns: dict[str, str]) -> str:
    """Return a SELECT of no rows with the given columns and types."""
    listed = ", ".join(f"NULL::{kind} AS {quoted(name)}" for name, kind in columns.items())
    return f"SELECT {listed} WHERE false"


def typed_columns(layout: Layout) -> dict[str, str]:
    """Return canonical column names and DuckDB types of a layout."""
    return {field.name: SQL_TYPE[field.type] for field in layout.fields}


def row_number(part: Part) -> str:
    """Return SQL for the row number within a part's typed Parquet (read with file_row_number)."""
    return "_row" if part.first_row is None else f"file_row_number + {part.first_row}"


def valid_rows_sql(folder: Path, part: Part) -> str:
    """Return a SELECT of the valid rows of one part: the layout's columns, ``_part``, ``_row``.

    Columns that the layout gained after the part was written are NULL.
    """
    file = folder / part.file
    return _valid_rows(
        [file],
        typed_columns(LAYOUTS[part.record_kind]),
        f"{literal(str(file))}, file_row_number = true",
        str(part.part),
        row_number(part),
    )


def _valid_rows(
    files: Sequence[Path], columns: dict[str, str], read: str, part: str, row: str
) -> str:
    """The rule itself: which rows count, and what stands for columns that no file of them has."""
    there: set[str] = set()
    for file in files:
        there |= set(parquet.read_schema(file).names)
    names = ", ".join(
        quoted(name) if name in there else f"NULL::{kind} AS {quoted(name)}"
        for name, kind in columns.items()
    )
    return (
        f"SELECT {names}, ({part})::INTEGER AS _part, ({row})::BIGINT AS _row "
        f"FROM read_parquet({read}) WHERE _reasons IS NULL"
    )


def all_valid_sql(workspace: Workspace, parts: Sequence[PartOfFile], kind: RecordKind) -> str:
    """Return a SELECT of the valid rows of many landed parts of one kind."""
    return valid_rows_of([(workspace.folder(m.sha256), part) for m, part in parts], kind)


def valid_rows_of(parts: Sequence[tuple[Path, Part]], kind: RecordKind) -> str:
    """Return a SELECT of the valid rows of many parts of one kind, each with its folder."""
    columns = typed_columns(LAYOUTS[kind])
    small: list[tuple[Path, Part]] = []
    others: list[tuple[Path, Part]] = []
    for folder, part in parts:
        is_small = part.rows_read <= SMALL and part.first_row is None
        (small if is_small else others).append((folder, part))
    if len(small) < FEW:
        small, others = [], list(parts)
    selects = [valid_rows_sql(*pair) for pair in others]
    if small:
        selects.append(_valid_rows_together(small, columns))
    return "\nUNION ALL\n".join(selects) or empty_select(
        columns | {"_part": "INTEGER", "_row": "BIGINT"}
    )


def _valid_rows_together(parts: Sequence[tuple[Path, Part]], columns: dict[str, str]) -> str:
    """The same of many small parts that have their row numbers, as one scan.

    A scan of its own for each costs milliseconds every time that a query is planned.
    """
    files = [folder / part.file for folder, part in parts]
    listed = ", ".join(literal(str(file)) for file in files)
    numbers = ", ".join(str(part.part) for _, part in parts)
    return _valid_rows(
        files,
        columns,
        f"[{listed}], filename = true, union_by_name = true",
        f"MAP([{listed}], [{numbers}])[filename]",
        "_row",
    )


def outcomes_sql(workspace: Workspace, manifests: Iterable[Manifest]) -> str:
    """Return a SELECT of the outcomes of all landed files."""
    files = [workspace.folder(m.sha256) / "outcomes.parquet" for m in manifests]
    present = [literal(str(file)) for file in files if file.is_file()]
    if not present:
        return empty_select(OUTCOME_COLUMNS)
    return f"SELECT {', '.join(OUTCOME_COLUMNS)} FROM read_parquet([{', '.join(present)}])"


def in_force_sql(valid: str, outcomes: str) -> str:
    """Return a SELECT of the valid rows that no outcome concerns."""
    return (
        f"SELECT v.* FROM ({valid}) AS v "
        f"ANTI JOIN ({outcomes}) AS o ON o._part = v._part AND o._row = v._row"
    )


def create_views(con: duckdb.DuckDBPyConnection, workspace: Workspace) -> None:
    """Create temporary views of all that is landed in a connection.

    Views (``_part`` and ``_row`` lead back to file, sheet and row through ``landed_files``):

    * ``building_register_current``: one row a building, facts merged from all sources.
    * ``opening_observations_current``, ``building_evaluations_current``: rows in force.
    * ``observations_history``: observations in force and superseded, with ``status``.
    * ``landed_retired``: buildings that a full register no longer names.
    * ``quarantine``: rows set aside, with ``resolved``.
    * ``data_quality``: findings about facts.
    * ``landed_files``: one row per part, with its counts.

    Args:
        con: a connection that may read files.
        workspace: an existing workspace.
    """
    from pipeline.landing import quality, quarantine, register

    manifests = workspace.manifests()
    outcomes = outcomes_sql(workspace, manifests)
    selects = {"landed_outcomes": outcomes}
    for kind in RecordKind:
        valid = all_valid_sql(workspace, parts_of(manifests, kind), kind)
        selects[f"{kind}_valid"] = valid
        if kind is not RecordKind.BUILDING_REGISTER:
            selects[f"{kind}_current"] = in_force_sql(
                f"SELECT * FROM {kind}_valid", "SELECT * FROM landed_outcomes"
            )
    selects["landed_files"] = landed_files_sql(manifests)
    selects["building_register_current"] = register.current_sql()
    selects["observations_history"] = history_sql(RecordKind.OPENING_OBSERVATIONS)
    selects["quarantine"] = quarantine.quarantine_sql(workspace, manifests)
    selects["landed_retired"] = register.retired_sql()
    selects["data_quality"] = quality.data_quality_sql(workspace, manifests)
    for name, select in selects.items():
        con.execute(f"CREATE OR REPLACE TEMP VIEW {name} AS {select}")


def history_sql(kind: RecordKind) -> str:
    """Return a SELECT of all rows that ever stood: ``status`` accepted or superseded, and by
    what."""
    return (
        f"SELECT v.*, coalesce(o.status, 'accepted') AS status, "
        f"o.other_part AS superseded_by_part, o.other_row AS superseded_by_row "
        f"FROM {kind}_valid AS v LEFT JOIN landed_outcomes AS o "
        f"ON o._part = v._part AND o._row = v._row "
        f"WHERE coalesce(o.status, 'accepted') <> 'duplicate'"
    )


LANDED_COLUMNS: dict[str, str] = {
    "path": "VARCHAR",
    "sheet": "VARCHAR",
    "sha256": "VARCHAR",
    "sequence": "INTEGER",
    "_part": "INTEGER",
    "record_kind": "VARCHAR",
    "source": "VARCHAR",
    "precedence": "INTEGER",
    "mapping": "VARCHAR",
    "mapping_confidence": "DOUBLE",
    "rows_read": "BIGINT",
    "accepted": "BIGINT",
    "duplicate": "BIGINT",
    "superseded": "BIGINT",
    "quarantined": "BIGINT",
    "as_of": "DATE",
    "full_register": "BOOLEAN",
    "counts_as_of": "DATE",
    "cells_a_row": "INTEGER",
    "room_tells": "BOOLEAN",
    "circuit_tells": "BOOLEAN",
}
"""Columns of the view ``landed_files``; ``as_of`` is NULL where nothing tells, ``counts_as_of`` is
what newer facts are judged by (see ``as_of.days``); the row of the file that a ``_row`` stands
in is ``_row // cells_a_row``."""


def landed_files_sql(manifests: Iterable[Manifest]) -> str:
    """Return a SELECT of one row per part, in landing order, with its counts at landing."""
    landed = sorted(manifests, key=lambda manifest: manifest.sequence)
    rows = []
    for manifest, day in zip(landed, as_of.days(landed), strict=True):
        for part in manifest.parts:
            values = {
                **{name: getattr(part, name, None) for name in LANDED_COLUMNS},
                **{n: getattr(manifest, n) for n in LANDED_COLUMNS if hasattr(manifest, n)},
                "_part": part.part,
                "counts_as_of": day,
            }
            cells = ", ".join(_cell(values[name]) for name in LANDED_COLUMNS)
            rows.append(f"({cells})")
    if not rows:
        return empty_select(LANDED_COLUMNS)
    typed = ", ".join(f"{name}::{kind} AS {name}" for name, kind in LANDED_COLUMNS.items())
    return f"SELECT {typed} FROM (VALUES {', '.join(rows)}) AS landed({', '.join(LANDED_COLUMNS)})"


def _cell(value: object) -> str:
    if value is None:
        return "NULL"
    if isinstance(value, str | dt.date):
        return literal(str(value))
    return str(value)
