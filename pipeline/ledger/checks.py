"""What an event must pass before it is written, whoever writes it and from where."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from pipeline.ledger import events as ev
from pipeline.ledger.remedies import checked_fix
from pipeline.ledger.state import Finding, check_follows
from pipeline.ledger.targets import check_target
from pipeline.ledger.verification import Judge
from shared.canonical import utc_text
from shared.faults import CoverplateError


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
    check_target(judge.book, finding, payload, now)
    if isinstance(payload, ev.FixReported):
        if payload.fixed_on > _today(now):
            raise CoverplateError(
                f"{finding.finding_id}: fixed on {payload.fixed_on}, a day in the future",
                expected="a day that has come",
                to_do="check the date",
            )
        return checked_fix(judge.book, finding, payload)
    if isinstance(payload, ev.Verified | ev.VerificationFailed):
        if payload.look.observed_on > _today(now):
            raise CoverplateError(
                f"{finding.finding_id}: a look of {payload.look.observed_on}, in the future",
                expected="a day that has come",
                to_do="check the date",
            )
        judged = judge.verified(finding, payload.look)
        if judged.kind != payload.kind:
            said = judged.reason if isinstance(judged, ev.VerificationFailed) else "it is proven"
            raise CoverplateError(
                f"{finding.finding_id}: the look does not amount to {payload.kind}: {said}",
                expected=judged.kind,
                to_do="let the look be judged: `coverplate fix verify`",
            )
        return judged
    return payload


def _today(now: dt.datetime) -> dt.date:
    """The day that it is at a moment: here, for whoever writes."""
    return now.astimezone().date()


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
