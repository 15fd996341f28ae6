"""Write tables in the formats people send, with the same bytes on every run.

Workbooks and archives carry fixed times and are stored without compression, so that neither the
clock nor the version of a compressor shows in them. Parquet names the version of its writer and so
is the same only in content.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import re
import zipfile

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq

from data_demo.mess import Cell, Table

LONG_AGO = (1980, 1, 1, 0, 0, 0)
"""The earliest time a ZIP can name."""
FIXED_TIME = dt.datetime(2025, 10, 1, 8, 0)


def delimited(
    table: Table,
    *,
    delimiter: str = ",",
    preamble: tuple[str, ...] = (),
    newline: str = "\n",
) -> str:
    """Return the table as delimited text, with lines above the header if there are any."""
    out = io.StringIO()
    for line in preamble:
        out.write(line + newline)
    writer = csv.writer(out, delimiter=delimiter, lineterminator=newline)
    writer.writerow(table.style.headers)
    for row in table.rows:
        writer.writerow([_text(cell) for cell in row.cells])
    return out.getvalue()


def json_lines(table: Table) -> str:
    """Return one JSON object a line; blank cells are left out, as phone apps do."""
    return "".join(json.dumps(item, ensure_ascii=False) + "\n" for item in _objects(table))


def json_array(table: Table) -> str:
    """Return one JSON array of objects."""
    lines = [json.dumps(item, ensure_ascii=False) for item in _objects(table)]
    return "[\n  " + ",\n  ".join(lines) + "\n]\n"


def _objects(table: Table) -> list[dict[str, Cell]]:
    return [
        {
            header: cell.isoformat() if isinstance(cell, dt.date) else cell
            for header, cell in zip(table.style.headers, row.cells, strict=True)
            if cell is not None and cell != ""
        }
        for row in table.rows
    ]


def _text(cell: Cell) -> str:
    if cell is None:
        return ""
    return f"{cell:.10g}" if isinstance(cell, float) else str(cell)


def workbook(tables: tuple[Table, ...]) -> bytes:
    """Return an XLSX workbook with one sheet a table."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for table in tables:
        sheet = book.create_sheet(table.part)
        sheet.append(list(table.style.headers))
        for row in table.rows:
            sheet.append([None if cell == "" else cell for cell in row.cells])
    book.properties.creator = "Coverplate demonstration"
    book.properties.created = FIXED_TIME
    raw = io.BytesIO()
    book.save(raw)
    with zipfile.ZipFile(raw) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    stamp = FIXED_TIME.strftime("%Y-%m-%dT%H:%M:%SZ").encode()
    members["docProps/core.xml"] = re.sub(
        rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>" + stamp, members["docProps/core.xml"]
    )
    return archive_of(members)


def archive_of(members: dict[str, bytes]) -> bytes:
    """Return a ZIP of the members in order, all of one fixed time."""
    raw = io.BytesIO()
    with zipfile.ZipFile(raw, "w", zipfile.ZIP_STORED) as archive:
        for name, content in members.items():
            entry = zipfile.ZipInfo(name, LONG_AGO)
            entry.create_system = 3
            entry.external_attr = 0o644 << 16
            archive.writestr(entry, content)
    return raw.getvalue()


def parquet(table: Table, schema: pa.Schema) -> bytes:
    """Return a typed Parquet file; blank cells are nulls."""
    columns = [
        pa.array(
            [None if row.cells[place] == "" else row.cells[place] for row in table.rows],
            type=schema.field(place).type,
        )
        for place in range(len(schema))
    ]
    raw = io.BytesIO()
    pq.write_table(pa.Table.from_arrays(columns, schema=schema), raw, compression="zstd")
    return raw.getvalue()
