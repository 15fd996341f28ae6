"""Types many small tables of one layout together.

A table of a hundred rows costs nearly as much to type as one of ten thousand: most of it is
planning the one long query. So tables that have the same columns and are read the same way go
through it at once, and come out as the same parts, one for each file, as if typed one by one.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import duckdb
import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import parquet

from pipeline.landing.conform import Habits, Plan, conform_sql, make_plan
from pipeline.landing.habits import declared_habits, may_be_thousands, settle, whole_thousands
from pipeline.landing.land import Task, describe, plain_part, require_columns
from pipeline.landing.one_file import Call, ReadFile, land_file, tasks_of
from pipeline.landing.raw import RawTable
from pipeline.landing.workspace import Manifest, Part
from shared.faults import CoverplateError

FEW = 4
"""So many tables alike are worth it."""

MOST_LINES = 5_000
"""Longer files are typed at once, each by itself."""

FILE = "_file"


def may_wait(read: ReadFile) -> bool:
    """Whether a file is small, and can be typed without its original at hand."""
    return (
        read.lines <= MOST_LINES
        and not read.stands_alone
        and all(reading.table.stored is not None for reading in read.readings)
    )


def land_alike(
    call: Call,
    con: duckdb.DuckDBPyConnection,
    files: Sequence[tuple[ReadFile, int]],
    manifests: list[Manifest],
) -> Iterator[tuple[int, tuple[Part, ...] | CoverplateError]]:
    """Type and judge the tables of small files, those alike together.

    Args:
        call: what was asked for.
        con: any connection.
        files: each with its sequence.
        manifests: of all landed files.

    Yields:
        The place of a file in ``files`` and its parts, or why it must be refused.
    """
    tasks = [tasks_of(call, read, sequence) for read, sequence in files]
    groups: dict[tuple[object, ...], list[_One]] = defaultdict(list)
    for place, own in enumerate(tasks):
        for number, task in enumerate(own):
            table, mapping = task.table, task.choice.mapping
            layout = (table.header, mapping.content_hash(), mapping.records.index(task.record))
            groups[layout].append(_One(place, number, task))
    together = {n: group for n, group in enumerate(groups.values()) if len(group) >= FEW}
    alone = {one.place for group in groups.values() if len(group) < FEW for one in group}
    found: dict[tuple[int, int], Part | CoverplateError] = {}
    for group in together.values():
        some = [one for one in group if one.place not in alone]
        if some:
            found |= _type_together(call, con, some)
    for place, (read, sequence) in enumerate(files):
        if place in alone:
            try:
                yield place, land_file(call, con, read, sequence, manifests)
            except CoverplateError as fault:
                yield place, fault
            continue
        parts = [found[place, number] for number in range(len(tasks[place]))]
        faults = [part for part in parts if isinstance(part, CoverplateError)]
        yield place, faults[0] if faults else tuple(p for p in parts if isinstance(p, Part))


@dataclass(frozen=True)
class _One:
    """One table to be typed as one record kind: which file, which of its parts."""

    place: int
    number: int
    task: Task

    @property
    def key(self) -> tuple[int, int]:
        return self.place, self.number


def _type_together(
    call: Call, con: duckdb.DuckDBPyConnection, group: Sequence[_One]
) -> dict[tuple[int, int], Part | CoverplateError]:
    first = group[0].task
    rows = pa.concat_tables([_rows(one.task.table, n) for n, one in enumerate(group)])
    con.register("alike_rows", rows)
    con.execute("CREATE OR REPLACE TEMP TABLE alike AS SELECT * FROM alike_rows")
    con.unregister("alike_rows")
    table = replace(first.table, relation="alike", first_row=None, ascii=False)
    plan = make_plan(table, first.choice.mapping, first.record, call.today)
    try:
        require_columns(plan)
    except CoverplateError as fault:
        return {one.key: fault for one in group}
    result: dict[tuple[int, int], Part | CoverplateError] = {}
    open_files: dict[str, tuple[Habits, list[int]]] = {
        "": (declared_habits(plan), list(range(len(group))))
    }
    first_turn = True
    while open_files:
        _, (habits, numbers) = open_files.popitem()
        typed = _typed(con, plan, habits, numbers)
        unread = _unread(con, typed) if first_turn else {}
        for number in numbers:
            one = group[number]
            own = replace(plan, table=_only(one.task.table, number))
            try:
                settled = habits
                if first_turn and number in unread:
                    remembered = not one.task.order_said
                    settled = settle(con, own, habits, unread[number], remembered=remembered)
            except CoverplateError as fault:
                result[one.key] = fault
                continue
            if settled is habits:
                try:
                    _ask_thousands(con, own, habits, typed, number)
                except CoverplateError as fault:
                    result[one.key] = fault
                    continue
                result[one.key] = _write(
                    con, replace(plan, table=one.task.table), habits, one, typed, number
                )
            else:
                key = repr(
                    (sorted(settled.date_orders.items()), sorted(settled.decimal_marks.items()))
                )
                open_files.setdefault(key, (settled, []))[1].append(number)
        first_turn = False
    con.execute("DROP TABLE alike")
    return result


def _rows(table: RawTable, number: int) -> pa.Table:
    """The rows of a table, those columns that are the same in every row among them."""
    assert table.stored is not None
    rows = parquet.read_table(table.stored)
    own = len(table.header) - len(table.constants)
    for place, text in enumerate(table.constants, own):
        rows = rows.append_column(f"c{place}", pa.array([text] * len(rows), pa.string()))
    rows = rows.append_column(FILE, pa.array([number] * len(rows), pa.int32()))
    return rows.select(sorted(rows.column_names))


def _only(table: RawTable, number: int) -> RawTable:
    return replace(table, relation=f"(SELECT * FROM alike WHERE {FILE} = {number})")


@dataclass(frozen=True)
class _Typed:
    """Typed rows in order of file and row; where each file begins and how many rows it has."""

    rows: pa.Table
    begins: dict[int, tuple[int, int]]
    faulty: frozenset[int]


def _typed(
    con: duckdb.DuckDBPyConnection, plan: Plan, habits: Habits, numbers: Sequence[int]
) -> _Typed:
    listed = ", ".join(map(str, numbers))
    some = replace(plan.table, relation=f"(SELECT * FROM alike WHERE {FILE} IN ({listed}))")
    select = conform_sql(replace(plan, table=some), habits, (FILE,))
    rows = con.sql(select).to_arrow_table()
    rows = rows.sort_by([(FILE, "ascending"), ("_row", "ascending")]).combine_chunks()
    files = rows[FILE].to_numpy()
    begins: dict[int, tuple[int, int]] = dict.fromkeys(numbers, (0, 0))
    counted = pc.value_counts(rows[FILE]).to_pylist() if len(files) else []
    at = 0
    for each in counted:
        begins[each["values"]] = (at, each["counts"])
        at += each["counts"]
    odd = pc.or_(
        pc.or_(pc.is_valid(rows["_reasons"]), pc.is_valid(rows["_blanked"])),
        pc.greater(pc.fill_null(pc.list_value_length(rows["_notes"]), 0), 0),
    )
    faulty = frozenset(pc.unique(rows[FILE].filter(odd)).to_pylist())
    return _Typed(rows, begins, faulty)


def _unread(con: duckdb.DuckDBPyConnection, typed: _Typed) -> dict[int, set[str]]:
    """Columns of each file in which some text could not be read."""
    con.register("typed_rows", typed.rows)
    found = con.execute(
        f'SELECT DISTINCT {FILE}, r.reason."column" FROM ('
        f"SELECT {FILE}, unnest(coalesce(_reasons, _blanked)) AS reason FROM typed_rows "
        "WHERE _reasons IS NOT NULL OR _blanked IS NOT NULL) AS r"
    ).fetchall()
    con.unregister("typed_rows")
    unread: dict[int, set[str]] = defaultdict(set)
    for number, column in found:
        unread[number].add(column)
    return unread


def _is_whole(ends: dict[str, float | None]) -> bool:
    """Say whether values are such that ``whole_thousands`` looks at them."""
    return ends["min"] is not None and ends["min"] >= 1 and (ends["max"] or 0) < 1000


def _ask_thousands(
    con: duckdb.DuckDBPyConnection, plan: Plan, habits: Habits, typed: _Typed, number: int
) -> None:
    may = may_be_thousands(plan, habits)
    first, count = typed.begins[number]
    own = typed.rows.slice(first, count)
    # a query costs more than a small file
    if not any(_is_whole(pc.min_max(own[origin.field.name]).as_py()) for origin in may):
        return
    con.register("own_rows", own)
    try:
        whole_thousands(con, plan, habits, "own_rows")
    finally:
        con.unregister("own_rows")


def _write(
    con: duckdb.DuckDBPyConnection,
    plan: Plan,
    habits: Habits,
    one: _One,
    typed: _Typed,
    number: int,
) -> Part:
    first, count = typed.begins[number]
    rows = typed.rows.slice(first, count).drop_columns([FILE])
    file = one.task.folder / f"{one.task.number}.parquet"
    parquet.write_table(rows, file, compression="zstd")
    if number in typed.faulty:
        return describe(con, plan, habits, one.task, file)
    return plain_part(plan, habits, one.task, count)
