"""Takes files in: every file of a call is kept or, where one is refused, none of them.

Files are read one after the other. Large ones are typed at once, small ones of one layout together
(``alike``); what is new, repeated or replaced is then worked out for all of them in one go, because
each such step costs the same for a hundred rows as for a hundred thousand.
"""

from __future__ import annotations

import datetime as dt
import shutil
import uuid
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import duckdb

from pipeline.landing.alike import land_alike, may_wait
from pipeline.landing.answers import Answers
from pipeline.landing.beside import retired_told, told_beside
from pipeline.landing.connection import open_connection
from pipeline.landing.contradictions import contradictions
from pipeline.landing.identities import spelling_questions, write_buildings
from pipeline.landing.logbook import enter_files
from pipeline.landing.mapping import Mapping
from pipeline.landing.mapping_store import save_mapping
from pipeline.landing.one_file import (
    Call,
    ReadFile,
    keep_original,
    land_file,
    manifest_of,
    mappings_of,
    read_file,
    reports_of,
)
from pipeline.landing.open_question import OpenQuestionError
from pipeline.landing.outcomes import Landing, settle_again, settle_outcomes
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
from pipeline.landing.told_apart import named_as_several, put_together
from pipeline.landing.workspace import Manifest, Part, Workspace, write_manifest
from shared.faults import CoverplateError
from shared.whole_file import settle_files

Progress = Callable[[str, float], None]
"""Called with what is being done and how far the whole call is, 0 to 1."""

MOST_FILES, MOST_LINES = 2_000, 1_000_000
"""Files, and lines of them, that are settled together at most."""


