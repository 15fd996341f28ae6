"""What becomes of one file: measure, read, choose a mapping, type and judge, describe."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

import duckdb

from pipeline.landing.answers import Answers
from pipeline.landing.arrival import Arrival, Keeping, receive
from pipeline.landing.as_of import newest_day, read_as_of
from pipeline.landing.certificate import Stretch
from pipeline.landing.choose import (
    Choice,
    choose,
    danger_ignored,
    known_header,
    speaks_of_receptacles,
)
from pipeline.landing.conform import Habits, make_plan
from pipeline.landing.connection import open_connection
from pipeline.landing.corrections import correction_tables
from pipeline.landing.dividing import Division
from pipeline.landing.encodings import ASSUMED, ask_encoding, rival_word
from pipeline.landing.identities import write_buildings
from pipeline.landing.land import QuickReadingError, Task, land_part
from pipeline.landing.mapping import DEFAULT_LAYOUT, Mapping, RecordMapping
from pipeline.landing.quarantine import is_correction
from pipeline.landing.raw import RawTable
from pipeline.landing.register import source_of
from pipeline.landing.report import Finding, IntakeReport
from pipeline.landing.sources import Source
from pipeline.landing.tables import read_tables
from pipeline.landing.wide import RowNumbersNeededError, turned
from pipeline.landing.workspace import (
    PARTS_PER_FILE,
    Corrects,
    Manifest,
    Part,
    Workspace,
)
from shared.faults import CoverplateError
from shared.vocabulary import RecordKind


@dataclass(frozen=True)
class Call:
    """What the caller of an intake asked for, for all its files.

    Attributes:
        workspace: where to keep them.
        mapping: name of a mapping for all of them, or None.
        answers: what a person has settled about them.
        today: the day against which "not in the future" is judged.
        tell: called with what is being done.
        as_of: the day that all of them are as of, where a person said so.
        full_register: whether their registers name every building of the portfolio.
    """

    workspace: Workspace
    mapping: str | None
    answers: Answers
    today: dt.date
    tell: Callable[[str], None]
    as_of: dt.date | None = None
    full_register: bool = False


@dataclass(frozen=True)
class Reading:
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

    readings: list[Reading] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    left_out: set[str] = field(default_factory=set)


@dataclass
class ReadFile:
    """A file that was read and is to be landed.

    Attributes:
        source: the file.
        arrival: its measures.
        division: its tables.
        found: how each is read.
        work: scratch folder of its own.
        existing: what was read from the same bytes earlier, or None.
    """

    source: Source
    arrival: Arrival
    division: Division
    found: _Tables
    work: Path
    existing: Manifest | None

    @property
    def folder(self) -> Path:
        """Where its landed files are made; renamed into place when all is well."""
        return self.work / "folder"

    @property
    def readings(self) -> list[Reading]:
        """Tables and record kinds to be landed."""
        return self.found.readings

    @property
    def stands_alone(self) -> bool:
        """Whether it must see the files before it landed: corrections, and readings anew."""
        return self.existing is not None or any(r.corrects for r in self.readings)

    @cached_property
    def lines(self) -> int:
        """About how long it is; rows of a spreadsheet are counted by its certificate."""
        return max(self.arrival.lines, sum(stretch.rows for stretch in self.division.stretches))


def read_file(
    call: Call,
    con: duckdb.DuckDBPyConnection,
    source: Source,
    work: Path,
    manifests: list[Manifest],
) -> ReadFile | list[IntakeReport]:
    """Read one file and decide how each table of it is read; the workspace is not touched.

    Args:
        call: what the caller asked for.
        con: any connection.
        source: the file.
        work: an empty scratch folder.
        manifests: of all landed files.

    Returns:
        The file, or reports where nothing of it is to be kept: no table, or landed before.

    Raises:
        CoverplateError: the file must be refused.
    """
    call.tell(f"{source.name}: reading")
    arrival = receive(source.path, source.name, work, call.answers.encoding)
    division = read_tables(arrival, con, work, known_header(call.workspace))
    existing = next((m for m in manifests if m.sha256 == arrival.sha256), None)
    if not division.tables:
        return [_no_table(source, arrival, division)]
    if any(is_correction(table.header) for table in division.tables):
        division = division.exact()
    try:
        found = _readings(con, call, division, source, manifests)
    except RowNumbersNeededError:
        division = division.exact()
        found = _readings(con, call, division, source, manifests)
    alike = existing is not None and _read_alike(existing, found.readings)
    if existing is not None and alike and not _said_otherwise(call, existing):
        return _again(existing, source)
    if arrival.encoding == ASSUMED and not call.answers.encoding:
        _ask_code_page(con, arrival, found.readings)
    return ReadFile(source, arrival, division, found, work, existing)


def _ask_code_page(
    con: duckdb.DuckDBPyConnection, arrival: Arrival, readings: Sequence[Reading]
) -> None:
    """Stop where the identifiers of a text could be letters of another code page.

    Raises:
        OpenQuestionError: so it is.
    """
    names: set[str] = set()
    for reading in readings:
        plan = make_plan(reading.table, reading.choice.mapping, reading.record, dt.date.today())
        for place in {n for o in plan.origins if o.field.type == "identifier" for n in o.used}:
            rows = con.execute(
                f"SELECT DISTINCT c{place} FROM {reading.table.relation} "
                f"WHERE strlen(c{place}) <> length(c{place})"
            ).fetchall()
            names |= {name for (name,) in rows}
    if word := rival_word(sorted(names)):
        why = "names a place in letters that stand for others in another code page"
        raise ask_encoding(arrival.name, arrival.original, [word], why)


def land_file(
    call: Call,
    con: duckdb.DuckDBPyConnection,
    read: ReadFile,
    sequence: int,
    manifests: list[Manifest],
) -> tuple[Part, ...]:
    """Type and judge the tables of one file into its folder.

    Raises:
        CoverplateError: the file must be refused.
    """
    keeping = None if kept_original(read) else keep_original(read)
    try:
        try:
            return _land_parts(call, con, read, sequence)
        except QuickReadingError:
            call.tell(f"{read.source.name}: reading line by line")
            read.division = read.division.exact()
            read.found = _readings(con, call, read.division, read.source, manifests)
            return _land_parts(call, con, read, sequence)
    finally:
        if keeping is not None:
            keeping.finish()


def keep_original(read: ReadFile) -> Keeping:
    """Begin to copy the original into the folder."""
    target = _original(read)
    target.parent.mkdir(parents=True)
    return Keeping(read.arrival, target)


def kept_original(read: ReadFile) -> bool:
    """Whether the original was copied, so that it need no longer be there."""
    return _original(read).is_file()


def _original(read: ReadFile) -> Path:
    return read.folder / "original" / read.source.name


def manifest_of(call: Call, read: ReadFile, sequence: int, parts: tuple[Part, ...]) -> Manifest:
    """What is kept about a file, its parts not counted yet."""
    stretches = tuple(_certificate(read.division, read.found.left_out))
    newest = newest_day(read.folder, parts)
    told = read_as_of(read.source.name, stretches, call.today, newest)
    before = read.existing
    day = call.as_of or (before.as_of if before else None) or (told[0] if told else None)
    full = call.full_register or (before is not None and before.full_register)
    return Manifest(
        sequence=sequence,
        path=read.source.label,
        name=read.source.name,
        sha256=read.arrival.sha256,
        size=read.arrival.size,
        encoding=read.arrival.encoding,
        parts=parts,
        findings=tuple(read.found.findings),
        certificate=stretches,
        as_of=day,
        full_register=full and _registers(parts),
    )


def reports_of(manifest: Manifest) -> list[IntakeReport]:
    """The reports of a file, one a part."""
    return [_report(manifest, part) for part in manifest.parts]


def _unread(manifest: Manifest, part: Part) -> list[Finding]:
    """The columns of a part's table that no part of the file reads."""
    beside = [set(p.unmapped) for p in manifest.parts if p.sheet == part.sheet and not p.corrects]
    names = [name for name in part.unmapped if all(name in other for other in beside)]
    if not names or part.corrects:
        return []
    told = ", ".join(map(repr, names))
    message = f"columns that nothing is read from (kept in the original): {told}"
    return [Finding(kind="unread_columns", message=message, count=len(names))]


