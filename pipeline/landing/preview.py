"""A look at files before they are taken in: their tables, some rows, and how they would be read."""

from __future__ import annotations

import datetime as dt
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import duckdb

from pipeline.landing.answers import Answers
from pipeline.landing.arrival import receive
from pipeline.landing.certificate import Stretch
from pipeline.landing.choose import choose, known_header
from pipeline.landing.column_look import ColumnLook, look_at
from pipeline.landing.conform import make_plan
from pipeline.landing.connection import open_connection
from pipeline.landing.dividing import Division
from pipeline.landing.habits import open_date_orders
from pipeline.landing.open_question import OpenQuestionError, Question
from pipeline.landing.propose import Proposal, propose
from pipeline.landing.quarantine import is_correction
from pipeline.landing.raw import RawTable
from pipeline.landing.sources import Source, find_sources
from pipeline.landing.tables import read_tables
from pipeline.landing.wide import RowNumbersNeededError, turn
from pipeline.landing.workspace import Workspace
from shared.faults import CoverplateError


@dataclass(frozen=True)
class Preview:
    """One table of a file that was not taken in.

    Attributes:
        path: the file; ``archive.zip!/member.csv`` inside a ZIP.
        sheet: worksheet or table name, "" where there is only one.
        header: column names.
        sample: the first rows, cells in the header's order.
        read_by: name of the mapping that intake would use, or None where it would refuse.
        proposal: the mapping proposed from header and values.
        certificate: what every row of the whole file is.
        questions: what only a person can settle before the table is read.
        looks: at the values of each column, of all rows.
        wide: columns of the file that are read as one opening each; header, sample and looks are
            then of the table with one row a look.
        columns: the file's own columns.
    """

    path: str
    sheet: str
    header: tuple[str, ...]
    sample: tuple[tuple[str | None, ...], ...]
    read_by: str | None
    proposal: Proposal
    certificate: tuple[Stretch, ...] = ()
    questions: tuple[Question, ...] = ()
    looks: tuple[ColumnLook, ...] = ()
    wide: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()


def _open_dates(
    con: duckdb.DuckDBPyConnection, table: RawTable, proposal: Proposal
) -> list[Question]:
    if proposal.mapping is None:
        return []
    (record,) = proposal.mapping.records
    plan = make_plan(table, proposal.mapping, record, dt.date.today())
    return [
        Question(
            "date_order",
            each.column,
            f"{each.column}: {each.found}",
            ("date_order=dmy", "date_order=mdy"),
        )
        for each in open_date_orders(con, plan)
    ]


def preview(
    workspace: Workspace,
    paths: Sequence[Path | str],
    name: str = "proposed",
    answers: Answers | None = None,
    wide: Mapping[tuple[str, str], Sequence[str]] | None = None,
) -> list[Preview]:
    """Look at files without taking anything in.

    Args:
        workspace: its saved mappings are considered; it is made where it is missing.
        paths: files, folders and ZIPs.
        name: name of proposed mappings.
        answers: what a person has settled.
        wide: of tables (path and sheet), the columns that a person said are one opening each.

    Raises:
        CoverplateError: a path does not exist or cannot be read.
    """
    workspace.create()
    found: list[Preview] = []
    said = Answers() if answers is None else answers
    with tempfile.TemporaryDirectory() as folder:
        scratch = Path(folder)
        for number, source in enumerate(find_sources(paths, scratch)):
            work = scratch / f"preview-{number}"
            work.mkdir()
            arrival = receive(source.path, source.name, work, said.encoding)
            con = open_connection(work)
            try:
                division = read_tables(arrival, con, work, known_header(workspace))
                try:
                    found += _tables(workspace, con, source, division, name, said, wide or {})
                except RowNumbersNeededError:
                    exact = division.exact()
                    found += _tables(workspace, con, source, exact, name, said, wide or {})
            finally:
                con.close()
                shutil.rmtree(work, ignore_errors=True)
    return found


def _tables(
    workspace: Workspace,
    con: duckdb.DuckDBPyConnection,
    source: Source,
    division: Division,
    name: str,
    answers: Answers,
    wide: Mapping[tuple[str, str], Sequence[str]],
) -> list[Preview]:
    found = []
    for table in division.tables:
        named = wide.get((source.label, table.sheet))
        said = answers if named is None else replace(answers, wide=tuple(named) or ("",))
        open_: tuple[Question, ...] = ()
        read_by: str | None = None
        columns: Sequence[str] | None = None
        try:
            choice = choose(workspace, con, table, None, source.label, said)
            read_by, columns = choice.label, choice.mapping.wide
        except OpenQuestionError as asked:
            open_ = asked.questions
        except CoverplateError:
            pass  # the proposal below says what is known
        if is_correction(table.header):
            read_by, columns = "the way their sources were read (corrected rows)", ()
        if columns:
            said = replace(said, wide=tuple(columns))
        proposal = propose(look_at(con, table), name, said)
        columns = proposal.wide if columns is None else columns
        shown = turn(con, table, columns, said.no_answer) if columns else table
        found.append(
            Preview(
                source.label,
                table.sheet,
                shown.header,
                shown.sample,
                read_by,
                proposal,
                tuple(division.stretches),
                (*open_, *_open_dates(con, shown, proposal)),
                tuple(look_at(con, shown)),
                tuple(columns),
                table.header,
            )
        )
    return found
