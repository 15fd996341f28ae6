"""Writes which rows of a file are not simply accepted, and works that out anew when a reading
changes.

Outcomes are a pure function of the landed files in landing order: those of a file depend on the
files before it and on nothing else. A file that is read anew with another mapping keeps its
place, so the outcomes of the files after it are worked out again. Files that land together are
worked out together, with the same result as one after the other.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import parquet

from pipeline.landing import as_of
from pipeline.landing.connection import open_connection
from pipeline.landing.current import (
    OUTCOME_COLUMNS,
    all_valid_sql,
    in_force_sql,
    outcomes_sql,
    valid_rows_of,
)
from pipeline.landing.reconcile import PARTS, reconcile, start_outcomes
from pipeline.landing.workspace import PARTS_PER_FILE, Manifest, Part, Workspace, write_manifest
from shared.records import LAYOUTS
from shared.vocabulary import RecordKind


@dataclass(frozen=True)
class Landing:
    """A file whose outcomes are to be worked out.

    Attributes:
        manifest: of the file, its parts not counted yet.
        folder: where its parts are.
    """

    manifest: Manifest
    folder: Path


def settle_outcomes(
    con: duckdb.DuckDBPyConnection,
    workspace: Workspace,
    earlier: Sequence[Manifest],
    landings: Sequence[Landing],
) -> list[tuple[Part, ...]]:
    """Write ``outcomes.parquet`` of each file and return their parts with every row counted once.

    Args:
        con: a connection without tables ``outcomes`` and ``landing_parts`` of its own.
        workspace: where the earlier files are.
        earlier: manifests of the files landed before these, in landing order.
        landings: the files, in landing order.
    """
    start_outcomes(con)
    _note_parts(con, [*earlier, *(landing.manifest for landing in landings)])
    for kind in RecordKind:
        new = [
            (landing.folder, part)
            for landing in landings
            for part in landing.manifest.parts
            if part.record_kind is kind
        ]
        if not new:
            continue
        before = [(m, p) for m in earlier for p in m.parts if p.record_kind is kind]
        known = ever = None
        if before:
            ever = all_valid_sql(workspace, before, kind)
            known = in_force_sql(ever, outcomes_sql(workspace, earlier))
        reconcile(
            con,
            LAYOUTS[kind],
            valid_rows_of(new, kind),
            known,
            ever=ever,
            repeated=outcomes_sql(workspace, earlier),
            # facts of a building belong to the source that states them
            by_source=kind is RecordKind.BUILDING_REGISTER,
        )
    return _write(con, landings)


def _note_parts(con: duckdb.DuckDBPyConnection, manifests: Sequence[Manifest]) -> None:
    """Make the table that tells the source of each part and what it is as of."""
    rows = [
        (part.part, part.source, day)
        for manifest, day in zip(manifests, as_of.days(manifests), strict=True)
        for part in manifest.parts
    ]
    columns = list(zip(*rows, strict=True)) or [(), (), ()]
    table = pa.table(
        {
            "_part": pa.array(columns[0], pa.int32()),
            "who": pa.array(columns[1], pa.string()),
            "day": pa.array(columns[2], pa.date32()),
        }
    )
    con.register("noted_parts", table)
    con.execute(f"CREATE OR REPLACE TEMP TABLE {PARTS} AS SELECT * FROM noted_parts")
    con.unregister("noted_parts")


def _write(con: duckdb.DuckDBPyConnection, landings: Sequence[Landing]) -> list[tuple[Part, ...]]:
    """Write each outcome beside the later landed of its two rows, and count what they mean."""
    file = f"greatest(_part, other_part) // {PARTS_PER_FILE}"
    table = con.sql(
        f"SELECT ({file})::INTEGER AS sequence, {', '.join(OUTCOME_COLUMNS)} FROM outcomes "
        "ORDER BY sequence, _part, _row"
    ).to_arrow_table()
    # what a later file of the same call replaces was accepted when it landed
    counted: dict[int, dict[str, int]] = defaultdict(dict)
    for part, status, count in con.execute(
        f"SELECT _part, status, count(*) FROM outcomes "
        f"WHERE {file} = _part // {PARTS_PER_FILE} GROUP BY ALL"
    ).fetchall():
        counted[part][status] = count
    sequences = table["sequence"].combine_chunks()
    columns = table.drop_columns(["sequence"])
    result = []
    for landing in landings:
        number = landing.manifest.sequence
        first = pc.sum(pc.less(sequences, number)).as_py() or 0
        count = pc.sum(pc.equal(sequences, number)).as_py() or 0
        partial = landing.folder / "outcomes.parquet.partial"
        parquet.write_table(columns.slice(first, count), partial, compression="zstd")
        partial.replace(landing.folder / "outcomes.parquet")
        parts = []
        for part in landing.manifest.parts:
            duplicate = counted[part.part].get("duplicate", 0)
            superseded = counted[part.part].get("superseded", 0)
            accepted = part.rows_read - part.quarantined - duplicate - superseded
            update = {"duplicate": duplicate, "superseded": superseded, "accepted": accepted}
            parts.append(part.model_copy(update=update))
        result.append(tuple(parts))
    return result


def settle_again(workspace: Workspace, after: int, scratch: Path) -> list[str]:
    """Work out anew the outcomes of every file landed after a given sequence; return the SHA-256 of
    these files."""
    manifests = workspace.manifests()
    earlier = [manifest for manifest in manifests if manifest.sequence <= after]
    later = [manifest for manifest in manifests if manifest.sequence > after]
    if not later:
        return []
    landings = [Landing(manifest, workspace.folder(manifest.sha256)) for manifest in later]
    con = open_connection(scratch)
    counted = settle_outcomes(con, workspace, earlier, landings)
    con.close()
    for landing, parts in zip(landings, counted, strict=True):
        manifest = landing.manifest.model_copy(update={"parts": parts})
        write_manifest(landing.folder, manifest, {"outcomes.parquet"})
    return [manifest.sha256 for manifest in later]
