"""Takes files in: copy, read, choose a mapping, type and judge, reconcile, and keep, whole or not at all."""

from __future__ import annotations

import datetime as dt
import shutil
import uuid
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import duckdb

from pipeline.landing.arrival import Arrival, Keeping, receive
from pipeline.landing.choose import Choice, choose, known_header
from pipeline.landing.conform import Habits
from pipeline.landing.corrections import correction_tables
from pipeline.landing.current import all_valid_sql, in_force_sql, outcomes_sql, parts_of
from pipeline.landing.land import land_part
from pipeline.landing.mapping import DEFAULT_LAYOUT
from pipeline.landing.quarantine import is_correction
from pipeline.landing.raw import RawTable
from pipeline.landing.readers.delimited import read_delimited
from pipeline.landing.readers.json_text import read_json, read_json_lines
from pipeline.landing.readers.parquet import read_parquet
from pipeline.landing.readers.spreadsheet import read_spreadsheet
from pipeline.landing.reconcile import reconcile, start_outcomes
from pipeline.landing.register import source_of
from pipeline.landing.report import Finding, IntakeReport
from pipeline.landing.sources import Source, find_sources
from pipeline.landing.workspace import Corrects, Manifest, Part, Workspace, write_manifest
from shared.faults import CoverplateError
from shared.records import LAYOUTS, literal
from shared.vocabulary import RecordKind

Progress = Callable[[str, float], None]
"""Called with what is being done and how far it is, 0 to 1."""

MEMORY_LIMIT = "2GB"
"""DuckDB's own limit; Python, Arrow and file buffers come on top."""


@dataclass(frozen=True)
class _Reading:
    """One table to be landed as one record kind."""

    table: RawTable
    choice: Choice
    record_index: int
    source: str
    habits: Habits | None = None
    corrects: Corrects | None = None


def intake(
    workspace: Workspace,
    paths: Sequence[Path | str],
    *,
    mapping: str | None = None,
    today: dt.date | None = None,
    progress: Progress | None = None,
) -> list[IntakeReport]:
    """Take files in and say what became of every row.

    The workspace is made where it is missing. Either every file is taken in or, where one is
    refused, none of this call: nothing is left half done.

    Args:
        workspace: where to keep them.
        paths: files, folders and ZIPs.
        mapping: name of a mapping to read all of them with; chosen by itself when None.
        today: the day against which "not in the future" is judged; today by default.
        progress: called with what is being done and how far it is, 0 to 1.

    Returns:
        One report per file, table and record kind, in the order read.

    Raises:
        CoverplateError: files that must be refused, all of them named in one message.
    """
    tell = progress or (lambda _what, _done: None)
    day = today or dt.date.today()
    with workspace.lock():
        scratch = workspace.scratch / uuid.uuid4().hex
        scratch.mkdir(parents=True)
        landed: list[Path] = []
        reports: list[IntakeReport] = []
        refused: list[CoverplateError] = []
        try:
            known = list(find_sources(paths, scratch)) if _all_plain(paths) else None
            sources: Iterable[Source] = known or find_sources(paths, scratch)
            for number, source in enumerate(sources):
                tell(source.label, number / len(known) if known else 0.0)
                work = scratch / f"file-{number}"
                work.mkdir()
                try:
                    reports += _take_in(workspace, source, work, mapping, day, landed)
                except CoverplateError as fault:
                    refused.append(_named(fault, source))
                finally:
                    shutil.rmtree(work, ignore_errors=True)
            if refused:
                raise _all_refused(refused)
        except BaseException:
            for folder in landed:
                shutil.rmtree(folder, ignore_errors=True)
            raise
        finally:
            shutil.rmtree(scratch, ignore_errors=True)
    tell("done", 1.0)
    return reports


def _all_plain(paths: Sequence[Path | str]) -> bool:
    return all(Path(path).is_file() and Path(path).suffix.lower() != ".zip" for path in paths)


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


def open_connection(scratch: Path) -> duckdb.DuckDBPyConnection:
    """Open an in-memory DuckDB that spills into ``scratch`` and never reaches the internet."""
    con = duckdb.connect()
    con.execute("SET autoinstall_known_extensions = false")
    con.execute("SET autoload_known_extensions = false")
    con.execute(f"SET memory_limit = '{MEMORY_LIMIT}'")
    con.execute(f"SET temp_directory = {literal(str(scratch / 'spill'))}")
    con.execute("SET preserve_insertion_order = true")
    return con


