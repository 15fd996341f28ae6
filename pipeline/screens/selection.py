"""What a list of buildings on screen is narrowed and ordered by, and what there is to choose."""

from __future__ import annotations

from dataclasses import dataclass, field

import duckdb

from pipeline.warehouse.narrowing import Narrowing


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


@dataclass(frozen=True)
class Selection(Narrowing):
    """Which buildings, in which order.

    Attributes:
        order: a key of ``ORDERS``.
    """

    order: str = "burden"

    def order_by(self) -> str:
        """The ORDER BY expression; the burden's for a word that is no order."""
        return ORDERS.get(self.order, ORDERS["burden"]).sql

    @property
    def ranked_by(self) -> str:
        """Prefix of the rank columns that belong to the order."""
        return ORDERS.get(self.order, ORDERS["burden"]).ranked_by


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
        "SELECT era, any_value(era_label), min(year_built) "
        "FROM memory.listing GROUP BY era ORDER BY min(year_built) NULLS LAST"
    ).fetchall()
    return Choices(
        distinct("city"),
        distinct("owner"),
        distinct("manager"),
        {str(key): str(label) for key, label, _ in eras},
    )
