"""Writes which rows of a file are not simply accepted, and works that out anew when a reading
changes.

Outcomes are a pure function of the landed files in landing order: those of a file depend on the
files before it and on nothing else. A file that is read anew with another mapping keeps its
place, so the outcomes of the files after it are worked out again.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import duckdb

from pipeline.landing.connection import open_connection
from pipeline.landing.current import (
    OUTCOME_COLUMNS,
    PartOfFile,
    all_valid_sql,
    in_force_sql,
    outcomes_sql,
    parts_of,
    valid_rows_sql,
)
from pipeline.landing.land import CODEC
from pipeline.landing.reconcile import reconcile, start_outcomes
from pipeline.landing.workspace import Manifest, Part, Workspace, write_manifest
from shared.records import LAYOUTS, literal
from shared.vocabulary import RecordKind


def settle_outcomes(
    con: duckdb.DuckDBPyConnection,
    workspace: Workspace,
    earlier: Sequence[Manifest],
    folder: Path,
    parts: Sequence[Part],
) -> tuple[Part, ...]:
    """Write ``outcomes.parquet`` of one file and return its parts with every row counted once.

    Args:
        con: a connection without a table ``outcomes`` of its own.
        workspace: where the earlier files are.
        earlier: manifests of the files landed before this one.
        folder: where this file's parts are.
        parts: the parts, in order.
    """
    start_outcomes(con)
    counted: list[Part] = []
    for part in parts:
        kind = part.record_kind
        before = parts_of(earlier, kind)
        own = [done for done in counted if done.record_kind is kind]
        in_force = _in_force(workspace, earlier, folder)
        known, elsewhere = in_force(kind, before, own), None
        if kind is RecordKind.BUILDING_REGISTER:
            # Facts of a building belong to the source that states them.
            ours = part.source
            known = in_force(
                kind,
                [pair for pair in before if pair[1].source == ours],
                [done for done in own if done.source == ours],
            )
            elsewhere = in_force(
                kind,
                [pair for pair in before if pair[1].source != ours],
                [done for done in own if done.source != ours],
            )
        new = valid_rows_sql(folder, part)
        duplicate, superseded = reconcile(con, LAYOUTS[kind], part.part, new, known, elsewhere)
        accepted = part.rows_read - part.quarantined - duplicate - superseded
        counted.append(
            part.model_copy(
                update={"duplicate": duplicate, "superseded": superseded, "accepted": accepted}
            )
        )
    partial = folder / "outcomes.parquet.partial"
    con.execute(
        f"COPY (SELECT {', '.join(OUTCOME_COLUMNS)} FROM outcomes ORDER BY _part, _row) "
        f"TO {literal(str(partial))} {CODEC}"
    )
    partial.replace(folder / "outcomes.parquet")
    return tuple(counted)


def _in_force(
    workspace: Workspace, earlier: Sequence[Manifest], folder: Path
) -> Callable[[RecordKind, Sequence[PartOfFile], Sequence[Part]], str | None]:
    """A function that gives a SELECT of the rows in force of some parts; None if no part."""
    outcomes = f"{outcomes_sql(workspace, earlier)} UNION ALL SELECT * FROM outcomes"

    def select(kind: RecordKind, before: Sequence[PartOfFile], own: Sequence[Part]) -> str | None:
        if not before and not own:
            return None
        selects = [all_valid_sql(workspace, before, kind)]
        selects += [valid_rows_sql(folder, done) for done in own]
        return in_force_sql(" UNION ALL ".join(selects), outcomes)

    return select


def settle_again(workspace: Workspace, after: int, scratch: Path) -> list[str]:
    """Work out anew the outcomes of every file landed after a given sequence; return the SHA-256 of
    these files."""
    settled = []
    manifests = workspace.manifests()
    for index, manifest in enumerate(manifests):
        if manifest.sequence > after:
            folder = workspace.folder(manifest.sha256)
            con = open_connection(scratch)
            parts = settle_outcomes(con, workspace, manifests[:index], folder, manifest.parts)
            con.close()
            write_manifest(
                folder, manifest.model_copy(update={"parts": parts}), {"outcomes.parquet"}
            )
            settled.append(manifest.sha256)
    return settled
