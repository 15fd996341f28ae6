"""Reads the tables of a fix report: canonical columns found by synonyms, dates and money read.

The landing's own readers do the work, so delimiters, encodings, preambles and workbooks are dealt
with as everywhere.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

from pipeline.landing import cells
from pipeline.landing.arrival import Arrival
from pipeline.landing.cells import DateOrder, DecimalMark
from pipeline.landing.matching import find_column
from pipeline.landing.quarantine import REASONS, ROW, SOURCE, taken_back
from pipeline.landing.raw import RawTable
from pipeline.landing.row_kinds import normalised
from pipeline.landing.tables import read_tables
from shared.faults import CoverplateError

COLUMNS: dict[str, tuple[str, ...]] = {
    "finding_id": ("finding", "our reference", "reference", "ref", "work item"),
    "building_id": ("building", "building no", "building number", "bldg", "property", "site"),
    "unit_id": (
        "unit",
        "unit no",
        "apartment",
        "apartment no",
        "apt",
        "apt no",
        "flat",
        "dwelling",
    ),
    "opening_id": ("opening", "outlet", "outlet no", "receptacle", "receptacle no", "socket"),
    "family": ("defect family", "defect"),
    "remedy": (
        "work done",
        "work carried out",
        "work performed",
        "work completed",
        "description of work",
        "works",
        "repair",
        "repair made",
        "fix",
        "what was done",
        "action taken",
        "method of repair",
    ),
    "fixed_on": (
        "date fixed",
        "fixed",
        "date of work",
        "date of repair",
        "repaired on",
        "completed on",
        "date completed",
        "completed",
        "completion date",
        "done on",
        "work date",
        "date",
    ),
    "firm": ("contractor", "company", "electrical contractor", "contractor name"),
    "worker": ("electrician", "done by", "carried out by", "technician", "tech", "performed by"),
    "licence": ("license", "licence no", "license no", "licence number", "license number"),
    "permit": ("permit no", "permit number"),
    "invoice": ("invoice no", "invoice number", "inv no", "bill no", "bill number"),
    "cost": (
        "price",
        "amount",
        "charge",
        "invoice amount",
        "amount charged",
        "amount billed",
        "total",
        "total cost",
        "total price",
        "total amount",
    ),
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
    mark: DecimalMark | None = None,
) -> list[dict[str, Any]]:
    """Return the rows of a table that hold anything.

    Args:
        con: any connection.
        table: the table.
        path: the file, for messages.
        firm: the firm where the file names none.
        order: how dates are written, where it can be read two ways.
        mark: the decimal mark of amounts, where the file does not show it.

    Returns:
        For each row ``row_number``, ``original`` (header to text), the canonical columns that the
        table has as text, ``fixed_on_read``, ``cost_read`` and ``cost_asked`` (whether the amount
        can be read two ways, which is then not read).

    Raises:
        CoverplateError: a column that is needed is missing, or dates can be read two ways.
    """
    places = _places(table.header)
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
    typed += _amounts(con, table, texts.get("cost"), mark)
    number = "_row" if table.first_row is None else f"row_number() OVER () + {table.first_row - 1}"
    cost = _bare(texts["cost"]) if "cost" in texts else "NULL"
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


def _places(header: Sequence[str]) -> dict[str, int]:
    """Return where each canonical column stands; a header that is meant exactly is taken once.

    A header cut short may begin the names of several columns ("Invoice"): what another column's
    name says exactly is not taken for it.
    """
    plain = [normalised(cell) for cell in header]
    places: dict[str, int] = {}
    for name, synonyms in COLUMNS.items():
        meant = [normalised(each) for each in (name, *synonyms)]
        exact = next((plain.index(each) for each in meant if each in plain), None)
        if exact is not None:
            places[name] = exact
    left = ["" if place in places.values() else cell for place, cell in enumerate(header)]
    for name, synonyms in COLUMNS.items():
        if name not in places and (found := find_column((name, *synonyms), left)) is not None:
            places[name] = found[0]
    return {name: places[name] for name in COLUMNS if name in places}


_UNITS = ("$", "usd")

_THREE_BEHIND = r"\d{1,3}[.,]\d{3}"
"""An amount with one mark and three digits behind it: thousands, or thousandths."""

_SHOWS: dict[DecimalMark, str] = {
    ".": r"\d*\.\d{1,2}|\d{1,3}(,\d{3}){2,}|\d{1,3}(,\d{3})+\.\d*",
    ",": r"\d*,\d{1,2}|\d{1,3}(\.\d{3}){2,}|\d{1,3}(\.\d{3})+,\d*",
}
"""Amounts that can be read one way only, by the decimal mark that they show."""


def _bare(text: str) -> str:
    """SQL of an amount without the sign of its currency in front."""
    return f"ltrim({text}, '$ ')"


def _amounts(
    con: duckdb.DuckDBPyConnection, table: RawTable, text: str | None, mark: DecimalMark | None
) -> list[str]:
    """Return SQL of ``cost_read`` and ``cost_asked`` over ``cost_text``.

    Where nobody says the mark, the column's other amounts show it, if they are of one kind. Even
    then money is not written in thousandths: such an amount is asked about.
    """
    if text is None:
        return ["NULL AS cost_read", "false AS cost_asked"]
    shown = mark or _mark_shown(con, table, text)
    tail = "regexp_replace(lower(cost_text), '\\s*(\\$|usd)$', '')"
    doubtful = f"regexp_full_match({tail}, '{_THREE_BEHIND}')"
    if mark is not None:
        doubtful = "false"
    elif shown is not None:
        doubtful = f"{doubtful} AND contains(cost_text, '{shown}')"
    read = cells.number("cost_text", "cost_text", shown or ".", _UNITS)
    asked = f"coalesce({doubtful}, false)"
    return [f"CASE WHEN NOT {asked} THEN {read} END AS cost_read", f"{asked} AS cost_asked"]


def _mark_shown(con: duckdb.DuckDBPyConnection, table: RawTable, text: str) -> DecimalMark | None:
    """Return the decimal mark that the amounts of a column show, None where none or both."""
    tail = f"regexp_replace(lower({_bare(text)}), '\\s*(\\$|usd)$', '')"
    counts = ", ".join(
        f"count(*) FILTER (regexp_full_match({tail}, '{pattern}'))" for pattern in _SHOWS.values()
    )
    (found,) = con.execute(f"SELECT {counts} FROM {table.relation}").fetchall()
    marks = [each for each, number in zip(_SHOWS, found, strict=True) if number]
    return marks[0] if len(marks) == 1 else None


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