def mappings_of(read: ReadFile) -> list[Mapping]:
    """Mappings that the answers of a person made for this file."""
    return [reading.choice.mapping for reading in read.readings if not reading.corrects]


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
    arrival = receive(original, manifest.name, work, manifest.encoding or None)
    con = open_connection(work)
    try:
        division = read_tables(arrival, con, work, known_header(workspace)).exact()
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
            if found is not None and part.corrects is None:
                found = turned(con, found, part.reading)
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
                    Reading(correction.table, choice, record, said_by, habits, correction.corrects)
                    for choice, record, habits, said_by in correction.readings()
                ]
            continue
        try:
            choice = choose(call.workspace, con, table, call.mapping, source.label, call.answers)
        except CoverplateError as fault:
            refused.append((table, fault))
            continue
        told = danger_ignored(con, table, choice.mapping, call.answers)
        table = turned(con, replace(table, findings=(*table.findings, *told)), choice.mapping)
        default = choice.label == DEFAULT_LAYOUT
        said_by = source_of(source.name) if default else choice.mapping.source_name
        found.readings += [
            Reading(table, choice, record, said_by) for record in choice.mapping.records
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


def _read_alike(existing: Manifest, readings: Sequence[Reading]) -> bool:
    """Say whether a landed file would be read the same way again."""
    landed = [(part.sheet, part.record_kind, part.mapping_hash) for part in existing.parts]
    return landed == [reading.identity for reading in readings]


def tasks_of(call: Call, read: ReadFile, sequence: int) -> list[Task]:
    """What is to be typed of a file, one task a part.

    Raises:
        CoverplateError: it holds too many tables.
    """
    if len(read.readings) > PARTS_PER_FILE:
        raise CoverplateError(
            f"{len(read.readings)} tables in one file",
            expected=f"at most {PARTS_PER_FILE}",
            to_do="split the file",
        )
    return [
        Task(
            table=reading.table,
            choice=reading.choice,
            record=reading.record,
            number=sequence * PARTS_PER_FILE + number,
            source=reading.source,
            folder=read.folder,
            today=call.today,
            habits=reading.habits,
            corrects=reading.corrects,
            order_said=call.answers.date_order is not None or call.mapping is not None,
        )
        for number, reading in enumerate(read.readings)
    ]


def _said_otherwise(call: Call, existing: Manifest) -> bool:
    """Say whether a person says of a landed file what was not known of it."""
    day = call.as_of is not None and call.as_of != existing.as_of
    return day or (call.full_register and not existing.full_register and _registers(existing.parts))


def _registers(parts: Sequence[Part]) -> bool:
    return any(part.record_kind is RecordKind.BUILDING_REGISTER for part in parts)


def _land_parts(
    call: Call, con: duckdb.DuckDBPyConnection, read: ReadFile, sequence: int
) -> tuple[Part, ...]:
    parts = []
    for task in tasks_of(call, read, sequence):
        call.tell(f"{task.record.kind.replace('_', ' ')}: typing and checking")
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
    update: dict[str, object] = {"path": source.label, "already_landed": True}
    reports = [_report(existing, part) for part in existing.parts]
    if source.name == existing.name:
        return [report.model_copy(update=update) for report in reports]
    same = Finding(
        kind="landed_by_another_name",
        message=f"holds the very bytes of {existing.name}, which landed before, and was left out; "
        "where it is of other openings, say so within it (in a column of dwellings, for example)",
    )
    return [
        report.model_copy(update={**update, "findings": (*report.findings, same)})
        for report in reports
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
        findings=(*part.findings, *_unread(manifest, part), *manifest.findings),
        certificate=manifest.certificate,
        as_of=manifest.as_of,
    )
