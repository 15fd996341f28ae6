"""Merges what several sources say about a building, and says where they disagree.

Precedence, declared: the mapping's ``precedence``, then the later landed file, then the later row.
A newer blank never erases an older known value, so each fact is the newest one that is known.
Rows of one source correct each other silently (the history keeps them); two *sources* that differ
on a fact give a finding. A source is the mapping's ``source``; in the default layout it is the
file's name without its dates and version numbers, so ``register_2024-03.csv`` and
``register_2025-03.csv`` are one source.
"""

from __future__ import annotations

import re

from shared.records import BUILDING_REGISTER, quoted

FACTS: tuple[str, ...] = tuple(
    name for name in BUILDING_REGISTER.columns if name not in BUILDING_REGISTER.key
)

PRECEDENCE = "highest mapping precedence, then the later landed file, then the later row"


def source_of(file_name: str) -> str:
    """Return the source that a file in the default layout stands for."""
    stem = re.sub(r"(\.[A-Za-z]+)+$", "", file_name)
    plain = re.sub(r"[\s_\-]*\(?v?\d[\d\-_.]*\)?$", "", stem)
    return plain or stem or file_name


def current_sql() -> str:
    """Return a SELECT of one row a building from the views ``building_register_valid`` and
    ``landed_files``."""
    order = "(l.precedence, v._part, v._row)"
    facts = ", ".join(
        f"arg_max(v.{quoted(name)}, {order}) "
        f"FILTER (v.{quoted(name)} IS NOT NULL) AS {quoted(name)}"
        for name in FACTS
    )
    return (
        f"SELECT v.building_id, {facts}, max(v._part) AS _part, "
        f"arg_max(v._row, (v._part, v._row)) AS _row "
        f"FROM building_register_valid AS v JOIN landed_files AS l ON l._part = v._part "
        f"GROUP BY v.building_id"
    )


def disagreements_sql() -> str:
    """Return a SELECT of facts on which sources differ, in the columns of ``data_quality``."""
    listed = ", ".join(map(quoted, FACTS))
    as_text = ", ".join(f"v.{quoted(name)}::VARCHAR AS {quoted(name)}" for name in FACTS)
    return f"""
WITH sourced AS (
    SELECT v.building_id, l.source, l.precedence, v._part, v._row, {as_text}
    FROM building_register_valid AS v JOIN landed_files AS l ON l._part = v._part
    WHERE v.building_id IN (
        SELECT s.building_id FROM building_register_valid AS s
        JOIN landed_files AS k ON k._part = s._part
        GROUP BY s.building_id HAVING count(DISTINCT k.source) > 1)
), facts AS (
    UNPIVOT sourced ON {listed} INTO NAME fact VALUE said
), newest AS (
    SELECT building_id, fact, source,
        arg_max(said, (precedence, _part, _row)) AS said,
        max((precedence, _part, _row)) AS place
    FROM facts GROUP BY building_id, fact, source
)
SELECT 'sources_disagree' AS kind, building_id, NULL::VARCHAR AS opening_id, fact AS "column",
    list(said ORDER BY place DESC) AS "values", list(source ORDER BY place DESC) AS sources,
    '{PRECEDENCE}' AS precedence,
    concat(fact, ' of building ', building_id, ': ',
        string_agg(concat(said, ' (', source, ')'), ', ' ORDER BY place DESC),
        '; used: ', first(said ORDER BY place DESC)) AS message,
    max(place)[2]::INTEGER AS _part, max(place)[3]::BIGINT AS _row
FROM newest
GROUP BY building_id, fact
HAVING count(DISTINCT regexp_replace(lower(trim(
    CASE WHEN fact IN ('latitude', 'longitude') THEN round(TRY_CAST(said AS DOUBLE), 4)::VARCHAR
    ELSE said END)), '\\s+', ' ', 'g')) > 1"""
