"""Finishes or undoes what a killed process left in the landed files, and begins the logbook.

An intake marks each file as ``pending`` before it puts it in its place, and counts once its line
stands in the logbook. A reading that is replaced waits in ``replaced`` until then, and until the
outcomes of later files are settled. So whoever comes next can tell what was done.
"""

from __future__ import annotations

import contextlib
import shutil
import uuid
from pathlib import Path

from pipeline.landing import logbook
from pipeline.landing.outcomes import settle_again
from pipeline.landing.seals import file_hash
from pipeline.landing.workspace import Workspace, read_manifest
from shared.faults import CoverplateError
from shared.whole_file import settle_folder

_TO_SETTLE = ".settle"
"""Ends the name of a mark beside replaced readings: one was put back, later files may not fit."""


def mark_pending(workspace: Workspace, sha256: str) -> None:
    """Note that a file is about to be put in its place."""
    workspace.pending.mkdir(exist_ok=True)
    (workspace.pending / sha256).touch()


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


def recover(workspace: Workspace, scratch: Path) -> list[str]:
    """Finish or undo what a killed or refused intake left behind.

    A file that was put in its place and does not stand in the logbook is taken back. A reading that
    was being replaced goes back where its successor never came to be, and is dropped where it did;
    then later outcomes are worked out anew. The caller holds the workspace's lock.

    Args:
        workspace: the workspace.
        scratch: the caller's own folder for work in progress; all others are abandoned.

    Returns:
        What is to be told of it.
    """
    if workspace.scratch.is_dir():
        for left in workspace.scratch.iterdir():
            if left != scratch:
                shutil.rmtree(left, ignore_errors=True)
    if not half_done(workspace):
        return []
    known = logbook.read(workspace).files()
    undone = 0
    if workspace.pending.is_dir():
        for mark in sorted(workspace.pending.iterdir()):
            manifest = workspace.folder(mark.name) / "manifest.json"
            entered = known[mark.name].manifest if mark.name in known else None
            if not manifest.is_file() or file_hash(manifest) != entered:
                if entered is None:  # an earlier reading of this same call
                    shutil.rmtree(workspace.replaced / mark.name, ignore_errors=True)
                if manifest.parent.is_dir():
                    manifest.parent.rename(scratch / f"undone-{mark.name}")
                    undone += 1
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
            again[sha] = "derived again"
    told = []
    if first is not None:
        settled = settle_again(workspace, first - 1, scratch)
        how = dict.fromkeys(settled, "settled again") | again
        told += logbook.enter_files(workspace, "recovered", how)
    clear(workspace)
    if undone:
        told.append(f"An intake was stopped half way: {undone} file(s) of it were taken back.")
    if again:
        told.append(
            f"A reading of {len(again)} file(s) was stopped half way: it was finished or undone, "
            "and the files after it were settled again."
        )
    return told


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


def put_right(workspace: Workspace) -> list[str]:
    """Recover and bring up the logbook unless an intake is running, which does so itself.

    Returns:
        What is to be told of it.
    """
    if not half_done(workspace) and logbook.read(workspace).lines:
        return []
    with contextlib.ExitStack() as held:
        try:
            held.enter_context(workspace.lock())
        except CoverplateError:
            return []
        scratch = workspace.scratch / uuid.uuid4().hex
        scratch.mkdir(parents=True)
        try:
            return recover(workspace, scratch) + bring_up(workspace)
        finally:
            shutil.rmtree(scratch, ignore_errors=True)
