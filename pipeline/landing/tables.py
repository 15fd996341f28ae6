"""Reads the tables of a measured file with the reader of its format."""

from __future__ import annotations

from pathlib import Path

import duckdb

from pipeline.landing.arrival import Arrival
from pipeline.landing.certificate import Ledger
from pipeline.landing.choose import known_header
from pipeline.landing.dividing import Division
from pipeline.landing.readers.delimited import read_delimited
from pipeline.landing.readers.json_text import read_json, read_json_lines
from pipeline.landing.readers.parquet import read_parquet
from pipeline.landing.readers.spreadsheet import read_spreadsheet
from pipeline.landing.workspace import Workspace
from shared.faults import CoverplateError

MOST_COLUMNS = 500
"""Columns of a table; looking at each takes time that grows with their number."""


def read_tables(
    arrival: Arrival, con: duckdb.DuckDBPyConnection, work: Path, workspace: Workspace
) -> Division:
    """Return the tables of a file, as text, and what every row of it is.

    Args:
        arrival: the file as it was measured.
        con: a connection; the tables' relations can be read with any.
        work: a scratch folder that must outlive the tables.
        workspace: its saved mappings help to find the header.

    Raises:
        CoverplateError: the file is damaged, or a table has more columns than any export of looks.
    """
    division = _read(arrival, con, work, workspace)
    for table in division.tables:
        if len(table.header) > MOST_COLUMNS:
            raise CoverplateError(
                f"{arrival.name}: a table of {len(table.header):,} columns",
                expected=f"at most {MOST_COLUMNS}",
                to_do="see whether the delimiter or the sheet is the one that is meant, or leave "
                "out the columns that say nothing of buildings and openings",
            )
    return division


def _read(
    arrival: Arrival, con: duckdb.DuckDBPyConnection, work: Path, workspace: Workspace
) -> Division:
    if arrival.format == "delimited":
        return read_delimited(arrival, work, known_header(workspace), con)
    if arrival.format == "spreadsheet":
        return read_spreadsheet(arrival, work, known_header(workspace))
    if arrival.format == "json":
        return read_json(arrival, work)
    if arrival.format == "json_lines":
        return read_json_lines(arrival, work)
    if arrival.format == "parquet":
        return read_parquet(arrival, con)
    ledger = Ledger("")
    if arrival.size:
        ledger.add(1, 1, "left out", text=f"{arrival.size:,} bytes that are no table")
    return Division([], ledger.stretches)
