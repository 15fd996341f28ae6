"""Parquet: read as text by DuckDB, so that one path types and checks every format."""

from __future__ import annotations

import duckdb

from pipeline.landing.arrival import Arrival
from pipeline.landing.certificate import Ledger
from pipeline.landing.dividing import Division
from pipeline.landing.header import clean_header
from pipeline.landing.raw import EXTRAS, SAMPLE_ROWS, RawTable
from shared.faults import CoverplateError
from shared.records import literal, quoted


def read_parquet(arrival: Arrival, con: duckdb.DuckDBPyConnection) -> Division:
    """Read a Parquet file; the row number is the record's position, from 1.

    Raises:
        CoverplateError: the file is damaged.
    """
    file = f"read_parquet({literal(str(arrival.original))}, file_row_number = true)"
    try:
        described = con.execute(f"DESCRIBE SELECT * FROM {file}").fetchall()
    except duckdb.Error as fault:
        raise _damaged(arrival, fault) from fault
    columns = [(name, kind) for name, kind, *_ in described if name != "file_row_number"]
    header, findings = clean_header([name for name, _ in columns])
    cells = [
        f"{_as_text(quoted(name), kind)} AS c{number}"
        for number, (name, kind) in enumerate(columns)
    ]
    extras = [f"NULL::VARCHAR AS {name}" for name in EXTRAS]
    relation = (
        f"(SELECT {', '.join(cells + extras)}, file_row_number + 1 AS _row, "
        f"NULL::VARCHAR AS _problem FROM {file})"
    )
    names = ", ".join(f"c{number}" for number in range(len(columns)))
    try:
        sample = con.execute(f"SELECT {names} FROM {relation} LIMIT {SAMPLE_ROWS}").fetchall()
        ((rows,),) = con.execute(f"SELECT count(*) FROM {file}").fetchall()
    except duckdb.Error as fault:
        raise _damaged(arrival, fault) from fault
    ledger = Ledger("")
    if rows:
        ledger.add(1, rows, "rows", rows=rows)
    table = RawTable("", header, relation, None, tuple(sample), tuple(findings))
    return Division([table], ledger.stretches)


def _damaged(arrival: Arrival, fault: Exception) -> CoverplateError:
    first = str(fault).splitlines()[0]
    return CoverplateError(
        f"{arrival.name}: the Parquet file cannot be read ({first})",
        expected="a whole Parquet file",
        to_do="write it again; it may have been cut short",
    )


def _as_text(column: str, kind: str) -> str:
    if kind in ("DOUBLE", "FLOAT"):
        # whole numbers without ".0": an identifier stored as a number must not grow a tail
        whole = f"isfinite({column}) AND {column} = floor({column}) AND abs({column}) < 1e15"
        text = f"CASE WHEN {whole} THEN {column}::BIGINT::VARCHAR ELSE {column}::VARCHAR END"
    elif kind == "BLOB":
        text = f"decode({column})"
    else:
        text = f"{column}::VARCHAR"
    return f"coalesce({text}, '')"
