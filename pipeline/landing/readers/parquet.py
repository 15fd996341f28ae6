"""Parquet: read as text by DuckDB, so that one path types and checks every format."""

from __future__ import annotations

from pathlib import Path

import duckdb

from pipeline.landing.arrival import Arrival
from pipeline.landing.certificate import Ledger
from pipeline.landing.connection import open_connection
from pipeline.landing.dividing import Division
from pipeline.landing.header import clean_header
from pipeline.landing.raw import EXTRAS, SAMPLE_ROWS, RawTable, stored_relation
from shared.faults import CoverplateError
from shared.records import literal, quoted


def read_parquet(arrival: Arrival, scratch: Path) -> Division:
    """Read a Parquet file; the row number is the record's position, from 1.

    Its rows are stored as text, so that nothing after this meets the file itself again.

    Raises:
        CoverplateError: the file is damaged.
    """
    path = scratch / f"{arrival.sha256}.raw.parquet"
    con = open_connection(scratch)
    try:
        header, findings = clean_header(_store(con, arrival.original, path))
        names = ", ".join(f"c{number}" for number in range(len(header)))
        stored = stored_relation(path)
        sample = con.execute(
            f"SELECT {names} FROM {stored} ORDER BY _row LIMIT {SAMPLE_ROWS}"
        ).fetchall()
        ((rows,),) = con.execute(f"SELECT count(*) FROM {stored}").fetchall()
    except duckdb.OutOfMemoryException as fault:
        raise MemoryError(str(fault)) from fault
    except duckdb.Error as fault:
        raise _damaged(arrival, fault) from fault
    finally:
        con.close()
    ledger = Ledger("")
    if rows:
        ledger.add(1, rows, "rows", rows=rows)
    table = RawTable("", header, stored, None, tuple(sample), tuple(findings), stored=path)
    return Division([table], ledger.stretches)


def _store(con: duckdb.DuckDBPyConnection, original: Path, path: Path) -> list[str]:
    """Store the rows as text; return the names of the columns."""
    file = f"read_parquet({literal(str(original))}, file_row_number = true)"
    described = con.execute(f"DESCRIBE SELECT * FROM {file}").fetchall()
    columns = [(name, kind) for name, kind, *_ in described if name != "file_row_number"]
    cells = [
        f"{_as_text(quoted(name), kind)} AS c{number}"
        for number, (name, kind) in enumerate(columns)
    ]
    extras = [f"NULL::VARCHAR AS {name}" for name in EXTRAS]
    con.execute(
        f"COPY (SELECT {', '.join(cells + extras)}, (file_row_number + 1)::BIGINT AS _row, "
        f"NULL::VARCHAR AS _problem FROM {file}) TO {literal(str(path))} "
        "(FORMAT parquet, COMPRESSION zstd)"
    )
    return [name for name, _ in columns]


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
