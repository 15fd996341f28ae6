"""What is known of an opening, as the section through its building says it."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum
from typing import Any

from shared.in_words import day, percent, plural, words
from shared.standing import UrgentDefect
from shared.vocabulary import CONDITIONS, URGENT_CONDITIONS, Condition, Slots


class Known(StrEnum):
    """What is known of an opening, most pressing first; an opening is the first that holds."""

    URGENT = "urgent"
    MEASURED = "measured"
    REPORTED = "reported"
    PROVEN = "proven"
    CAPABLE = "capable"
    BLIND = "blind"
    NEVER = "never"


KNOWN_WORDS: dict[Known, str] = {
    Known.URGENT: "urgent: plainly reported or measured",
    Known.MEASURED: "defect measured, or seen with the cover off",
    Known.REPORTED: "defect reported, not measured",
    Known.PROVEN: "repair proven",
    Known.CAPABLE: "seen by a capable method, no defect confirmed",
    Known.BLIND: "looked at, not by a capable method: inferred",
    Known.NEVER: "recorded, never looked at: inferred",
}
"""The same in words."""


KNOWN_SQL = """CASE
    WHEN o.urgent THEN 'urgent'
    WHEN o.confirmed AND o.standing = 'measured' THEN 'measured'
    WHEN o.confirmed THEN 'reported'
    WHEN o.standing = 'proven' THEN 'proven'
    WHEN o.looked AND o.sees_false_ground THEN 'capable'
    WHEN o.looked AND said.faults IS NOT NULL THEN 'reported'
    WHEN o.looked THEN 'blind'
    ELSE 'never' END"""
"""The one definition, over ``openings`` as ``o`` and ``said.faults``: faults that its looks
reported, or NULL."""


def drawn_as(row: dict[str, Any], known: Known) -> Condition | None:
    """The defect, else the likeliest; what is urgent is never drawn as a wiring that is not."""
    among: Iterable[Condition] = CONDITIONS
    if row["confirmed"] and known is not Known.URGENT:
        return Condition(row["defect"])
    if known is Known.URGENT:
        said = row["urgent_defect"]
        if said in URGENT_CONDITIONS:
            return Condition(said)
        if said not in (UrgentDefect.LIVE_METAL, UrgentDefect.SHOCK_REPORTED):
            return None
        among = URGENT_CONDITIONS
    return max(among, key=lambda each: float(row[f"p_{each.value}"]))


def sentence(known: Known, row: dict[str, Any], condition: Condition | None) -> str:
    """All that is known of an opening, in a sentence; ``row`` as ``section`` asks for it."""
    slots = row["slots"]
    where = [
        f"unit {row['unit_id']}" if row["unit_id"] else "no unit named",
        row["room"],
        f"opening {row['opening_id']}",
        words(slots).replace(" slot", "-slot")
        if slots in (Slots.TWO_SLOT, Slots.THREE_SLOT)
        else None,
        f"circuit {row['circuit_id']}" if row["circuit_id"] else None,
    ]
    chance = f"dangerous with {percent(row['p_dangerous'])}"
    parts = [KNOWN_WORDS[known]]
    if known is Known.URGENT:
        said = "; ".join(str(each["says"]) for each in row["grounds"])
        parts = [f"urgent, {row['standing']}: {said or words(row['urgent_defect'])}"]
        chance = f"that holds although the model gives {percent(row['p_dangerous'])}"
    elif known in (Known.MEASURED, Known.REPORTED):
        found = [row["defect"]] if row["confirmed"] else row["faults"]
        parts = [f"defect {known.value}: {', '.join(words(each) for each in found)}"]
    elif known is Known.PROVEN:
        parts = [f"repair proven {day(row['verified_on'])}"]
    elif known is Known.BLIND and row["methods"]:
        parts = [f"looked at by {words(row['methods'])} only: inferred"]
    if row["reported_fixed_on"] is not None and known is not Known.PROVEN:
        parts.append(f"fix reported {day(row['reported_fixed_on'])}, not proven")
    parts.append(chance)
    if condition is not None and known is not Known.URGENT:
        likely = percent(row[f"p_{condition.value}"])
        parts.append(f"likeliest {words(condition.value)}, {likely}")
    return f"{', '.join(str(each) for each in where if each)}: {'; '.join(parts)}."


def paper_told(row: dict[str, Any]) -> str:
    """An urgent citation, complaint or work order."""
    named = f" {row['reference']}" if row["reference"] else ""
    return (
        f"{words(row['report_kind'])}{named} of {day(row['reported_on'])} speaks of "
        f"{words(row['subject'])}"
    )


def unseen_told(facts: dict[str, Any]) -> str:
    """How many openings nobody recorded, and what is likely of them."""
    unseen = int(facts["openings_unseen"])
    if not unseen:
        return ""
    assumed = " (their number is assumed)" if facts["openings_assumed"] else ""
    likely = ""
    if facts["p_dangerous"] is not None:
        likely = (
            "; as far as the rest of the building and portfolio tell, "
            f"{percent(facts['p_three_slot'])} of them are three-slot and "
            f"{percent(facts['p_dangerous'])} dangerous"
        )
    return f"And {plural(unseen, 'opening')} that nobody recorded{assumed}{likely}."
