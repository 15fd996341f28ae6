"""How an opening is told in a table row: what was seen, what that says, what remains possible."""

from __future__ import annotations

from typing import Any

from dashboard.components import plate
from dashboard.components.figures import day, missing, number, percent, word
from pipeline.scoring.why import told
from shared.standing import STANDING_MEANING, Standing
from shared.vocabulary import CONDITIONS

POSSIBLE_SHOWN = 4
SETTLES_SHOWN = 0.05
"""A next look that settles less of the doubt is not worth a line."""


def seen(row: dict[str, Any]) -> str:
    """Each look: method, what was reported and measured, when."""
    looks = row["looks"]
    if looks is None or len(looks) == 0:
        return '<span class="soft">no look</span>'
    lines = []
    for look in looks:
        measured = "".join(
            f", {number(look[key], 2)} {unit}"
            for key, unit in (("volts", "V N–G"), ("ohms", "Ω ground path"))
            if not missing(look[key])
        )
        when = "" if missing(look["observed_on"]) else f", {day(look['observed_on'])}"
        lines.append(
            f"{plate.text(word(look['method']))}: <b>{plate.text(word(look['result']))}</b>"
            f'{measured}<span class="soft">{when}</span>'
        )
    return "<br>".join(lines)


def against(row: dict[str, Any]) -> str:
    """What the looks speak against."""
    if not row["looked"]:
        return '<span class="soft">nothing: no look</span>'
    ruled = list(row["against"])
    left = [c.value for c in CONDITIONS if c.value not in ruled]
    if len(left) < len(ruled):
        return f"all but {plate.text(', '.join(word(c) for c in left))}"
    return plate.text(", ".join(word(c) for c in ruled)) or '<span class="soft">nothing</span>'


def possible(row: dict[str, Any]) -> str:
    """What remains possible, likeliest first."""
    shown = row["possible"][:POSSIBLE_SHOWN]
    rest = len(row["possible"]) - len(shown)
    parts = [f'{plate.text(word(c))}&nbsp;<span class="num">{percent(p)}</span>' for c, p in shown]
    more = f' <span class="soft">and {rest} less likely</span>' if rest else ""
    return ", ".join(parts) + more


def place(row: dict[str, Any]) -> str:
    """Unit, room, opening and what its face and labels show."""
    facts = [
        word(row["slots"]) if not missing(row["slots"]) else "slots not noted",
        {"yes": "GFCI", "no": "no GFCI"}.get(str(row["gfci"]), "GFCI not noted"),
    ]
    if not missing(row["marking"]):
        facts.append(f"marked {word(row['marking'])}")
    unit = f"{plate.text(row['unit_id'])} · " if row["unit_id"] else ""
    room = plate.text(row["room"]) or "room not noted"
    return (
        f'<span class="strong">{unit}{plate.text(row["opening_id"])}</span> {room}<br>'
        f'<span class="soft small">{plate.text(" · ".join(facts))}</span>'
    )


def standing(row: dict[str, Any]) -> str:
    """Probability of danger, and whether it is confirmed or urgent."""
    chips = ""
    if row["urgent"]:
        said = plate.text(word(row["urgent_defect"]))
        chips = f'<br><span class="chip urgent">▲ Urgent: {said}</span>'
    elif row["confirmed"]:
        chips = f'<br><span class="chip confirmed">{plate.text(word(row["defect"]))}</span>'
    elif row["looked"] and not row["sees_false_ground"]:
        chips = '<br><span class="chip quiet">blind method</span>'
    elif not row["looked"]:
        chips = '<br><span class="chip quiet">never tested</span>'
    if not missing(row["verified_on"]):
        chips += f'<br><span class="chip good">repair proven {day(row["verified_on"])}</span>'
    elif not missing(row["reported_fixed_on"]):
        chips += '<br><span class="chip quiet">fix reported, unproven</span>'
    meaning = plate.text(STANDING_MEANING[Standing(row["standing"])])
    chips += f'<br><span class="soft small" title="{meaning}">{plate.text(row["standing"])}</span>'
    return f'<span class="num strong">{percent(row["p_dangerous"])}</span>{chips}'


def why(row: dict[str, Any]) -> str:
    """The chance of danger by what is known, before → after, and the next look."""
    steps = "".join(
        f'<li><span class="num">{percent(step.after)}</span> '
        f'<span class="soft">{plate.text(step.known)}</span></li>'
        for step in told(row)
    )
    settles = ""
    if not missing(row["next_method"]) and row["next_settles"] >= SETTLES_SHOWN:
        settles = (
            f'<span class="small">Next: {plate.text(word(row["next_method"]))} settles '
            f'<span class="num">{percent(row["next_settles"])}</span> of the doubt</span>'
        )
    return f'<ol class="steps small">{steps}</ol>{settles}'


def opening_columns() -> list[plate.Column]:
    """The columns of a table of openings."""
    return [
        plate.Column("Opening", place, heads=True, width="11rem"),
        plate.Column("Seen", seen, width="12rem"),
        plate.Column("Speaks against", against),
        plate.Column("Remains possible", possible),
        plate.Column("Dangerous", standing, width="8rem"),
        plate.Column("Danger by what is known", why, width="13rem"),
    ]


def opening_class(row: dict[str, Any]) -> str:
    """Row class of an opening."""
    return "urgent" if row["urgent"] else ""
