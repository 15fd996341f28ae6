"""Reads the tables of a fix report: canonical columns found by synonyms, dates and money read.

The landing's own readers do the work, so delimiters, encodings, preambles and workbooks are dealt
with as everywhere.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

from pipeline.landing import cells
from pipeline.landing.arrival import Arrival
from pipeline.landing.cells import DateOrder
from pipeline.landing.matching import find_column
from pipeline.landing.quarantine import REASONS, ROW, SOURCE, taken_back
from pipeline.landing.raw import RawTable
from pipeline.landing.row_kinds import normalised
from pipeline.landing.tables import read_tables
from shared.faults import CoverplateError

COLUMNS: dict[str, tuple[str, ...]] = {
    "finding_id": ("finding", "our reference", "reference", "ref", "work item"),
    "building_id": ("building", "building no", "building number", "bldg", "property", "site"),
    "unit_id": ("unit", "apartment", "apt", "flat", "dwelling"),
    "opening_id": ("opening", "outlet", "outlet no", "receptacle", "socket"),
    "family": ("defect family", "defect"),
    "remedy": ("work done", "repair", "fix", "what was done", "method of repair"),
    "fixed_on": ("date fixed", "fixed", "date of work", "completed on", "completion date", "date"),
    "firm": ("contractor", "company", "electrical contractor"),
    "worker": ("electrician", "done by", "technician"),
    "licence": ("license", "licence no", "license no", "license number"),
    "permit": ("permit no", "permit number"),
    "cost": ("price", "amount", "charge", "invoice amount", "total"),
    "markings": ("labels", "label", "marking", "marked"),
    "attachments": ("attachment", "photo", "photos", "link", "document"),
    "note": ("notes", "remarks", "comment", "comments"),
}
"""Canonical columns of a fix report, in order, with the headers that also mean them."""


_KNOWN = frozenset(
    (*COLUMNS, *(normalised(each) for names in COLUMNS.values() for each in names))
) | {SOURCE, ROW, REASONS}


def report_tables(arrival: Arrival, con: duckdb.DuckDBPyConnection, work: Path) -> list[RawTable]:
    """Return the tables of a file, read the exact way."""
    found = read_tables(arrival, con, work, _KNOWN.__contains__)
    return [taken_back(t) if SOURCE in t.header else t for t in found.exact().tables]


def report_rows(
    con: duckdb.DuckDBPyConnection,
    table: RawTable,
    path: Path,
    firm: str | None,
    order: DateOrder | None,
) -> list[dict[str, Any]]:
    """Return the rows of a table that hold anything.

    Args:
        con: any connection.
        table: the table.
        path: the file, for messages.
        firm: the firm where the file names none.
        order: how dates are written, where it can be read two ways.

    Returns:
        For each row ``row_number``, ``original`` (header to text), the canonical columns that the
        table has as text, ``fixed_on_read`` and ``cost_read``.

    Raises:
        CoverplateError: a column that is needed is missing, or dates can be read two ways.
    """
    places = {
        name: found[0]
        for name, synonyms in COLUMNS.items()
        if (found := find_column((name, *synonyms), table.header)) is not None
    }
    needed = [name for name in ("remedy", "fixed_on") if name not in places]
    if "finding_id" not in places:
        needed += [name for name in ("building_id", "opening_id") if name not in places]
    if firm is None and "firm" not in places:
        needed.append("firm")
    if needed:
        raise CoverplateError(
            f"{path}: no column for {', '.join(needed)} among {', '.join(table.header)}",
            expected="finding_id, or building_id and opening_id; remedy; fixed_on; firm",
            to_do="name the columns so, or give --firm where one firm did all of it",
        )
    tokens = cells.NULL_TOKENS
    texts = {name: cells.cleaned(f"c{place}", tokens) for name, place in places.items()}
    settled = order or _date_order(con, table, texts["fixed_on"], path)
    year = dt.date.today().year
    typed = [f"{text} AS {name}" for name, text in texts.items()]
    typed.append(f"{cells.date('fixed_on_text', 'fixed_on_text', settled, year)} AS fixed_on_read")
    amount = (
        cells.number("cost_text", "cost_text", ".", ("$", "usd")) if "cost" in texts else "NULL"
    )
    typed.append(f"{amount} AS cost_read")
    number = "_row" if table.first_row is None else f"row_number() OVER () + {table.first_row - 1}"
    cost = f"ltrim({texts['cost']}, '$ ')" if "cost" in texts else "NULL"
    trail = [f"c{table.header.index(n)} AS {n}" for n in (SOURCE, ROW) if n in table.header]
    raw = ", ".join(table.cells)
    inner = f"SELECT *, {texts['fixed_on']} AS fixed_on_text, {cost} AS cost_text, "
    inner += f"{number} AS row_number FROM {table.relation}"
    frame = con.execute(
        f"SELECT row_number, [{raw}] AS original, {', '.join([*typed, *trail])} FROM ({inner}) "
        "ORDER BY row_number"
    ).df()
    rows = []
    for record in frame.to_dict(orient="records"):
        plain = {str(k): _none(v) for k, v in record.items() if k != "original"}
        original = [_none(each) or "" for each in record["original"]]
        if any(original):
            plain["original"] = dict(zip(table.header, original, strict=True))
            rows.append(plain)
    return rows


def _none(value: Any) -> Any:  # noqa: ANN401 - any cell of a frame
    return None if pd.isna(value) else value


def _date_order(
    con: duckdb.DuckDBPyConnection, table: RawTable, text: str, path: Path
) -> DateOrder | None:
    """Settle how numeric dates are written; the whole column speaks.

    Raises:
        CoverplateError: they can be read two ways.
    """
    year = dt.date.today().year
    orders: tuple[DateOrder, ...] = ("dmy", "mdy", "ymd")
    readings = {each: cells.date("t", "t", each, year) for each in orders}
    counts = ", ".join(f"count({reading})" for reading in readings.values())
    rows = con.execute(
        f"SELECT count(*), {counts}, count(*) FILTER "
        f"({readings['dmy']} IS DISTINCT FROM {readings['mdy']}), any_value(t) "
        f"FROM (SELECT {text} AS t FROM {table.relation}) "
        f"WHERE t IS NOT NULL AND {cells.date('t', 't', None, year)} IS NULL"
    ).fetchall()
    number, *read, differ, example = rows[0]
    if number == 0:
        return None
    best = max(read)
    fits = [each for each, count in zip(orders, read, strict=True) if count == best and best > 0]
    if len(fits) > 1 and differ:
        raise CoverplateError(
            f"{path}: dates such as {example} can be read two ways",
            expected="day first or month first",
            to_do="say which with --date-order dmy or --date-order mdy",
        )
    return fits[0] if fits else None
