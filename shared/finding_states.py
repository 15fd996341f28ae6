"""The states of a finding and the one table of what each kind of event makes of them.

A finding has a treatment (the last word on how it stands) and a grade of evidence; its state is
read off the two. States are named by what is electrically known and what was done about it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


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

BY_GRADE: dict[str, State] = {
    "suspected": State.SUSPECTED_DEFECT,
    "confirmed": State.CONFIRMED_DEFECT,
    "record_in_doubt": State.RECORD_IN_DOUBT,
}
"""The state of a finding at which nothing was done."""


@dataclass(frozen=True)
class Treatment:
    """How a finding can stand.

    Attributes:
        state: its state; None where the grade of evidence says it.
        open: whether somebody still has to do something at the opening.
        live: whether evidence and work go on; False where it is proven, set aside or withdrawn.
        may_follow: kinds of event that may follow here, beside those of ``ALWAYS`` and, while it
            is live, of ``WORK``.
        way_out: what to do where another kind was tried.
    """

    state: State | None
    open: bool
    live: bool
    may_follow: frozenset[str]
    way_out: str = "look at its history first"


def _kinds(*names: str) -> frozenset[str]:
    return frozenset(names)


TREATMENTS: dict[str, Treatment] = {
    "none": Treatment(
        None,
        open=True,
        live=True,
        may_follow=_kinds("dismissed", "made_safe", "fix_reported", "evidence_withdrawn"),
        way_out="report a fix before anything can be verified",
    ),
    "made_safe": Treatment(
        State.MADE_SAFE_DEFECT_REMAINS,
        open=True,
        live=True,
        may_follow=_kinds("dismissed", "made_safe", "made_live_again", "fix_reported"),
        way_out="report a fix before anything can be verified",
    ),
    "fix_reported": Treatment(
        State.FIX_REPORTED_UNPROVEN,
        open=False,
        live=True,
        may_follow=_kinds(
            *("dismissed", "fix_reported", "verified", "verification_failed", "reopened"),
            "evidence_withdrawn",  # only what names no opening, see check_follows
        ),
    ),
    "disproved": Treatment(
        State.FIX_DISPROVED,
        open=True,
        live=True,
        may_follow=_kinds("dismissed", "made_safe", "fix_reported"),
        way_out="report the new fix first",
    ),
    "proven": Treatment(
        State.REPAIR_PROVEN,
        open=False,
        live=False,
        # by a look from before the proof, see check_follows
        may_follow=_kinds("reopened", "verification_failed"),
        way_out="a defect seen after a proven repair is raised as a recurrence; "
        "reopen only what was proven by mistake",
    ),
    "set_aside": Treatment(
        State.SET_ASIDE_UNREPAIRED,
        open=False,
        live=False,
        may_follow=_kinds("reopened", "seen_again"),
        way_out="reopen it first, with a reason",
    ),
    "withdrawn": Treatment(
        State.NO_LONGER_INDICATED,
        open=False,
        live=False,
        may_follow=_kinds("dismissed", "reopened", "seen_again", "fix_reported"),
    ),
}
"""Every treatment."""

MAKES: dict[str, str] = {
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
"""Kinds of event that say how the finding stands, and the treatment that each makes."""

MAKES_FROM: dict[tuple[str, str], str] = {("withdrawn", "seen_again"): "none"}
"""Treatments that a kind makes of one treatment only: what is indicated again is open again."""

ALWAYS = _kinds(
    *("billed", "commented", "notice_given", "entry_refused", "no_access"),
    *("attached", "permit_noted"),
)
"""Allowed wherever a finding stands; bills and papers come after the work, also after its proof."""

WORK = _kinds("seen_again", "accepted", "assigned", "quoted", "paused", "resumed", "visit_planned")
"""Allowed wherever evidence and work go on."""

OF_A_VISIT = _kinds("visit_moved", "visit_called_off", "visit_made")
"""Allowed wherever a visit is awaited, even at a finding that was proven or set aside since: a
visit on whose day a look proved the repair was made all the same."""


def treatment_after(treatment: str, kind: str) -> str:
    """Return the treatment of a finding after an event of a kind."""
    return MAKES_FROM.get((treatment, kind), MAKES.get(kind, treatment))


def state_of(treatment: str, grade: str) -> State:
    """Return the state for a treatment and a grade of evidence."""
    return TREATMENTS[treatment].state or BY_GRADE[grade]
