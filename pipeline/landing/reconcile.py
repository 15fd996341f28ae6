"""Decides which valid rows are new, repeated or replaced, without sorting the whole file.

Rows with the same key form a chain in landing order. A row that says exactly what the one before it
says is a duplicate; a row that says something else replaces the one before it, also where it goes
back to what was said earlier: the later landed row wins. Two sources that say different things of a
building replace nothing of each other; that is a finding (``register``). Only keys that occur more
than once are looked at row by row; they are found by grouping 64-bit hashes. Hashes are computed
when needed and never stored, because DuckDB does not promise them to stay the same from version to
version.
"""

from __future__ import annotations

import duckdb

from pipeline.landing.current import OUTCOME_COLUMNS, empty_select, typed_columns
from shared.records import Layout, quoted


def start_outcomes(con: duckdb.DuckDBPyConnection) -> None:
    """Make the empty table ``outcomes`` that ``reconcile`` adds to."""
    con.execute(f"CREATE OR REPLACE TEMP TABLE outcomes AS {empty_select(OUTCOME_COLUMNS)}")


def reconcile(
    con: duckdb.DuckDBPyConnection,
    layout: Layout,
    part: int,
    new: str,
    known: str | None,
    elsewhere: str | None = None,
) -> tuple[int, int]:
    """Add the outcomes of one part to the table ``outcomes``.

    Args:
        con: the connection that holds ``outcomes``.
        layout: of the rows.
        part: number of the new part.
        new: SELECT of its valid rows (layout's columns, ``_part``, ``_row``).
        known: SELECT of the rows in force before it, in the same columns; None where there are
            none.
        elsewhere: SELECT of rows in force that can be repeated but not replaced by these: what
            other sources say of the same buildings; None where there are none.

    Returns:
        (duplicates, superseded) among the new rows.
    """
    for name, select in _steps(layout, new, known, elsewhere):
        con.execute(f"CREATE OR REPLACE TEMP TABLE {name} AS {select}")
    con.execute(
        "INSERT INTO outcomes SELECT _part, _row, 'duplicate', other_part, other_row "
        "FROM plain_duplicates"
    )
    con.execute(
        "INSERT INTO outcomes SELECT _part, _row, 'duplicate', before_part, before_row "
        f"FROM chained WHERE repeats AND _part = {part}"
    )
    con.execute(
        "INSERT INTO outcomes SELECT _part, _row, 'superseded', after_part, after_row FROM ("
        "SELECT _part, _row, lead(_part) OVER chain AS after_part, "
        "lead(_row) OVER chain AS after_row FROM chained WHERE NOT repeats "
        "WINDOW chain AS (PARTITION BY key ORDER BY _part, _row)) WHERE after_part IS NOT NULL"
    )
    for name in (
        *("new_hashes", "repeated_keys", "known_hashes", "repeatable"),
        *("plain_duplicates", "contested_keys", "chained"),
    ):
        con.execute(f"DROP TABLE IF EXISTS {name}")
    counted = dict(
        con.execute(
            f"SELECT status, count(*) FROM outcomes WHERE _part = {part} GROUP BY status"
        ).fetchall()
    )
    return counted.get("duplicate", 0), counted.get("superseded", 0)


def _steps(
    layout: Layout, new: str, known: str | None, elsewhere: str | None
) -> list[tuple[str, str]]:
    """Name and SELECT of each step; a step may use those before it."""
    if known is None and elsewhere is not None:
        nothing = {**typed_columns(layout), "_part": "INTEGER", "_row": "BIGINT"}
        known = empty_select(nothing)
    key = ", ".join(map(quoted, layout.key))
    row = ", ".join(map(quoted, layout.columns))
    struct = ", ".join(f"{quoted(name)} := {quoted(name)}" for name in layout.key)
    keyed = f"_part, _row, struct_pack({struct}) AS key, hash({row}) AS row_hash"
    if known is None:
        chained_rows = (
            f"SELECT {keyed} FROM ({new}) SEMI JOIN repeated_keys ON key_hash = hash({key})"
        )
        return [
            (
                "repeated_keys",
                f"SELECT hash({key}) AS key_hash FROM ({new}) GROUP BY ALL HAVING count(*) > 1",
            ),
            ("plain_duplicates", empty_select(OUTCOME_COLUMNS)),
            ("chained", _chain(chained_rows)),
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
            "repeatable",
            "SELECT * FROM known_hashes"
            if elsewhere is None
            else f"SELECT * FROM known_hashes UNION ALL SELECT * FROM ("
            f"SELECT {hashes} FROM ({elsewhere}) QUALIFY row_number() OVER ("
            "PARTITION BY key_hash, row_hash ORDER BY _part DESC, _row DESC) = 1) "
            "ANTI JOIN known_hashes USING (key_hash)",
        ),
        (
            "plain_duplicates",
            "SELECT n._part, n._row, 'duplicate' AS status, k._part AS other_part, "
            "k._row AS other_row FROM new_hashes AS n "
            "JOIN repeatable AS k USING (key_hash, row_hash) "
            "ANTI JOIN repeated_keys AS r ON r.key_hash = n.key_hash",
        ),
        (
            "contested_keys",
            "SELECT key_hash FROM repeated_keys UNION "
            "SELECT n.key_hash FROM new_hashes AS n SEMI JOIN known_hashes USING (key_hash) "
            "ANTI JOIN plain_duplicates AS d ON d._part = n._part AND d._row = n._row",
        ),
        (
            "chained",
            _chain(
                f"SELECT {keyed} FROM ({new}) {contested} "
                f"UNION ALL SELECT {keyed} FROM ({known}) {contested}"
            ),
        ),
    ]


def _chain(rows: str) -> str:
    return (
        "SELECT *, coalesce(row_hash = lag(row_hash) OVER chain, false) AS repeats, "
        "lag(_part) OVER chain AS before_part, lag(_row) OVER chain AS before_row "
        f"FROM ({rows}) WINDOW chain AS (PARTITION BY key ORDER BY _part, _row)"
    )
