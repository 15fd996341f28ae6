"""JSON: a list of objects, an object that holds one such list, or one object a line."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import chain, groupby, islice
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from pipeline.landing import row_kinds
from pipeline.landing.arrival import Arrival
from pipeline.landing.certificate import Ledger
from pipeline.landing.dividing import Division
from pipeline.landing.header import clean_header
from pipeline.landing.raw import BATCH_ROWS, RawTable, RowStore, stored_relation
from pipeline.landing.readers.json_stream import WHOLE, each_once, read_members
from pipeline.landing.readers.spreadsheet import as_text
from shared.faults import CoverplateError

LOOK_AHEAD = 1_000
"""Objects whose keys are taken for those of all; where a later one has another, the document is
read twice."""

NOT_JSON = "not one whole JSON object"


def read_json(arrival: Arrival, scratch: Path) -> Division:
    """Read a JSON document as a stream; the row number is the object's position in its list, from
    1.

    Raises:
        CoverplateError: the document is not valid JSON or holds no list of objects.
    """
    path = scratch / f"{arrival.sha256}.raw.parquet"
    name = arrival.name
    try:
        quick = _in_one_go(arrival.text, path)
        lists, rest = ([quick.chosen], quick.rest) if quick else _surveyed(arrival.text)
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
    if quick:
        table = quick.rows.table()
    else:
        members = (m for m in read_members(arrival.text) if m.key == chosen.key and m.number)
        stored = _Stored(list(chosen.names), path)
        for member in members:
            stored.add(member.number or 0, member.value)
        table = stored.table()
    for place, key, value in rest:
        number = chosen.length + place
        if value not in (None, "", [], {}):
            text = f"{key}: {_cell(value)}"
            danger = row_kinds.speaks_of_danger(text)
            ledger.add(number, number, "left out", text=text, danger=danger)
    return Division([table], ledger.stretches)


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
        if member.number is None:
            values.append((member.key, member.value))
            continue
        if member.number == 0:
            found.append(_List(member.key))
            values.append((member.key, found[-1]))
            continue
        each = found[-1]
        each.length = member.number
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


@dataclass
class _OneGo:
    """A document that was read at once: its one list of objects, stored, and its other values."""

    chosen: _List
    rows: _Stored
    rest: list[tuple[int, str | None, Any]]


def _in_one_go(text: Path, path: Path) -> _OneGo | None:
    """Store a document's one list of objects while it is read; None where it must be surveyed
    first: an object far down names a key that none before it did, or there are several lists.

    Raises:
        ValueError: it is not valid JSON.
        RecursionError: it is nested too deeply.
    """
    chosen: _List | None = None
    rows: _Stored | None = None
    values: list[tuple[str | None, Any]] = []
    for key, of_list in groupby(
        read_members(text), lambda member: (member.key, member.number is None)
    ):
        if key[1]:
            values += [(member.key, member.value) for member in of_list]
            continue
        members = iter(of_list)
        next(members)  # it announces the list
        first = list(islice(members, LOOK_AHEAD))
        if not any(isinstance(member.value, dict) for member in first):
            if len(first) == LOOK_AHEAD or key[0] is WHOLE:
                return None
            values.append((key[0], [member.value for member in first]))
            continue
        if chosen is not None:
            return None
        chosen = _List(key[0], plain=None)
        values.append((key[0], chosen))
        rows = _Stored(_names(member.value for member in first), path)
        number = 0
        for number, (_, _, value) in enumerate(chain(first, members), 1):
            if not rows.add(number, value):
                rows.close()
                return None
        chosen.length = number
    if chosen is None or rows is None:
        return None
    rest = [(n, key, value) for n, (key, value) in enumerate(values, 1) if value is not chosen]
    return _OneGo(chosen, rows, rest)


def _names(objects: Iterable[Any]) -> list[str]:
    """The keys of objects, in the order in which they first stand."""
    keys: dict[str, None] = {}
    for value in objects:
        if isinstance(value, dict):
            keys.update(dict.fromkeys(value))
    return list(keys)


def read_json_lines(arrival: Arrival, scratch: Path) -> Division:
    """Read one object a line; the row number is the line. A line that is no object is kept
    whole."""
    path = scratch / f"{arrival.sha256}.raw.parquet"
    lines = _parsed_lines(arrival.text)
    first = list(islice(lines, LOOK_AHEAD))
    quick = _stored_lines(chain(first, lines), _names(value for _, value in first), path)
    if quick is None:
        names = _names(value for _, value in _parsed_lines(arrival.text))
        quick = _stored_lines(_parsed_lines(arrival.text), names, path)
    assert quick is not None
    return quick


def _stored_lines(
    lines: Iterable[tuple[int, Any]], names: list[str], path: Path
) -> Division | None:
    """The lines as a table; None where one of them names another key."""
    ledger = Ledger("")
    rows = _Stored(names, path)
    for number, value in lines:
        ledger.add(number, number, "rows")
        if not rows.add(number, value):
            rows.close()
            return None
    return Division([rows.table()], ledger.stretches)


_DECODE = json.JSONDecoder(object_pairs_hook=each_once).decode


def _parsed_lines(text: Path) -> Iterator[tuple[int, Any]]:
    with text.open("r", encoding="utf-8-sig") as handle:
        for number, line in enumerate(handle, 1):
            if line.strip():
                try:
                    yield number, _DECODE(line)
                except (ValueError, RecursionError):
                    yield number, line.rstrip("\n")


class _Stored:
    """Objects on their way into a raw table.

    Args:
        keys: of the objects, in order.
        path: the raw Parquet file to write.
    """

    def __init__(self, keys: list[str], path: Path) -> None:
        self._keys = keys
        self._known = frozenset(keys)
        self._header, self._findings = clean_header(keys)
        self._store = RowStore(len(self._header), path)
        self._objects: list[Any] = []
        self._numbers: list[int] = []

    def add(self, number: int, value: Any) -> bool:  # noqa: ANN401 - any JSON value
        """Add an object; False, and nothing added, where it has another key."""
        if isinstance(value, dict) and not self._known.issuperset(value):
            return False
        self._objects.append(value)
        self._numbers.append(number)
        if len(self._objects) == BATCH_ROWS:
            self._put()
        return True

    def _put(self) -> None:
        """Hand the objects on, column by column where all of them are objects."""
        objects, numbers = self._objects, self._numbers
        self._objects, self._numbers = [], []
        whole = len(self._keys) == len(self._header)
        if objects and whole and all(type(value) is dict for value in objects):
            columns = [_column([value.get(key) for value in objects]) for key in self._keys]
            self._store.put_columns(numbers, columns)
            return
        for number, value in zip(numbers, objects, strict=True):
            if isinstance(value, dict):
                self._store.put(number, [_cell(value.get(key)) for key in self._keys])
            else:
                self._store.put(number, [_cell(value)], NOT_JSON)

    def close(self) -> None:
        """Give the file up."""
        self._store.close()

    def table(self) -> RawTable:
        """The table, once all are added."""
        self._put()
        self._store.close()
        return RawTable(
            "",
            self._header,
            stored_relation(self._store.path),
            None,
            tuple(self._store.sample),
            tuple(self._findings),
        )


def _column(values: list[Any]) -> pa.Array:
    """The texts of some values."""
    try:
        return pc.fill_null(pa.array(values, pa.string()), "")
    except (pa.ArrowException, UnicodeError, TypeError):  # not all of them are texts
        return pa.array(list(map(_cell, values)), pa.string())


def _cell(value: Any) -> str:  # noqa: ANN401 - any JSON value
    if isinstance(value, dict | list):
        return json.dumps(value, ensure_ascii=False)
    # half of a surrogate pair is no character and could be written nowhere
    return as_text(value).encode("utf-8", "surrogatepass").decode("utf-8", "replace")
