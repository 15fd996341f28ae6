"""What an event must pass before it is written, whoever writes it and from where."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from pipeline.landing.own_notes import DANGER_LEFT, danger_beside, report_speaks_against
from pipeline.ledger import events as ev
from pipeline.ledger.families import FAMILY, identity_of, is_family, members
from pipeline.ledger.prices import check_quote
from pipeline.ledger.remedies import checked_fix, may_leave_ungrounded
from pipeline.ledger.state import Finding, check_follows, latest_day
from pipeline.ledger.targets import check_target
from pipeline.ledger.verification import Judge
from shared.canonical import utc_text
from shared.faults import CoverplateError
from shared.rule_book import RuleBook
from shared.vocabulary import Condition


def checked_payload(
    judge: Judge, finding: Finding, payload: ev.Payload, now: dt.datetime
) -> ev.Payload:
    """Return an event's content as it is to be written: remedies checked, looks judged.

    Raises:
        CoverplateError: it cannot follow, the remedy is none, or the look does not amount to it.
    """
    if isinstance(payload, ev.Raised):
        raise CoverplateError(
            f"{finding.finding_id} was raised already", to_do="raise a recurrence instead"
        )
    check_follows(finding, payload, now)
    check_evidence(finding, payload)
    check_target(judge.book, finding, payload, now)
    check_has_come(finding.finding_id, payload, latest_day(now))
    check_was_seen(finding.finding_id, payload, latest_day(now))
    if isinstance(payload, ev.Quoted):
        check_quote(judge.book, finding, payload)
    if isinstance(payload, ev.FixReported):
        return checked_fix(judge.book, finding, payload)
    if isinstance(payload, ev.Verified | ev.VerificationFailed):
        judged = judge.verified(finding, payload.look)
        if judged.kind != payload.kind:
            said = judged.reason if isinstance(judged, ev.VerificationFailed) else "it is proven"
            raise CoverplateError(
                f"{finding.finding_id}: the look does not amount to {payload.kind}: {said}",
                expected=judged.kind,
                to_do="let the look be judged: `coverplate fix verify`",
            )
        return judged.model_copy(update={"landed": payload.landed})
    return payload


def check_has_come(finding: str, payload: ev.Payload, today: dt.date) -> None:
    """Refuse a fix, a look, a bill, or what is said of danger put out of reach, of a day to come.

    Args:
        finding: the finding, as it is named in the refusal.
        payload: what is to be written.
        today: the day that it is; whoever writes now is held to the day here, a history from
            elsewhere to the latest day that it then was anywhere.
    """
    if isinstance(payload, ev.FixReported):
        day, what = payload.fixed_on, "fixed on"
        if payload.gfci_tested_on is not None and payload.gfci_tested_on > day:
            day, what = payload.gfci_tested_on, "its GFCI tested on"
    elif isinstance(payload, ev.Verified | ev.VerificationFailed):
        day, what = payload.look.observed_on, "a look of"
    elif isinstance(payload, ev.MadeSafe | ev.MadeLiveAgain):
        day, what = payload.since, f"{ev.KIND_WORDS[payload.kind]} since"
    elif isinstance(payload, ev.Billed):
        day, what = payload.on, f"bill {payload.invoice} of"
    elif isinstance(payload, ev.PermitNoted):
        day, what = payload.on, f"permit {payload.number} {payload.status.replace('_', ' ')} on"
    else:
        return
    if day > today:
        raise CoverplateError(
            f"{finding}: {what} {day}, a day in the future",
            expected="a day that has come",
            to_do="check the date",
        )


def check_notice_was_given(finding: str, payload: ev.Payload, today: dt.date) -> None:
    """Refuse a notice given on a day to come. What was written before this was asked stands."""
    if isinstance(payload, ev.NoticeGiven) and payload.given_on > today:
        raise CoverplateError(
            f"{finding}: notice given on {payload.given_on}, a day in the future",
            expected="a day that has come",
            to_do="check the date",
        )


def check_own_note(book: RuleBook, finding: str, payload: ev.Payload) -> None:
    """Refuse the report of a repair whose own note speaks of danger, or says that it was not done;
    likewise where danger is told in place of a name, a number or a file.

    What was written before this was asked stands.

    Args:
        book: the rule book.
        finding: the finding, as it is named in the refusal.
        payload: what is to be written.
    """
    if not isinstance(payload, ev.FixReported):
        return
    ungrounded = may_leave_ungrounded(book, payload.remedy)
    against = report_speaks_against(payload.note or "", ungrounded=ungrounded)
    what, cell, expected = "note", payload.note, WITHOUT_SUCH_WORDS
    beside = [] if against else danger_beside(payload.model_dump())
    if beside:
        against, (what, cell), expected = DANGER_LEFT, beside[0], WHAT_BELONGS_THERE
    if against:
        raise CoverplateError(
            f'{finding}: the {what} of the report {against}: "{cell}"',
            expected=expected,
            to_do="see to what it speaks of; report the repair when it is done, with a note that "
            "says nothing against it",
        )


WITHOUT_SUCH_WORDS = "a report of what is done and leaves no danger, with no such words in its note"
WHAT_BELONGS_THERE = "a name, a number or a file there, of a repair that leaves no danger"


def check_was_seen(finding: str, payload: ev.Payload, latest: dt.date) -> None:
    """Refuse a sighting, or the day on which somebody was told, of a day that has not come.

    Args:
        finding: the finding, as it is named in the refusal.
        payload: what is to be written, or what a history says was written.
        latest: the latest day that it then was anywhere: what landed is held to that as well.
    """
    if isinstance(payload, ev.Raised):
        last = payload.last_seen_on or payload.first_seen_on
        if payload.first_seen_on > last:
            raise CoverplateError(
                f"{finding}: first seen {payload.first_seen_on}, after it was last seen, {last}",
                expected="a day not after the last sighting",
                to_do="check the dates",
            )
        days: tuple[dt.date | None, ...] = (
            payload.first_seen_on,
            last,
            payload.pointed_on,
            payload.notified_on,
        )
    elif isinstance(payload, ev.SeenAgain):
        days = (payload.seen_on, payload.pointed_on)
    else:
        return
    to_come = [day for day in days if day is not None and day > latest]
    if to_come:
        raise CoverplateError(
            f"{finding}: seen, or told of, on {max(to_come)}, a day in the future",
            expected="a day that has come",
            to_do="check the date",
        )


def check_evidence(finding: Finding, payload: ev.Payload) -> None:
    """Refuse evidence that makes less of a confirmed defect, or another defect of a finding.

    What a look able to tell has confirmed at an opening is ended by a proven repair, or closed on
    paper with a reason; that evidence weakens later repairs nothing. What is urgent and no
    condition of the wiring is seen by a look and gone by a look.

    Args:
        finding: the finding as it stands.
        payload: what is to be written, or what a history says was written.
    """
    raised = finding.raised
    held = finding.grade == "confirmed" and raised.opening_id and raised.family in FAMILY.values()
    if held and isinstance(payload, ev.EvidenceWithdrawn):
        raise CoverplateError(
            f"{finding.finding_id}: a confirmed defect, and evidence alone takes none off the list",
            expected="a fix and a look that proves it, or that somebody closes it with a reason",
            to_do="report the fix and have it looked at, or `coverplate findings dismiss` it",
        )
    if not isinstance(payload, ev.SeenAgain):
        return
    if held and payload.grade != "confirmed":
        raise CoverplateError(
            f"{finding.finding_id}: a confirmed defect, seen again as {payload.grade} only",
            expected="confirmed: a weaker look takes back nothing of what an able one found",
            to_do="leave the grade; if it was confirmed by mistake, `coverplate findings dismiss` "
            "it with the reason",
        )
    if payload.condition != finding.condition:
        _check_condition(finding.finding_id, raised.family, payload.condition)


def _check_condition(finding: str, family: str, condition: Condition | None) -> None:
    """Refuse a condition of the wiring that is none of a finding's family."""
    if condition is not None and condition not in members(family):
        meant = ", ".join(members(family)) or "none: what this family names is no such condition"
        raise CoverplateError(
            f"{finding}: {condition.replace('_', ' ')} is none of the defects of {family}",
            expected=meant,
            to_do=f"raise it as a finding of its own, of the family {FAMILY[condition]}",
        )


