"""What says of rows that they do not count (deleted, void, created in error) or that nothing was
tested: columns, notes, lines above and below a table, names of sheets.

Which rows stand is never decided unasked: a record that was made in error would be ranked, and one
that a clerk called "rejected" may be the only look at live metal.
"""

from __future__ import annotations

import re

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

SAYS_UNTESTED = (
    r"(^|[^a-z])(not (been )?(re-?)?(tested|inspected|checked|examined|performed|reached|"
    r"accessible|reachable|looked at)|(did|could|can) ?(not|n'?t)( be)? ?(test|reach|access|"
    r"inspect|check|get (to|at|in|into))[a-z]*|unable to (test|reach|access|inspect|check)|"
    r"untested|no (access|tester)|inaccessible|assum(e|es|ed|ing)|copied|carried over|"
    r"same as (last|previous|before)|visual(ly)? only|placeholder|"
    r"(tester|lamps?|meter)( is| was)? (broken|not available|unavailable|defective|dead|missing|"
    r"faulty|failed)|prueba no realizada|no probado|nicht gepr(ü|ue)ft|ungepr(ü|ue)ft|"
    r"non test[ée]e?)($|[^a-z])"
)
"""Words that say that nothing was tested."""

SAYS_UNREAL = (
    r"(^|[^a-z])(draft|not final|preliminary|example|sample data|dummy|training|practice|discard|"
    r"fictitious|made up|lorem ipsum)($|[^a-z])"
)
"""Words that say of a line, or of a sheet, that what stands there is not what was found."""

_WHOLE_CELLS = (
    r"(planned|plan|scheduled|pending|template|estimated?|guess(ed)?|skipped|refused|denied|"
    r"not done|to do|todo|tbd|retest|re-test)"
)
"""Words that say it where they stand alone."""

UNTESTED_BY_YES = frozenset(
    {
        *("not_tested", "untested", "skipped", "no_access", "inaccessible", "not_accessible"),
        *("retest", "retest_needed", "needs_retest", "estimated", "assumed", "guessed"),
        *("sample_data", "example", "dummy", "draft", "planned", "training", "test_data"),
        *("could_not_test", "not_inspected", "refused", "copied"),
    }
)
UNTESTED_BY_NO = frozenset(
    {
        *("tested", "was_tested", "test_performed", "test_done", "performed", "inspected", "done"),
        *("accessible", "access", "accessed", "reachable", "power_on", "powered", "energized"),
        *("completed", "complete", "exists", "present", "found", "verified", "final"),
    }
)
"""Normalised headers beside a result whose yes, or no, says that nothing was tested."""

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


def says_untested_sql(text: str) -> str:
    """Return SQL that is true of a text that says that nothing was tested."""
    return f"coalesce(regexp_matches(lower({text}), {literal(SAYS_UNTESTED)}), false)"


def does_not_count(text: str, *, alone: bool = False) -> bool:
    """Say whether a line says of what stands near it that it does not count.

    Args:
        text: the line.
        alone: it is the name of a sheet, so that one word (``Template``) is enough.
    """
    said = text.lower()
    if alone and re.search(rf"(^|[^a-z]){_WHOLE_CELLS}($|[^a-z])", said):
        return True
    return any(re.search(words, said) for words in (SAYS_VOID, SAYS_UNTESTED, SAYS_UNREAL))


def void_cell_sql(header: str, cell: str, *, of_looks: bool) -> str:
    """Return SQL that is true of a cell which says so, by its words or by what its header asks.

    Args:
        header: of its column.
        cell: SQL of it.
        of_looks: the table holds looks, so that "not tested" says so too.
    """
    says = says_void_sql(cell)
    name = normalised(header)
    by_yes = YES_MEANS_VOID | (UNTESTED_BY_YES if of_looks else frozenset())
    by_no = NO_MEANS_VOID | (UNTESTED_BY_NO if of_looks else frozenset())
    if of_looks:
        whole = rf"\s*({_WHOLE_CELLS}|{SAYS_UNREAL})\s*"
        says += f" OR {says_untested_sql(cell)}"
        says += f" OR regexp_full_match(lower({cell}), {literal(whole)})"
    for names, words in ((by_yes, YES_WORDS), (by_no, (*NO_WORDS, "none", "refused", "denied"))):
        if name in names:
            listed = ", ".join(map(literal, words))
            word = f"lower(trim({cell}))"
            says += f" OR coalesce(list_contains([{listed}]::VARCHAR[], {word}), false)"
    return f"({says})"


def asks_whether_it_counts(header: str) -> bool:
    """Say whether a header asks whether its row counts: then its cells were read as answers."""
    return normalised(header) in YES_MEANS_VOID | NO_MEANS_VOID | UNTESTED_BY_YES | UNTESTED_BY_NO


def void_question(header: str, count: int, example: str) -> Question:
    """Return what is to be asked of a column that nobody reads and that says so of some rows."""
    found = (
        f"{header!r} would stay unread and says of {count} row(s) that they do not count or that "
        f"nothing was tested, such as {example!r}: take these rows out of the file, or say that "
        "every row counts"
    )
    return Question("void_rows", "", found, (f"ignore={header}",))