def _take_in(
    workspace: Workspace,
    source: Source,
    work: Path,
    mapping: str | None,
    today: dt.date,
    landed: list[Path],
) -> list[IntakeReport]:
    folder = work / "folder"
    (folder / "original").mkdir(parents=True)
    arrival = receive(source.path, source.name, work)
    con = open_connection(work)
    try:
        tables = read_tables(arrival, con, work, workspace)
        manifests = workspace.manifests()
        existing = next((m for m in manifests if m.sha256 == arrival.sha256), None)
        if not tables:
            return [_no_table(source, arrival)]
        readings = _readings(con, workspace, tables, mapping, source, manifests)
        if existing is not None:
            return _again(existing, readings, source)
        keeping = Keeping(arrival, folder / "original" / source.name)
        try:
            manifest = _land(con, workspace, readings, manifests, arrival, source, folder, today)
        finally:
            keeping.finish()
        target = workspace.folder(arrival.sha256)
        folder.rename(target)
        landed.append(target)
        return [_report(manifest, part) for part in manifest.parts]
    finally:
        con.close()


def read_tables(
    arrival: Arrival, con: duckdb.DuckDBPyConnection, work: Path, workspace: Workspace
) -> list[RawTable]:
    """Read the tables of a received file as text, judging nothing."""
    if arrival.format == "delimited":
        return read_delimited(arrival, work, known_header(workspace))
    if arrival.format == "spreadsheet":
        return read_spreadsheet(arrival, work, known_header(workspace))
    if arrival.format == "json":
        return read_json(arrival, work)
    if arrival.format == "json_lines":
        return read_json_lines(arrival, work)
    if arrival.format == "parquet":
        return read_parquet(arrival, con)
    return []


def _readings(
    con: duckdb.DuckDBPyConnection,
    workspace: Workspace,
    tables: list[RawTable],
    mapping: str | None,
    source: Source,
    manifests: list[Manifest],
) -> list[_Reading]:
    readings: list[_Reading] = []
    refused: list[CoverplateError] = []
    for table in tables:
        if is_correction(table.header):
            for correction in correction_tables(con, table, manifests):
                for choice, record, habits, said_by in correction.readings():
                    index = choice.mapping.records.index(record)
                    readings.append(
                        _Reading(
                            correction.table, choice, index, said_by, habits, correction.corrects
                        )
                    )
            continue
        try:
            choice = choose(workspace, table, mapping, source.label)
        except CoverplateError as fault:
            refused.append(fault)
            continue
        default = choice.label == DEFAULT_LAYOUT
        said_by = source_of(source.name) if default else choice.mapping.source_name
        readings += [
            _Reading(table, choice, index, said_by) for index in range(len(choice.mapping.records))
        ]
    if refused and not readings:
        raise refused[0]
    return readings


def _land(
    con: duckdb.DuckDBPyConnection,
    workspace: Workspace,
    readings: list[_Reading],
    manifests: list[Manifest],
    arrival: Arrival,
    source: Source,
    folder: Path,
    today: dt.date,
) -> Manifest:
    from pipeline.landing.current import OUTCOME_COLUMNS, valid_rows_sql
    from pipeline.landing.land import CODEC, Task, with_counts
    from pipeline.landing.workspace import PARTS_PER_FILE

    sequence = max((m.sequence for m in manifests), default=0) + 1
    parts: list[Part] = []
    exact: dict[int, RawTable] = {}
    start_outcomes(con)
    for number, reading in enumerate(readings):
        table = exact.get(id(reading.table), reading.table)
        task = Task(
            table=table,
            choice=reading.choice,
            record=reading.choice.mapping.records[reading.record_index],
            number=sequence * PARTS_PER_FILE + number,
            source=reading.source,
            folder=folder,
            today=today,
            habits=reading.habits,
            corrects=reading.corrects,
        )
        part, exact[id(reading.table)] = land_part(con, task)
        kind: RecordKind = part.record_kind
        before = parts_of(manifests, kind)
        own = [p for p in parts if p.record_kind is kind]
        known = None
        if before or own:
            selects = [all_valid_sql(workspace, before, kind)]
            selects += [valid_rows_sql(folder, p) for p in own]
            outcomes = f"{outcomes_sql(workspace, manifests)} UNION ALL SELECT * FROM outcomes"
            known = in_force_sql(" UNION ALL ".join(selects), outcomes)
        new = valid_rows_sql(folder, part)
        counts = reconcile(con, LAYOUTS[kind], part.part, new, known)
        parts.append(with_counts(part, *counts))
    names = ", ".join(OUTCOME_COLUMNS)
    con.execute(
        f"COPY (SELECT {names} FROM outcomes ORDER BY _part, _row) "
        f"TO {literal(str(folder / 'outcomes.parquet'))} {CODEC}"
    )
    manifest = Manifest(
        sequence=sequence,
        path=source.label,
        name=source.name,
        sha256=arrival.sha256,
        size=arrival.size,
        encoding=arrival.encoding,
        parts=tuple(parts),
    )
    write_manifest(folder, manifest)
    return manifest


def _no_table(source: Source, arrival: Arrival) -> IntakeReport:
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
    )


def _again(existing: Manifest, readings: list[_Reading], source: Source) -> list[IntakeReport]:
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
        findings=part.findings,
    )
