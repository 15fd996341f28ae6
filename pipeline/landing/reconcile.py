"""Decides which valid rows are new, repeated or replaced, without sorting the whole file.

Rows with the same key form a chain, in the order of what their files are as of (``as_of``), then in
landing order. Neighbours that say exactly the same are one statement: the row that landed first
stands, the others are duplicates. A row that says something else replaces the one before it, also
where it goes back to what was said earlier; so an older export that lands late replaces nothing,
and what it says of the past is kept as history. Two sources that say different things of a building
replace nothing of each other; that is a finding (``register``). Only keys that occur more than once
are looked at row by row; they are found by grouping 64-bit hashes. Hashes are computed when needed
and never stored, because DuckDB does not promise them to stay the same from version to version.
"""

from __future__ import annotations

import duckdb

from pipeline.landing.current import OUTCOME_COLUMNS, empty_select
from shared.records import Layout, quoted

PARTS = "landing_parts"
"""Temporary table that ``reconcile`` reads: ``_part``, ``who`` (source of the part) and ``day``
(what its file is as of, see ``as_of.days``)."""


def start_outcomes(con: duckdb.DuckDBPyConnection) -> None:
    """Make the empty table ``outcomes`` that ``reconcile`` adds to."""
    con.execute(f"CREATE OR REPLACE TEMP TABLE outcomes AS {empty_select(OUTCOME_COLUMNS)}")


def reconcile(
    con: duckdb.DuckDBPyConnection,
    layout: Layout,
    new: str,
    known: str | None,
    *,
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
        by_source: rows replace those of their own source only; one that says what another source
            said before, and is the only word of its own, is a duplicate of that.
    """
    key = ["who", *layout.key] if by_source else list(layout.key)
    if by_source:
        new = _with_source(new)
        known = _with_source(known) if known is not None else None
    steps = _steps(layout, key, new, known)
    for name, select in steps:
        con.execute(f"CREATE OR REPLACE TEMP TABLE {name} AS {select}")
    con.execute(
        "INSERT INTO outcomes SELECT _part, _row, 'duplicate', other_part, other_row "
        "FROM plain_duplicates"
    )
    con.execute(
        "INSERT INTO outcomes SELECT _part, _row, 'duplicate', head_part, head_row "
        "FROM chained WHERE fresh AND (_part, _row) <> (head_part, head_row)"
    )
    con.execute(
        "INSERT INTO outcomes SELECT _part, _row, 'superseded', after_part, after_row FROM ("
        "SELECT _part, _row, lead(_part) OVER chain AS after_part, "
        "lead(_row) OVER chain AS after_row FROM chained "
        "WHERE (_part, _row) = (head_part, head_row) "
        "WINDOW chain AS (PARTITION BY key ORDER BY run)) WHERE after_part IS NOT NULL"
    )
    if by_source:
        _said_elsewhere(con, layout, new, known)
    for name, _ in steps:
        con.execute(f"DROP TABLE {name}")


def _with_source(rows: str) -> str:
    return f"SELECT r.*, l.who FROM ({rows}) AS r JOIN {PARTS} AS l ON l._part = r._part"


def _steps(
    layout: Layout, key_names: list[str], new: str, known: str | None
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
            (
                "chained",
                _chain(
                    f"SELECT {keyed}, true AS fresh FROM ({new}) "
                    f"SEMI JOIN repeated_keys ON key_hash = hash({key})"
                ),
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
        (
            "chained",
            _chain(
                f"SELECT {keyed}, true AS fresh FROM ({new}) {contested} "
                f"UNION ALL SELECT {keyed}, false AS fresh FROM ({known}) {contested}"
            ),
        ),
    ]


def _chain(rows: str) -> str:
    """Rows of contested keys with the run of like neighbours that they stand in (``run`` counts
    along the chain) and the head of the run, which is the row of it that landed first."""
    return (
        "SELECT * EXCLUDE (day, changes), first_value(_part) OVER head AS head_part, "
        "first_value(_row) OVER head AS head_row FROM ("
        "SELECT *, sum(changes) OVER chain AS run FROM ("
        "SELECT r.*, l.day, "
        "(row_hash IS DISTINCT FROM lag(row_hash) OVER chain)::INTEGER AS changes "
        f"FROM ({rows}) AS r JOIN {PARTS} AS l ON l._part = r._part "
        "WINDOW chain AS (PARTITION BY key ORDER BY l.day, r._part, r._row)"
        ") WINDOW chain AS (PARTITION BY key ORDER BY day, _part, _row)"
        ") WINDOW head AS (PARTITION BY key, run ORDER BY _part, _row)"
    )


def _said_elsewhere(
    con: duckdb.DuckDBPyConnection, layout: Layout, new: str, known: str | None
) -> None:
    """Rows that repeat another source, where their own said nothing else of that key."""
    key = ", ".join(map(quoted, layout.key))
    row = ", ".join(map(quoted, layout.columns))
    hashes = f"hash({key}) AS key_hash, hash({row}) AS row_hash, who, _part, _row"
    earlier = f"UNION ALL SELECT {hashes} FROM ({known})" if known is not None else ""
    con.execute(
        "INSERT INTO outcomes "
        f"WITH fresh AS (SELECT {hashes} FROM ({new})), every AS (FROM fresh {earlier}), "
        "said AS (SELECT e.* FROM every AS e ANTI JOIN outcomes AS o "
        "ON o._part = e._part AND o._row = e._row AND o.status = 'duplicate'), "
        "alone AS (SELECT key_hash, who FROM said GROUP BY ALL HAVING count(*) = 1) "
        "SELECT n._part, n._row, 'duplicate', (min((s._part, s._row)))[1], "
        "(min((s._part, s._row)))[2] "
        "FROM fresh AS n SEMI JOIN alone AS a ON a.key_hash = n.key_hash AND a.who = n.who "
        "ANTI JOIN outcomes AS o ON o._part = n._part AND o._row = n._row "
        "JOIN said AS s ON s.key_hash = n.key_hash AND s.row_hash = n.row_hash "
        "AND s.who <> n.who AND (s._part, s._row) < (n._part, n._row) "
        "ANTI JOIN outcomes AS p ON p._part = s._part AND p._row = s._row "
        "AND p.status = 'superseded' AND p.other_part < n._part "
        "GROUP BY n._part, n._row"
    )
