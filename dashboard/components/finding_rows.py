"""How a finding is told in a table row."""

from __future__ import annotations

from typing import Any

from dashboard.components import plate
from dashboard.components.figures import (
    STATE_WORDS,
    count,
    day,
    missing,
    percent,
    plural,
    word,
)
from dashboard.components.source import rule_book
from pipeline.ledger import STATE_MEANING, State
from pipeline.ledger.due import WINDOW_WORDS

_CHIP = {
    "confirmed_defect": "confirmed",
    "suspected_defect": "quiet",
    "made_safe_defect_remains": "quiet",
    "fix_reported_unproven": "quiet",
    "fix_disproved": "confirmed",
    "repair_proven": "good",
    "set_aside_unrepaired": "quiet",
    "no_longer_indicated": "quiet",
    "record_in_doubt": "quiet",
}


def state_chip(state: str) -> str:
    """A state as a small label, its meaning on hovering."""
    meaning = plate.text(STATE_MEANING[State(state)])
    return (
        f'<span class="chip {_CHIP.get(state, "quiet")}" title="{meaning}">'
        f"{plate.text(STATE_WORDS.get(state, word(state)))}</span>"
    )


def urgent_chip(row: dict[str, Any]) -> str:
    """A sign where the finding is urgent, or nothing."""
    return '<span class="chip urgent">▲ urgent</span> ' if row["urgent"] else ""


def place(row: dict[str, Any]) -> str:
    """Where it is: unit and opening."""
    parts = [f"unit {row['unit_id']}" if row["unit_id"] else ""]
    parts.append(f"opening {row['opening_id']}" if row["opening_id"] else "")
    return ", ".join(part for part in parts if part) or "the building"


def what(row: dict[str, Any]) -> str:
    """What it is: the condition, or the conflict between records."""
    if not missing(row["condition"]):
        return word(row["condition"])
    return word(str(row["family"]).split(":", maxsplit=1)[-1].replace(":", ", "))


def due_words(row: dict[str, Any]) -> str:
    """When it is due, or how long it waits for its proof."""
    if row["state"] == "fix_reported_unproven":
        days = int(row["days_unproven"])
        late = ", too long" if row["proof_overdue"] else ""
        return f"unproven for {plural(days, 'day')}{late}"
    if not row["opens"]:
        return "nothing left to do" if row["state"] == "repair_proven" else "nothing repaired"
    if row["overdue_first"]:
        return f"{plural(row['days_overdue'], 'day')} past its first target"
    if row["overdue_present"]:
        return f"{plural(-row['days_left'], 'day')} past its present target"
    if row["paused"]:
        return "no due day while it stands still"
    return f"due {day(row['present_target_on'])}"


def regulation_words(regulation: str) -> str:
    """What a regulation is called in the rule book."""
    known = rule_book().due.regulations.get(regulation)
    return word(regulation) if known is None else known.label


def target_words(row: dict[str, Any]) -> str:
    """First and present target, and how often it moved."""
    if not row["opens"]:
        return ""
    paused = f"paused since {day(row['paused_since'])}" if row["paused"] else ""
    moved = ""
    if row["times_moved"]:
        times = plural(row["times_moved"], "time")
        moved = (
            f"first target {day(row['first_target_on'])}, moved {times} to "
            f"{day(row['present_target_on'])}"
        )
    return "; ".join(part for part in (moved, paused) if part)


def finding_columns() -> list[plate.Column]:
    """The columns of a table of findings."""

    def name(row: dict[str, Any]) -> str:
        label = f"{what(row)}, {place(row)}"
        return (
            f"{urgent_chip(row)}"
            f'<span class="strong">{plate.link(label, "finding", id=row["finding_id"])}</span><br>'
            f'<span class="soft small">{plate.text(row["finding_id"])}</span>'
        )

    def building(row: dict[str, Any]) -> str:
        shown = row["name"] if not missing(row["name"]) else row["building_id"]
        return plate.link(shown, "building", id=row["building_id"])

    def due(row: dict[str, Any]) -> str:
        late = bool(row["stands_overdue"])
        mark = '<span class="chip urgent">▲ ' if late else "<span>"
        regulatory = ""
        if not missing(row["regulatory_standing"]):
            window = (
                f"{regulation_words(row['regulation'])}: {WINDOW_WORDS[row['regulatory_standing']]}"
            )
            regulatory = f'<br><span class="soft small">{plate.text(window)}</span>'
        moved = target_words(row)
        target = f'<br><span class="soft small">{plate.text(moved)}</span>' if moved else ""
        return f"{mark}{plate.text(due_words(row))}</span>{target}{regulatory}"

    def stands(row: dict[str, Any]) -> str:
        known = row["standing"]
        told = "" if missing(known) else f'<br><span class="soft small">{plate.text(known)}</span>'
        return state_chip(row["state"]) + told

    return [
        plate.Column("Finding", name, heads=True, width="17rem"),
        plate.Column("Building", building),
        plate.Column("Stands", stands),
        plate.Column("Severity", lambda r: plate.text(word(r["severity_class"])), half=True),
        plate.Column("Due", due, half=True),
        plate.Column("Firm", lambda r: plate.text(r["firm"]) or "–", half=True),
    ]


def stake_columns() -> list[plate.Column]:
    """The columns that an order by danger goes by."""

    def at_stake(row: dict[str, Any]) -> str:
        return plate.text(percent(row["chance"]))

    def people(row: dict[str, Any]) -> str:
        vulnerable = ""
        if not missing(row["vulnerable"]):
            told = f"{count(row['vulnerable'])} vulnerable"
            vulnerable = f'<br><span class="soft small">{plate.text(told)}</span>'
        return f'<span class="num">{count(row["people"])}</span>{vulnerable}'

    return [
        plate.Column("Chance of danger", at_stake, half=True),
        plate.Column("People there", people, half=True),
    ]


def finding_class(row: dict[str, Any]) -> str:
    """Row class of a finding."""
    return "urgent" if row["stands_overdue"] else ""
