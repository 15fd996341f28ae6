"""Decides which valid rows are new, repeated or replaced, without sorting the whole file.

What is in force of one key is the row of the newest file, by what its file is as of (``as_of``),
then by landing order, then by row; a row that a newer file repeats is as new as that one. Each file
is held against what was in force before it landed:

* a file that is as new or newer goes on where that row left off. Rows that say the same as the one
  before them are its duplicates; a row that says something else replaces it, also where it goes
  back to what was said earlier;
* an older one replaces nothing: its rows replace one another, and the last of them is replaced by
  what was in force, or is a duplicate of it.

So what becomes of a row hangs on the files before it in landing order and on its own file, whether
they land one by one or together. Two sources that say different things of a building replace
nothing of each other; that is a finding (``register``). Only keys that occur more than once are
looked at row by row; they are found by grouping 64-bit hashes. Hashes are computed when needed and
never stored, because DuckDB does not promise them to stay the same from version to version.
"""

from __future__ import annotations

import duckdb

from pipeline.landing.current import OUTCOME_COLUMNS, empty_select
from pipeline.landing.workspace import PARTS_PER_FILE
from shared.records import Layout, quoted

PARTS = "landing_parts"
"""Temporary table that ``reconcile`` reads: ``_part``, ``who`` (source of the part) and ``day``
(what its file is as of, see ``as_of.days``)."""

_FILE = f"_part // {PARTS_PER_FILE}"


def start_outcomes(con: duckdb.DuckDBPyConnection) -> None:
    """Make the empty table ``outcomes`` that ``reconcile`` adds to."""
    con.execute(f"CREATE OR REPLACE TEMP TABLE outcomes AS {empty_select(OUTCOME_COLUMNS)}")


def reconcile(
    con: duckdb.DuckDBPyConnection,
    layout: Layout,
    new: str,
    known: str | None,
    *,
    ever: str | None = None,
    repeated: str | None = None,
    by_source: bool = False,
) -> None:
    """Add the outcomes of new parts of one record kind to the table ``outcomes``.

    Args:
        con: the connection that holds ``outcomes`` and ``landing_parts``.
        layout: of the rows.
        new: SELECT of the valid rows of the new parts (layout's columns, ``_part``, ``_row``); they
            landed after all known ones.
        known: SELECT of the rows in force before them, in the same columns; None where there are
            none.
        ever: with ``by_source``, SELECT of all valid rows before them, in force or not.
        repeated: SELECT of the outcomes of all files before them; its duplicates tell what newer
            files repeated.
        by_source: rows replace those of their own source only; where a source says of a key only
            what another one said before it, its rows are duplicates of that.
    """
    key = ["who", *layout.key] if by_source else list(layout.key)
    if by_source:
        _said_elsewhere(con, layout, new, ever)
        new = _with_source(f"SELECT n.* FROM ({new}) AS n ANTI JOIN elsewhere USING (_part, _row)")
        known = _with_source(known) if known is not None else None
    steps = _steps(layout, key, new, known, _repeats(repeated, by_source))
    for name, select in steps:
        con.execute(f"CREATE OR REPLACE TEMP TABLE {name} AS {select}")
    con.execute(
        "INSERT INTO outcomes SELECT _part, _row, 'duplicate', other_part, other_row "
        "FROM plain_duplicates"
    )
    con.execute(
        "INSERT INTO outcomes SELECT _part, _row, 'duplicate', stands_part, stands_row "
        "FROM chained WHERE fresh AND (_part, _row) <> (stands_part, stands_row)"
    )
    con.execute(f"INSERT INTO outcomes {_REPLACED}")
    for name, _ in steps:
        con.execute(f"DROP TABLE {name}")


def _with_source(rows: str) -> str:
    return f"SELECT r.*, l.who FROM ({rows}) AS r JOIN {PARTS} AS l ON l._part = r._part"


