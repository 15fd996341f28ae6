"""Finishes or undoes what a killed process left in the landed files, and begins the logbook.

An intake marks each file as ``pending`` before it puts it in its place, and counts once its line
stands in the logbook. A reading that is replaced waits in ``replaced`` until then, and until the
outcomes of later files are settled. So whoever comes next can tell what was done.
"""

from __future__ import annotations

import shutil
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.landing import logbook
from pipeline.landing.outcomes import settle_again
from pipeline.landing.workspace import Workspace, read_manifest
from shared.faults import CoverplateError
from shared.whole_file import settle_folder

_TO_SETTLE = ".settle"
"""Ends the name of a mark beside replaced readings: one was put back, later files may not fit."""


def mark_pending(workspace: Workspace, sha256: str) -> None:
    """Note that a file is about to be put in its place."""
    workspace.pending.mkdir(exist_ok=True)
    (workspace.pending / sha256).touch()


def set_aside(workspace: Workspace, sha256: str, scratch: Path) -> None:
    """Make room for another reading of a landed file; the one that stood first waits in
    ``replaced``, one that only came in between is dropped."""
    folder, kept = workspace.folder(sha256), workspace.replaced / sha256
    workspace.replaced.mkdir(exist_ok=True)
    folder.rename(scratch / f"dropped-{uuid.uuid4().hex}" if kept.exists() else kept)


def clear(workspace: Workspace) -> None:
    """Forget readings that were replaced, and marks: what was done stands in the logbook."""
    settle_folder(workspace.landed)
    shutil.rmtree(workspace.replaced, ignore_errors=True)
    shutil.rmtree(workspace.pending, ignore_errors=True)


def half_done(workspace: Workspace) -> bool:
    """Whether an intake or a re-reading is under way, or was killed."""
    return any(
        folder.is_dir() and any(folder.iterdir())
        for folder in (workspace.pending, workspace.replaced)
    )


@dataclass(frozen=True)
class PutBack:
    """What was put back or found unfinished.

    Attributes:
        first: sequence from which on outcomes are to be settled again; None where none are.
        how: what was done with which files, by SHA-256.
        told: what is to be told of it.
    """

    first: int | None = None
    how: Mapping[str, str] = field(default_factory=dict)
    told: list[str] = field(default_factory=list)


def recover(workspace: Workspace, scratch: Path) -> list[str]:
    """Finish or undo what a killed or refused intake left behind, later outcomes included.

    The caller holds the workspace's lock.

    Args:
        workspace: the workspace.
        scratch: the caller's own folder for work in progress; all others are abandoned.

    Returns:
        What is to be told of it.

    Raises:
        CoverplateError: files that outcomes are to be settled from are damaged.
    """
    back = put_back(workspace, scratch)
    told = [*back.told]
    if back.first is not None:
        damaged = damage_refused(workspace)
        if damaged is not None:
            raise damaged
        settled = dict.fromkeys(settle_again(workspace, back.first - 1, scratch), "settled again")
        told += logbook.enter_files(workspace, "recovered", {**settled, **back.how})
    clear(workspace)
    return told


def damage_refused(workspace: Workspace) -> CoverplateError | None:
    """What to say where files derived from what landed are damaged; None where they are whole."""
    damaged = [m.name for m in workspace.manifests() if workspace.derived_damage(m)]
    if not damaged:
        return None
    return CoverplateError(
        f"what was derived from {', '.join(damaged)} is damaged",
        to_do="run `coverplate check --repair`, which derives it anew, and call again",
    )


def put_back(workspace: Workspace, scratch: Path) -> PutBack:
    """Take back files of an intake that does not stand in the logbook, and put replaced readings
    back whose successors never came to be; outcomes are to be settled by the caller, who then
    calls ``clear``.

    Args:
        workspace: the workspace.
        scratch: as for ``recover``.
    """
    if workspace.scratch.is_dir():
        for left in workspace.scratch.iterdir():
            if left != scratch:
                shutil.rmtree(left, ignore_errors=True)
    if not half_done(workspace):
        return PutBack()
    undone = _take_back(workspace, scratch)
    first: int | None = None
    again: dict[str, str] = {}
    for old in sorted(workspace.replaced.iterdir()) if workspace.replaced.is_dir() else ():
        sha = old.name.removesuffix(_TO_SETTLE)
        target = workspace.folder(sha)
        if old.is_dir() and not target.exists():
            # Whoever is killed from here on leaves word that later files are to be settled.
            (workspace.replaced / f"{sha}{_TO_SETTLE}").touch()
            old.rename(target)
        if target.is_dir():
            sequence = read_manifest(target / "manifest.json").sequence
            first = sequence if first is None else min(first, sequence)
            again[sha] = "read or derived again"
    told = []
    if undone:
        told.append(f"An intake was stopped half way: {undone} file(s) of it were taken back.")
    if again:
        told.append(
            f"A reading of {len(again)} file(s) was stopped half way: it was finished or undone, "
            "and the files after it were settled again."
        )
    return PutBack(first, again, told)


def _take_back(workspace: Workspace, scratch: Path) -> int:
    """Take out files that were put in their place and do not stand in the logbook; count them."""
    undone = 0
    known = logbook.read(workspace).files()
    for mark in sorted(workspace.pending.iterdir()) if workspace.pending.is_dir() else ():
        sha, folder = mark.name, workspace.folder(mark.name)
        if sha in known and logbook.manifest_hash(workspace, sha) == known[sha].manifest:
            continue
        if sha not in known:  # what it replaced, if anything, is of this same call
            shutil.rmtree(workspace.replaced / sha, ignore_errors=True)
        if folder.is_dir():
            folder.rename(scratch / f"undone-{sha}")
            undone += 1
    return undone


def bring_up(workspace: Workspace) -> list[str]:
    """Begin the logbook of a workspace that has none; return what is to be told of it.

    The caller holds the workspace's lock.
    """
    if logbook.read(workspace).lines:
        return []
    there = sorted(path.parent.name for path in workspace.landed.glob("*/manifest.json"))
    if not there:
        return []
    told = logbook.enter_files(
        workspace, "brought up", dict.fromkeys(there, "landed before the logbook")
    )
    return [
        *told,
        f"{len(there)} file(s) landed before a logbook was kept; it is kept from now on.",
    ]
