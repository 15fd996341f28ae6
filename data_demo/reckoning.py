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
    """Records in force, by kind and key, and where each building's facts came from."""

    records: dict[RecordKind, dict[Key, dict[str, Value]]] = field(default_factory=dict)
    facts: dict[tuple[Value, str], dict[str, Value]] = field(default_factory=dict)


def expected(name: str, seed: int, buildings: int, exports: Sequence[Export]) -> dict[str, Any]:
    """Count what an intake of the exports, in this order, should report.

    A row is *quarantined* when a fault was put into it, *duplicate* when it says exactly what is
    already known, *superseded* when a later row of the same table has its key and other content,
    and *accepted* otherwise.
    """
    known = _Known()
    files = [_count(export, table, known) for export in exports for table in export.tables]
    words = ("rows_read", "accepted", "duplicate", "superseded", "quarantined")
    return {
        "portfolio": name,
        "seed": seed,
        "buildings": buildings,
        "files": files,
        "totals": {word: sum(entry[word] for entry in files) for word in words},
        "conflicts": _conflicts(known),
    }


def _count(export: Export, table: Table, known: _Known) -> dict[str, Any]:
    layout = LAYOUTS[table.style.kind]
    in_force = known.records.setdefault(layout.kind, {})
    here: set[Key] = set()
    counts = {"accepted": 0, "duplicate": 0, "superseded": 0, "quarantined": 0}
    corrections = 0
    faults = []
    for number, row in enumerate(table.rows, start=1):
        if row.fault:
            counts["quarantined"] += 1
            faults.append({"record": number, "column": row.fault.column, "found": row.fault.found})
            continue
        content = _content(row.record)
        key = tuple(content.get(column) for column in layout.key)
        before = in_force.get(key)
        if before == content:
            counts["duplicate"] += 1
            continue
        if key in here:
            counts["superseded"] += 1
        else:
            counts["accepted"] += 1
            corrections += before is not None and layout.kind is not RecordKind.BUILDING_REGISTER
        here.add(key)
        in_force[key] = content
        if layout.kind is RecordKind.BUILDING_REGISTER:
            _remember(known, _label(export, table), content)
    return {
        "path": export.path,
        "part": table.part,
        "record_kind": layout.kind.value,
        "mapping": table.mapping,
        "rows_read": len(table.rows),
        **counts,
        "corrects_earlier_files": corrections,
        "faults": faults,
    }


def _content(record: Record) -> dict[str, Value]:
    return {name: value for name, value in record.items() if value is not None and value != ""}


def _label(export: Export, table: Table) -> str:
    return f"{export.path}:{table.part}" if table.part else export.path


def _remember(known: _Known, label: str, content: dict[str, Value]) -> None:
    for column in CONFLICTING:
        if column in content:
            known.facts.setdefault((content["building_id"], column), {})[label] = content[column]


def _conflicts(known: _Known) -> list[dict[str, Any]]:
    return [
        {"building_id": building, "column": column, "values": dict(values)}
        for (building, column), values in sorted(
            known.facts.items(), key=lambda item: (as_text(item[0][0]), item[0][1])
        )
        if len({float(as_text(value)) for value in values.values()}) > 1
    ]
