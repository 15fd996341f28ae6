"""Takes files in: every file of a call is kept or, where one is refused, none of them."""

from __future__ import annotations

import datetime as dt
import shutil
import uuid
from collections.abc import Callable, Sequence
from pathlib import Path

from pipeline.landing.answers import Answers
from pipeline.landing.logbook import enter_files
from pipeline.landing.mapping_store import save_mapping
from pipeline.landing.one_file import Call, Prepared, prepare
from pipeline.landing.open_question import OpenQuestionError
from pipeline.landing.outcomes import settle_again
from pipeline.landing.recovery import (
    bring_up,
    clear,
    damage_refused,
    mark_pending,
    recover,
    set_aside,
)
from pipeline.landing.report import IntakeReport
from pipeline.landing.sources import Source, find_sources
from pipeline.landing.workspace import Workspace
from shared.faults import CoverplateError
from shared.whole_file import settle_files

Progress = Callable[[str, float], None]
"""Called with what is being done and how far the whole call is, 0 to 1."""


def intake(
    workspace: Workspace,
    paths: Sequence[Path | str],
    *,
    mapping: str | None = None,
    answers: Answers | None = None,
    today: dt.date | None = None,
    progress: Progress | None = None,
    say: Callable[[str], None] | None = None,
) -> list[IntakeReport]:
    """Take files in and say what became of every row.

    The workspace is made where it is missing. Either every file is taken in or, where one is
    refused, none of this call: nothing is left half done. A file that landed before and would be
    read the same way is left as it is; read another way (its mapping was edited) it is read anew in
    its old place.

    Args:
        workspace: where to keep them.
        paths: files, folders and ZIPs.
        mapping: name of a mapping to read all of them with; chosen by itself when None.
        answers: what a person settled where files can be read more than one way; they are saved as
            a mapping of the file's name, so that the next file of its kind is read unasked.
        today: the day against which "not in the future" is judged; today by default.
        progress: called with what is being done and how far it is, 0 to 1.
        say: called with what was put right on the way: after a kill, or in the logbook.

    Returns:
        One report per file, table and record kind, in the order read.

    Raises:
        CoverplateError: files that must be refused, all of them named in one message.
    """
    reports: list[IntakeReport] = []
    refused: list[CoverplateError] = []
    with workspace.lock():
        scratch = workspace.scratch / uuid.uuid4().hex
        scratch.mkdir(parents=True)
        placed: list[Prepared] = []
        changed: dict[str, str] = {}
        try:
            told = recover(workspace, scratch) + bring_up(workspace)
            done = [0.0]
            tell = _teller(progress, done)
            for number, source in enumerate(find_sources(paths, scratch)):
                work = scratch / f"file-{number}"
                work.mkdir()
                try:
                    ready = prepare(
                        Call(
                            workspace,
                            mapping,
                            answers or Answers(),
                            today or dt.date.today(),
                            tell,
                        ),
                        source,
                        work,
                    )
                    reports += ready.reports
                    if ready.manifest is not None:
                        placed.append(ready)
                        changed |= _place(workspace, ready, scratch)
                except OpenQuestionError as question:
                    if question.draft:
                        workspace.save_draft(question.name, question.draft)
                    refused.append(_named(question, source))
                except CoverplateError as fault:
                    refused.append(_named(fault, source))
                finally:
                    shutil.rmtree(work, ignore_errors=True)
                done[0] = min((number + 1) / max(len(paths), number + 2), 0.99)
            if refused:
                raise _all_refused(refused)
            # The call counts from here on: one line for all of its files.
            if changed:
                told += enter_files(workspace, "taken in", changed)
        except BaseException as fault:
            recover(workspace, scratch)
            unforeseen = isinstance(fault, Exception) and not isinstance(fault, CoverplateError)
            damaged = damage_refused(workspace) if unforeseen else None
            if damaged is not None:
                raise damaged from fault
            raise
        finally:
            shutil.rmtree(scratch, ignore_errors=True)
        clear(workspace)
        for made in {m.name: m for ready in placed for m in ready.mappings}.values():
            save_mapping(workspace, made, replace=True)
    if say is not None:
        for line in told:
            say(line)
    if progress is not None:
        progress("done", 1.0)
    return reports


def _teller(progress: Progress | None, done: list[float]) -> Callable[[str], None]:
    return lambda what: progress(what, done[0]) if progress is not None else None


def _place(workspace: Workspace, ready: Prepared, scratch: Path) -> dict[str, str]:
    """Put a prepared folder in its place; return what was done with which files, by SHA-256."""
    assert ready.manifest is not None
    target = workspace.folder(ready.manifest.sha256)
    settle_files(ready.folder)  # on the disk before it counts as landed
    mark_pending(workspace, target.name)
    if ready.replaces:
        set_aside(workspace, target.name, scratch)
    ready.folder.rename(target)
    if not ready.replaces:
        return {target.name: "landed"}
    settled = settle_again(workspace, ready.manifest.sequence, scratch)
    return dict.fromkeys(settled, "settled again") | {target.name: "read again"}


def _named(fault: CoverplateError, source: Source) -> CoverplateError:
    if source.label in fault.found:
        return fault
    return CoverplateError(
        f"{source.label}: {fault.found}", expected=fault.expected, to_do=fault.to_do
    )


def _all_refused(refused: list[CoverplateError]) -> CoverplateError:
    if len(refused) == 1:
        return refused[0]
    return CoverplateError(
        "\n".join([f"{len(refused)} files are refused; nothing was taken in", *map(str, refused)]),
        to_do="put these right, or leave them out, and call again",
    )
