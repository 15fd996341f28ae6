"""The portfolio at a glance: eras, slots, evidence, conditions, blind spots, places."""

from __future__ import annotations

import duckdb
import pandas as pd

from shared.vocabulary import CONDITIONS

MAP_POINTS = 1500
"""Buildings up to which a map shows each; beyond, squares that count them."""

MAP_SQUARES = 40
"""Squares along the longer side of such a map."""

GROUPS: dict[str, str] = {
    "manager": "coalesce(manager, 'no manager named')",
    "owner": "coalesce(owner, 'no owner named')",
    "city": "coalesce(city, 'no town named')",
    "era": "era_label",
}
"""What a portfolio can be cut by."""


def totals(con: duckdb.DuckDBPyConnection) -> dict[str, float]:
    """Sums over the portfolio.

    Returns:
        buildings, openings, openings_seen, openings_looked_at, openings_capable, three_slots,
        blind_three_slots, dangerous (expected), confirmed, urgent, never_looked (buildings),
        mixed (buildings), year_unknown (buildings), assumed (buildings whose opening count is
        assumed), score.
    """
    frame = con.execute(
        """
        SELECT count(*) AS buildings, sum(openings) AS openings,
            sum(openings_seen) AS openings_seen, sum(openings_looked_at) AS openings_looked_at,
            sum(openings_capable) AS openings_capable, sum(three_slots) AS three_slots,
            sum(three_slots * blind_share) AS blind_three_slots,
            sum(expected_dangerous_openings) AS dangerous,
            sum(confirmed_defects) AS confirmed, sum(urgent_openings) AS urgent,
            count(*) FILTER (evidence = 'none') AS never_looked,
            count(*) FILTER (slots_seen = 'mixed') AS mixed,
            count(*) FILTER (era = 'unknown') AS year_unknown,
            count(*) FILTER (openings_assumed) AS assumed,
            sum(score) AS score
        FROM memory.listing
        """
    ).fetchdf()
    return {str(k): float(v or 0) for k, v in frame.iloc[0].to_dict().items()}


