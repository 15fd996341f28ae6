"""Finds the words of ``report_subjects`` in a text: as SQL, and in Python for single texts."""

from __future__ import annotations

import re
from functools import cache, lru_cache

from shared.records import literal
from shared.report_subjects import NOT_DENIED, SUBJECT_RULES, URGENT_SUBJECTS
from shared.vocabulary import ReportSubject

_DECIMALS = r"(\d)\.\d+"
"""118.4 V are 118 V: one number, no end of a sentence."""

_STOPS = r"[.;:\n\r]+|\s[-–—]+\s"
"""What stands after a full stop, a line break or a dash is denied by nothing before it."""


def speaks_of_sql(text: str, subject: ReportSubject) -> str:
    """Return SQL that is true of a text with the words of a subject, NULL for NULL."""
    plain = f"replace(lower({text}), '’', '''')"
    plain = f"regexp_replace({plain}, {literal(_DECIMALS)}, '\\1', 'g')"
    plain = f"regexp_replace({plain}, {literal(_STOPS)}, ' . ', 'g')"
    plain = f"regexp_replace({plain}, '\\s\\s+|[^\\S ]', ' ', 'g')"
    plain = f"regexp_replace({plain}, {_whole_sql(NOT_DENIED)}, ' with ', 'g')"
    rule = SUBJECT_RULES[subject]
    if rule.unless:
        plain = f"regexp_replace({plain}, {_whole_sql(rule.unless)}, ' . ', 'g')"
    return f"regexp_matches({plain}, {_whole_sql(rule.words)})"


def is_urgent_sql(text: str) -> str:
    """Return SQL that is true of a text about something urgent, NULL for NULL."""
    return f"({' OR '.join(speaks_of_sql(text, subject) for subject in URGENT_SUBJECTS)})"


@lru_cache(maxsize=1 << 14)
def is_urgent(text: str) -> bool:
    """Say whether a text is about something urgent, by the same rules as ``is_urgent_sql``."""
    plain = re.sub(_DECIMALS, r"\1", text.lower().replace("’", "'"))
    plain = re.sub(_STOPS, " . ", plain)
    plain = _whole(NOT_DENIED).sub(" with ", re.sub(r"\s+", " ", plain))
    for subject in URGENT_SUBJECTS:
        rule = SUBJECT_RULES[subject]
        left = _whole(rule.unless).sub(" . ", plain) if rule.unless else plain
        if _whole(rule.words).search(left):
            return True
    return False


def _whole_sql(pattern: str) -> str:
    """A pattern as a SQL literal that finds whole words only."""
    return literal(rf"(^|[^\pL\pN])({pattern})($|[^\pL\pN])")


@cache
def _whole(pattern: str) -> re.Pattern[str]:
    return re.compile(rf"(^|[\W_])({pattern})($|[\W_])")
