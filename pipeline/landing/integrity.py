"""Says whether what landed is still what it was, and derives anew what is damaged.

The kept original of a file is named by the hash of its bytes; the manifest holds the hash of every
file that was derived from it; the logbook holds the hash of the manifest. So whatever is changed,
cut short or gone can be told, and as long as the original is whole the rest is read from it again,
the same way as before.
"""

from __future__ import annotations

import os
import shutil
import uuid
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from pipeline.landing import logbook
from pipeline.landing.logbook import Entered, Logbook
from pipeline.landing.one_file import read_again
from pipeline.landing.outcomes import settle_again
from pipeline.landing.recovery import PutBack, bring_up, clear, half_done, put_back, set_aside
from pipeline.landing.seals import file_hash
from pipeline.landing.workspace import Manifest, Workspace, read_manifest, write_manifest
from shared.faults import CoverplateError
from shared.whole_file import settle_files

Verdict = Literal[
    "whole", "damaged", "rebuilt", "lost", "sealed", "unknown", "entered", "altered", "none"
]
"""``damaged``: can be made anew; ``rebuilt``: was; ``lost``: the original itself is not what it
was, is gone, or the manifest cannot be read; ``sealed``: landed before hashes were kept, and has
them now; ``unknown``: does not stand in the logbook; ``entered``: does now; ``altered``: not what
stands in the logbook, and nothing here can make it so; ``none``: is not there, and need not be."""

BAD: frozenset[Verdict] = frozenset({"damaged", "lost", "unknown", "altered"})
"""Verdicts that somebody must do something about."""

Kind = Literal["file", "logbook", "ledger", "warehouse", "store of kept files"]


@dataclass(frozen=True)
class Checked:
    """What a check found of one thing.

    Attributes:
        sha256: of a landed file's original; the head of the logbook; hash of the warehouse as it
            was built; "" where there is none.
        path: the file as it was named when it landed, or where the thing is.
        verdict: how it is.
        found: what is wrong, or worth saying; "" where nothing is.
        what: a landed file, or what else of the workspace.
    """

    sha256: str
    path: str
    verdict: Verdict
    found: str = ""
    what: Kind = "file"


@dataclass(frozen=True)
class _Seen:
    """A landed file, its manifest if that can be read, and how it is."""

    manifest: Manifest | None
    checked: Checked


def check(
    workspace: Workspace,
    *,
    repair: bool = False,
    tell: Callable[[str], None] | None = None,
    say: Callable[[str], None] | None = None,
) -> list[Checked]:
    """Check every landed file; with ``repair`` derive anew what is damaged.

    Without ``repair`` nothing is written, so that a copy that may only be read can be checked.

    Args:
        workspace: an existing workspace.
        repair: whether to put right what can be, what was left half done included.
        tell: called with the name of each file.
        say: called with what was put right on the way.

    Returns:
        The files in landing order, and last those that are not there any more.

    Raises:
        CoverplateError: another intake is running (with ``repair``).
    """
    if not repair:
        return [seen.checked for seen in _look(workspace, tell)]
    with workspace.lock():
        scratch = workspace.scratch / uuid.uuid4().hex
        scratch.mkdir(parents=True)
        try:
            back = put_back(workspace, scratch)
            told = back.told + bring_up(workspace)
            found, more = _repaired(workspace, _look(workspace, tell), back, scratch)
        finally:
            shutil.rmtree(scratch, ignore_errors=True)
    if say is not None:
        for line in (*told, *more):
            say(line)
    return found


def check_logbook(workspace: Workspace) -> Checked:
    """Follow the chain of the logbook; writes nothing."""
    book = logbook.read(workspace)
    path = str(logbook.logbook_path(workspace))
    if not book.lines and not book.torn:
        landed = any(workspace.landed.iterdir())
        found = "there is none yet; the next intake, build or check --repair begins it"
        return Checked("", path, "none", found if landed else "", "logbook")
    wrong = [f"line {number} {what}" for number, what in book.breaks]
    if book.torn:
        wrong.append(
            "the last line was cut off while it was written; the next intake, build or check "
            "--repair mends that"
        )
    if half_done(workspace) and not workspace.busy():
        wrong.append(
            "an intake was killed half way; the next intake, build or check --repair finishes or "
            "undoes it"
        )
    return Checked(
        book.head, path, "altered" if book.breaks else "whole", "; ".join(wrong), "logbook"
    )


def withdraw(workspace: Workspace, sha256: str) -> str:
    """Write down that a landed file was taken out on purpose; return its name.

    Raises:
        CoverplateError: it is still there, or was never there.
    """
    with workspace.lock():
        entered = logbook.read(workspace).files()
        matching = [sha for sha in entered if sha.startswith(sha256)] if sha256 else []
        if len(matching) != 1 or workspace.folder(matching[0]).exists():
            raise CoverplateError(
                f"{sha256} names no landed file that is gone",
                expected="the SHA-256 (or its first digits) of one that the logbook knows and the "
                "folder lacks",
                to_do="move its folder out of the workspace first; `coverplate check` lists them",
            )
        (sha,) = matching
        name = entered[sha].name
        logbook.append(workspace, "withdrawn", {"files": [{"sha256": sha, "name": name}]})
        return name