def by_era(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Per era: era_label, position, buildings, openings, three_slots, dangerous (expected),
    dangerous_share (of openings), blind_share (of three-slot openings), score."""
    return con.execute(
        """
        SELECT era_label, min(coalesce(year_built, 9999)) AS position, count(*) AS buildings,
            sum(openings)::BIGINT AS openings, sum(three_slots) AS three_slots,
            sum(expected_dangerous_openings) AS dangerous,
            sum(expected_dangerous_openings) / sum(openings) AS dangerous_share,
            coalesce(sum(three_slots * blind_share) / nullif(sum(three_slots), 0), 0)
                AS blind_share,
            sum(score) AS score
        FROM memory.listing GROUP BY era_label ORDER BY position
        """
    ).fetchdf()


def evidence_by_era(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Openings by era and by what was done about them.

    Returns:
        Columns era_label, position, evidence ("never looked at", "blind methods only", "capable
        method"), place (order of the evidence), openings.
    """
    return con.execute(
        """
        WITH each AS (
            SELECT era_label, min(coalesce(year_built, 9999)) AS position,
                sum(openings - openings_looked_at) AS never,
                sum(openings_looked_at - openings_capable) AS blind,
                sum(openings_capable) AS capable
            FROM memory.listing GROUP BY era_label
        )
        SELECT era_label, position, unnest(['capable method', 'blind methods only',
            'never looked at']) AS evidence, unnest([1, 2, 3]) AS place,
            unnest([capable, blind, never])::BIGINT AS openings
        FROM each ORDER BY position, place
        """
    ).fetchdf()


def slots_by_era(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Buildings by era and by the slots seen in them.

    Returns:
        Columns era_label, position, slots_seen ("mixed", "three-slot only", "two-slot only", "not
        seen"), place, buildings.
    """
    return con.execute(
        """
        SELECT era_label, min(coalesce(year_built, 9999)) OVER (PARTITION BY era_label) AS position,
            CASE slots_seen WHEN 'mixed' THEN 'mixed' WHEN 'three_slot_only' THEN 'three-slot only'
                WHEN 'two_slot_only' THEN 'two-slot only' ELSE 'not seen' END AS slots_seen,
            CASE slots_seen WHEN 'mixed' THEN 1 WHEN 'three_slot_only' THEN 2
                WHEN 'two_slot_only' THEN 3 ELSE 4 END AS place,
            buildings
        FROM (
            SELECT era_label, min(year_built) AS year_built, slots_seen, count(*) AS buildings
            FROM memory.listing GROUP BY era_label, slots_seen
        )
        ORDER BY position, place
        """
    ).fetchdf()


def conditions(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Openings expected in each condition, recorded ones and others.

    Returns:
        Columns condition, kind ("recorded", "never recorded"), openings (expected number).
    """
    sums = ", ".join(f"sum(openings * p_{c.value}) AS {c.value}" for c in CONDITIONS)
    names = ", ".join(c.value for c in CONDITIONS)
    return con.execute(
        f"""
        WITH each AS (
            SELECT CASE WHEN recorded THEN 'recorded' ELSE 'never recorded' END AS kind, {sums}
            FROM opening_groups GROUP BY recorded
        )
        SELECT condition, kind, openings
        FROM (UNPIVOT each ON {names} INTO NAME condition VALUE openings)
        ORDER BY kind DESC, openings DESC
        """
    ).fetchdf()


def blind_spots(con: duckdb.DuckDBPyConnection, group: str, limit: int = 15) -> pd.DataFrame:
    """Where three-slot openings lie that no capable method ever looked at.

    Args:
        con: a cursor of a ``ScreenReader``.
        group: a key of ``GROUPS``.
        limit: at most so many groups, those with most blind openings.

    Returns:
        Columns name, buildings, three_slots, blind (three-slot openings), blind_share, dangerous
        (expected openings), never_looked (buildings); most blind openings first.
    """
    return con.execute(
        f"""
        SELECT {GROUPS[group]} AS name, count(*) AS buildings, sum(three_slots) AS three_slots,
            sum(three_slots * blind_share) AS blind,
            coalesce(sum(three_slots * blind_share) / nullif(sum(three_slots), 0), 0)
                AS blind_share,
            sum(expected_dangerous_openings) AS dangerous,
            count(*) FILTER (evidence = 'none') AS never_looked
        FROM memory.listing GROUP BY 1 ORDER BY blind DESC, name LIMIT {int(limit)}
        """
    ).fetchdf()


def places(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Where the buildings are: each, or counted in squares where there are many.

    Returns:
        Columns longitude, latitude, buildings, score (sum), dangerous (expected openings), urgent
        (openings), blind_share, label (name, or the number of buildings), building_id (NULL for
        a square); empty where no coordinates are known.
    """
    ((known,),) = con.execute(
        "SELECT count(*) FROM memory.listing WHERE latitude IS NOT NULL AND longitude IS NOT NULL"
    ).fetchall()
    if known <= MAP_POINTS:
        return con.execute(
            """
            SELECT longitude, latitude, 1 AS buildings, score,
                expected_dangerous_openings AS dangerous, urgent_openings AS urgent, blind_share,
                name AS label, building_id
            FROM memory.listing WHERE latitude IS NOT NULL AND longitude IS NOT NULL
            ORDER BY rank DESC
            """
        ).fetchdf()
    return con.execute(
        f"""
        WITH placed AS (
            SELECT * FROM memory.listing WHERE latitude IS NOT NULL AND longitude IS NOT NULL
        ), side AS (
            SELECT min(longitude) AS west, min(latitude) AS south, greatest(
                max(longitude) - min(longitude), max(latitude) - min(latitude), 1e-6)
                / {MAP_SQUARES} AS step
            FROM placed
        )
        SELECT west + (floor((longitude - west) / step) + 0.5) * step AS longitude,
            south + (floor((latitude - south) / step) + 0.5) * step AS latitude,
            count(*) AS buildings, sum(score) AS score,
            sum(expected_dangerous_openings) AS dangerous,
            sum(urgent_openings)::BIGINT AS urgent,
            coalesce(sum(three_slots * blind_share) / nullif(sum(three_slots), 0), 0)
                AS blind_share,
            concat(count(*), ' buildings') AS label, NULL::VARCHAR AS building_id
        FROM placed, side GROUP BY ALL ORDER BY score
        """
    ).fetchdf()
