"""What landed and what was set aside, from the workspace itself; an intake tried out first."""

from __future__ import annotations

import datetime as dt
import io
import shutil
import tempfile
import uuid
import zipfile
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from pipeline.landing import IntakeReport, Workspace, export_quarantine, intake, list_quarantine
from pipeline.landing.answers import Answers
from pipeline.landing.danger_aside import danger_aside, told_aside
from pipeline.landing.integrity import same_bytes
from pipeline.landing.quarantine import Refusal
from pipeline.warehouse.foretold import foretold
from pipeline.warehouse.inputs import workspace_rule_book
from shared.rule_book import RuleBook

COUNTS = ("accepted", "duplicate", "superseded", "quarantined")
"""Every row read ends as exactly one of these."""


def history(workspace: Workspace) -> pd.DataFrame:
    """What landed, newest first.

    Returns:
        One row per table: landed (local time of the landing), path, sheet, record_kind, mapping,
        mapping_confidence, rows_read, accepted, duplicate, superseded, quarantined, blanked,
        adds_up, sha256.
    """
    rows = []
    for manifest in reversed(workspace.manifests()):
        stamp = (workspace.folder(manifest.sha256) / "manifest.json").stat().st_mtime
        for part in manifest.parts:
            counts = [getattr(part, name) for name in COUNTS]
            rows.append(
                (
                    dt.datetime.fromtimestamp(stamp).replace(microsecond=0),
                    manifest.path,
                    part.sheet,
                    part.record_kind.value,
                    part.mapping,
                    part.mapping_confidence,
                    part.rows_read,
                    *counts,
                    part.blanked,
                    sum(counts) == part.rows_read,
                    manifest.sha256,
                )
            )
    names = ["landed", "path", "sheet", "record_kind", "mapping", "mapping_confidence", "rows_read"]
    return pd.DataFrame(rows, columns=[*names, *COUNTS, "blanked", "adds_up", "sha256"])


def report_table(reports: Sequence[IntakeReport]) -> pd.DataFrame:
    """Reports of an intake as a table.

    Returns:
        Columns file, sheet, record_kind, mapping, rows_read, accepted, duplicate, superseded,
        quarantined, blanked, adds_up, already_landed, findings (text).
    """
    rows = [
        (
            r.path.rsplit("/", 1)[-1],
            r.sheet,
            r.record_kind.value if r.record_kind is not None else None,
            r.mapping,
            r.rows_read,
            *(getattr(r, name) for name in COUNTS),
            r.blanked,
            sum(getattr(r, name) for name in COUNTS) == r.rows_read,
            r.already_landed,
            "; ".join(f.message for f in r.findings),
        )
        for r in reports
    ]
    names = ["file", "sheet", "record_kind", "mapping", "rows_read", *COUNTS, "blanked"]
    return pd.DataFrame(rows, columns=[*names, "adds_up", "already_landed", "findings"])


def set_aside(
    workspace: Workspace,
    *,
    limit: int,
    unresolved_only: bool = True,
    refused: Sequence[Refusal] = (),
) -> pd.DataFrame:
    """Rows set aside, and landed ones that the ledger refuses.

    Returns:
        Columns file, sheet, row (text; with the column where a row holds several looks), level
        (row, cell where the row stands, rules where the ledger refuses it), record_kind, reasons
        (text), cells (text), resolved.
    """
    rows = [
        (
            q.path.rsplit("/", 1)[-1],
            q.sheet,
            q.where,
            q.level,
            q.record_kind.value,
            "; ".join(f"{r.column}: found “{r.found}”, expected {r.expected}" for r in q.reasons),
            " | ".join(f"{name}={cell}" for name, cell in q.cells.items() if cell),
            q.resolved,
        )
        for q in list_quarantine(
            workspace, unresolved_only=unresolved_only, limit=limit, refused=refused
        )
    ]
    names = ["file", "sheet", "row", "level", "record_kind", "reasons", "cells", "resolved"]
    return pd.DataFrame(rows, columns=names)


def set_aside_file(workspace: Workspace, refused: Sequence[Refusal] = ()) -> bytes:
    """A ZIP with the CSVs of ``export_quarantine``, for correction and feeding in again."""
    workspace.scratch.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=workspace.scratch) as folder:
        written = export_quarantine(workspace, Path(folder) / "set-aside.csv", refused=refused)
        packed = io.BytesIO()
        with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
            for item in written:
                archive.write(item.path, item.path.name)
        return packed.getvalue()


def danger_in(
    workspace: Workspace, files: Collection[str] | None = None, book: RuleBook | None = None
) -> list[str]:
    """Say which rows set aside, and reports of repairs, of files (SHA-256; all by default) speak of
    danger (``told_aside``), by a rule book, the workspace's own by default."""
    return told_aside(danger_aside(workspace, book or workspace_rule_book(workspace), files))


@dataclass(frozen=True)
class Trial:
    """What an intake would do.

    Attributes:
        reports: as the intake would give them.
        aside: rows that it would set aside, or let stand without a cell (the first of them;
            ``set_aside``).
        buildings: what would be different of which buildings (``foretold``).
        danger: what is told of rows that speak of danger and would be set aside, or are reports of
            repairs.
    """

    reports: list[IntakeReport]
    aside: pd.DataFrame
    buildings: pd.DataFrame
    danger: list[str]


def try_intake(
    workspace: Workspace,
    paths: Sequence[Path | str],
    progress: Callable[[str, float], None] | None = None,
    *,
    as_of: dt.date | None = None,
    full_register: bool = False,
    mapping: str | None = None,
    answers: Answers | None = None,
    limit: int = 200,
    refused_in: Callable[[Workspace], Sequence[Refusal]] = lambda _: (),
) -> Trial:
    """Take files into a copy of the workspace that is thrown away again.

    The copy shares the landed files by hard links, which nothing ever writes to, so that repeated
    and replaced rows are told as they would be.

    Args:
        workspace: where they would land.
        paths: files, folders and ZIPs.
        progress: called with what is being done and how far it is.
        as_of, full_register: as of an intake.
        limit: at most so many rows set aside are told.
        refused_in: tells which fix reports of a workspace the ledger refuses.

    Raises:
        CoverplateError: as an intake would.
    """
    workspace.create()
    root = workspace.scratch / f"trial-{uuid.uuid4().hex}"
    copy = Workspace(root)
    try:
        for folder in ("landed", "mappings"):
            shutil.copytree(
                workspace.root / folder, root / folder, copy_function=same_bytes, dirs_exist_ok=True
            )
        reports = intake(
            copy,
            paths,
            mapping=mapping,
            answers=answers,
            as_of=as_of,
            full_register=full_register,
            progress=progress,
        )
        new = {r.sha256 for r in reports if not r.already_landed}
        waiting = list_quarantine(copy, unresolved_only=True, refused=refused_in(copy))
        rows = [q for q in waiting if q.sha256 in new]
        names = ["file", "row", "level", "reasons", "cells"]
        aside = pd.DataFrame(
            [
                (
                    q.path.rsplit("/", 1)[-1],
                    q.where,
                    q.level,
                    "; ".join(
                        f"{r.column}: found “{r.found}”, expected {r.expected}" for r in q.reasons
                    ),
                    " | ".join(f"{name}={cell}" for name, cell in q.cells.items() if cell),
                )
                for q in rows[:limit]
            ],
            columns=names,
        )
        danger = danger_in(copy, new, workspace_rule_book(workspace))
        return Trial(reports, aside, foretold(workspace, copy), danger)
    finally:
        shutil.rmtree(root, ignore_errors=True)
