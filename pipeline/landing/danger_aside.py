"""Rows set aside, and reports of repairs, that speak of danger: in none of the lists, and so told
wherever lists are."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

import duckdb
from pyarrow import parquet

from pipeline.landing.conform import WHOLE_ROW
from pipeline.landing.current import empty_select, parts_of, row_number, typed_columns
from pipeline.landing.fix_rows import create_fix_views, has_fix_reports
from pipeline.landing.own_notes import texts_of_reports
from pipeline.landing.quarantine import quarantine_sql
from pipeline.landing.row_kinds import find_dangerous
from pipeline.landing.workspace import HEADING, Workspace
from pipeline.offline import scratch
from shared.in_words import plural
from shared.records import BUILDING_REPORTS, FIX_REPORTS, OPENING_OBSERVATIONS, literal, quoted
from shared.rule_book import RuleBook
from shared.shown import visible

READINGS = (
    *("result", "neutral_ground_jumper", "polarity", "plate_earth_volts", "case_earth_volts"),
    *("ground_contact_earth_volts", "non_contact_detector", "heat_or_scorch", "shock_reported"),
    "hot_neutral_volts",
)
"""Columns of a look that tell of live metal, heat, a shock or a wrong supply by themselves."""

TEXTS = ("note", "description", "code_section")
"""Columns in which people write what they like."""

_ANSWERS = ("neutral_ground_jumper", "non_contact_detector", "heat_or_scorch", "shock_reported")
_VOLTS = ("plate_earth_volts", "case_earth_volts", "ground_contact_earth_volts")

SHOWN = 5
"""Rows that are told one by one; the rest is counted."""


@dataclass(frozen=True)
class DangerAside:
    """A row that waits in quarantine, or a landed report of a repair, that speaks of danger.

    Attributes:
        path, sheet, row: where it stands; the row with its column where a row holds several looks.
        sha256: of the file.
        building_id: as it could be read, or None.
        says: what in it speaks of danger.
        repair: it is a report of a repair that landed, and its note says so.
    """

    path: str
    sheet: str
    row: str
    sha256: str
    building_id: str | None
    says: tuple[str, ...]
    repair: bool = False

    def told(self) -> str:
        """Where it stands and what it says, in a line."""
        sheet = f" [{self.sheet}]" if self.sheet else ""
        return visible(f"{Path(self.path).name}{sheet} row {self.row}: {'; '.join(self.says)}")


def create_macro(con: duckdb.DuckDBPyConnection) -> None:
    """Make the macro ``may_be_urgent(…)`` of ``READINGS`` in their order: whether a look may say
    something urgent by them. It asks the macro ``rule``, which must be there."""
    con.execute(
        f"CREATE OR REPLACE TEMP MACRO may_be_urgent({', '.join(f'a_{n}' for n in READINGS)}) AS "
        "a_result IN ('reversed_false_ground', 'hot_ground_reversed', 'abnormal_voltage') "
        "OR a_neutral_ground_jumper = 'yes' OR a_polarity = 'reversed' "
        "OR a_plate_earth_volts >= rule('urgent.touch_volts') "
        "OR a_case_earth_volts >= rule('urgent.touch_volts') "
        "OR a_ground_contact_earth_volts >= rule('urgent.touch_volts') "
        "OR a_non_contact_detector = 'yes' OR a_heat_or_scorch = 'yes' "
        "OR a_shock_reported = 'yes' "
        "OR (a_hot_neutral_volts > rule('urgent.supply_dead') AND ("
        "a_hot_neutral_volts < rule('urgent.supply_low') "
        "OR a_hot_neutral_volts > rule('urgent.supply_high')))"
    )


def danger_aside(
    workspace: Workspace, rule_book: RuleBook, files: Collection[str] | None = None
) -> list[DangerAside]:
    """Return the rows of looks and reports that wait in quarantine and speak of danger, and the
    reports of repairs that landed and whose notes do.

    A row does by words in a cell that could not be read or in its note, by volts or a yes that
    could be read or nearly, and by what makes a look urgent. A row that stands and lacks a cell
    does by that cell. A row that came again in a later file of the same name, as it was, is told
    once, of the later one. A report of a repair is told, whatever the ledger makes of it, until a
    corrected row takes its place.

    Args:
        workspace: an existing workspace.
        rule_book: whose limits.
        files: only of these (SHA-256); all by default.
    """
    manifests = workspace.manifests()
    con = scratch()
    try:
        _gather(con, workspace, quarantine_sql(workspace, manifests), files)
        rules = ", ".join(
            f"({literal(path)}, {value!r}::DOUBLE)"
            for path, value, *_ in rule_book.numbers()
            if path.startswith("urgent.")
        )
        con.execute(f"CREATE TEMP TABLE rules AS SELECT * FROM (VALUES {rules}) AS r(path, value)")
        con.execute(
            "CREATE TEMP MACRO rule(wanted) AS (SELECT value FROM rules WHERE path = wanted)"
        )
        create_macro(con)
        find_dangerous(con, "SELECT DISTINCT t FROM texts WHERE t <> ''")
        rows = con.execute(_SPEAKS).fetchall()
        repairs = _repairs(con, workspace, files) if has_fix_reports(workspace) else []
    finally:
        con.close()
    return [
        DangerAside(path, sheet, f"{row}, {under}" if under else str(row), sha, at, tuple(says))
        for path, sheet, row, under, sha, at, says in rows
    ] + repairs


def _repairs(
    con: duckdb.DuckDBPyConnection, workspace: Workspace, files: Collection[str] | None
) -> list[DangerAside]:
    """The reports of repairs that landed, that no correction answers, and that speak of danger that
    is left: in their notes, or where a name, a number or a file is to stand."""
    create_fix_views(con, workspace)
    con.execute(
        "CREATE TEMP TABLE noted AS SELECT path, sheet, _row, sha256, building_id, _part, "
        "note, firm, worker, remedy, licence, permit, invoice, attachments FROM landed_fixes "
        "WHERE (? IS NULL OR list_contains(?, sha256))",
        [files and sorted(files), sorted(files or ())],
    )
    con.execute(f"CREATE TEMP TABLE asked AS {texts_of_reports('noted')}")
    find_dangerous(con, "SELECT DISTINCT t FROM asked")
    rows = con.execute(
        "SELECT path, sheet, _row, sha256, building_id, "
        "list(concat(name, ' \"', said, '\"') ORDER BY name, said) FROM asked "
        "WHERE t IN (FROM dangerous_texts) GROUP BY path, sheet, _row, sha256, building_id, _part "
        "ORDER BY _part, _row"
    ).fetchall()
    return [
        DangerAside(path, sheet, str(row), sha, at, tuple(says), repair=True)
        for path, sheet, row, sha, at, says in rows
    ]


def _gather(
    con: duckdb.DuckDBPyConnection,
    workspace: Workspace,
    quarantine: str,
    files: Collection[str] | None,
) -> None:
    """Make the tables ``aside`` (rows that wait, as they were typed), ``unread`` (their cells that
    could not be read) and ``texts`` (what people wrote in them, with what it is called)."""
    kinds = [each.kind.value for each in (OPENING_OBSERVATIONS, BUILDING_REPORTS, FIX_REPORTS)]
    under = literal(f'$."{HEADING}"')
    con.execute(
        "CREATE TEMP TABLE waiting AS SELECT path, sheet, row, level, sha256, cells, reasons, "
        "_part, CASE WHEN root_sha256 = sha256 THEN root_row ELSE row END AS number, "
        f"json_extract_string(cells, {under}) AS under "
        f"FROM ({quarantine}) WHERE NOT resolved AND list_contains(?, record_kind) "
        "AND (? IS NULL OR list_contains(?, sha256))",
        [kinds, files and sorted(files), sorted(files or ())],
    )
    parts = {part for (part,) in con.execute("SELECT DISTINCT _part FROM waiting").fetchall()}
    known = typed_columns(OPENING_OBSERVATIONS) | typed_columns(BUILDING_REPORTS)
    columns = {name: known[name] for name in ("building_id", *READINGS, *TEXTS)}
    selects = [empty_select({"_part": "INTEGER", "number": "BIGINT"} | columns)]
    for manifest, part in parts_of(workspace.manifests()):
        if part.part not in parts:
            continue
        file = workspace.folder(manifest.sha256) / part.file
        there = [n for n in columns if n in parquet.read_schema(file).names]
        selects.append(
            f"SELECT {part.part}::INTEGER AS _part, ({row_number(part)})::BIGINT AS number"
            f"{''.join(f', {quoted(name)}' for name in there)} "
            f"FROM read_parquet({literal(str(file))}, file_row_number = true) WHERE "
            f"({row_number(part)}) IN (SELECT number FROM waiting WHERE _part = {part.part})"
        )
    con.execute(
        "CREATE TEMP TABLE aside AS SELECT * FROM waiting LEFT JOIN "
        f"({' UNION ALL BY NAME '.join(selects)}) USING (_part, number)"
    )
    con.execute(
        'CREATE TEMP TABLE unread AS SELECT _part, number, r."column" AS name, r.found AS t '
        "FROM (SELECT _part, number, unnest(reasons) AS r FROM aside)"
    )
    written = [
        f"SELECT _part, number, '{name}' AS name, {name} AS t FROM aside WHERE level <> 'cell'"
        for name in TEXTS
    ]
    con.execute(
        f"CREATE TEMP TABLE texts AS FROM unread UNION ALL {' UNION ALL '.join(written)} "
        # cells of a row that is not whole may be in the wrong place
        "UNION ALL SELECT _part, number, 'cell', unnest(json_extract_string(cells, '$.*')) "
        f'FROM aside WHERE list_contains(list_transform(reasons, lambda r: r."column"), '
        f"{literal(WHOLE_ROW)})"
    )


_NO = r"^\s*(no|not|none|n|nein|false|0)\b"
_FIRST_NUMBER = r"\d+(\.\d+)?"

_SPEAKS = f"""
WITH told AS (
    SELECT _part, number, 1 AS place, concat(replace(name, '_', ' '), ' "', t, '"') AS says
    FROM texts WHERE t IN (FROM dangerous_texts)
    UNION
    SELECT _part, number, 1, concat(replace(name, '_', ' '), ' "', t, '"') FROM unread
    WHERE t <> '' AND (
        (name IN {_ANSWERS} AND NOT regexp_matches(t, {literal(_NO)}, 'i'))
        OR (name = 'polarity' AND regexp_matches(t, 'rev|swap|cross', 'i'))
        OR (name IN {_VOLTS} AND try_cast(
            regexp_extract(replace(t, ',', '.'), {literal(_FIRST_NUMBER)}) AS DOUBLE
        ) >= rule('urgent.touch_volts')))
    UNION
    SELECT _part, number, 2, unnest(list_filter([
        CASE WHEN result IN ('reversed_false_ground', 'hot_ground_reversed', 'abnormal_voltage')
            THEN replace(result, '_', ' ') END,
        CASE WHEN neutral_ground_jumper = 'yes' THEN 'ground tied to neutral' END,
        CASE WHEN polarity = 'reversed' THEN 'polarity reversed' END,
        CASE WHEN plate_earth_volts >= rule('urgent.touch_volts')
            THEN printf('%.4g V from plate to earth', plate_earth_volts) END,
        CASE WHEN case_earth_volts >= rule('urgent.touch_volts')
            THEN printf('%.4g V from metal case to earth', case_earth_volts) END,
        CASE WHEN ground_contact_earth_volts >= rule('urgent.touch_volts')
            THEN printf('%.4g V from ground contact to earth', ground_contact_earth_volts) END,
        CASE WHEN non_contact_detector = 'yes' THEN 'a detector indicates on metal' END,
        CASE WHEN heat_or_scorch = 'yes' THEN 'heat or scorch marks' END,
        CASE WHEN shock_reported = 'yes' THEN 'a shock was reported' END,
        CASE WHEN hot_neutral_volts NOT BETWEEN rule('urgent.supply_low')
            AND rule('urgent.supply_high')
            THEN printf('supply voltage %.4g V', hot_neutral_volts) END
    ], lambda each: each IS NOT NULL))
    FROM aside WHERE level <> 'cell' AND may_be_urgent({", ".join(READINGS)})
),
each_row AS (
    SELECT _part, number, list(says ORDER BY place, says) AS says FROM told GROUP BY ALL
)
SELECT path, sheet, row, under, sha256, building_id, says
FROM (
    -- once what is as it was in an earlier file of the same name
    SELECT DISTINCT ON (parse_filename(path), sheet, row, cells, building_id, says) *
    FROM aside JOIN each_row USING (_part, number)
    ORDER BY _part DESC, number
)
ORDER BY _part, number
"""


def told_aside(found: Sequence[DangerAside]) -> list[str]:
    """Say which rows set aside, and which reports of repairs, speak of danger and what to do, a
    line each, rows indented; none for none."""
    waiting = [each for each in found if not each.repair]
    repairs = [each for each in found if each.repair]
    lines = []
    if waiting:
        rows = plural(
            len(waiting),
            "row set aside, whole or in a cell, speaks",
            "rows set aside, whole or in a cell, speak",
        )
        lines += [
            f"{rows} of danger (words, volts or answers) and "
            f"{'is' if len(waiting) == 1 else 'are'} in no list of what is urgent:",
            *_first(waiting),
        ]
    if repairs:
        one = len(repairs) == 1
        rows = plural(len(repairs), "report of a repair speaks", "reports of repairs speak")
        lines += [
            f"{rows} of danger and {'is' if one else 'are'} in no list of what is urgent:",
            *_first(repairs),
        ]
    if lines:
        lines.append(
            "Treat what they speak of as urgent until somebody has read them: `coverplate "
            "quarantine list`; correct them with `coverplate quarantine export FILE.csv` and take "
            "them in again."
        )
    return lines


def _first(found: Sequence[DangerAside]) -> list[str]:
    more = len(found) - SHOWN
    return [
        *(f"  {each.told()}" for each in found[:SHOWN]),
        *([f"  and {more:,} more"] if more > 0 else []),
    ]
