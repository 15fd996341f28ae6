"""Says whether what landed is still what it was, and derives anew what is damaged.

The kept original of a file is named by the hash of its bytes; the manifest holds the hash of every
file that was derived from it. So whatever is changed, cut short or gone can be told, and as long as
the original is whole the rest is read from it again, the same way as before.
"""

from __future__ import annotations

import shutil
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from pipeline.landing.one_file import read_again
from pipeline.landing.outcomes import settle_again
from pipeline.landing.seals import derived_files, file_hash
from pipeline.landing.workspace import Manifest, Workspace, read_manifest, write_manifest
from shared.faults import CoverplateError

Verdict = Literal["whole", "damaged", "rebuilt", "lost", "sealed"]
"""``damaged``: can be derived anew; ``rebuilt``: was; ``lost``: the original itself is not what it
was, or the manifest cannot be read; ``sealed``: landed before hashes were kept, and has them
now."""


@dataclass(frozen=True)
class Checked:
    """What a check found of one landed file.

    Attributes:
        sha256: of its original.
        path: the file as it was named when it landed, or its folder.
        verdict: how it is.
        found: what is wrong, or "".
    """

    sha256: str
    path: str
    verdict: Verdict
    found: str = ""


def check(
    workspace: Workspace, *, repair: bool = False, tell: Callable[[str], None] | None = None
) -> list[Checked]:
    """Check every landed file; with ``repair`` derive anew what is damaged.

    Without ``repair`` nothing is written, so that a copy that may only be read can be checked.

    Args:
        workspace: an existing workspace.
        repair: whether to put right what can be.
        tell: called with the name of each file.

    Raises:
        CoverplateError: another intake is running (with ``repair``).
    """
    if not repair:
        return [found for _, found in _look(workspace, tell)]
    with workspace.lock():
        told = []
        again: int | None = None
        for manifest, found in _look(workspace, tell):
            if manifest is None or found.verdict == "lost":
                told.append(found)
            elif found.verdict == "damaged":
                told.append(_derive(workspace, manifest, found))
                again = min(again or manifest.sequence, manifest.sequence)
            elif not manifest.files:
                write_manifest(workspace.folder(manifest.sha256), manifest)
                told.append(Checked(found.sha256, found.path, "sealed"))
            else:
                told.append(found)
        if again is not None:
            scratch = workspace.scratch / uuid.uuid4().hex
            scratch.mkdir(parents=True)
            settle_again(workspace, again - 1, scratch)
            shutil.rmtree(scratch, ignore_errors=True)
        return told


def _look(
    workspace: Workspace, tell: Callable[[str], None] | None
) -> list[tuple[Manifest | None, Checked]]:
    found: list[tuple[Manifest | None, Checked]] = []
    for folder in sorted(workspace.landed.iterdir()):
        if not folder.is_dir():
            continue
        try:
            manifest = read_manifest(folder / "manifest.json")
        except (CoverplateError, OSError) as fault:
            told = fault.found if isinstance(fault, CoverplateError) else str(fault)
            found.append((None, Checked(folder.name, str(folder), "lost", told)))
            continue
        if tell is not None:
            tell(manifest.name)
        found.append((manifest, _one(folder, manifest)))
    return sorted(found, key=lambda pair: pair[0].sequence if pair[0] else 0)


def _one(folder: Path, manifest: Manifest) -> Checked:
    sha = folder.name
    original = folder / "original" / manifest.name
    if not original.is_file():
        return Checked(sha, manifest.path, "lost", "the original is gone")
    if file_hash(original) != sha:
        return Checked(sha, manifest.path, "lost", "the original was changed")
    wrong = []
    for name, expected in manifest.files.items():
        file = folder / name
        if not file.is_file():
            wrong.append(f"{name} is gone")
        elif file_hash(file) != expected:
            wrong.append(f"{name} was changed")
    for part in manifest.parts:
        if not (folder / part.file).is_file() and part.file not in manifest.files:
            wrong.append(f"{part.file} is gone")
    verdict: Verdict = "damaged" if wrong else "whole"
    return Checked(sha, manifest.path, verdict, "; ".join(wrong))


def _derive(workspace: Workspace, manifest: Manifest, found: Checked) -> Checked:
    folder = workspace.folder(manifest.sha256)
    work = workspace.scratch / uuid.uuid4().hex
    work.mkdir(parents=True)
    try:
        made, parts = read_again(workspace, manifest, folder / "original" / manifest.name, work)
        for name in derived_files(folder):
            (folder / name).unlink()
        for file in made.iterdir():
            file.replace(folder / file.name)
        write_manifest(folder, manifest.model_copy(update={"parts": parts, "files": {}}))
    except CoverplateError as fault:
        return Checked(found.sha256, found.path, "damaged", f"{found.found}; {fault.found}")
    finally:
        shutil.rmtree(work, ignore_errors=True)
    return Checked(found.sha256, found.path, "rebuilt", found.found)
