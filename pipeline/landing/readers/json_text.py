"""JSON: a list of objects, an object that holds one such list, or one object a line."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from pipeline.landing import row_kinds
from pipeline.landing.arrival import Arrival
from pipeline.landing.certificate import Ledger
from pipeline.landing.dividing import Division
from pipeline.landing.header import clean_header
from pipeline.landing.raw import RawRow, RawTable, store_rows, stored_relation
from pipeline.landing.readers.spreadsheet import as_text
from shared.faults import CoverplateError

NOT_JSON = "not one whole JSON object"


def read_json(arrival: Arrival, scratch: Path) -> Division:
    """Read a JSON document; the row number is the object's position in its list, from 1.

    Raises:
        CoverplateError: the document is not valid JSON or holds no list of objects.
    """
    name = arrival.name
    try:
        text = arrival.text.read_text(encoding="utf-8-sig")
        document = json.loads(text, object_pairs_hook=_each_once)
    except (ValueError, RecursionError) as fault:
        raise CoverplateError(
            f"{name}: not valid JSON ({fault})",
            expected="a list of objects, an object with one list, or one object a line",
            to_do="export it again; the file may have been cut short",
        ) from fault
    tables = list(_lists(document))
    path = scratch / f"{arrival.sha256}.raw.parquet"
    if not tables:
        raise CoverplateError(
            f"{name}: holds no list of objects",
            expected="a list of objects, or an object that holds one",
            to_do="export the records as a list, one object a record",
        )
    if len(tables) > 1:
        found = ", ".join(repr(key) for key, _ in tables)
        raise CoverplateError(
            f"{name}: holds more than one list of objects ({found})",
            expected="one list",
            to_do="save each list as a file of its own",
        )
    ((chosen, objects),) = tables
    ledger = Ledger("")
    ledger.add(1, len(objects), "rows", rows=len(objects))
    division = _table(enumerate(objects, 1), _keys(objects), path, ledger)
    if isinstance(document, dict):
        for number, (key, value) in enumerate(document.items(), len(objects) + 1):
            if key != chosen and value not in (None, "", [], {}):
                text = f"{key}: {_cell(value)}"
                danger = row_kinds.speaks_of_danger(text)
                ledger.add(number, number, "left out", text=text, danger=danger)
    return Division(division.tables, ledger.stretches)


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
                    yield number, json.loads(line, object_pairs_hook=_each_once)
                except (ValueError, RecursionError):
                    yield number, line.rstrip("\n")


def _each_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """An object whose keys all differ; one that names a key twice says two things of it."""
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError("a key stands twice in one object")
    return found


def _lists(document: Any) -> Iterator[tuple[str, list[Any]]]:  # noqa: ANN401 - any JSON value
    if isinstance(document, list):
        yield "", document
    elif isinstance(document, dict):
        for key, value in document.items():
            if isinstance(value, list) and any(isinstance(item, dict) for item in value):
                yield key, value


def _keys(objects: list[Any]) -> list[str]:
    keys: dict[str, None] = {}
    for item in objects:
        if isinstance(item, dict):
            keys.update(dict.fromkeys(item))
    return list(keys)


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
    # half of a surrogate pair is no character and could be written nowhere
    return as_text(value).encode("utf-8", "surrogatepass").decode("utf-8", "replace")
