"""What the events of a finding amount to: the fold, and which event may follow which state.

What each kind of event makes of a finding is declared in ``shared.finding_states``; the fold keeps
the last word on each matter (grade of evidence, treatment, firm, due day, quote, fix, pause). What
it amounts to is kept in the database (``current_states``): nothing else folds events.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

from pipeline.ledger import events as ev
from pipeline.ledger.persons import names_somebody
from shared.faults import CoverplateError
from shared.finding_states import (
    ALWAYS,
    OF_A_VISIT,
    STATE_MEANING,
    TREATMENTS,
    WORK,
    State,
    state_of,
    treatment_after,
)
from shared.standing import Standing
from shared.vocabulary import Condition, Method


@dataclass(frozen=True)
class Change:
    """An event after which a finding was in another state, or with another firm.

    Attributes:
        sequence, recorded_at, kind: of the event.
        state, treatment, open, firm: as it left the finding; ``open`` says whether somebody still
            had to do something there, ``firm`` is that of the last assignment.
    """

    sequence: int
    recorded_at: dt.datetime
    kind: str
    state: State
    treatment: str
    open: bool
    firm: str | None


@dataclass(frozen=True)
class TargetStep:
    """An event that bears on the own target of a finding.

    Attributes:
        sequence, recorded_at, who, kind: of the event: raised, assigned, paused, resumed, or
            seen_again where the condition became another.
        condition: that of the finding since then.
        day: the due day assigned, or since when it pauses or runs again.
        reason: what was said of it.
    """

    sequence: int
    recorded_at: dt.datetime
    who: str
    kind: str
    condition: Condition | None
    day: dt.date | None = None
    reason: str | None = None


@dataclass(frozen=True)
class Finding:
    """A finding as its events leave it.

    Attributes:
        finding_id, sequence: which, and its version: the sequence of its last event.
        raised: the event that raised it.
        raised_at, last_at: when the first and the last event were written, UTC.
        treatment: last word on how it stands, one of the values of ``TREATMENT``.
        grade, condition, probability, last_seen_on, seen_standing: last word of the evidence.
        pointed_on: the last day on which a look pointed at it or disproved its repair, as far as
            the events say.
        accepted: whether somebody took it on since it was last raised, set aside or reopened.
        firm, person, due_on: of the last assignment.
        quoted_by, quoted: of the last quote.
        fix: the fix that stands reported, the one done last of several since the last verdict;
            or None.
        unjudged: fixes reported since the last verdict, but for those that a later report puts
            right.
        proven_by: the look that proved the repair, while it stands proven.
        failed_fixes: how many reported fixes were disproved.
        paused_since: the day since which the own target stands still, or None.
        resumed_on: the day from which it ran again after the last pause that ended, or None.
        awaited_visits: visits planned and neither made nor called off, in the order planned.
        seen_by: the methods of the looks behind the last word of the evidence.
        times_seen_again: how many times.
        fix_reported_at: when the last reported fix was written down.
        set_aside_reason: why it was last set aside.
        seen_since_set_aside: whether it was seen after it was set aside, while it is.
        last_access: the kind of the last event at the tenant's door.
        defect_last_seen_on: the last day on which a look found it, before a fix or after.
        changes: the events that changed its state or its firm, the raising first.
        target_steps: the events that bear on its target, the raising first.
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
    unjudged: tuple[ev.FixReported, ...] = ()
    proven_by: ev.Look | None = None
    failed_fixes: int = 0
    paused_since: dt.date | None = None
    resumed_on: dt.date | None = None
    awaited_visits: tuple[str, ...] = ()
    seen_by: tuple[Method, ...] = ()
    times_seen_again: int = 0
    fix_reported_at: dt.datetime | None = None
    set_aside_reason: str | None = None
    seen_since_set_aside: bool = False
    last_access: str | None = None
    defect_last_seen_on: dt.date = dt.date.min
    changes: tuple[Change, ...] = ()
    target_steps: tuple[TargetStep, ...] = ()

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
    finding = Finding(
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
        seen_by=raised.methods,
        defect_last_seen_on=raised.last_seen_on or raised.first_seen_on,
        target_steps=(
            TargetStep(event.sequence, event.recorded_at, event.who, event.kind, raised.condition),
        ),
    )
    return replace(finding, changes=(_change(finding, event),))


def _change(finding: Finding, event: ev.Event) -> Change:
    return Change(
        event.sequence,
        event.recorded_at,
        event.kind,
        finding.state,
        finding.treatment,
        TREATMENTS[finding.treatment].open,
        finding.firm,
    )


