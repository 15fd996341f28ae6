"""Facts of a building that bear on fire: told and counted, in no score and no probability.

Coverplate weighs shock from receptacles. These facts come with the same registers and change what
an owner or insurer does, so they are shown as they are reported; no chance is made up for them.
"""

from __future__ import annotations

from dataclasses import dataclass

from shared.records import literal


@dataclass(frozen=True)
class FireFact:
    """A fact that bears on fire.

    Attributes:
        column: the register's column.
        words: the words in it that count.
        says: what is said of such a building.
        source: where it is known from.
    """

    column: str
    words: tuple[str, ...]
    says: str
    source: str


FIRE_FACTS: tuple[FireFact, ...] = (
    FireFact(
        "wiring_metal",
        ("aluminum", "mixed"),
        "aluminum branch wiring",
        "U.S. Consumer Product Safety Commission, Publication 516, Repairing Aluminum Wiring "
        "(from memory)",
    ),
    FireFact(
        "panel_condition",
        ("overheated",),
        "a panel that shows overheating",
        "common practice, no source",
    ),
    FireFact("panel_condition", ("damaged",), "a damaged panel", "common practice, no source"),
    FireFact(
        "fuses_oversized",
        ("yes",),
        "fuses or breakers larger than the wire allows",
        "NFPA 70 (National Electrical Code), 240.4(D), small conductors (from memory)",
    ),
)
"""Every such fact."""


def holds_sql(fact: FireFact) -> str:
    """Return an SQL condition over a register's columns: whether a building has the fact."""
    words = ", ".join(map(literal, fact.words))
    return f"coalesce({fact.column} IN ({words}), false)"


def told_sql() -> str:
    """Return an SQL expression over a register's columns: the facts in words, "" for none."""
    told = ", ".join(f"CASE WHEN {holds_sql(f)} THEN {literal(f.says)} END" for f in FIRE_FACTS)
    return f"concat_ws('; ', {told})"
