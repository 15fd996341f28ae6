"""Writes one part: typed rows, quarantine and findings of one table read as one record kind."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

import duckdb

from pipeline.landing.choose import Choice
from pipeline.landing.conform import (
    BLANK_ROW,
    CLOSED_WITHOUT_DATE,
    CORRECTION_ROW,
    DATE_ON_OPEN_ITEM,
    NO_CELL,
    SHORT_ROW,
    Habits,
    Plan,
    conform_sql,
    make_plan,
)
from pipeline.landing.current import row_number
from pipeline.landing.file_order import copied_in_order
from pipeline.landing.habits import declared_habits, settle, whole_thousands
from pipeline.landing.mapping import RecordMapping
from pipeline.landing.matching import EXACT, find_column
from pipeline.landing.odd_rows import holds_odd_rows
from pipeline.landing.quality import DATA_QUALITY_COLUMNS
from pipeline.landing.raw import RawTable
from pipeline.landing.report import Finding
from pipeline.landing.row_kinds import find_dangerous
from pipeline.landing.workspace import CELLS_A_ROW, Corrects, Part
from shared.faults import CoverplateError
from shared.records import literal, quoted
from shared.vocabulary import RecordKind

CODEC = "(FORMAT parquet, COMPRESSION zstd)"


@dataclass(frozen=True)
class Task:
    """What to land.

    Attributes:
        table: the raw table.
        choice: how it is read.
        record: which of the mapping's record kinds.
        number: of the part.
        source: who says so.
        folder: where the part's files go.
        today: the day against which "not in the future" is judged.
        habits: readings settled elsewhere (a correction reads like its source); None to settle.
        corrects: set for corrected rows.
        order_said: whether the order of dates was said of this very file.
    """

    table: RawTable
    choice: Choice
    record: RecordMapping
    number: int
    source: str
    folder: Path
    today: dt.date
    habits: Habits | None = None
    corrects: Corrects | None = None
    order_said: bool = False


class QuickReadingError(Exception):
    """A quick reading cannot stand; the file must be read the careful way."""


def land_part(con: duckdb.DuckDBPyConnection, task: Task) -> Part:
    """Type, judge and write one part, duplicates and superseded rows not counted yet.

    Raises:
        CoverplateError: a required column is not in the file, or a date order must be asked for.
        QuickReadingError: the table was read the quick way, and that proved wrong.
    """
    plan = make_plan(task.table, task.choice.mapping, task.record, task.today)
    require_columns(plan)
    file = task.folder / f"{task.number}.parquet"
    habits = task.habits or declared_habits(plan)
    _write(con, plan, habits, task, file)
    if task.habits is None:
        unread = con.execute(
            'SELECT DISTINCT r.reason."column" FROM ('
            "SELECT unnest(coalesce(_reasons, _blanked)) AS reason "
            f"FROM read_parquet({literal(str(file))}) "
            f"WHERE _reasons IS NOT NULL OR _blanked IS NOT NULL) AS r"
        ).fetchall()
        settled = settle(
            con, plan, habits, {row[0] for row in unread}, remembered=not task.order_said
        )
        if settled is not habits:
            habits = settled
            _write(con, plan, habits, task, file)
    if task.habits is None:
        whole_thousands(con, plan, habits, f"read_parquet({literal(str(file))})")
    if task.table.expected_rows is not None and holds_odd_rows(con, file, plan.layout):
        raise QuickReadingError
    return describe(con, plan, habits, task, file)


def require_columns(plan: Plan) -> None:
    """Refuse a mapping that does not fit.

    Raises:
        CoverplateError: a required column is not in the file.
    """
    there = {o.field.name for o in plan.origins if o.used or o.cell != NO_CELL}
    missing = [f.name for f in plan.layout.fields if f.required and f.name not in there]
    if missing:
        wanted = "; ".join(
            f"{name} from {' or '.join(plan.record.columns[name].from_) or 'its text rules'}"
            for name in missing
        )
        raise CoverplateError(
            f"the mapping {plan.mapping.name!r} does not fit: the file has no {', '.join(missing)} "
            f"(its columns are {', '.join(plan.table.header)})",
            expected=wanted,
            to_do="name another mapping, or add the file's header to the mapping's `from`",
        )


def _write(
    con: duckdb.DuckDBPyConnection, plan: Plan, habits: Habits, task: Task, file: Path
) -> None:
    """Write the typed rows.

    Raises:
        QuickReadingError: as many rows as there are lines did not come, or not in their order.
    """
    select = conform_sql(plan, habits, (CORRECTION_ROW,) if task.corrects else ())
    copy = f"COPY ({select}) TO {literal(str(file))} {CODEC}"
    if plan.table.expected_rows is None:
        con.execute(copy)
        return
    try:
        written = copied_in_order(con, copy)
    except duckdb.Error as fault:  # any other fault than of reading comes up again
        raise QuickReadingError from fault
    if written != plan.table.expected_rows:
        raise QuickReadingError


def plain_part(plan: Plan, habits: Habits, task: Task, rows_read: int = 0) -> Part:
    """What is known of a part before its rows are looked at; enough where none has a fault."""
    table = plan.table
    return Part(
        part=task.number,
        sheet=table.sheet,
        record_kind=plan.record.kind,
        source=task.source,
        precedence=plan.mapping.precedence,
        mapping=task.choice.label,
        mapping_hash=plan.mapping.content_hash(),
        mapping_confidence=task.choice.confidence,
        reading=plan.mapping,
        date_orders=habits.date_orders,
        decimal_marks=habits.decimal_marks,
        header=table.header,
        unmapped=tuple(name for index, name in enumerate(table.header) if index not in plan.used),
        file=f"{task.number}.parquet",
        first_row=table.first_row,
        rows_read=rows_read,
        quarantined=0,
        corrects=task.corrects,
        findings=(*table.findings, *_cut_headers(plan)),
    )


def describe(
    con: duckdb.DuckDBPyConnection, plan: Plan, habits: Habits, task: Task, file: Path
) -> Part:
    """Count the typed rows of a part and write what is set aside and found beside them."""
    table = plan.table
    part = plain_part(plan, habits, task)
    if plan.record.kind is RecordKind.OPENING_OBSERVATIONS:
        _set_dangerous_aside(con, file)
    rows = (
        f"(SELECT *, ({row_number(part)})::BIGINT AS number "
        f"FROM read_parquet({literal(str(file))}, file_row_number = true))"
    )
    blank = f"coalesce(list_contains(_notes, '{BLANK_ROW}'), false)"
    short = f"coalesce(list_contains(_notes, '{SHORT_ROW}'), false)"
    shown = f"number // {part.cells_a_row}"
    read, quarantined, blanked, first_blanked, short_rows, first_short = con.execute(
        f"SELECT count(*) FILTER (NOT {blank}), "
        f"count(*) FILTER (_reasons IS NOT NULL AND NOT {blank}), "
        f"count(*) FILTER (_blanked IS NOT NULL), "
        f"(array_agg({shown} ORDER BY number) FILTER (_blanked IS NOT NULL))[1:5], "
        f"count(*) FILTER ({short} AND NOT {blank}), "
        f"(array_agg({shown} ORDER BY number) FILTER ({short} AND NOT {blank}))[1:5] FROM {rows}"
    ).fetchall()[0]
    if quarantined or blanked:
        fixes = CORRECTION_ROW if task.corrects else f"NULL::BIGINT AS {CORRECTION_ROW}"
        target = task.folder / f"{task.number}.quarantine.parquet"
        con.execute(
            f"COPY (SELECT number AS row, _cells AS cells, "
            f"coalesce(_reasons, _blanked) AS reasons, "
            f"CASE WHEN _reasons IS NULL THEN 'cell' ELSE 'row' END AS level, {fixes} "
            f"FROM {rows} WHERE (_reasons IS NOT NULL OR _blanked IS NOT NULL) AND NOT {blank} "
            f"ORDER BY number) "
            f"TO {literal(str(target))} {CODEC}"
        )
    findings = list(table.findings)
    if short_rows:
        findings.append(
            Finding(
                kind="short_rows",
                message="rows that end before the last column; the missing cells count as blank",
                count=short_rows,
                rows=tuple(first_short),
            )
        )
    if quarantined:
        findings.append(
            Finding(
                kind="rows_set_aside",
                message="rows set aside: "
                + _commonest_reasons(con, f"(FROM {rows} WHERE NOT {blank})"),
                count=quarantined,
            )
        )
    if blanked:
        findings.append(
            Finding(
                kind="cells_left_blank",
                message="rows with cells that could not be read; these cells were left blank and "
                "are listed in quarantine, the rows stand",
                count=blanked,
                rows=tuple(first_blanked),
            )
        )
    findings += _cut_headers(plan)
    findings += _status_findings(con, plan, task, rows)
    return part.model_copy(
        update={
            "rows_read": read,
            "quarantined": quarantined,
            "blanked": blanked,
            "findings": tuple(findings),
        }
    )


def _set_dangerous_aside(con: duckdb.DuckDBPyConnection, file: Path) -> None:
    """Set aside the rows that call an opening correct beside a cell that holds words of danger and
    could not be read, whatever the cell's column is for."""
    rows = f"read_parquet({literal(str(file))})"
    found = (
        f"SELECT DISTINCT r.found AS t FROM (SELECT unnest(_blanked) AS r FROM {rows} "
        "WHERE _blanked IS NOT NULL AND result = 'correct')"
    )
    if not find_dangerous(con, found):
        return
    con.execute("SET VARIABLE dangerous = (SELECT list(t) FROM dangerous_texts)")
    listed = "getvariable('dangerous')"
    says = (
        f"(_blanked IS NOT NULL AND result = 'correct' AND "
        f"list_has_any(list_transform(_blanked, lambda r: r.found), {listed}))"
    )
    told = (
        f"list_transform(_blanked, lambda r: {{'column': r.\"column\", 'found': r.found, "
        f"'expected': r.expected || CASE WHEN list_contains({listed}, r.found) "
        "THEN '; these are words of danger beside the result correct' ELSE '' END})"
    )
    made = file.with_suffix(".made")
    con.execute(
        f"COPY (SELECT * REPLACE (CASE WHEN {says} THEN {told} ELSE _reasons END AS _reasons, "
        f"CASE WHEN NOT {says} THEN _blanked END AS _blanked) FROM {rows}) "
        f"TO {literal(str(made))} {CODEC}"
    )
    made.replace(file)


