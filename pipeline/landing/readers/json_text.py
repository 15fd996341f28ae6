"""JSON: a list of objects, an object that holds one such list, or one object a line."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipeline.landing import row_kinds
from pipeline.landing.arrival import Arrival
from pipeline.landing.certificate import Ledger
from pipeline.landing.dividing import Division
from pipeline.landing.header import clean_header
from pipeline.landing.raw import RawRow, RawTable, store_rows, stored_relation
from pipeline.landing.readers.json_stream import WHOLE, each_once, read_members
from pipeline.landing.readers.spreadsheet import as_text
from shared.faults import CoverplateError

NOT_JSON = "not one whole JSON object"


def read_json(arrival: Arrival, scratch: Path) -> Division:
    """Read a JSON document as a stream; the row number is the object's position in its list, from
    1.

    Raises:
        CoverplateError: the document is not valid JSON or holds no list of objects.
    """
    name = arrival.name
    try:
        lists, rest = _surveyed(arrival.text)
    except (ValueError, RecursionError) as fault:
        raise CoverplateError(
            f"{name}: not valid JSON ({fault})",
            expected="a list of objects, an object with one list, or one object a line",
            to_do="export it again; the file may have been cut short",
        ) from fault
    if not lists:
        raise CoverplateError(
            f"{name}: holds no list of objects",
            expected="a list of objects, or an object that holds one",
            to_do="export the records as a list, one object a record",
        )
    if len(lists) > 1:
        found = ", ".join(repr(each.key) for each in lists)
        raise CoverplateError(
            f"{name}: holds more than one list of objects ({found})",
            expected="one list",
            to_do="save each list as a file of its own",
        )
    (chosen,) = lists
    ledger = Ledger("")
    ledger.add(1, chosen.length, "rows", rows=chosen.length)
    objects = ((m.index, m.value) for m in read_members(arrival.text) if m.key == chosen.key)
    path = scratch / f"{arrival.sha256}.raw.parquet"
    division = _table(
        ((index, value) for index, value in objects if index), list(chosen.names), path, ledger
    )
    for place, key, value in rest:
        number = chosen.length + place
        if value not in (None, "", [], {}):
            text = f"{key}: {_cell(value)}"
            danger = row_kinds.speaks_of_danger(text)
            ledger.add(number, number, "left out", text=text, danger=danger)
    return Division(division.tables, ledger.stretches)


@dataclass
class _List:
    """A list of a document: its key, how long it is, and the names of its objects' keys.

    ``plain`` are its items while none of them is an object.
    """

    key: str | None
    length: int = 0
    names: dict[str, None] = field(default_factory=dict)
    plain: list[Any] | None = field(default_factory=list)


def _surveyed(text: Path) -> tuple[list[_List], list[tuple[int, str | None, Any]]]:
    """The lists of objects of a document, and its other values with their places, from 1.

    Raises:
        ValueError: it is not valid JSON.
        RecursionError: it is nested too deeply.
    """
    found: list[_List] = []
    values: list[tuple[str | None, Any]] = []
    for member in read_members(text):
        if member.index is None:
            values.append((member.key, member.value))
            continue
        if member.index == 0:
            found.append(_List(member.key))
            values.append((member.key, found[-1]))
            continue
        each = found[-1]
        each.length = member.index
        if isinstance(member.value, dict):
            each.names.update(dict.fromkeys(member.value))
            each.plain = None
        elif each.plain is not None:
            each.plain.append(member.value)
    whole = bool(found) and found[0].key is WHOLE
    lists = [each for each in found if whole or each.plain is None]
    rest = [
        (place, key, value.plain if isinstance(value, _List) else value)
        for place, (key, value) in enumerate(values, 1)
        if not (isinstance(value, _List) and (whole or value.plain is None))
    ]
    return lists, rest


def read_json_lines(arrival: Arrival, scratch: Path) -> Division:
    """Read one object a line; the row number is the line. A line that is no object is kept
    whole."""
    keys: dict[str, None] = {}
    ledger = Ledger("")
    for number, value in _parsed_lines(arrival.text):
        ledger.add(number, number, "rows")
        if isinstance(value, dict):
            keys.update(dict.fromkeys(value))
    path = scratch / f"{arrival.sha256}.raw.parquet"
    return _table(_parsed_lines(arrival.text), list(keys), path, ledger)


def _parsed_lines(text: Path) -> Iterator[tuple[int, Any]]:
    with text.open("r", encoding="utf-8-sig") as handle:
        for number, line in enumerate(handle, 1):
            if line.strip():
                try:
                    yield number, json.loads(line, object_pairs_hook=each_once)
                except (ValueError, RecursionError):
                    yield number, line.rstrip("\n")


def _table(
    objects: Iterable[tuple[int, Any]], keys: list[str], path: Path, ledger: Ledger
) -> Division:
    header, findings = clean_header(keys)
    stored = store_rows(_rows(objects, keys), len(header), path)
    table = RawTable("", header, stored_relation(path), None, tuple(stored.sample), tuple(findings))
    return Division([table], ledger.stretches)


def _rows(objects: Iterable[tuple[int, Any]], keys: list[str]) -> Iterator[RawRow]:
    for number, value in objects:
        if isinstance(value, dict):
            yield RawRow(number, [_cell(value.get(key)) for key in keys])
        else:
            yield RawRow(number, [_cell(value)], NOT_JSON)


def _cell(value: Any) -> str:  # noqa: ANN401 - any JSON value
    if isinstance(value, dict | list):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, str) and value.isascii():
        return value  # most are
    # half of a surrogate pair is no character and could be written nowhere
    return as_text(value).encode("utf-8", "surrogatepass").decode("utf-8", "replace")
