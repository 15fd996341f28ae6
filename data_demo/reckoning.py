"""What should become of every row: counted from how the files were made, not by reading them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from data_demo.mess import Record, Table, Value, as_text
from shared.records import LAYOUTS
from shared.vocabulary import RecordKind

Key = tuple[Value, ...]

CONFLICTING = ("year_built", "year_rewired", "dwelling_units", "occupants", "insured_value")
"""Register facts on which sources of these portfolios can disagree."""


@dataclass(frozen=True)
class Export:
    """One file of a portfolio.

    Attributes:
        path: within the portfolio's folder.
        tables: its sheets or members, or its one table.
        content: the bytes to write.
    """

    path: str
    tables: tuple[Table, ...]
    content: bytes


@dataclass
class _Known:
    """Records in force, by source, kind and key."""

    records: dict[tuple[str, RecordKind], dict[Key, dict[str, Value]]] = field(default_factory=dict)


def expected(name: str, seed: int, buildings: int, exports: Sequence[Export]) -> dict[str, Any]:
    """Count what an intake of the exports, in this order, should report.

    A row is *quarantined* when a fault was put into it that it cannot stand with, *blanked* when it
    stands without the spoiled cell (it then is one of the others as well), *duplicate* when its
    source has already said exactly that, *superseded* when a later row of the same table has its
    key and other content, and *accepted* otherwise. ``corrects_earlier_files`` counts accepted rows
    that replace
    one of an earlier file; ``conflicts`` are register facts on which two sources disagree.
    """
    known = _Known()
    files = [_count(export, table, known) for export in exports for table in export.tables]
    words = ("rows_read", "accepted", "duplicate", "superseded", "quarantined", "blanked")
    return {
        "portfolio": name,
        "seed": seed,
        "buildings": buildings,
        "files": files,
        "totals": {word: sum(entry[word] for entry in files) for word in words},
        "conflicts": _conflicts(known),
    }


def in_force(exports: Sequence[Export], kind: RecordKind) -> list[dict[str, Value]]:
    """Return the records of a kind that stand after all exports were taken in, of every source.

    Only columns that the source's layout carries are there, and no blank ones.
    """
    known = _Known()
    for export in exports:
        for table in export.tables:
            _count(export, table, known)
    return [
        content
        for (_, known_kind), records in known.records.items()
        if known_kind is kind
        for content in records.values()
    ]


def _count(export: Export, table: Table, known: _Known) -> dict[str, Any]:
    layout = LAYOUTS[table.style.kind]
    source = table.source or table.mapping
    standing = known.records.setdefault((source, layout.kind), {})
    here: set[Key] = set()
    counts = {"accepted": 0, "duplicate": 0, "superseded": 0, "quarantined": 0, "blanked": 0}
    corrections = 0
    faults = []
    records = [row for row in table.rows if row.is_record]
    for number, row in enumerate(records, start=1):
        if row.fault:
            counts["quarantined" if row.fault.whole else "blanked"] += 1
            faults.append({"record": number, "column": row.fault.column, "found": row.fault.found})
            if row.fault.whole:
                continue
        content = _content(row.record)
        key = tuple(content.get(column) for column in layout.key)
        before = standing.get(key)
        if before == content:
            counts["duplicate"] += 1
            continue
        if key in here:
            # the earlier row gives way, and this one stands in its place
            counts["superseded"] += 1
        else:
            counts["accepted"] += 1
            corrections += before is not None
        here.add(key)
        standing[key] = content
    return {
        **_place(export, table),
        "record_kind": layout.kind.value,
        "mapping": table.mapping,
        "rows_read": len(records),
        "lines_beside": len(table.rows) - len(records),
        **counts,
        "corrects_earlier_files": corrections,
        "faults": faults,
    }


def _place(export: Export, table: Table) -> dict[str, str]:
    """Name a table as an intake does: member of an archive, or sheet where there are several."""
    if export.path.endswith(".zip"):
        return {"path": f"{export.path}!/{table.part}", "sheet": ""}
    return {"path": export.path, "sheet": table.part if len(export.tables) > 1 else ""}


def _content(record: Record) -> dict[str, Value]:
    return {name: value for name, value in record.items() if value is not None and value != ""}


def _conflicts(known: _Known) -> list[dict[str, Any]]:
    facts: dict[tuple[str, str], dict[str, Value]] = {}
    for (source, kind), standing in known.records.items():
        if kind is RecordKind.BUILDING_REGISTER:
            for content in standing.values():
                for column in CONFLICTING:
                    if column in content:
                        fact = facts.setdefault((as_text(content["building_id"]), column), {})
                        fact[source] = content[column]
    return [
        {"building_id": building, "column": column, "values": values}
        for (building, column), values in sorted(facts.items())
        if len({float(as_text(value)) for value in values.values()}) > 1
    ]