def _said_elsewhere(
    con: duckdb.DuckDBPyConnection, layout: Layout, new: str, ever: str | None
) -> None:
    """Make the table ``elsewhere`` of rows whose source says of their key only what another source
    said before it, and add them to the outcomes as duplicates of that."""
    key = ", ".join(map(quoted, layout.key))
    row = ", ".join(map(quoted, layout.columns))
    hashes = f"hash({key}) AS key_hash, hash({row}) AS row_hash, who, _part, _row"
    said = f"SELECT {hashes}, true AS fresh FROM ({_with_source(new)})"
    if ever is not None:
        said += f" UNION ALL SELECT {hashes}, false AS fresh FROM ({_with_source(ever)})"
    con.execute(
        "CREATE OR REPLACE TEMP TABLE elsewhere AS WITH "
        f"said AS (SELECT * FROM ({said}) SEMI JOIN "
        f"(SELECT hash({key}) AS key_hash FROM ({new})) USING (key_hash)), "
        f"own AS (SELECT *, {_FILE} AS file, min(row_hash) OVER up_to = max(row_hash) OVER up_to "
        "AS same, min((_part, _row)) OVER (PARTITION BY key_hash, who) AS begins FROM said "
        f"WINDOW up_to AS (PARTITION BY key_hash, who ORDER BY {_FILE} "
        "RANGE BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW)) "
        "SELECT n._part, n._row, min((s._part, s._row)) AS other "
        "FROM own AS n JOIN said AS s ON s.key_hash = n.key_hash AND s.row_hash = n.row_hash "
        "AND s.who <> n.who AND (s._part, s._row) < n.begins "
        "WHERE n.fresh AND n.same GROUP BY n._part, n._row"
    )
    con.execute(
        "INSERT INTO outcomes SELECT _part, _row, 'duplicate', other[1], other[2] FROM elsewhere"
    )


def _steps(
    layout: Layout, key_names: list[str], new: str, known: str | None, repeats: str
) -> list[tuple[str, str]]:
    """Name and SELECT of each step; a step may use those before it."""
    key = ", ".join(map(quoted, key_names))
    row = ", ".join(map(quoted, layout.columns))
    struct = ", ".join(f"{quoted(name)} := {quoted(name)}" for name in key_names)
    keyed = f"_part, _row, struct_pack({struct}) AS key, hash({row}) AS row_hash"
    if known is None:
        return [
            (
                "repeated_keys",
                f"SELECT hash({key}) AS key_hash FROM ({new}) GROUP BY ALL HAVING count(*) > 1",
            ),
            ("plain_duplicates", empty_select(OUTCOME_COLUMNS)),
            *_chain(
                f"SELECT {keyed}, true AS fresh FROM ({new}) "
                f"SEMI JOIN repeated_keys ON key_hash = hash({key})",
                repeats,
            ),
        ]
    hashes = f"hash({key}) AS key_hash, hash({row}) AS row_hash, _part, _row"
    contested = f"SEMI JOIN contested_keys ON key_hash = hash({key})"
    return [
        ("new_hashes", f"SELECT {hashes} FROM ({new})"),
        (
            "repeated_keys",
            "SELECT key_hash FROM new_hashes GROUP BY key_hash HAVING count(*) > 1",
        ),
        (
            "known_hashes",
            f"SELECT * FROM (SELECT {hashes} FROM ({known})) SEMI JOIN new_hashes USING (key_hash)",
        ),
        (
            "plain_duplicates",
            "SELECT n._part, n._row, 'duplicate' AS status, k._part AS other_part, "
            "k._row AS other_row FROM new_hashes AS n "
            "JOIN known_hashes AS k USING (key_hash, row_hash) "
            "ANTI JOIN repeated_keys AS r ON r.key_hash = n.key_hash",
        ),
        (
            "contested_keys",
            "SELECT key_hash FROM repeated_keys UNION "
            "SELECT n.key_hash FROM new_hashes AS n SEMI JOIN known_hashes USING (key_hash) "
            "ANTI JOIN plain_duplicates AS d ON d._part = n._part AND d._row = n._row",
        ),
        *_chain(
            f"SELECT {keyed}, true AS fresh FROM ({new}) {contested} "
            f"UNION ALL SELECT {keyed}, false AS fresh FROM ({known}) {contested}",
            repeats,
        ),
    ]


def _repeats(repeated: str | None, by_source: bool) -> str:
    """SELECT of the newest day on which each landed row was repeated (_part, _row, day)."""
    if repeated is None:
        return "SELECT NULL::INTEGER AS _part, NULL::BIGINT AS _row, NULL::DATE AS day WHERE false"
    same = f"JOIN {PARTS} AS p ON p._part = o.other_part AND p.who = l.who" if by_source else ""
    return (
        "SELECT o.other_part AS _part, o.other_row AS _row, max(l.day) AS day "
        f"FROM ({repeated}) AS o JOIN {PARTS} AS l ON l._part = o._part {same} "
        "WHERE o.status = 'duplicate' GROUP BY ALL"
    )