def _commonest_reasons(con: duckdb.DuckDBPyConnection, rows: str) -> str:
    """What most rows are set aside for, in words."""
    counted = con.execute(
        'SELECT r."column", r.found, count(*) AS n FROM '
        f"(SELECT unnest(_reasons) AS r FROM {rows} WHERE _reasons IS NOT NULL) "
        "GROUP BY ALL ORDER BY n DESC, 1, 2 LIMIT 4"
    ).fetchall()
    told = [f"{column} {found[:60] or 'empty'!r} ×{n}" for column, found, n in counted[:3]]
    return ", ".join(told) + (" and others" if len(counted) > 3 else "")


def _cut_headers(plan: Plan) -> list[Finding]:
    cut = []
    for origin in plan.origins:
        match = find_column(origin.spec.from_, plan.table.header) if origin.spec.from_ else None
        if match and match[1] < EXACT:
            cut.append(f"{plan.table.header[match[0]]} for {origin.field.name}")
    if not cut:
        return []
    message = "columns whose header is cut short: " + ", ".join(cut)
    return [Finding(kind="truncated_header", message=message, count=len(cut))]


_STATUS_MESSAGES = {
    CLOSED_WITHOUT_DATE: "a status says closed and there is no date",
    DATE_ON_OPEN_ITEM: "a date of closing stands on an item whose status is open",
}


