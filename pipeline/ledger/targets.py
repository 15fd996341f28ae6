"""Own targets where events are written: the first target, and which due days need a reason.

How a target moved since is ``target_moves.sql``; a test holds the first target equal in both.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable

from pipeline.ledger import events as ev
from pipeline.ledger.families import URGENT_FAMILIES
from pipeline.ledger.state import FURTHEST, REASON_LENGTH, Finding, earliest_day, latest_day
from shared.faults import CoverplateError
from shared.rule_book import RuleBook
from shared.vocabulary import Condition


def first_target(book: RuleBook, finding: Finding) -> dt.date:
    """Return the day by which a finding should be dealt with, as of its raising; it never moves."""
    raised = finding.raised
    days = _target_days(book, raised.condition, raised.family)
    return finding.raised_at.astimezone(dt.UTC).date() + dt.timedelta(days)


def check_target(book: RuleBook, finding: Finding, payload: ev.Payload, now: dt.datetime) -> None:
    """Refuse a due day before the raising, one more than ten years ahead, and a later one than the
    rule book's without a reason.

    Raises:
        CoverplateError: naming the day that was given and the one that counts.
    """
    if not isinstance(payload, ev.Assigned) or payload.due_on is None:
        return
    begun = earliest_day(finding.raised_at)
    if payload.due_on < begun:
        raise CoverplateError(
            f"{finding.finding_id}: due on {payload.due_on}, raised on {begun}",
            expected=f"{begun} or later",
            to_do="check the date",
        )
    furthest = latest_day(now) + FURTHEST
    if payload.due_on > furthest:
        raise CoverplateError(
            f"{finding.finding_id}: due on {payload.due_on}, more than ten years ahead",
            expected=f"a day up to {furthest}",
            to_do="check the year; what nobody is to repair is closed with a reason instead",
        )
    first = first_target(book, finding)
    # a condition that is graver than the one raised may leave less time than the first target
    by_now = now.astimezone(dt.UTC).date() + dt.timedelta(
        _target_days(book, finding.condition, finding.raised.family)
    )
    latest = min(first, by_now)
    if payload.due_on > latest and (payload.note is None or len(payload.note) < REASON_LENGTH):
        which = "its first target" if latest == first else "what its present condition allows"
        raise CoverplateError(
            f"{finding.finding_id}: due on {payload.due_on}, later than {which}, {latest}",
            expected=f"a day up to {latest}, or a reason of at least {REASON_LENGTH} characters",
            to_do="give an earlier day, or say in the note why it has to be later",
        )


def check_some_target(
    known: Callable[[], Iterable[RuleBook]],
    finding: Finding,
    payload: ev.Payload,
    now: dt.datetime,
) -> None:
    """Refuse of a history a due day that no rule book known here allows (``check_target``).

    An assignment does not say which rule book it was written under, so any may have been it.

    Args:
        known: gives the rule books; asked only of an assignment with a due day.
        finding, payload, now: as in ``check_target``.
    """
    if not isinstance(payload, ev.Assigned) or payload.due_on is None:
        return
    refused: CoverplateError | None = None
    for book in known():
        try:
            return check_target(book, finding, payload, now)
        except CoverplateError as fault:
            refused = refused or fault
    if refused is not None:
        raise refused


def _target_days(book: RuleBook, condition: Condition | None, family: str) -> int:
    due = book.due
    if condition is not None:
        severity = due.severity_class[condition]
    elif family in URGENT_FAMILIES:
        severity = book.urgent.severity_class
    else:
        severity = due.record_conflict_class
    return int(float(due.target_days[severity]))
