"""What reports are about, as SQL: the rules of ``shared.report_subjects`` in a macro."""

from __future__ import annotations

import duckdb

from pipeline.landing.cells import phrase_pattern
from shared.records import literal
from shared.report_subjects import SUBJECT_RULES, URGENT_SUBJECTS
from shared.vocabulary import ReportSubject


def create_macros(con: duckdb.DuckDBPyConnection) -> None:
    """Make the macros ``report_subject(text)`` and ``urgent_subjects()`` (a list)."""
    cases = []
    for subject, rule in SUBJECT_RULES.items():
        text = "lower(said)"
        if rule.unless:
            unless = literal(phrase_pattern(rule.unless))
            text = f"regexp_replace({text}, {unless}, ' ', 'g')"
        cases.append(
            f"WHEN regexp_matches({text}, {literal(phrase_pattern(rule.words))}) "
            f"THEN {literal(subject.value)}"
        )
    con.execute(
        f"CREATE OR REPLACE TEMP MACRO report_subject(said) AS "
        f"CASE {' '.join(cases)} ELSE {literal(ReportSubject.OTHER.value)} END"
    )
    urgent = ", ".join(literal(subject.value) for subject in URGENT_SUBJECTS)
    con.execute(f"CREATE OR REPLACE TEMP MACRO urgent_subjects() AS [{urgent}]")
