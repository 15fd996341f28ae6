"""Every file of events that was brought in: its record, chained, and the lines set aside from it.

A record says how far the ledger had come before and after, so that events which came from a file
can be told from those that were written here.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from pipeline.ledger.chain import Break, Held, heads_at
from pipeline.ledger.database import EVENTS, IMPORTS, SET_ASIDE
from shared.canonical import START, canonical

FIELDS = tuple(column.name for column in IMPORTS.columns)


def import_rows(con: Connection) -> list[dict[str, Any]]:
    """Return the records of all imports in order."""
    return _rows(con, IMPORTS, IMPORTS.c.number)


def set_aside_rows(con: Connection) -> list[dict[str, Any]]:
    """Return every line that was set aside, by import and line."""
    return _rows(con, SET_ASIDE, SET_ASIDE.c.import_number, SET_ASIDE.c.line)


def _rows(con: Connection, table: sa.Table, *order: sa.Column[Any]) -> list[dict[str, Any]]:
    if not sa.inspect(con).has_table(table.name):
        return []  # written before imports were kept, and opened without writing
    return [dict(row) for row in con.execute(sa.select(table).order_by(*order)).mappings()]


def waiting(con: Connection) -> list[dict[str, Any]]:
    """Return the lines set aside that do not stand in the ledger by now, each of a file once.

    Columns as in ``SET_ASIDE``; of a file that was brought in several times the latest reason.
    """
    standing = set(con.execute(sa.select(EVENTS.c.hash)).scalars())
    latest = {(row["file_sha256"], row["line"]): row for row in set_aside_rows(con)}
    return [row for row in latest.values() if _hash_of(row["text"]) not in standing]


def _hash_of(line: str) -> object:
    try:
        return json.loads(line).get("hash")
    except (ValueError, AttributeError, RecursionError):
        return None


def record(con: Connection, content: Mapping[str, Any]) -> None:
    """Write the record of an import; ``content`` has all columns but number and hashes."""
    before = import_rows(con)
    row = {
        **content,
        "number": len(before) + 1,
        "previous_hash": before[-1]["hash"] if before else START,
    }
    con.execute(sa.insert(IMPORTS), [{**row, "hash": _hash(row)}])


def _hash(row: Mapping[str, Any]) -> str:
    sealed = {name: row[name] for name in FIELDS if name != "hash"}
    if any(isinstance(value, bytes) for value in sealed.values()):
        return ""  # of a damaged file
    return hashlib.sha256(canonical(sealed).encode(errors="replace")).hexdigest()


def records_hold(rows: Sequence[Mapping[str, Any]]) -> bool:
    """Whether records of imports, in order, follow from each other."""
    previous = START
    for number, row in enumerate(rows, 1):
        if not _follows(row, number, previous):
            return False
        previous = row["hash"]
    return True


def _follows(row: Mapping[str, Any], number: int, previous: str) -> bool:
    return bool(
        row["number"] == number and row["previous_hash"] == previous and row["hash"] == _hash(row)
    )


def last_import(con: Connection) -> tuple[int, str]:
    """Return how many files were brought in, and the hash of the record of the last one."""
    rows = import_rows(con)
    return (len(rows), str(rows[-1]["hash"])) if rows else (0, START)


def import_breaks(con: Connection, hashes: Sequence[str], held: Iterable[Held] = ()) -> list[Break]:
    """Return what is wrong with the records of imports.

    Args:
        con: an open transaction.
        hashes: the hashes of all events in the order written.
        held: how many there were, as written down elsewhere.
    """
    rows = import_rows(con)
    kept = Counter(row["import_number"] for row in set_aside_rows(con))
    found = _imports_gone(rows, kept, held)
    heads = heads_at(hashes, [row[f"events_{w}"] for row in rows for w in ("before", "after")])
    previous = START
    for number, row in enumerate(rows, 1):
        wrong = ""
        if not _follows(row, number, previous):
            wrong = "was altered, or one before it is missing"
        elif kept[number] != row["lines_set_aside"]:
            wrong = "is not kept with the lines that it set aside"
        elif any(heads.get(row[f"events_{w}"]) != row[f"head_{w}"] for w in ("before", "after")):
            wrong = "does not meet the events: some from before its end were altered or are missing"
        if wrong:
            found.append(Break("", 0, f"import {row['number']} ({row['file_name']}) {wrong}"))
        previous = row["hash"]
    return found


def _imports_gone(
    rows: Sequence[Mapping[str, Any]], kept: Mapping[int, int], held: Iterable[Held]
) -> list[Break]:
    """Say which records of imports are gone from the end: lines set aside, or what is written
    elsewhere, speak of them."""
    found: list[Break] = []
    for number in sorted(kept.keys() - {row["number"] for row in rows}, key=str):
        what = f"import {number} is gone: {kept[number]:,} lines that it set aside are still kept"
        found.append(Break("", 0, what))
    told: set[str] = set()
    for each in sorted(held, key=lambda one: -one.imports):
        there = each.imports <= len(rows)
        stands = not each.imports or (there and rows[each.imports - 1]["hash"] == each.imports_hash)
        if stands or each.where in told:
            continue
        told.add(each.where)
        what = f"of {each.imports:,} imports on {each.when[:10]}, {len(rows):,} are recorded now"
        if there:
            what = f"the first {each.imports:,} imports are others than on {each.when[:10]}"
        found.append(Break("", 0, f"{what} ({each.where})"))
    return found
