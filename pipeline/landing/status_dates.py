"""Finds a status and a date of closing that belong together, so that they can be held against
each other."""

from __future__ import annotations

import re
from collections.abc import Sequence

from pipeline.landing.mapping import StatusDate
from pipeline.landing.row_kinds import normalised

_STATUS = re.compile(r"(^|_)(status|state)(_|$)")
_CLOSED_ON = re.compile(
    r"(^|_)(fixed|closed|completed|resolved|repaired|done)(_(on|date|at))?$"
    r"|date_(fixed|closed|completed|resolved|repaired|done)$"
)


def find_status_dates(header: Sequence[str]) -> tuple[StatusDate, ...]:
    """Return the rule for a header with one status and one date of closing; () for any other."""
    statuses = [cell for cell in header if _STATUS.search(normalised(cell))]
    dates = [cell for cell in header if _CLOSED_ON.search(normalised(cell))]
    if len(statuses) == 1 and len(dates) == 1 and statuses != dates:
        return (StatusDate(status=statuses[0], date=dates[0]),)
    return ()
