"""Merges what several sources say about a building, and says where they disagree.

Precedence, declared: the mapping's ``precedence``, then the newer file (what it is as of, see
``as_of``; the later landed where that is the same), then the later row.
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

PRECEDENCE = "highest mapping precedence, then the newer file, then the later row"


def source_of(file_name: str) -> str:
    """Return the source that a file in the default layout stands for."""
    stem = re.sub(r"(\.[A-Za-z]+)+$", "", file_name)
    plain = re.sub(r"[\s_\-]*\(?v?\d[\d\-_.]*\)?$", "", stem)
    return plain or stem or file_name


def current_sql() -> str:
    """Return a SELECT of one row a building from the views ``building_register_valid`` and
    ``landed_files``."""
    order = "(l.precedence, l.counts_as_of, v._part, v._row)"
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
    SELECT v.building_id, l.source, l.precedence, l.counts_as_of, v._part, v._row, {as_text}
    FROM building_register_valid AS v JOIN landed_files AS l ON l._part = v._part
    WHERE v.building_id IN (
        SELECT s.building_id FROM building_register_valid AS s
        JOIN landed_files AS k ON k._part = s._part
        GROUP BY s.building_id HAVING count(DISTINCT k.source) > 1)
), facts AS (
    UNPIVOT sourced ON {listed} INTO NAME fact VALUE said
), newest AS (
    SELECT building_id, fact, source,
        arg_max(said, (precedence, counts_as_of, _part, _row)) AS said,
        max((precedence, counts_as_of, _part, _row)) AS place
    FROM facts GROUP BY building_id, fact, source
)
SELECT 'sources_disagree' AS kind, building_id, NULL::VARCHAR AS opening_id, fact AS "column",
    list(said ORDER BY place DESC) AS "values", list(source ORDER BY place DESC) AS sources,
    '{PRECEDENCE}' AS precedence,
    concat(fact, ' of building ', building_id, ': ',
        string_agg(concat(said, ' (', source, ')'), ', ' ORDER BY place DESC),
        '; used: ', first(said ORDER BY place DESC)) AS message,
    max(place)[3]::INTEGER AS _part, max(place)[4]::BIGINT AS _row
FROM newest
GROUP BY building_id, fact
HAVING count(DISTINCT regexp_replace(lower(trim(
    CASE WHEN fact IN ('latitude', 'longitude') THEN round(TRY_CAST(said AS DOUBLE), 4)::VARCHAR
    ELSE said END)), '\\s+', ' ', 'g')) > 1"""


def named_twice_sql() -> str:
    """Return a SELECT of facts that one file states twice of a building, differently, in the
    columns of ``data_quality``."""
    listed = ", ".join(map(quoted, FACTS))
    as_text = ", ".join(f"v.{quoted(name)}::VARCHAR AS {quoted(name)}" for name in FACTS)
    return f"""
WITH sourced AS (
    SELECT v.building_id, l.source, l.path, v._part, v._row, {as_text}
    FROM building_register_valid AS v JOIN landed_files AS l ON l._part = v._part
    SEMI JOIN (SELECT building_id, _part FROM building_register_valid
        GROUP BY ALL HAVING count(*) > 1) AS t ON t.building_id = v.building_id
        AND t._part = v._part
), facts AS (
    UNPIVOT sourced ON {listed} INTO NAME fact VALUE said
)
SELECT 'building_named_twice' AS kind, building_id, NULL::VARCHAR AS opening_id, fact AS "column",
    list(said ORDER BY _row DESC) AS "values", list(source ORDER BY _row DESC) AS sources,
    'the later row' AS precedence,
    concat(fact, ' of building ', building_id, ' is said differently by rows of one file: ',
        string_agg(concat(said, ' (row ', _row, ')'), ', ' ORDER BY _row),
        '; the last counts; are these two buildings?') AS message,
    _part, max(_row)::BIGINT AS _row
FROM facts
GROUP BY building_id, fact, _part
HAVING count(DISTINCT lower(trim(said))) > 1"""


def retired_sql() -> str:
    """Return a SELECT of building_id, source, last_named, full_register (files) and as_of
    of buildings that the newest full register no longer names, from the views of ``current``.

    A building is not retired where a newer register names it, or where somebody looked at it or
    wrote a report of it after that day.
    """
    return """
WITH named AS (
    SELECT DISTINCT v.building_id, l.source, l.sequence, l.counts_as_of, l.path
    FROM building_register_valid AS v JOIN landed_files AS l ON l._part = v._part
), newest AS (
    SELECT max((counts_as_of, sequence)) AS place,
        arg_max(path, (counts_as_of, sequence)) AS path,
        max(counts_as_of) AS counts_as_of
    FROM landed_files WHERE full_register AND record_kind = 'building_register'
        -- a row that waits for correction may name any building
        AND _part NOT IN (SELECT _part FROM quarantine WHERE NOT resolved AND level = 'row')
), gone AS (
    SELECT n.building_id, arg_max(n.source, (n.counts_as_of, n.sequence)) AS source,
        arg_max(n.path, (n.counts_as_of, n.sequence)) AS last_named,
        any_value(f.path) AS full_register, any_value(f.counts_as_of) AS as_of
    FROM named AS n JOIN newest AS f ON f.path IS NOT NULL
    GROUP BY n.building_id
    HAVING max((n.counts_as_of, n.sequence)) < any_value(f.place)
)
SELECT g.building_id, g.source, g.last_named, g.full_register, g.as_of
FROM gone AS g
WHERE NOT EXISTS (
    SELECT 1 FROM opening_observations_valid AS o WHERE o.building_id = g.building_id
        AND o.observed_on > g.as_of)
AND NOT EXISTS (
    SELECT 1 FROM building_reports_valid AS p WHERE p.building_id = g.building_id
        AND p.reported_on > g.as_of)
ORDER BY g.building_id"""
