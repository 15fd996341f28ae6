"""Reads the tables of a measured file with the reader of its format."""

from __future__ import annotations

from pathlib import Path

import duckdb

from pipeline.landing.arrival import Arrival
from pipeline.landing.certificate import Ledger
from pipeline.landing.dividing import Division
from pipeline.landing.readers.apart import read_apart
from pipeline.landing.readers.boundary import refusing
from pipeline.landing.readers.delimited import read_delimited
from pipeline.landing.row_kinds import IsKnown
from shared.faults import CoverplateError

MOST_COLUMNS = 500
"""Columns of a table; looking at each takes time that grows with their number."""


def read_tables(
    arrival: Arrival, con: duckdb.DuckDBPyConnection, work: Path, is_known: IsKnown
) -> Division:
    """Return the tables of a file, as text, and what every row of it is.

    Args:
        arrival: the file as it was measured.
        con: a connection; the tables' relations can be read with any.
        work: a scratch folder that must outlive the tables.
        is_known: says whether a normalised name is a header that somebody knows; can be pickled.

    Raises:
        CoverplateError: the file cannot be read, whatever its reader came to grief over, or a table
            has more columns than any export of looks.
    """
    division = _read(arrival, con, work, is_known)
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
    arrival: Arrival, con: duckdb.DuckDBPyConnection, work: Path, is_known: IsKnown
) -> Division:
    if arrival.format == "none":
        ledger = Ledger("")
        if arrival.size:
            ledger.add(1, 1, "left out", text=f"{arrival.size:,} bytes that are no table")
        return Division([], ledger.stretches)
    if arrival.format != "delimited":
        return read_apart(arrival, work, is_known)
    with refusing(arrival.name, arrival.format):
        return read_delimited(arrival, work, is_known, con)
