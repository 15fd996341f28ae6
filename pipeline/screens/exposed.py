"""What is exposed: insured value beside what is known, and not known, about the openings."""

from __future__ import annotations

import duckdb
import pandas as pd

from pipeline.screens.portfolio import GROUPS

CURVE_POINTS = 200


def totals(con: duckdb.DuckDBPyConnection) -> dict[str, float]:
    """Insured value by what is known.

    Returns:
        buildings, without_value (buildings), insured (sum of values), insured_blind (in buildings
        that no capable method ever looked at), insured_never (where nobody looked), insured_
        confirmed (with a confirmed defect), insured_urgent, insured_expected (sum of value ×
        probability of any dangerous opening).
    """
    frame = con.execute(
        """
        SELECT count(*) AS buildings, count(*) FILTER (insured_value IS NULL) AS without_value,
            sum(insured_value) AS insured,
            sum(insured_value) FILTER (evidence <> 'capable') AS insured_blind,
            sum(insured_value) FILTER (evidence = 'none') AS insured_never,
            sum(insured_value) FILTER (confirmed_defects > 0) AS insured_confirmed,
            sum(insured_value) FILTER (urgent) AS insured_urgent,
            sum(insured_value * p_any_dangerous) AS insured_expected
        FROM memory.listing
        """
    ).fetchdf()
    return {str(k): float(v) if pd.notna(v) else 0.0 for k, v in frame.iloc[0].to_dict().items()}


def by_group(con: duckdb.DuckDBPyConnection, group: str, limit: int = 15) -> pd.DataFrame:
    """Insured value by group and by evidence.

    Args:
        con: a cursor of a ``ScreenReader``.
        group: a key of ``portfolio.GROUPS``.
        limit: at most so many groups, those with the largest insured value.

    Returns:
        Columns name, position, evidence (label), place, insured, buildings, insured_all (of the
        whole group), insured_expected (value × probability of any dangerous opening, whole group);
        one row per group and evidence.
    """
    order = "position" if group == "era" else "insured_all DESC"
    return con.execute(
        f"""
        WITH each AS (
            SELECT {GROUPS[group]} AS name, evidence, coalesce(sum(insured_value), 0) AS insured,
                count(*) AS buildings, min(coalesce(year_built, 9999)) AS built,
                coalesce(sum(insured_value * p_any_dangerous), 0) AS expected
            FROM memory.listing GROUP BY 1, 2
        ), whole AS (
            SELECT name, sum(insured) AS insured_all, sum(expected) AS insured_expected,
                min(built) AS position
            FROM each GROUP BY name ORDER BY {order}, name LIMIT {int(limit)}
        )
        SELECT name, position,
            CASE evidence WHEN 'capable' THEN 'capable method'
                WHEN 'blind_only' THEN 'blind methods only' ELSE 'never looked at' END AS evidence,
            CASE evidence WHEN 'capable' THEN 1 WHEN 'blind_only' THEN 2 ELSE 3 END AS place,
            insured, buildings, insured_all, insured_expected
        FROM each JOIN whole USING (name)
        ORDER BY {order}, name, place
        """
    ).fetchdf()


def concentration(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """How much of the expected harm lies in how much of the insured value.

    Buildings are taken by score per insured value, largest first; those without a value are left
    out.

    Returns:
        Columns share_insured, share_score (both cumulative, 0 to 1), buildings (so far); thinned to
        some 200 points.
    """
    return con.execute(
        f"""
        WITH valued AS (
            SELECT score, insured_value FROM memory.listing WHERE insured_value > 0
        ), ordered AS (
            SELECT row_number() OVER w AS buildings, sum(insured_value) OVER w AS insured,
                sum(score) OVER w AS score, count(*) OVER () AS n,
                sum(insured_value) OVER () AS all_insured, sum(score) OVER () AS all_score
            FROM valued
            WINDOW w AS (ORDER BY score / insured_value DESC, insured_value
                ROWS UNBOUNDED PRECEDING)
        )
        SELECT 0.0 AS share_insured, 0.0 AS share_score, 0 AS buildings WHERE EXISTS
            (FROM ordered)
        UNION ALL
        SELECT insured / all_insured, score / nullif(all_score, 0), buildings
        FROM ordered
        WHERE buildings = n OR buildings % greatest(1, n // {CURVE_POINTS}) = 0
        ORDER BY 1, 2
        """
    ).fetchdf()


def buildings(
    con: duckdb.DuckDBPyConnection, *, limit: int | None = None, offset: int = 0
) -> pd.DataFrame:
    """Buildings by insured value times probability of any dangerous opening.

    Returns:
        Columns building_id, name, city, owner, era_label, insured_value, p_any_dangerous, exposed
        (their product), dangerous_low, dangerous_high, blind_share, evidence (key),
        confirmed_defects, urgent_openings, urgent, score, rank, next_look; largest first,
        buildings without a value last.
    """
    rows = "" if limit is None else f"LIMIT {int(limit)} OFFSET {int(offset)}"
    return con.execute(
        f"""
        SELECT building_id, name, city, owner, era_label, insured_value, p_any_dangerous,
            insured_value * p_any_dangerous AS exposed, dangerous_low, dangerous_high, blind_share,
            evidence, confirmed_defects, urgent_openings, urgent, score, rank, next_look
        FROM memory.listing
        ORDER BY exposed DESC NULLS LAST, rank
        {rows}
        """
    ).fetchdf()