CLOCKS_APART = dt.timedelta(days=1)
"""By so much the clock of whoever wrote may be ahead."""


def check_time(
    finding: str, moment: dt.datetime, last: dt.datetime | None, now: dt.datetime
) -> None:
    """Refuse a time of writing from before the event before it, or one that has not come.

    Args:
        finding: the finding, as it is named in the refusal.
        moment: when the event was, or is to be, recorded.
        last: when the event before it was recorded; None for the first.
        now: the time that it is.
    """
    if last is not None and moment < last:
        raise CoverplateError(
            f"{finding}: recorded at {utc_text(moment)}, before the event before it "
            f"({utc_text(last)})",
            expected="a time not before that of the last event",
            to_do="check the clock, or the time that was given",
        )
    if moment > now + CLOCKS_APART:
        raise CoverplateError(
            f"{finding}: recorded at {utc_text(moment)}, a time in the future",
            expected="a time that has come",
            to_do="check the clock, or the time that was given",
        )


def check_raised(
    raised: ev.Raised, before: Finding | None, *, proven: bool, at: dt.datetime
) -> None:
    """Refuse a finding of no family, of a defect of another, of a day to come, or a recurrence of
    what was not proven.

    Args:
        raised: the event.
        at: when it is, or was, written.
        before: the occurrence before it, where it is a later one and that one stands.
        proven: whether a repair of that one was proven.
    """
    if not is_family(raised.family):
        raise CoverplateError(
            f"{raised.family!r} is no defect family",
            to_do="see `coverplate findings raise --help`",
        )
    check_was_seen(identity_of(raised), raised, latest_day(at))
    if raised.occurrence == 1:  # what recurs may be another defect than the one repaired
        _check_condition(identity_of(raised), raised.family, raised.condition)
    earlier = None
    if raised.occurrence > 1:
        earlier = identity_of(raised.model_copy(update={"occurrence": raised.occurrence - 1}))
    if raised.recurs_of != earlier or (earlier is not None and not proven):
        what = f"would be occurrence {raised.occurrence} of {earlier or 'nothing before it'}, "
        if earlier is None:
            what += f"and is said to recur of {raised.recurs_of}"
        elif before is None:
            what += "which does not exist"
        else:
            what += "which is not proven repaired" if not proven else "and does not say so"
        raise CoverplateError(
            f"{identity_of(raised)} {what}",
            expected="a recurrence that points back at a defect whose repair was proven",
            to_do="add what was seen to the finding that stands",
        )