def _chain(rows: str, repeats: str) -> list[tuple[str, str]]:
    """Steps that give ``chained``: rows of contested keys, each with the row that stands for what
    it says (``stands_part``, ``stands_row``), and ``shares``: one row for each file and key.

    A run is rows of one file and key that follow one another and say the same. A file ``leads``
    where it is as new as all before it; what was in force before it (``was``) is the last run of
    the last file that led.
    """
    return [
        (
            "runs",
            "SELECT *, sum(changes) OVER within AS run, "
            "count(*) OVER (PARTITION BY key, file) AS of_file FROM ("
            f"SELECT r.*, r.{_FILE} AS file, greatest(l.day, t.day) AS day, "
            "(row_hash IS DISTINCT FROM lag(row_hash) OVER within)::INTEGER AS changes "
            f"FROM ({rows}) AS r JOIN {PARTS} AS l ON l._part = r._part "
            f"LEFT JOIN ({repeats}) AS t ON t._part = r._part AND t._row = r._row "
            f"WINDOW within AS (PARTITION BY key, r.{_FILE} ORDER BY r._part, r._row)"
            ") WINDOW within AS (PARTITION BY key, file ORDER BY _part, _row)",
        ),
        (
            "shares",
            "WITH files AS (SELECT key, file, any_value(day) AS day, max(run) AS last_run, "
            "arg_min(row_hash, (_part, _row)) AS first_says, "
            "arg_max(row_hash, (_part, _row)) AS last_says, "
            "arg_max({'part': _part, 'row': _row}, (run, -_part, -_row)) AS last_head "
            "FROM runs GROUP BY key, file), "
            "led AS (SELECT *, coalesce(day >= max(day) OVER (PARTITION BY key ORDER BY file "
            "ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING), true) AS leads FROM files), "
            "leaders AS (SELECT *, last_run = 1 AND first_says IS NOT DISTINCT FROM "
            "lag(last_says) OVER (PARTITION BY key ORDER BY file) AS repeats "
            "FROM led WHERE leads), "
            "reigns AS (SELECT *, sum((NOT repeats)::INTEGER) OVER ("
            "PARTITION BY key ORDER BY file) AS reign FROM leaders), "
            "heads AS (SELECT key, file, last_says AS says, first_value(last_head) OVER ("
            "PARTITION BY key, reign ORDER BY file) AS head FROM reigns) "
            "SELECT f.*, last_value(h.says IGNORE NULLS) OVER before AS was_says, "
            "last_value(h.head IGNORE NULLS) OVER before AS was "
            "FROM led AS f LEFT JOIN heads AS h USING (key, file) "
            "WINDOW before AS (PARTITION BY key ORDER BY file "
            "ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING)",
        ),
        (
            "chained",
            "SELECT r.key, r.file, r._part, r._row, r.fresh, r.run, s.leads, s.was, joins, "
            "CASE WHEN joins THEN s.was.part ELSE first_value(r._part) OVER head END "
            "AS stands_part, "
            "CASE WHEN joins THEN s.was.row ELSE first_value(r._row) OVER head END AS stands_row "
            "FROM (SELECT r.*, s.leads, s.was, coalesce(s.was_says = r.row_hash, false) "
            "AND r.run = CASE WHEN s.leads THEN 1 ELSE s.last_run END AS joins "
            "FROM runs AS r JOIN shares AS s USING (key, file)) AS r "
            "JOIN shares AS s USING (key, file) "
            "WINDOW head AS (PARTITION BY r.key, r.file, r.run ORDER BY r._part, r._row)",
        ),
    ]


_REPLACED = """
SELECT _part, _row, 'superseded', after_part, after_row FROM (
    SELECT part AS _part, "row" AS _row,
        lead(part) OVER chain AS after_part, lead("row") OVER chain AS after_row
    FROM (
        SELECT DISTINCT key, file, run, stands_part AS part, stands_row AS "row" FROM chained
        UNION
        SELECT DISTINCT key, file, CASE WHEN leads THEN 0 ELSE 1e9::BIGINT END,
            was.part, was.row
        FROM chained WHERE was IS NOT NULL
    )
    WINDOW chain AS (PARTITION BY key, file ORDER BY run)
)
WHERE after_part IS NOT NULL AND (_part, _row) <> (after_part, after_row)
"""
"""What is replaced by what: the runs of each file in order, what was in force before the first or,
where the file is older, after the last."""
