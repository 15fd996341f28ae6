"""Columns by which an export says that a row does not count: deleted, void, created in error.

Which rows stand is never decided unasked: a record that was made in error would be ranked, and one
that a clerk called "rejected" may be the only look at live metal.
"""

from __future__ import annotations

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


def void_cell_sql(header: str, cell: str) -> str:
    """Return SQL that is true of a cell which says so, by its words or by what its header asks.

    Args:
        header: of its column.
        cell: SQL of it.
    """
    says = says_void_sql(cell)
    for names, words in ((YES_MEANS_VOID, YES_WORDS), (NO_MEANS_VOID, NO_WORDS)):
        if normalised(header) in names:
            listed = ", ".join(map(literal, words))
            word = f"lower(trim({cell}))"
            says = f"({says} OR coalesce(list_contains([{listed}]::VARCHAR[], {word}), false))"
    return says


def void_question(header: str, count: int, example: str) -> Question:
    """Return what is to be asked of a column that nobody reads and that says so of some rows."""
    found = (
        f"{header!r} would stay unread and says of {count} row(s) that they do not count, such as "
        f"{example!r}: take these rows out of the file, or say that every row counts"
    )
    return Question("void_rows", "", found, (f"ignore={header}",))