def check_actor(who: str, origin: str) -> None:
    """Refuse an event without who wrote it or from where."""
    if not who.strip() or not origin.strip():
        raise CoverplateError(
            "an event needs who wrote it and from where", to_do="give a name with --by"
        )


def check_expected(
    finding: str, expected: int | None, sequence: int, history: Sequence[ev.Event]
) -> None:
    """Refuse to write on a version that the writer had not seen; say what changed since."""
    if expected is None or expected == sequence:
        return
    since = [event for event in history if event.sequence > expected]
    told = "; ".join(
        f"{event.sequence} {event.kind} by {event.who} at {utc_text(event.recorded_at)}"
        for event in since
    )
    raise CoverplateError(
        f"{finding} has changed since you read it: you saw version {expected}, it "
        f"is now at {sequence}" + (f" ({told})" if told else ""),
        expected=f"version {sequence}",
        to_do="look at what changed and act again; nothing was overwritten",
    )


def all_of(faults: list[CoverplateError], drafts: int) -> CoverplateError:
    """Return one refusal that names every fault of many drafts."""
    if drafts == 1:
        return faults[0]
    return CoverplateError(
        "\n".join(
            [f"{len(faults)} of {drafts} events are refused; none was written"]
            + [str(fault) for fault in faults]
        ),
        to_do="leave these out or put them right, and try again",
    )