def intake(
    workspace: Workspace,
    paths: Sequence[Path | str],
    *,
    mapping: str | None = None,
    answers: Answers | None = None,
    today: dt.date | None = None,
    as_of: dt.date | None = None,
    full_register: bool = False,
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
        as_of: the day that all of them are as of; read from the files or their names when None.
        full_register: their registers name every building of the portfolio, so that one that is
            missing there is retired (see ``register.retired_sql``).
        progress: called with what is being done and how far it is, 0 to 1.
        say: called with what was put right on the way: after a kill, or in the logbook.

    Returns:
        One report per file, table and record kind, in the order read.

    Raises:
        CoverplateError: files that must be refused, all of them named in one message.
    """
    told: list[str] = []
    with workspace.lock():
        scratch = workspace.scratch / uuid.uuid4().hex
        scratch.mkdir(parents=True)
        done = [0.0]
        call = Call(
            workspace,
            mapping,
            Answers() if answers is None else answers,
            today or dt.date.today(),
            _teller(progress, done),
            as_of,
            full_register,
        )
        taking = _Taking(call, scratch)
        try:
            told += recover(workspace, scratch) + bring_up(workspace)
            taking.begin()
            for number, source in enumerate(find_sources(paths, scratch, told.append)):
                taking.take(source, number)
                done[0] = min((number + 1) / max(len(paths), number + 2), 0.99)
            taking.settle()
            if taking.refused:
                raise _all_refused(list(taking.refused.values()))
            reports = [each for number in sorted(taking.reports) for each in taking.reports[number]]
            if full_register:
                reports = retired_told(taking.connection, workspace, reports)
            # The call counts from here on: one line for all of its files.
            if taking.changed:
                told += enter_files(workspace, "taken in", taking.changed)
        except BaseException as fault:
            recover(workspace, scratch)
            unforeseen = isinstance(fault, Exception) and not isinstance(fault, CoverplateError)
            damaged = damage_refused(workspace) if unforeseen else None
            if damaged is not None:
                raise damaged from fault
            raise
        finally:
            taking.close()
            shutil.rmtree(scratch, ignore_errors=True)
        clear(workspace)
        for made in {m.name: m for m in taking.mappings}.values():
            save_mapping(workspace, made, replace=True)
    if say is not None:
        for line in told:
            say(line)
    if progress is not None:
        progress("done", 1.0)
    return reports


@dataclass
class _Waiting:
    """A file of the call that is read and not settled yet; ``parts`` once it is typed."""

    number: int
    read: ReadFile
    sequence: int
    parts: tuple[Part, ...] | None = None


@dataclass
class _Taking:
    """The course of one call.

    Attributes:
        call: what was asked for.
        scratch: the call's scratch folder.
        reports: by the number of the file in the call.
        refused: why files are refused, by the same.
        mappings: made by a person's answers, to be saved once all is in.
        changed: what was done with which files, by SHA-256.
        manifests: of all that is landed, in landing order.
        waiting: files that are read and not settled.
        hashes_waiting, lines_waiting: their SHA-256 and how many lines they have together.
        last_sequence: the highest of all files, landed or waiting.
        settled: files of the call that are in their place.
    """

    call: Call
    scratch: Path
    reports: dict[int, list[IntakeReport]] = field(default_factory=dict)
    refused: dict[int, CoverplateError] = field(default_factory=dict)
    mappings: list[Mapping] = field(default_factory=list)
    changed: dict[str, str] = field(default_factory=dict)
    manifests: list[Manifest] = field(default_factory=list)
    waiting: list[_Waiting] = field(default_factory=list)
    hashes_waiting: set[str] = field(default_factory=set)
    lines_waiting: int = 0
    last_sequence: int = 0
    settled: list[Landing] = field(default_factory=list)
    con: duckdb.DuckDBPyConnection | None = None

    def begin(self) -> None:
        """Look at what is landed."""
        self.manifests = self.call.workspace.manifests()
        self.last_sequence = max((m.sequence for m in self.manifests), default=0)

    def close(self) -> None:
        """Give the connection back."""
        if self.con is not None:
            self.con.close()
        self.con = None

    @property
    def connection(self) -> duckdb.DuckDBPyConnection:
        """One connection for the whole call."""
        if self.con is None:
            self.con = open_connection(self.scratch)
        return self.con

    def take(self, source: Source, number: int) -> None:
        """Read one file, and type it unless it may wait for others like it."""
        work = self.scratch / f"file-{number}"
        work.mkdir()
        try:
            read = read_file(self.call, self.connection, source, work, self.manifests)
            if isinstance(read, list):
                self.reports[number] = read
                return
            same = read.arrival.sha256 in self.hashes_waiting
            if self.waiting and (read.stands_alone or same):
                # it must see the others landed
                self.settle()
                read = read_file(self.call, self.connection, source, work, self.manifests)
                if isinstance(read, list):
                    self.reports[number] = read
                    return
            waiting = _Waiting(number, read, self._sequence(read))
            if may_wait(read):
                keep_original(read).finish()
            else:
                waiting.parts = land_file(
                    self.call, self.connection, read, waiting.sequence, self.manifests
                )
            self.waiting.append(waiting)
            self.last_sequence = max(self.last_sequence, waiting.sequence)
            self.hashes_waiting.add(read.arrival.sha256)
            self.lines_waiting += read.lines
            full = len(self.waiting) >= MOST_FILES or self.lines_waiting >= MOST_LINES
            if full or read.stands_alone:
                self.settle()
        except CoverplateError as fault:
            self._refuse(number, source, fault)

    def _sequence(self, read: ReadFile) -> int:
        if read.existing is not None:
            return read.existing.sequence
        return self.last_sequence + 1

    def _refuse(self, number: int, source: Source, fault: CoverplateError) -> None:
        if isinstance(fault, OpenQuestionError) and fault.draft:
            self.call.workspace.save_draft(fault.name, fault.draft)
        self.refused.setdefault(number, _named(fault, source))

    def settle(self) -> None:
        """Type what waits, work out what is new, and put everything that was read in its place.

        Where a file of the call is refused, nothing will be kept; what else is wrong is still
        found, so that a person hears of all of it at once.
        """
        waiting, self.waiting = self.waiting, []
        self.hashes_waiting, self.lines_waiting = set(), 0
        untyped = [w for w in waiting if w.parts is None]
        if untyped:
            self.call.tell(f"{len(untyped)} files: typing and checking")
        for index, parts in land_alike(
            self.call, self.connection, [(w.read, w.sequence) for w in untyped], self.manifests
        ):
            one = untyped[index]
            if isinstance(parts, CoverplateError):
                self._refuse(one.number, one.read.source, parts)
            else:
                one.parts = parts
        typed = [w for w in waiting if w.parts is not None]
        if not typed:
            return
        self.call.tell("comparing with what is known")
        landings = []
        for one in typed:
            assert one.parts is not None
            write_buildings(self.connection, one.read.folder, one.parts)
            manifest = manifest_of(self.call, one.read, one.sequence, one.parts)
            landings.append(Landing(manifest, one.read.folder))
        earlier = [m for m in self.manifests if m.sequence < typed[0].sequence]
        asked = spelling_questions(self.connection, self.call.workspace, earlier, landings)
        asked += put_together(self.connection, landings)
        for index, question in [*asked, *named_as_several(self.connection, landings)]:
            self._refuse(typed[index].number, typed[index].read.source, question)
        if self.refused:
            return
        counted = settle_outcomes(self.connection, self.call.workspace, earlier, landings)
        landings = [
            Landing(landing.manifest.model_copy(update={"parts": parts}), landing.folder)
            for landing, parts in zip(landings, counted, strict=True)
        ]
        landings = contradictions(self.connection, landings, self.settled)
        landings = told_beside(self.connection, self.call.workspace, earlier, landings)
        for one, landing in zip(typed, landings, strict=True):
            write_manifest(landing.folder, landing.manifest)
            self.reports[one.number] = reports_of(landing.manifest)
            if self.call.answers:
                self.mappings += mappings_of(one.read)
            self.changed |= _place(self.call.workspace, landing, self.scratch)
            folder = self.call.workspace.folder(landing.manifest.sha256)
            self.settled.append(Landing(landing.manifest, folder))
            shutil.rmtree(one.read.work, ignore_errors=True)
        self.begin()


def _teller(progress: Progress | None, done: list[float]) -> Callable[[str], None]:
    return lambda what: progress(what, done[0]) if progress is not None else None


def _place(workspace: Workspace, landing: Landing, scratch: Path) -> dict[str, str]:
    """Put a prepared folder in its place; return what was done with which files, by SHA-256."""
    target = workspace.folder(landing.manifest.sha256)
    settle_files(landing.folder)  # on the disk before it counts as landed
    mark_pending(workspace, target.name)
    replaces = target.exists()
    if replaces:
        set_aside(workspace, target.name, scratch)
    landing.folder.rename(target)
    if not replaces:
        return {target.name: "landed"}
    settled = settle_again(workspace, landing.manifest.sequence, scratch)
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
