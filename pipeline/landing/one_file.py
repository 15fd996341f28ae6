"""Takes one file in: measure, read, choose a mapping, type and judge, reconcile, keep."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import duckdb

from pipeline.landing.answers import Answers
from pipeline.landing.arrival import Arrival, Keeping, receive
from pipeline.landing.certificate import Stretch
from pipeline.landing.choose import Choice, choose, speaks_of_receptacles
from pipeline.landing.conform import Habits
from pipeline.landing.connection import open_connection
from pipeline.landing.contradictions import contradictions
from pipeline.landing.corrections import correction_tables
from pipeline.landing.dividing import Division
from pipeline.landing.identities import ask_about_spellings, write_buildings
from pipeline.landing.land import QuickReadingError, Task, land_part
from pipeline.landing.mapping import DEFAULT_LAYOUT, Mapping, RecordMapping
from pipeline.landing.outcomes import settle_outcomes
from pipeline.landing.quarantine import is_correction
from pipeline.landing.raw import RawTable
from pipeline.landing.register import source_of
from pipeline.landing.report import Finding, IntakeReport
from pipeline.landing.sources import Source
from pipeline.landing.tables import read_tables
from pipeline.landing.workspace import (
    PARTS_PER_FILE,
    Corrects,
    Manifest,
    Part,
    Workspace,
    write_manifest,
)
from shared.faults import CoverplateError


@dataclass(frozen=True)
class Call:
    """What the caller of an intake asked for, for all its files.

    Attributes:
        workspace: where to keep them.
        mapping: name of a mapping for all of them, or None.
        answers: what a person has settled about them.
        today: the day against which "not in the future" is judged.
        tell: called with what is being done.
    """

    workspace: Workspace
    mapping: str | None
    answers: Answers
    today: dt.date
    tell: Callable[[str], None]


@dataclass(frozen=True)
class Prepared:
    """A file that is ready to be put in its place.

    Attributes:
        manifest: what was read from it; None where nothing is to be kept.
        folder: the complete folder, in scratch.
        replaces: whether an earlier reading of the same bytes is there.
        reports: for the caller.
        mappings: made by a person's answers, to be saved once the file is in.
    """

    manifest: Manifest | None
    folder: Path
    replaces: bool
    reports: list[IntakeReport]
    mappings: tuple[Mapping, ...] = ()


@dataclass(frozen=True)
class _Reading:
    """One table to be landed as one record kind."""

    table: RawTable
    choice: Choice
    record: RecordMapping
    source: str
    habits: Habits | None = None
    corrects: Corrects | None = None

    @property
    def identity(self) -> tuple[object, ...]:
        """What must be the same for a file to count as landed already."""
        return (self.table.sheet, self.record.kind, self.choice.mapping.content_hash())


@dataclass
class _Tables:
    """The tables of a file as they will be read, and the names of those that nobody can read."""

    readings: list[_Reading] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    left_out: set[str] = field(default_factory=set)


def prepare(call: Call, source: Source, work: Path) -> Prepared:
    """Read and judge one file into a folder of its own; the workspace is not touched.

    Args:
        call: what the caller asked for.
        source: the file.
        work: an empty scratch folder.

    Raises:
        CoverplateError: the file must be refused.
    """
    folder = work / "folder"
    (folder / "original").mkdir(parents=True)
    call.tell(f"{source.name}: reading")
    arrival = receive(source.path, source.name, work, call.answers.encoding)
    con = open_connection(work)
    try:
        division = read_tables(arrival, con, work, call.workspace)
        manifests = call.workspace.manifests()
        existing = next((m for m in manifests if m.sha256 == arrival.sha256), None)
        if not division.tables:
            return Prepared(None, folder, False, [_no_table(source, arrival, division)])
        if any(is_correction(table.header) for table in division.tables):
            division = division.exact()
        found = _readings(con, call, division, source, manifests)
        if existing is not None and _read_alike(existing, found.readings):
            return Prepared(None, folder, False, _again(existing, source))
        sequence = max((m.sequence for m in manifests), default=0) + 1
        if existing is not None:
            sequence = existing.sequence
        keeping = Keeping(arrival, folder / "original" / source.name)
        try:
            try:
                parts = _land_parts(con, call, found.readings, sequence, folder)
            except QuickReadingError:
                call.tell(f"{source.name}: reading line by line")
                division = division.exact()
                found = _readings(con, call, division, source, manifests)
                parts = _land_parts(con, call, found.readings, sequence, folder)
            call.tell(f"{source.name}: comparing with what is known")
            earlier = [m for m in manifests if m.sequence < sequence]
            write_buildings(con, folder, parts)
            ask_about_spellings(con, call.workspace, earlier, folder, parts)
            parts = settle_outcomes(con, call.workspace, earlier, folder, parts)
            parts = contradictions(con, folder, parts)
        finally:
            keeping.finish()
    finally:
        con.close()
    manifest = Manifest(
        sequence=sequence,
        path=source.label,
        name=source.name,
        sha256=arrival.sha256,
        size=arrival.size,
        encoding=arrival.encoding,
        parts=parts,
        findings=tuple(found.findings),
        certificate=tuple(_certificate(division, found.left_out)),
    )
    write_manifest(folder, manifest)
    reports = [_report(manifest, part) for part in parts]
    made = {r.choice.mapping.name: r.choice.mapping for r in found.readings if not r.corrects}
    return Prepared(
        manifest,
        folder,
        existing is not None,
        reports,
        tuple(made.values()) if call.answers else (),
    )


def read_again(
    workspace: Workspace, manifest: Manifest, original: Path, work: Path
) -> tuple[Path, tuple[Part, ...]]:
    """Derive the parts of a landed file from its kept original, read the way it was read.

    Args:
        workspace: where it landed.
        manifest: what was read from it.
        original: its bytes.
        work: an empty scratch folder.

    Returns:
        A folder within ``work`` that holds the derived files and nothing else, and the parts;
        outcomes are to be settled again by the caller.

    Raises:
        CoverplateError: the reading of today does not find the tables that were found then.
    """
    folder = work / "derived"
    folder.mkdir()
    known = manifest.encoding if not manifest.encoding.startswith("utf") else None
    arrival = receive(original, manifest.name, work, known or None)
    con = open_connection(work)
    try:
        division = read_tables(arrival, con, work, workspace).exact()
        tables = {table.sheet: table for table in division.tables}
        corrections = {
            (c.corrects.sha256, c.corrects.sheet): c.table
            for table in division.tables
            if is_correction(table.header)
            for c in correction_tables(con, table, workspace.manifests())
        }
        made = []
        for part in manifest.parts:
            found = tables.get(part.sheet)
            if part.corrects is not None:
                found = corrections.get((part.corrects.sha256, part.corrects.sheet))
            if found is None or (
                not part.corrects and found.header[: len(part.header)] != part.header
            ):
                raise CoverplateError(
                    f"{manifest.name}: today's reading finds other tables than were found when it "
                    "landed",
                    to_do="move its folder out of the workspace and take its original in again",
                )
            task = Task(
                table=found,
                choice=Choice(part.reading, part.mapping, part.mapping_confidence),
                record=next(r for r in part.reading.records if r.kind is part.record_kind),
                number=part.part,
                source=part.source,
                folder=folder,
                today=dt.date.today(),
                habits=Habits(part.date_orders, part.decimal_marks),
                corrects=part.corrects,
            )
            made.append(land_part(con, task))
        write_buildings(con, folder, made)
    finally:
        con.close()
    return folder, tuple(made)


def _readings(
    con: duckdb.DuckDBPyConnection,
    call: Call,
    division: Division,
    source: Source,
    manifests: list[Manifest],
) -> _Tables:
    """Decide how each table is read.

    A table is left out, and said to be, only where another one of the file can be read and nothing
    in it is known; one that speaks of receptacles is never left behind.
    """
    found = _Tables()
    refused: list[tuple[RawTable, CoverplateError]] = []
    for table in division.tables:
        if is_correction(table.header):
            for correction in correction_tables(con, table, manifests):
                found.readings += [
                    _Reading(correction.table, choice, record, said_by, habits, correction.corrects)
                    for choice, record, habits, said_by in correction.readings()
                ]
            continue
        try:
            choice = choose(call.workspace, con, table, call.mapping, source.label, call.answers)
        except CoverplateError as fault:
            refused.append((table, fault))
            continue
        default = choice.label == DEFAULT_LAYOUT
        said_by = source_of(source.name) if default else choice.mapping.source_name
        found.readings += [
            _Reading(table, choice, record, said_by) for record in choice.mapping.records
        ]
    for table, refusal in refused:
        if not found.readings or speaks_of_receptacles(call.workspace, table):
            raise refusal
        found.left_out.add(table.sheet)
        message = f"{table.sheet} was left out: {', '.join(table.header)}"
        found.findings.append(Finding(kind="table_left_out", message=message))
    return found


def _certificate(division: Division, unread: set[str]) -> list[Stretch]:
    """What became of every row, tables that were left out among them."""
    return [
        stretch.model_copy(update={"role": "left out"})
        if {stretch.table, stretch.sheet} & unread and stretch.role == "rows"
        else stretch
        for stretch in division.stretches
    ]


def _read_alike(existing: Manifest, readings: Sequence[_Reading]) -> bool:
    """Say whether a landed file would be read the same way again."""
    landed = [(part.sheet, part.record_kind, part.mapping_hash) for part in existing.parts]
    return landed == [reading.identity for reading in readings]


def _land_parts(
    con: duckdb.DuckDBPyConnection,
    call: Call,
    readings: Sequence[_Reading],
    sequence: int,
    folder: Path,
) -> tuple[Part, ...]:
    if len(readings) > PARTS_PER_FILE:
        raise CoverplateError(
            f"{len(readings)} tables in one file",
            expected=f"at most {PARTS_PER_FILE}",
            to_do="split the file",
        )
    parts: list[Part] = []
    for number, reading in enumerate(readings):
        call.tell(f"{reading.record.kind.replace('_', ' ')}: typing and checking")
        task = Task(
            table=reading.table,
            choice=reading.choice,
            record=reading.record,
            number=sequence * PARTS_PER_FILE + number,
            source=reading.source,
            folder=folder,
            today=call.today,
            habits=reading.habits,
            corrects=reading.corrects,
            order_said=call.answers.date_order is not None or call.mapping is not None,
        )
        parts.append(land_part(con, task))
    return tuple(parts)


def _no_table(source: Source, arrival: Arrival, division: Division) -> IntakeReport:
    finding = Finding(kind="not_a_table", message="the file holds no table and was left out")
    return IntakeReport(
        path=source.label,
        sha256=arrival.sha256,
        record_kind=None,
        mapping="",
        mapping_confidence=0.0,
        rows_read=0,
        accepted=0,
        duplicate=0,
        superseded=0,
        quarantined=0,
        findings=(finding,),
        certificate=tuple(division.stretches),
    )


def _again(existing: Manifest, source: Source) -> list[IntakeReport]:
    return [
        _report(existing, part).model_copy(update={"path": source.label, "already_landed": True})
        for part in existing.parts
    ]


def _report(manifest: Manifest, part: Part) -> IntakeReport:
    return IntakeReport(
        path=manifest.path,
        sheet=part.sheet,
        sha256=manifest.sha256,
        record_kind=part.record_kind,
        mapping=part.mapping,
        mapping_confidence=part.mapping_confidence,
        rows_read=part.rows_read,
        accepted=part.accepted,
        duplicate=part.duplicate,
        superseded=part.superseded,
        quarantined=part.quarantined,
        blanked=part.blanked,
        findings=(*part.findings, *manifest.findings),
        certificate=manifest.certificate,
    )
