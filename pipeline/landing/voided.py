"""Columns by which an export says that a row does not count: deleted, void, created in error.

Which rows stand is never decided unasked: a record that was made in error would be ranked, and one
that a clerk called "rejected" may be the only look at live metal.
"""

from __future__ import annotations

from collections.abc import Sequence

import duckdb

from pipeline.landing.cells import NO_WORDS, YES_WORDS
from pipeline.landing.open_question import Question
from pipeline.landing.row_kinds import normalised
from shared.records import literal

SAYS_VOID = (
    r"(^|[^a-z])((created|entered|recorded|added|logged|made) (in|by) (error|mistake)"
    r"|void(ed)?|cancell?ed|deleted|rejected|superseded|obsolete|demolished|torn down"
    r"|disregard(ed)?|do not use|not valid|invalid(ated)?|duplicate record"
    r"|test (record|entry))($|[^a-z])"
)
"""Words of a cell that say so."""

YES_MEANS_VOID = frozenset(
    {
        *("deleted", "is_deleted", "void", "voided", "is_void", "superseded", "cancelled"),
        *("canceled", "rejected", "obsolete", "in_error", "archived", "inactive", "is_inactive"),
        "demolished",
    }
)
NO_MEANS_VOID = frozenset(("valid", "is_valid", "active", "is_active", "approved", "is_current"))
"""Normalised headers whose yes, or no, says so."""


def says_void_sql(cell: str) -> str:
    """Return SQL that is true of a text that says of its row that it does not count."""
    return f"coalesce(regexp_matches(lower({cell}), {literal(SAYS_VOID)}), false)"


def void_columns(
    con: duckdb.DuckDBPyConnection,
    relation: str,
    header: Sequence[str],
    used: set[int],
    ignored: Sequence[str],
) -> list[Question]:
    """Return a question for each column that nobody reads and that says so of a row.

    Args:
        con: any connection.
        relation: SQL of the table.
        header: its columns.
        used: places of those that are read.
        ignored: headers that a person allowed to stay unread.
    """
    allowed = {normalised(name) for name in ignored}
    tests = {}
    for place, name in enumerate(header):
        named = normalised(name)
        if place in used or named in allowed:
            continue
        cell = f"c{place}"
        word = f"lower(trim({cell}))"
        tests[place] = says_void_sql(cell)
        for names, words in ((YES_MEANS_VOID, YES_WORDS), (NO_MEANS_VOID, NO_WORDS)):
            if named in names:
                listed = ", ".join(map(literal, words))
                tests[place] = (
                    f"({tests[place]} OR "
                    f"coalesce(list_contains([{listed}]::VARCHAR[], {word}), false))"
                )
    if not tests:
        return []
    counted = ", ".join(
        f"count(*) FILTER ({test}), any_value(c{place}) FILTER ({test})"
        for place, test in tests.items()
    )
    (row,) = con.execute(f"SELECT {counted} FROM {relation}").fetchall()
    asked = []
    for number, place in enumerate(tests):
        count, example = row[2 * number : 2 * number + 2]
        if count:
            found = (
                f"{header[place]!r} would stay unread and says of {count} row(s) that they do not "
                f"count, such as {example!r}: take these rows out of the file, or say that every "
                "row counts"
            )
            asked.append(Question("void_rows", "", found, (f"ignore={header[place]}",)))
    return asked
