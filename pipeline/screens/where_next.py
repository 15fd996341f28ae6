"""Where to look next: buildings in order, how sure that order is, what cannot wait."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import duckdb
import pandas as pd

from pipeline.landing import Workspace
from pipeline.ledger.triage import beside_the_list
from pipeline.screens.selection import Selection
from pipeline.warehouse import queries, vanished


@dataclass(frozen=True)
class Counts:
    """How many buildings a selection holds and what stands out among them.

    Attributes:
        buildings: in the selection.
        all_buildings: in the warehouse.
        urgent: buildings of the selection with an urgent opening.
        confirmed: buildings of the selection with a confirmed defect.
        never_looked: buildings of the selection where nobody looked.
        largest_burden: largest burden, for a common scale of bars.
        largest_part: largest absolute value of one ingredient, likewise.
    """

    buildings: int
    all_buildings: int
    urgent: int
    confirmed: int
    never_looked: int
    largest_burden: float
    largest_part: float


def counts(con: duckdb.DuckDBPyConnection, selection: Selection) -> Counts:
    """Count a selection."""
    where, parameters = selection.where()
    row = con.execute(
        f"""
        SELECT
            count(*),
            (SELECT count(*) FROM memory.listing),
            count(*) FILTER (urgent),
            count(*) FILTER (confirmed_defects > 0),
            count(*) FILTER (evidence = 'none'),
            coalesce(max(burden), 0),
            coalesce(max(greatest(abs(contribution_era), abs(contribution_mixed_openings),
                abs(contribution_confirmed_defects), abs(contribution_occupancy))), 0)
        FROM memory.listing
        WHERE {where}
        """,
        parameters,
    ).fetchall()[0]
    return Counts(*row)


def listed(
    con: duckdb.DuckDBPyConnection, selection: Selection, *, limit: int | None, offset: int = 0
) -> pd.DataFrame:
    """Buildings of a selection, one row each, in its order.

    Args:
        con: a cursor of a ``ScreenReader``.
        selection: which, in which order.
        limit: at most so many; None for all.
        offset: so many left out before.

    Returns:
        position (from 1, within the selection), rank, rank_low, rank_high (in the selection's
        order, among all buildings), building_id, name, address, city, owner, manager, year_built,
        year_rewired, era_label, dwellings, openings, people, burden, burden_per_dwelling, score,
        score_low, score_high, score_per_dwelling, baseline, contribution_era,
        contribution_mixed_openings, contribution_confirmed_defects, contribution_occupancy,
        expected_dangerous_openings, dangerous_low, dangerous_high, p_any_dangerous, p_live_metal,
        p_top, blind_share (of three-slot openings), evidence_share (of the score), evidence (key),
        confirmed_defects, urgent_openings, urgent, openings_looked_at, insured_value, next_look,
        earlier_rank, earlier_score, places_gained (by whole-building burden; NULL for a building
        that is new).
    """
    where, parameters = selection.where()
    prefix = selection.ranked_by
    rows = "" if limit is None else f"LIMIT {int(limit)} OFFSET {int(offset)}"
    return con.execute(
        f"""
        SELECT
            row_number() OVER (ORDER BY {selection.order_by()}) AS position,
            {prefix} AS rank, {prefix}_low AS rank_low, {prefix}_high AS rank_high,
            building_id, name, address, city, owner, manager, year_built, year_rewired, era_label,
            dwellings, openings, people, burden, burden_per_dwelling, score, score_low, score_high,
            score_per_dwelling, baseline, contribution_era, contribution_mixed_openings,
            contribution_confirmed_defects, contribution_occupancy, expected_dangerous_openings,
            dangerous_low, dangerous_high, p_any_dangerous, p_live_metal, p_top, blind_share,
            evidence_share, evidence, confirmed_defects, urgent_openings, urgent,
            openings_looked_at, insured_value, next_look, earlier_rank,
            earlier_score, places_gained
        FROM memory.listing
        WHERE {where}
        ORDER BY {selection.order_by()}
        {rows}
        """,
        parameters,
    ).fetchdf()


@dataclass(frozen=True)
class Sureness:
    """How sure it is which buildings belong among the first K.

    Attributes:
        k: that K.
        surely: buildings whose whole rank interval lies within the first K.
        perhaps: buildings whose interval reaches across K.
    """

    k: int
    surely: int
    perhaps: int


def sureness(con: duckdb.DuckDBPyConnection, selection: Selection, k: int) -> Sureness:
    """How many buildings of a selection are surely, or perhaps, among the first K of all."""
    where, parameters = selection.where()
    prefix = selection.ranked_by
    row = con.execute(
        f"SELECT count(*) FILTER ({prefix}_high <= ?), "
        f"count(*) FILTER ({prefix}_low <= ? AND {prefix}_high > ?) "
        f"FROM memory.listing WHERE {where}",
        [k, k, k, *parameters],
    ).fetchall()[0]
    return Sureness(k, int(row[0]), int(row[1]))


def urgent(
    con: duckdb.DuckDBPyConnection, selection: Selection, *, limit: int | None = None
) -> pd.DataFrame:
    """The rows of ``queries.urgent`` in buildings of a selection.

    Returns:
        Their columns and found (how many there are in all); by rank.
    """
    return _of_selection(con, selection, queries.urgent(con), limit)


def urgent_reports(
    con: duckdb.DuckDBPyConnection, selection: Selection, limit: int | None = None
) -> pd.DataFrame:
    """The urgent rows of ``queries.reports`` in buildings of a selection, and found."""
    return _of_selection(con, selection, queries.reports(con, urgent_only=True), limit)


def urgent_in_ledger(
    con: duckdb.DuckDBPyConnection, selection: Selection, findings: pd.DataFrame
) -> pd.DataFrame:
    """What the ledger holds for urgent and no list of what landed has.

    Args:
        con: the warehouse.
        selection: the buildings; one that the warehouse does not know is in every selection.
        findings: of ``triage.with_stakes``.

    Returns:
        Rows of ``triage.beside_the_list``.
    """
    frame = beside_the_list(findings, queries.reports(con, urgent_only=True))
    where, parameters = selection.where()
    left_out = con.execute(
        f"SELECT building_id FROM memory.listing WHERE ({where}) IS NOT TRUE", parameters
    ).fetchdf()
    return frame[~frame["building_id"].isin(left_out["building_id"])]


def inferred_urgent(
    con: duckdb.DuckDBPyConnection, selection: Selection, *, limit: int | None = None
) -> pd.DataFrame:
    """The rows of ``queries.inferred_urgent`` in buildings of a selection, and found."""
    return _of_selection(con, selection, queries.inferred_urgent(con), limit)


def once_urgent(
    con: duckdb.DuckDBPyConnection, selection: Selection, root: str, *, limit: int | None = None
) -> pd.DataFrame:
    """The rows of ``vanished.once_urgent`` in buildings of a selection, and found.

    Args:
        con: the warehouse.
        selection: the buildings.
        root: folder of the workspace.
        limit: so many rows at most.
    """
    rows = vanished.once_urgent(con, Workspace(Path(root)))
    return _of_selection(con, selection, rows, limit)


def _of_selection(
    con: duckdb.DuckDBPyConnection, selection: Selection, frame: pd.DataFrame, limit: int | None
) -> pd.DataFrame:
    where, parameters = selection.where()
    wanted = con.execute(
        f"SELECT building_id, name FROM memory.listing WHERE {where}", parameters
    ).fetchdf()
    # The name that lists show stands in for one that is missing.
    kept = frame.drop(columns=["name"]).merge(wanted, on="building_id")
    return kept.assign(found=len(kept)).head(len(kept) if limit is None else limit)
