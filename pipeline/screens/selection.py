"""What a list of buildings is narrowed and ordered by, and the SQL that does it.

Every condition is a fixed piece of SQL with parameters; what people type is only ever a parameter.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import duckdb

SIZES: dict[str, str] = {
    "one": "1 dwelling",
    "few": "2–4 dwellings",
    "some": "5–19 dwellings",
    "many": "20 or more dwellings",
}
"""Size classes by number of dwellings."""

EVIDENCE: dict[str, str] = {
    "none": "nobody looked",
    "blind_only": "only methods blind to a false ground",
    "capable": "some openings by a capable method",
}
"""What a building's looks amount to."""

FINDINGS: dict[str, str] = {
    "urgent": "urgent",
    "confirmed": "confirmed defect",
    "none": "nothing confirmed",
}
"""What was found in a building."""


@dataclass(frozen=True)
class Order:
    """An order of the list.

    Attributes:
        label: for people.
        sql: the ORDER BY expression over the listing.
        ranked_by: prefix of the rank columns that belong to it.
    """

    label: str
    sql: str
    ranked_by: str = "rank"


ORDERS: dict[str, Order] = {
    "burden": Order("Burden, whole building", "rank"),
    "dwelling": Order("Burden per dwelling", "rank_per_dwelling", ranked_by="rank_per_dwelling"),
    "score": Order("Score: expected harm, whole building", "rank_by_score"),
    "blind": Order("Blind share", "blind_share DESC, rank"),
    "confirmed": Order("Confirmed defects", "confirmed_defects DESC, rank"),
    "era": Order("Part of the score from the era", "contribution_era DESC, rank"),
    "mixed": Order("Part from mixed openings", "contribution_mixed_openings DESC, rank"),
    "defects": Order("Part from confirmed defects", "contribution_confirmed_defects DESC, rank"),
    "occupancy": Order("Part from occupancy", "contribution_occupancy DESC, rank"),
    "moved": Order(
        "Moved most since the earlier build", "abs(coalesce(places_gained, 0)) DESC, rank"
    ),
    "name": Order("Name", "name, building_id"),
}
"""Orders that a person can choose."""

_CONDITIONS: dict[str, str] = {
    "cities": "list_contains(?, city)",
    "owners": "list_contains(?, owner)",
    "managers": "list_contains(?, manager)",
    "eras": "list_contains(?, coalesce(era, 'unknown'))",
    "sizes": "list_contains(?, size)",
    "evidence": "list_contains(?, evidence)",
}

_FOUND: dict[str, str] = {
    "urgent": "urgent",
    "confirmed": "confirmed_defects > 0",
    "none": "NOT urgent AND confirmed_defects = 0",
}


@dataclass(frozen=True)
class Selection:
    """Which buildings, in which order.

    Attributes:
        cities, owners, managers, eras, sizes, evidence: allowed values; empty allows all. Eras and
            sizes are keys, an unknown era is ``unknown``.
        findings: keys of ``FINDINGS``, any of them; empty allows all.
        search: words that must all stand in identifier, name, address or city.
        order: a key of ``ORDERS``.
    """

    cities: tuple[str, ...] = ()
    owners: tuple[str, ...] = ()
    managers: tuple[str, ...] = ()
    eras: tuple[str, ...] = ()
    sizes: tuple[str, ...] = ()
    evidence: tuple[str, ...] = ()
    findings: tuple[str, ...] = ()
    search: str = ""
    order: str = "burden"

    def where(self) -> tuple[str, list[Any]]:
        """The WHERE expression over the listing and its parameters."""
        conditions: list[str] = []
        parameters: list[Any] = []
        for name, sql in _CONDITIONS.items():
            allowed = getattr(self, name)
            if allowed:
                conditions.append(sql)
                parameters.append(list(allowed))
        found = [_FOUND[key] for key in self.findings if key in _FOUND]
        if found:
            conditions.append("(" + " OR ".join(found) + ")")
        for word in self.search.lower().split():
            conditions.append("contains(searched, ?)")
            parameters.append(word)
        return " AND ".join(conditions) or "true", parameters

    def order_by(self) -> str:
        """The ORDER BY expression; the burden's for a word that is no order."""
        return ORDERS.get(self.order, ORDERS["burden"]).sql

    @property
    def ranked_by(self) -> str:
        """Prefix of the rank columns that belong to the order."""
        return ORDERS.get(self.order, ORDERS["burden"]).ranked_by

    @property
    def narrows(self) -> bool:
        """Whether anything at all is left out."""
        return self.where()[0] != "true"


@dataclass(frozen=True)
class Choices:
    """What a list can be narrowed to, from what there is.

    Attributes:
        cities, owners, managers: distinct values, by name.
        eras: key to label, in order of time; ``unknown`` where a year is missing.
    """

    cities: tuple[str, ...] = ()
    owners: tuple[str, ...] = ()
    managers: tuple[str, ...] = ()
    eras: dict[str, str] = field(default_factory=dict)


def choices(con: duckdb.DuckDBPyConnection) -> Choices:
    """What the buildings of this warehouse can be narrowed to."""

    def distinct(column: str) -> tuple[str, ...]:
        rows = con.execute(
            f"SELECT DISTINCT {column} FROM memory.listing WHERE {column} IS NOT NULL ORDER BY 1"
        ).fetchall()
        return tuple(str(row[0]) for row in rows)

    eras = con.execute(
        "SELECT coalesce(era, 'unknown'), any_value(era_label), min(year_built) "
        "FROM memory.listing GROUP BY era ORDER BY min(year_built) NULLS LAST"
    ).fetchall()
    return Choices(
        distinct("city"),
        distinct("owner"),
        distinct("manager"),
        {str(key): str(label) for key, label, _ in eras},
    )