def derived_damage(workspace: Workspace) -> list[Checked]:
    """Landed files of which something derived is not what it was: what a build reads."""
    found = []
    for manifest in workspace.manifests():
        wrong = workspace.derived_damage(manifest)
        if wrong:
            found.append(Checked(manifest.sha256, manifest.path, "damaged", "; ".join(wrong)))
    return found


def _look(workspace: Workspace, tell: Callable[[str], None] | None) -> list[_Seen]:
    book = logbook.read(workspace)
    known = book.files()
    found: list[_Seen] = []
    there = set()
    for folder in sorted(workspace.landed.iterdir()):
        if not folder.is_dir():
            continue
        there.add(folder.name)
        try:
            manifest = read_manifest(folder / "manifest.json")
        except (CoverplateError, OSError) as fault:
            told = fault.found if isinstance(fault, CoverplateError) else str(fault)
            found.append(_Seen(None, Checked(folder.name, str(folder), "lost", told)))
            continue
        if tell is not None:
            tell(manifest.name)
        found.append(_Seen(manifest, _against(book, known, _one(workspace, manifest), workspace)))
    found.sort(key=lambda seen: seen.manifest.sequence if seen.manifest else 0)
    gone = [
        Checked(
            sha, entered.name, "lost", f"stands in line {entered.line} of the logbook and is gone"
        )
        for sha, entered in known.items()
        if sha not in there and not entered.withdrawn
    ]
    return found + [_Seen(None, each) for each in gone]


def _one(workspace: Workspace, manifest: Manifest) -> Checked:
    folder = workspace.folder(manifest.sha256)
    sha = folder.name
    original = folder / "original" / manifest.name
    if not original.is_file():
        return Checked(sha, manifest.path, "lost", "the original is gone")
    if file_hash(original) != sha:
        return Checked(sha, manifest.path, "lost", "the original was changed")
    wrong = workspace.derived_damage(manifest)
    return Checked(sha, manifest.path, "damaged" if wrong else "whole", "; ".join(wrong))


def _against(
    book: Logbook, known: dict[str, Entered], checked: Checked, workspace: Workspace
) -> Checked:
    """A file as it was found, held against the logbook where there is one."""
    if not book.lines or checked.verdict == "lost":
        return checked
    entered = known.get(checked.sha256)
    if entered is None or entered.withdrawn:
        verdict: Verdict = "unknown" if checked.verdict == "whole" else checked.verdict
        said = "does not stand in the logbook" if entered is None else "was withdrawn"
    elif entered.manifest != logbook.manifest_hash(workspace, checked.sha256):
        if half_done(workspace):  # told with the logbook
            return checked
        verdict = "altered"
        said = f"its manifest is not the one that stands in line {entered.line} of the logbook"
    else:
        return checked
    found = "; ".join(filter(None, (checked.found, said)))
    return Checked(checked.sha256, checked.path, verdict, found)


def _repaired(
    workspace: Workspace, seen: Sequence[_Seen], back: PutBack, scratch: Path
) -> tuple[list[Checked], list[str]]:
    """Put right what can be; return how everything is then, and what is to be told."""
    found: list[Checked] = []
    how = dict(back.how)
    first = back.first
    for each in seen:
        manifest, checked = each.manifest, each.checked
        if manifest is not None and checked.verdict == "damaged":
            checked = _derive(workspace, manifest, checked, scratch)
            if checked.verdict == "rebuilt":
                how[checked.sha256] = "derived again"
                first = manifest.sequence if first is None else min(first, manifest.sequence)
        elif manifest is not None and checked.verdict == "unknown":
            how[checked.sha256] = "found without a line"
            checked = Checked(checked.sha256, checked.path, "entered", checked.found)
        elif manifest is not None and checked.verdict == "whole" and not manifest.files:
            write_manifest(workspace.folder(manifest.sha256), manifest)
            how[checked.sha256] = "sealed"
            checked = Checked(checked.sha256, checked.path, "sealed")
        found.append(checked)
    left = any(each.verdict == "damaged" for each in found)
    if first is not None and not left:
        settled = dict.fromkeys(settle_again(workspace, first - 1, scratch), "settled again")
        # A manifest that somebody altered stays altered in the eyes of the logbook.
        altered = {each.sha256 for each in found if each.verdict == "altered"}
        how = {sha: done for sha, done in (settled | how).items() if sha not in altered}
    told = logbook.enter_files(workspace, "repaired", how)
    if not left:
        clear(workspace)
    return found, told


def _derive(workspace: Workspace, manifest: Manifest, found: Checked, scratch: Path) -> Checked:
    """Derive a file's folder anew beside the old one, and put it in its place by renaming."""
    folder = workspace.folder(manifest.sha256)
    work = scratch / manifest.sha256
    work.mkdir()
    try:
        made, parts = read_again(workspace, manifest, folder / "original" / manifest.name, work)
        (made / "original").mkdir()
        same_bytes(folder / "original" / manifest.name, made / "original" / manifest.name)
        write_manifest(made, manifest.model_copy(update={"parts": parts, "files": {}}))
        settle_files(made)
        set_aside(workspace, folder.name, scratch)
        made.rename(folder)
    except CoverplateError as fault:
        return Checked(found.sha256, found.path, "damaged", f"{found.found}; {fault.found}")
    return Checked(found.sha256, found.path, "rebuilt", found.found)


def same_bytes(source: str | Path, target: str | Path) -> None:
    """The same file under a second name, or a copy where the disk knows no such thing."""
    try:
        os.link(source, target)
    except OSError:
        shutil.copy2(source, target)
