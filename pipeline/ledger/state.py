"""What the events of a finding amount to: the fold, and which event may follow which state.

States are named by what is electrically known and what was done about it. The fold keeps the last
word on each matter (grade of evidence, treatment, firm, due day, quote, fix, pause); ``state`` is
read off two of them. The same fold in SQL is ``fold.sql``; a property test holds them equal.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

from pipeline.ledger import events as ev
from shared.faults import CoverplateError
from shared.standing import Standing
from shared.vocabulary import Condition


class State(StrEnum):
    """What is electrically known and done about a finding."""

    SUSPECTED_DEFECT = "suspected_defect"
    CONFIRMED_DEFECT = "confirmed_defect"
    RECORD_IN_DOUBT = "record_in_doubt"
    MADE_SAFE_DEFECT_REMAINS = "made_safe_defect_remains"
    FIX_REPORTED_UNPROVEN = "fix_reported_unproven"
    FIX_DISPROVED = "fix_disproved"
    REPAIR_PROVEN = "repair_proven"
    SET_ASIDE_UNREPAIRED = "set_aside_unrepaired"
    NO_LONGER_INDICATED = "no_longer_indicated"


STATE_MEANING: dict[State, str] = {
    State.SUSPECTED_DEFECT: "evidence points at the defect; in use, nothing done",
    State.CONFIRMED_DEFECT: "the defect is confirmed; in use, nothing done",
    State.RECORD_IN_DOUBT: "records contradict each other; nothing settled",
    State.MADE_SAFE_DEFECT_REMAINS: "out of reach for now; the defect is still there",
    State.FIX_REPORTED_UNPROVEN: "somebody says it is repaired; no capable look since",
    State.FIX_DISPROVED: "a look after the reported fix found the defect or an unfit repair",
    State.REPAIR_PROVEN: "a capable look after the reported fix found the repaired state",
    State.SET_ASIDE_UNREPAIRED: "closed on paper with a reason; nothing was repaired",
    State.NO_LONGER_INDICATED: "evidence no longer points at it; nothing was repaired",
}

OPEN_STATES = (
    State.SUSPECTED_DEFECT,
    State.CONFIRMED_DEFECT,
    State.RECORD_IN_DOUBT,
    State.MADE_SAFE_DEFECT_REMAINS,
    State.FIX_DISPROVED,
)
"""States in which somebody still has to do something at the opening."""

TREATMENT: dict[str, str] = {
    "raised": "none",
    "made_safe": "made_safe",
    "made_live_again": "none",
    "fix_reported": "fix_reported",
    "verified": "proven",
    "verification_failed": "disproved",
    "dismissed": "set_aside",
    "reopened": "none",
    "evidence_withdrawn": "withdrawn",
}
"""Kinds of event that say how the finding stands, and what they say."""


def state_of(treatment: str, grade: str) -> State:
    """Return the state for a treatment and a grade of evidence."""
    by_treatment = {
        "made_safe": State.MADE_SAFE_DEFECT_REMAINS,
        "fix_reported": State.FIX_REPORTED_UNPROVEN,
        "proven": State.REPAIR_PROVEN,
        "disproved": State.FIX_DISPROVED,
        "set_aside": State.SET_ASIDE_UNREPAIRED,
        "withdrawn": State.NO_LONGER_INDICATED,
    }
    by_grade = {
        "suspected": State.SUSPECTED_DEFECT,
        "confirmed": State.CONFIRMED_DEFECT,
        "record_in_doubt": State.RECORD_IN_DOUBT,
    }
    return by_treatment[treatment] if treatment != "none" else by_grade[grade]


@dataclass(frozen=True)
class Finding:
    """A finding as its events leave it.

    Attributes:
        finding_id, sequence: which, and its version: the sequence of its last event.
        raised: the event that raised it.
        raised_at, last_at: when the first and the last event were written, UTC.
        treatment: last word on how it stands, one of the values of ``TREATMENT``.
        grade, condition, probability, last_seen_on, seen_standing: last word of the evidence.
        pointed_on: the last day on which a look pointed at it, as far as the events say.
        accepted: whether somebody took it on since it was last raised, set aside or reopened.
        firm, person, due_on: of the last assignment.
        quoted_by, quoted: of the last quote.
        fix: the last reported fix, or None.
        proven_by: the look that proved the repair, while it stands proven.
        failed_fixes: how many reported fixes were disproved.
        paused_since: the day since which the own target stands still, or None.
        resumed_on: the day from which it ran again after the last pause that ended, or None.
        awaited_visits: visits planned and neither made nor called off, in the order planned.
    """

    finding_id: str
    sequence: int
    raised: ev.Raised
    raised_at: dt.datetime
    last_at: dt.datetime
    treatment: str
    grade: str
    condition: Condition | None
    probability: float | None
    last_seen_on: dt.date
    pointed_on: dt.date
    seen_standing: Standing | None = None
    accepted: bool = False
    firm: str | None = None
    person: str | None = None
    due_on: dt.date | None = None
    quoted_by: str | None = None
    quoted: float | None = None
    fix: ev.FixReported | None = None
    proven_by: ev.Look | None = None
    failed_fixes: int = 0
    paused_since: dt.date | None = None
    resumed_on: dt.date | None = None
    awaited_visits: tuple[str, ...] = ()

    @property
    def state(self) -> State:
        """What is electrically known and done about it."""
        return state_of(self.treatment, self.grade)

    @property
    def standing(self) -> Standing | None:
        """Where what is said of the opening comes from; None in findings of before it was noted."""
        return Standing.PROVEN if self.treatment == "proven" else self.seen_standing


def start(finding_id: str, event: ev.Event) -> Finding:
    """Return the state after a raising event."""
    raised = event.payload
    if not isinstance(raised, ev.Raised):
        raise CoverplateError(
            f"{finding_id}: the first event is {event.kind}",
            expected="raised",
            to_do="run `coverplate ledger verify`",
        )
    return Finding(
        finding_id=finding_id,
        sequence=event.sequence,
        raised=raised,
        raised_at=event.recorded_at,
        last_at=event.recorded_at,
        treatment="none",
        grade=raised.grade,
        condition=raised.condition,
        probability=raised.probability,
        last_seen_on=raised.last_seen_on or raised.first_seen_on,
        pointed_on=raised.pointed_on or raised.first_seen_on,
        seen_standing=raised.standing,
    )


def after(finding: Finding, event: ev.Event) -> Finding:
    """Return the finding after one more event; the event is taken as allowed."""
    payload = event.payload
    new: dict[str, Any] = {"sequence": event.sequence, "last_at": event.recorded_at}
    if event.kind in TREATMENT:
        new["treatment"] = TREATMENT[event.kind]
        new["proven_by"] = payload.look if isinstance(payload, ev.Verified) else None
    match payload:
        case ev.SeenAgain():
            new |= {"grade": payload.grade, "probability": payload.probability}
            new |= {"last_seen_on": max(finding.last_seen_on, payload.seen_on)}
            new["pointed_on"] = max(finding.pointed_on, payload.pointed_on or finding.pointed_on)
            new["condition"] = payload.condition or finding.condition
            new["seen_standing"] = payload.standing
            if finding.treatment == "withdrawn":
                new["treatment"] = "none"
        case ev.Accepted():
            new["accepted"] = True
        case ev.Dismissed() | ev.Reopened():
            new["accepted"] = False
        case ev.Assigned():
            new |= {"firm": payload.firm, "person": payload.person, "due_on": payload.due_on}
        case ev.Quoted():
            new |= {"quoted_by": payload.firm, "quoted": payload.amount}
        case ev.FixReported():
            new["fix"] = payload
        case ev.VerificationFailed():
            new["failed_fixes"] = finding.failed_fixes + 1
        case ev.Paused():
            new["paused_since"] = payload.since
        case ev.Resumed():
            new |= {"paused_since": None, "resumed_on": payload.since}
        case ev.VisitPlanned():
            new["awaited_visits"] = (*finding.awaited_visits, payload.visit_id)
        case ev.VisitCalledOff() | ev.VisitMade():
            new["awaited_visits"] = tuple(
                each for each in finding.awaited_visits if each != payload.visit_id
            )
        case _:
            pass
    return replace(finding, **new)


def fold(events: Iterable[ev.Event]) -> Finding:
    """Return what the events of one finding amount to, whatever order they come in.

    Raises:
        CoverplateError: there are none, or they do not start with ``raised``.
    """
    ordered = sorted(events, key=lambda event: event.sequence)
    if not ordered:
        raise CoverplateError("a finding without events", to_do="run `coverplate ledger verify`")
    finding = start(ordered[0].finding_id, ordered[0])
    for event in ordered[1:]:
        finding = after(finding, event)
    return finding


_ALWAYS = {
    *("billed", "commented", "notice_given", "entry_refused", "no_access"),
    *("attached", "permit_noted"),
}
"""Allowed wherever a finding stands; bills and papers come after the work, also after its proof."""

_ALLOWED: dict[str, set[str]] = {
    "none": {"dismissed", "made_safe", "fix_reported", "evidence_withdrawn"},
    "made_safe": {"dismissed", "made_safe", "made_live_again", "fix_reported"},
    "fix_reported": {"dismissed", "fix_reported", "verified", "verification_failed", "reopened"},
    "disproved": {"dismissed", "made_safe", "fix_reported"},
    "proven": {"reopened"},
    "set_aside": {"reopened", "seen_again"},
    "withdrawn": {"dismissed", "reopened", "seen_again", "fix_reported"},
}
_WORK = {"seen_again", "accepted", "assigned", "quoted", "paused", "resumed", "visit_planned"}
"""Also allowed wherever the finding is neither proven, set aside nor withdrawn."""

_OF_A_VISIT = {"visit_moved", "visit_called_off", "visit_made"}
"""Also allowed wherever a visit is awaited, even at a finding that was proven or set aside since:
a visit on whose day a look proved the repair was made all the same."""


def allowed_after(finding: Finding) -> set[str]:
    """Return the kinds of event that may follow."""
    allowed = _ALWAYS | _ALLOWED[finding.treatment]
    if finding.treatment not in ("proven", "set_aside", "withdrawn"):
        allowed |= _WORK
        allowed -= {"paused"} if finding.paused_since else {"resumed"}
    if finding.awaited_visits:
        allowed |= _OF_A_VISIT
    return allowed


def check_follows(finding: Finding, payload: ev.Payload, now: dt.datetime) -> None:
    """Refuse an event that cannot follow the state that a finding is in.

    Args:
        finding: the finding as it stands.
        payload: what is to be written.
        now: when it is written down.

    Raises:
        CoverplateError: naming the state and what may follow, or the day that cannot be.
    """
    if isinstance(payload, ev.VisitStep):
        _check_visit(finding, payload, now)
    allowed = allowed_after(finding)
    if payload.kind not in allowed:
        raise CoverplateError(
            f"{finding.finding_id} is {finding.state.value} ({STATE_MEANING[finding.state]}); "
            f"{payload.kind} cannot follow",
            expected="one of " + ", ".join(sorted(allowed)),
            to_do=_WAY_OUT.get(finding.treatment, "look at its history first"),
        )
    if isinstance(payload, ev.FixReported) and finding.raised.grade == "record_in_doubt":
        raise CoverplateError(
            f"{finding.finding_id} is a conflict between records, not a defect of an opening",
            to_do="correct the records and take them in again; it then goes by itself",
        )
    if isinstance(payload, ev.FixReported) and payload.fixed_on < finding.pointed_on:
        raise CoverplateError(
            f"{finding.finding_id}: fixed on {payload.fixed_on}, last seen on {finding.pointed_on}",
            expected="a day not before the defect was last seen",
            to_do="check the date; what was done before it was seen did not cure it",
        )
    if isinstance(payload, ev.Paused):
        _check_pause(finding, payload, now)
    if isinstance(payload, ev.Resumed) and finding.paused_since:
        _check_day(
            finding,
            f"resumed on {payload.since}",
            payload.since,
            now,
            not_before=[(finding.paused_since, "the pause begins")],
        )


def _check_visit(finding: Finding, payload: ev.VisitStep, now: dt.datetime) -> None:
    if isinstance(payload, ev.VisitPlanned):
        return
    if payload.visit_id not in finding.awaited_visits:
        raise CoverplateError(
            f"{finding.finding_id} awaits no visit {payload.visit_id}",
            expected=", ".join(finding.awaited_visits) or "a visit that is planned first",
            to_do="it was made or called off, or never planned: see `coverplate visits list`",
        )
    if isinstance(payload, ev.VisitMade):
        _check_day(
            finding,
            f"visit {payload.visit_id} made on {payload.on}",
            payload.on,
            now,
            not_before=[(dt.date.min, "")],
        )


def _check_pause(finding: Finding, payload: ev.Paused, now: dt.datetime) -> None:
    if payload.note is None or len(payload.note) < REASON_LENGTH:
        raise CoverplateError(
            f"{finding.finding_id}: a pause without a reason in words",
            expected=f"what the work waits for, at least {REASON_LENGTH} characters",
            to_do="say why in the note",
        )
    not_before = [(earliest_day(finding.raised_at), "the finding was raised")]
    if finding.resumed_on is not None:
        not_before.append((finding.resumed_on, "the pause before it ends"))
    _check_day(finding, f"paused since {payload.since}", payload.since, now, not_before=not_before)


def _check_day(
    finding: Finding,
    said: str,
    day: dt.date,
    now: dt.datetime,
    *,
    not_before: list[tuple[dt.date, str]],
) -> None:
    """Refuse a day in the future, or one before any of the days given with their meaning."""
    if day > latest_day(now):
        raise CoverplateError(
            f"{finding.finding_id}: {said}, a day in the future",
            expected="a day that has come",
            to_do="check the date",
        )
    first, what = max(not_before)
    if day < first:
        raise CoverplateError(
            f"{finding.finding_id}: {said}; {what} on {first}",
            expected=f"{first} or later",
            to_do="check the date",
        )


def earliest_day(moment: dt.datetime) -> dt.date:
    """Return the day that a moment is where the day begins last.

    Events carry UTC, people name the day that it is with them: both must be allowed.
    """
    return (moment.astimezone(dt.UTC) - dt.timedelta(hours=12)).date()


def latest_day(moment: dt.datetime) -> dt.date:
    """Return the day that a moment is where the day begins first (``earliest_day``)."""
    return (moment.astimezone(dt.UTC) + dt.timedelta(hours=14)).date()


REASON_LENGTH = 3
"""Fewest characters of a reason in words."""

_WAY_OUT = {
    "proven": "a defect seen after a proven repair is raised as a recurrence; "
    "reopen only what was proven by mistake",
    "set_aside": "reopen it first, with a reason",
    "none": "report a fix before anything can be verified",
    "made_safe": "report a fix before anything can be verified",
    "disproved": "report the new fix first",
}
