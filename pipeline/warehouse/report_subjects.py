"""What reports are about, as SQL: the rules of ``shared.report_subjects`` in a macro."""

from __future__ import annotations

from functools import cache, lru_cache
from threading import Lock

import duckdb

from pipeline.landing import own_notes
from pipeline.offline import connect
from shared.records import literal
from shared.report_subjects import (
    DEFECT_OF,
    REPORTING_KINDS,
    SUBJECT_RULES,
    URGENT_SUBJECTS,
)
from shared.report_words import speaks_of_sql
from shared.vocabulary import ReportSubject


def create_macros(
    con: duckdb.DuckDBPyConnection, *, any_notes: bool = True, any_papers: bool = True
) -> None:
    """Make the macros ``report_subject(text)``, ``urgent_subjects()`` (a list),
    ``paper_defect(subject, report_kind)`` (what such a paper reports, NULL for nothing) and
    ``note_against(note, result)`` (whether a look's own note speaks against it).

    Args:
        con: where to make them.
        any_notes, any_papers: whether there is any text to ask about; without, the macros are made
            without their words, which take a tenth of a second to read each time.
    """
    own_notes.create_macro(con, any_notes=any_notes)
    other = literal(ReportSubject.OTHER.value)
    subject_sql = other
    if any_notes or any_papers:
        cases = " ".join(
            f"WHEN {speaks_of_sql('said', subject)} THEN {literal(subject.value)}"
            for subject in SUBJECT_RULES
        )
        subject_sql = f"CASE {cases} ELSE {other} END"
    con.execute(f"CREATE OR REPLACE TEMP MACRO report_subject(said) AS {subject_sql}")
    urgent = ", ".join(literal(subject.value) for subject in URGENT_SUBJECTS)
    con.execute(f"CREATE OR REPLACE TEMP MACRO urgent_subjects() AS [{urgent}]")
    defects = " ".join(
        f"WHEN {literal(subject.value)} THEN {literal(str(defect))}"
        for subject, defect in DEFECT_OF.items()
    )
    kinds = ", ".join(literal(kind.value) for kind in REPORTING_KINDS)
    con.execute(
        "CREATE OR REPLACE TEMP MACRO paper_defect(subject, report_kind) AS "
        f"CASE WHEN report_kind IN ({kinds}) OR list_contains(urgent_subjects(), subject) "
        f"THEN CASE subject {defects} END END"
    )


_LOCK = Lock()
"""The macros are of one connection, and threads take turns at it."""


@cache
def _own_connection() -> duckdb.DuckDBPyConnection:
    con = connect()
    create_macros(con)
    return con


@lru_cache(maxsize=10_000)
def subject_of(text: str) -> ReportSubject:
    """Return what a text is about, by the same rules as ``report_subject`` in SQL."""
    with _LOCK:
        con = _own_connection()
        (found,) = con.execute("SELECT report_subject(?)", [text]).fetchall()
    return ReportSubject(found[0])
