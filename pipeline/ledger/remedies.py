"""Which remedy may answer which defect, what it leaves behind, and why others are refused.

Refusals are worked out from what a remedy leaves: an opening that is still a defect afterwards was
not repaired, whoever signs for it. NEC 406.4(D)(2), quoted, not read in the printed code.
"""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.landing.cells import word_form
from pipeline.ledger import events as ev
from pipeline.ledger.state import Finding
from shared.faults import CoverplateError
from shared.remedies import Remedy
from shared.rule_book import RuleBook
from shared.vocabulary import Condition, Marking, Slots, YesNo, danger, defect_at


@dataclass(frozen=True)
class Opening:
    """An opening as it stands or as a remedy leaves it; None is not known."""

    condition: Condition
    slots: Slots | None
    protected: YesNo | None
    markings: frozenset[Marking]


def still_a_defect(opening: Opening) -> str | None:
    """Return why an opening is a defect, or None if it is none.

    A two-slot opening that is ungrounded is as originally wired. A three-slot one that is
    ungrounded is a defect unless GFCI-protected and marked. A GFCI never makes the other
    conditions safe.
    """
    condition, slots = opening.condition, opening.slots
    if not defect_at(condition, slots):
        return None
    if condition is not Condition.UNGROUNDED:
        words = condition.value.replace("_", " ")
        if opening.protected is YesNo.YES and danger(condition, Slots.THREE_SLOT, 1.0) == 1.0:
            return f"the opening is still {words}, and a GFCI does not make that safe"
        return f"the opening is still {words}"
    lacking = []
    if opening.protected is not YesNo.YES:
        lacking.append("unprotected")
    if Marking.NO_EQUIPMENT_GROUND not in opening.markings:
        lacking.append('without the marking "No Equipment Ground"')
    if not lacking:
        return None
    return "a three-slot receptacle is left ungrounded, " + " and ".join(lacking)


def left_by(
    remedy: Remedy, before: Condition, slots: Slots | None, markings: frozenset[Marking]
) -> Opening:
    """Return what a remedy leaves behind; the condition before must be one it is allowed for."""
    face = slots if remedy.slots_after == "as_it_was" else Slots(remedy.slots_after)
    protected = YesNo.YES if remedy.protected_after == "yes" else None
    return Opening(remedy.leaves[before], face, protected, markings)


def why_refused(remedy: Remedy, before: Condition, slots: Slots | None) -> str | None:
    """Return why a remedy, marked as required, is refused for a defect; None if allowed."""
    if before in remedy.refused_for:
        return remedy.refused_for[before]
    if before not in remedy.leaves:
        return f"it does nothing about an opening that is {before.value.replace('_', ' ')}"
    return still_a_defect(left_by(remedy, before, slots, frozenset(remedy.markings)))


def allowed_remedies(book: RuleBook, before: Condition, slots: Slots | None) -> dict[str, Remedy]:
    """Return the remedies that may answer a defect, by name."""
    return {
        name: remedy
        for name, remedy in book.remedies.items()
        if why_refused(remedy, before, slots) is None
    }


def checked_fix(book: RuleBook, finding: Finding, fix: ev.FixReported) -> ev.FixReported:
    """Return a reported fix with what it leaves filled in.

    Raises:
        CoverplateError: the remedy is unknown, is not allowed for this defect, leaves a defect in
            place, or lacks a marking that its rule requires.
    """
    before = finding.condition
    if before is None:
        raise CoverplateError(
            f"{finding.finding_id} has no condition that a remedy could answer",
            expected="a finding that names what is wrong with the wiring",
            to_do="have the opening looked at: a later look that is able to tell takes this off, "
            "or names what is to be repaired",
        )
    slots = finding.raised.slots
    names = ", ".join(allowed_remedies(book, before, slots))
    remedy = book.remedies.get(fix.remedy)
    if remedy is None:
        raise CoverplateError(
            f"{fix.remedy!r} is no remedy of the rule book",
            expected=f"one of {names}",
            to_do="see `coverplate fix remedies`",
        )
    reason = why_refused(remedy, before, slots)
    if reason is not None:
        raise CoverplateError(
            f"{finding.finding_id}: {remedy.label} is not accepted as a fix: {reason}",
            expected=f"one of {names}",
            to_do="report what was done in a comment if the defect remains; the finding stays open",
        )
    missing = [each for each in remedy.markings if each not in fix.markings]
    if missing:
        raise CoverplateError(
            f"{finding.finding_id}: {remedy.label} needs the marking "
            + " and ".join(each.value for each in missing)
            + f" ({remedy.rule})",
            expected="markings " + ", ".join(each.value for each in remedy.markings),
            to_do="have the markings applied, then report the fix with them",
        )
    left = left_by(remedy, before, slots, frozenset(fix.markings))
    return fix.model_copy(
        update={
            "leaves_condition": left.condition,
            "leaves_slots": left.slots,
            "leaves_protected": left.protected,
            "rule_book_hash": book.hash,
        }
    )


def may_leave_ungrounded(book: RuleBook, name: str) -> bool:
    """Say whether a remedy may leave an opening without a ground, as one with a GFCI does."""
    remedy = book.remedies.get(name)
    return remedy is not None and Condition.UNGROUNDED in remedy.leaves.values()


def remedy_named(book: RuleBook, text: str) -> str | None:
    """Return the remedy that a name, a label or words of the trade mean; None if none is meant."""
    names = {word_form(word): name for word, name in REMEDY_WORDS.items() if name in book.remedies}
    names |= {word_form(remedy.label): name for name, remedy in book.remedies.items()}
    names |= {word_form(name): name for name in book.remedies}
    return names.get(word_form(text))


REMEDY_WORDS: dict[str, str] = {
    "two prong again": "two_slot_again",
    "two slot receptacle": "two_slot_again",
    "non grounding receptacle": "two_slot_again",
    "gfci receptacle": "gfci_type_marked",
    "gfci receptacle marked": "gfci_type_marked",
    "gfci upstream": "gfci_upstream_marked",
    "fed from gfci": "gfci_upstream_marked",
    "ground wire added": "grounding_conductor_added",
    "equipment ground added": "grounding_conductor_added",
    "egc added": "grounding_conductor_added",
    "rewired circuit": "circuit_rewired",
    "circuit rewired": "circuit_rewired",
    "rewired": "circuit_rewired",
    "polarity corrected": "conductors_put_right",
    "wires swapped back": "conductors_put_right",
    "neutral joined": "conductor_joined_again",
    "loose wire joined": "conductor_joined_again",
    "replaced receptacle": "receptacle_swapped",
    "new receptacle": "receptacle_swapped",
}
"""Words of the trade for the shipped rule book's remedies. "Replaced receptacle" alone is no fix.

Common practice, no source."""