def _status_findings(
    con: duckdb.DuckDBPyConnection, plan: Plan, task: Task, rows: str
) -> list[Finding]:
    """Write the findings of single rows and return their counts."""
    if not plan.mapping.status_dates:
        return []
    opening = "opening_id" if "opening_id" in plan.layout.columns else "NULL::VARCHAR"
    rule = plan.mapping.status_dates[0]
    columns = f"{rule.status} / {rule.date}"
    messages = " ".join(
        f"WHEN {literal(slug)} THEN {literal(text)}" for slug, text in _STATUS_MESSAGES.items()
    )
    slugs = ", ".join(map(literal, _STATUS_MESSAGES))
    found = {
        "kind": "_slug",
        "building_id": "building_id",
        "opening_id": opening,
        "column": literal(columns),
        "values": "NULL::VARCHAR[]",
        "sources": f"[{literal(task.source)}]",
        "precedence": "NULL::VARCHAR",
        "message": f"CASE _slug {messages} END",
        "_part": f"{task.number}::INTEGER",
        "_row": "number",
    }
    listed = ", ".join(f"{found[name]} AS {quoted(name)}" for name in DATA_QUALITY_COLUMNS)
    target = task.folder / f"{task.number}.findings.parquet"
    con.execute(
        f"COPY (SELECT {listed} FROM (SELECT *, unnest(_notes) AS _slug FROM {rows} "
        f"WHERE _notes IS NOT NULL) WHERE _slug IN ({slugs}) ORDER BY number) "
        f"TO {literal(str(target))} {CODEC}"
    )
    a_row = CELLS_A_ROW if plan.mapping.wide and not task.corrects else 1
    counted = con.execute(
        f"SELECT kind, count(*), list(_row // {a_row} ORDER BY _row)[1:5] "
        f"FROM read_parquet({literal(str(target))}) GROUP BY kind ORDER BY kind"
    ).fetchall()
    if not counted:
        target.unlink()
    return [
        Finding(kind=kind, message=_STATUS_MESSAGES[kind], count=count, rows=tuple(first))
        for kind, count, first in counted
    ]
