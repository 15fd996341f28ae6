"""Looks whether a file that was read the quick way holds lines that are no rows: headers, totals,
remarks, titles.

The quick way takes every line below the header for a row. Such lines mostly fail as rows, or give
an identifier that is a word of summing or the name of a column; these few are looked at here, and
where one is found the file is read the careful way, which tells them apart.
"""

from __future__ import annotations

import json
from pathlib import Path

import duckdb

from pipeline.landing import row_kinds
from pipeline.landing.matching import KNOWN_NAMES
from shared.records import Layout, literal, quoted

MOST = 2_000
"""Rows that failed are looked at up to so many; a file with more is read the careful way when it is
not too large."""


def holds_odd_rows(con: duckdb.DuckDBPyConnection, file: Path, layout: Layout) -> bool:
    """Say whether a typed Parquet holds a row that may be none.

    Args:
        con: any connection.
        file: as ``land_part`` writes it.
        layout: of its rows.
    """
    rows = f"read_parquet({literal(str(file))})"
    first = quoted(layout.key[0])
    names = con.execute(
        f"SELECT DISTINCT {first} FROM {rows} WHERE _reasons IS NULL AND NOT "
        f"regexp_matches({first}, '[0-9]')"
    ).fetchall()
    if any(_is_odd_name(name) for (name,) in names if name):
        return True
    others = " AND ".join(
        f"{quoted(name)} IS NULL" for name in layout.columns if name != layout.key[0]
    )
    alone = con.execute(f"SELECT 1 FROM {rows} WHERE _reasons IS NULL AND {others} LIMIT 1")
    if alone.fetchall():
        return True
    failed = con.execute(
        f"SELECT _cells FROM {rows} WHERE _reasons IS NOT NULL AND "
        f"({first} IS NULL OR NOT regexp_matches({first}, '[0-9]') "
        f"OR regexp_matches(_cells, '(?i)total|rows|records|page|print|generat')) LIMIT {MOST}"
    ).fetchall()
    return len(failed) == MOST or any(_is_odd(json.loads(cells)) for (cells,) in failed)


def _is_odd_name(name: str) -> bool:
    return (
        row_kinds.normalised(name) in KNOWN_NAMES
        or row_kinds.is_total([name])
        or row_kinds.is_remark([name, None, None], 3)
    )


def _is_odd(cells: dict[str, str | None]) -> bool:
    texts = list(cells.values())
    return (
        row_kinds.is_total(texts)
        or row_kinds.is_remark(texts, len(texts))
        or row_kinds.is_title(texts, len(texts))
        or row_kinds.is_heading(texts, KNOWN_NAMES.__contains__)
    )
