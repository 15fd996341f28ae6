"""What is in force now: views over the landed files, a pure function of them in landing order.

Every view is built from the manifests and Parquet files under ``landed`` alone, so a warehouse can
be thrown away and built again. Nothing here sorts or groups observations: the rows that are not
simply accepted are few and listed in ``outcomes.parquet``, and an anti-join with that list is
linear.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

import duckdb
from pyarrow import parquet

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
    there = set(parquet.read_schema(folder / part.file).names)
    names = ", ".join(
        quoted(name) if name in there else f"NULL::{kind} AS {quoted(name)}"
        for name, kind in typed_columns(LAYOUTS[part.record_kind]).items()
    )
    file = literal(str(folder / part.file))
    return (
        f"SELECT {names}, {part.part}::INTEGER AS _part, ({row_number(part)})::BIGINT AS _row "
        f"FROM read_parquet({file}, file_row_number = true) WHERE _reasons IS NULL"
    )


def all_valid_sql(workspace: Workspace, parts: Sequence[PartOfFile], kind: RecordKind) -> str:
    """Return a SELECT of the valid rows of many parts of one kind."""
    selects = [valid_rows_sql(workspace.folder(m.sha256), p) for m, p in parts]
    columns = typed_columns(LAYOUTS[kind]) | {"_part": "INTEGER", "_row": "BIGINT"}
    return "\nUNION ALL\n".join(selects) if selects else empty_select(columns)


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
}


def landed_files_sql(manifests: Iterable[Manifest]) -> str:
    """Return a SELECT of one row per part, in landing order, with its counts at landing."""
    rows = []
    for manifest, part in parts_of(manifests):
        values = {**part.model_dump(mode="json"), **manifest.model_dump(mode="json")}
        values["_part"] = part.part
        cells = [
            f"{literal(values[name]) if kind == 'VARCHAR' else values[name]}::{kind} AS {name}"
            for name, kind in LANDED_COLUMNS.items()
        ]
        rows.append(f"SELECT {', '.join(cells)}")
    return "\nUNION ALL\n".join(rows) if rows else empty_select(LANDED_COLUMNS)
