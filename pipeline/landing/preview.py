"""A look at files before they are taken in: their tables, some rows, and how they would be read."""

from __future__ import annotations

import datetime as dt
import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import duckdb

from pipeline.landing.answers import Answers
from pipeline.landing.arrival import receive
from pipeline.landing.certificate import Stretch
from pipeline.landing.choose import choose, known_header
from pipeline.landing.column_look import ColumnLook, look_at
from pipeline.landing.conform import make_plan
from pipeline.landing.connection import open_connection
from pipeline.landing.habits import open_date_orders
from pipeline.landing.open_question import OpenQuestionError, Question
from pipeline.landing.propose import Proposal, propose
from pipeline.landing.quarantine import is_correction
from pipeline.landing.raw import RawTable
from pipeline.landing.sources import find_sources
from pipeline.landing.tables import read_tables
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
) -> list[Preview]:
    """Look at files without taking anything in.

    Args:
        workspace: its saved mappings are considered; it is made where it is missing.
        paths: files, folders and ZIPs.
        name: name of proposed mappings.
        answers: what a person has settled.

    Raises:
        CoverplateError: a path does not exist or cannot be read.
    """
    workspace.create()
    found: list[Preview] = []
    said = answers or Answers()
    with tempfile.TemporaryDirectory() as folder:
        scratch = Path(folder)
        for number, source in enumerate(find_sources(paths, scratch)):
            work = scratch / f"preview-{number}"
            work.mkdir()
            arrival = receive(source.path, source.name, work, said.encoding)
            con = open_connection(work)
            try:
                division = read_tables(arrival, con, work, known_header(workspace))
                for table in division.tables:
                    open_: tuple[Question, ...] = ()
                    try:
                        choice = choose(workspace, con, table, None, source.label, said)
                        read_by: str | None = choice.label
                    except OpenQuestionError as asked:
                        read_by, open_ = None, asked.questions
                    except CoverplateError:
                        read_by = None
                    if is_correction(table.header):
                        read_by = "the way their sources were read (corrected rows)"
                    looks = look_at(con, table)
                    proposal = propose(looks, name, said)
                    open_ = (*open_, *_open_dates(con, table, proposal))
                    found.append(
                        Preview(
                            source.label,
                            table.sheet,
                            table.header,
                            table.sample,
                            read_by,
                            proposal,
                            tuple(division.stretches),
                            open_,
                            tuple(looks),
                        )
                    )
            finally:
                con.close()
                shutil.rmtree(work, ignore_errors=True)
    return found