def after(finding: Finding, event: ev.Event) -> Finding:
    """Return the finding after one more event; the event is taken as allowed."""
    payload = event.payload
    new: dict[str, Any] = {"sequence": event.sequence, "last_at": event.recorded_at}
    treatment = treatment_after(finding.treatment, event.kind)
    if treatment != finding.treatment:
        new["treatment"] = treatment
        new["seen_since_set_aside"] = False
        new["proven_by"] = None
    match payload:
        case ev.SeenAgain():
            new |= _seen_again(finding, payload)
        case ev.Accepted():
            new["accepted"] = True
        case ev.Dismissed():
            new |= {"accepted": False, "set_aside_reason": payload.reason}
        case ev.Reopened():
            new["accepted"] = False
        case ev.Assigned():
            new |= {"firm": payload.firm, "person": payload.person, "due_on": payload.due_on}
        case ev.Quoted():
            new |= {"quoted_by": payload.firm, "quoted": payload.amount}
        case ev.FixReported():
            waits = finding.treatment == "fix_reported"
            others = tuple(
                each for each in finding.unjudged if not _put_right(each, payload, waits)
            )
            new |= {"fix_reported_at": event.recorded_at, "unjudged": (*others, payload)}
            before = others if waits else ()
            new["fix"] = max((payload, *before), key=lambda each: each.fixed_on)
        case ev.Verified():
            new |= {"proven_by": payload.look, "unjudged": ()}
        case ev.VerificationFailed():
            seen_on = payload.look.observed_on
            new |= {
                "failed_fixes": finding.failed_fixes + 1,
                "unjudged": (),
                "pointed_on": max(finding.pointed_on, seen_on),
                "defect_last_seen_on": max(finding.defect_last_seen_on, seen_on),
            }
        case ev.Paused():
            new["paused_since"] = payload.since
        case ev.Resumed():
            new |= {"paused_since": None, "resumed_on": payload.since}
        case ev.NoticeGiven() | ev.EntryRefused() | ev.NoAccess():
            new["last_access"] = payload.kind
        case ev.VisitPlanned():
            new["awaited_visits"] = (*finding.awaited_visits, payload.visit_id)
        case ev.VisitCalledOff() | ev.VisitMade():
            new["awaited_visits"] = tuple(
                each for each in finding.awaited_visits if each != payload.visit_id
            )
        case _:
            pass
    then = replace(finding, **new)
    trail: dict[str, Any] = {}
    step = _target_step(finding, then, event)
    if step is not None:
        trail["target_steps"] = (*finding.target_steps, step)
    if (then.state, then.treatment, then.firm) != (finding.state, finding.treatment, finding.firm):
        trail["changes"] = (*finding.changes, _change(then, event))
    return replace(then, **trail) if trail else then


def _put_right(earlier: ev.FixReported, later: ev.FixReported, waits: bool) -> bool:
    """Whether a report puts an earlier one right: of the same firm, and by no other worker.

    A report of an earlier day may tell of work before it: while the earlier one waits for a verdict
    it is put right only where the row itself was corrected.
    """
    told = names_somebody(earlier.worker)
    if earlier.firm != later.firm or (told and earlier.worker != later.worker):
        return False
    corrected = later.corrects is not None and later.corrects == earlier.landed
    return corrected or not waits or later.fixed_on >= earlier.fixed_on


def _seen_again(finding: Finding, payload: ev.SeenAgain) -> dict[str, Any]:
    return {
        "grade": payload.grade,
        "probability": payload.probability,
        "last_seen_on": max(finding.last_seen_on, payload.seen_on),
        "pointed_on": max(finding.pointed_on, payload.pointed_on or finding.pointed_on),
        "condition": payload.condition or finding.condition,
        "seen_standing": payload.standing,
        "seen_by": payload.methods,
        "times_seen_again": finding.times_seen_again + 1,
        "seen_since_set_aside": finding.treatment == "set_aside",
        "defect_last_seen_on": max(finding.defect_last_seen_on, payload.seen_on),
    }


def _target_step(finding: Finding, then: Finding, event: ev.Event) -> TargetStep | None:
    day: dt.date | None = None
    reason: str | None = None
    match event.payload:
        case ev.Assigned() as payload:
            day, reason = payload.due_on, payload.note
        case ev.Paused() as payload:
            day = payload.since
            reason = payload.reason.replace("_", " ")
            reason += f": {payload.note}" if payload.note is not None else ""
        case ev.Resumed() as payload:
            day = payload.since
        case ev.SeenAgain() if then.condition != finding.condition:
            pass
        case _:
            return None
    return TargetStep(
        event.sequence, event.recorded_at, event.who, event.kind, then.condition, day, reason
    )


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


def allowed_after(finding: Finding) -> set[str]:
    """Return the kinds of event that may follow."""
    treatment = TREATMENTS[finding.treatment]
    allowed = set(ALWAYS | treatment.may_follow)
    if treatment.live:
        allowed |= WORK
        allowed -= {"paused"} if finding.paused_since else {"resumed"}
    if finding.awaited_visits:
        allowed |= OF_A_VISIT
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
            to_do=TREATMENTS[finding.treatment].way_out,
        )
    proof = finding.proven_by
    if (
        isinstance(payload, ev.VerificationFailed)
        and proof is not None
        and payload.look.observed_on >= proof.observed_on
    ):
        raise CoverplateError(
            f"{finding.finding_id}: proven on {proof.observed_on}, and the look is of "
            f"{payload.look.observed_on}",
            expected="a look from before the proof, or a recurrence",
            to_do=TREATMENTS["proven"].way_out,
        )
    worked_on = finding.treatment == "fix_reported"
    if isinstance(payload, ev.EvidenceWithdrawn) and worked_on and finding.raised.opening_id:
        raise CoverplateError(
            f"{finding.finding_id}: a fix was reported, and evidence says nothing of a fix",
            to_do="have the opening looked at by somebody able to see whether it is repaired",
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
    if not isinstance(payload, ev.VisitCalledOff):
        _check_visit_day(finding, payload.on, now)
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


def _check_visit_day(finding: Finding, on: dt.date, now: dt.datetime) -> None:
    """Refuse a visit before its finding was seen, or too far ahead."""
    earliest, furthest = finding.raised.first_seen_on, latest_day(now) + FURTHEST
    if on < earliest:
        raise CoverplateError(
            f"{finding.finding_id}: a visit on {on}; first seen on {earliest}",
            expected=f"{earliest} or later",
            to_do="check the year, and which findings the visit is to",
        )
    if on > furthest:
        raise CoverplateError(
            f"{finding.finding_id}: a visit on {on}, more than ten years ahead",
            expected=f"a day up to {furthest}",
            to_do="check the year",
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


FURTHEST = dt.timedelta(days=3653)
"""No due day and no visit is further ahead than this: a slip of the year is likelier. Judgement."""

REASON_LENGTH = 3
"""Fewest characters of a reason in words."""
