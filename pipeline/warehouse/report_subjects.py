"""What reports are about, as SQL: the rules of ``shared.report_subjects`` in a macro."""

from __future__ import annotations

import duckdb

from shared.records import literal
from shared.report_subjects import NOT_DENIED, SUBJECT_RULES, URGENT_SUBJECTS
from shared.vocabulary import ReportSubject


def create_macros(con: duckdb.DuckDBPyConnection) -> None:
    """Make the macros ``report_subject(text)`` and ``urgent_subjects()`` (a list)."""
    plain = "replace(lower(said), '’', '''')"
    # what stands after a full stop, a line break or a dash is denied by nothing before it
    plain = f"regexp_replace({plain}, '[.;:\\n\\r]+|\\s[-–—]+\\s', ' . ', 'g')"
    plain = f"regexp_replace({plain}, '\\s+', ' ', 'g')"
    plain = f"regexp_replace({plain}, {_whole(NOT_DENIED)}, ' with ', 'g')"
    cases = []
    for subject, rule in SUBJECT_RULES.items():
        text = (
            f"regexp_replace({plain}, {_whole(rule.unless)}, ' . ', 'g')" if rule.unless else plain
        )
        cases.append(
            f"WHEN regexp_matches({text}, {_whole(rule.words)}) THEN {literal(subject.value)}"
        )
    con.execute(
        f"CREATE OR REPLACE TEMP MACRO report_subject(said) AS "
        f"CASE {' '.join(cases)} ELSE {literal(ReportSubject.OTHER.value)} END"
    )
    urgent = ", ".join(literal(subject.value) for subject in URGENT_SUBJECTS)
    con.execute(f"CREATE OR REPLACE TEMP MACRO urgent_subjects() AS [{urgent}]")


def _whole(pattern: str) -> str:
    """A pattern as a SQL literal that finds whole words only."""
    return literal(rf"(^|[^\pL\pN])({pattern})($|[^\pL\pN])")
