"""Named questions to a warehouse; each answers with a frame of documented columns.

The command line and the dashboard ask these and draw what comes back; neither computes anything.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import duckdb
import pandas as pd

from pipeline.warehouse.narrowing import Narrowing
from shared.faults import CoverplateError
from shared.fire_facts import FIRE_FACTS, holds_sql
from shared.records import OPENING_OBSERVATIONS, literal
from shared.report_subjects import URGENT_SUBJECTS
from shared.urgent_answers import clearing
from shared.vocabulary import CONDITIONS, RecordKind

PROBABILITIES = tuple(f"p_{condition.value}" for condition in CONDITIONS)

_RANKING = """
SELECT
    {rank}, b.building_id, b.name, b.address, b.city, b.owner, b.manager,
    b.year_built, b.year_rewired, e.era, e.era_label,
    s.burden, s.burden_per_dwelling,
    s.score, s.score_per_dwelling, s.score_low, s.score_high, s.score_median, s.score_tail,
    s.score_error,
    s.p_top,
    s.expected_dangerous_openings, s.dangerous_low, s.dangerous_high, s.p_any_dangerous,
    s.p_live_metal,
    v.blind_share, v.evidence_share, v.confirmed_defects, v.urgent_openings,
    v.urgent_reports, v.urgent,
    s.baseline, s.era AS contribution_era, s.mixed_openings AS contribution_mixed_openings,
    s.confirmed_defects AS contribution_confirmed_defects, s.occupancy AS contribution_occupancy,
    z.openings, z.openings_seen, z.openings_assumed, z.dwellings, z.people, z.vulnerable_people,
    z.exposed_per_dwelling,
    coalesce(v.openings_looked_at, 0) AS openings_looked_at,
    n.next_look, n.next_openings, n.next_expected, n.next_share,
    b.latitude, b.longitude, b.insured_value,
    r.reasons,
    (SELECT rule_book_hash FROM build_facts) AS rule_book_hash
FROM building_scores AS s
JOIN buildings AS b USING (building_no)
JOIN building_eras AS e USING (building_no)
JOIN building_evidence AS v USING (building_no)
JOIN building_sizes AS z USING (building_no)
LEFT JOIN next_looks AS n USING (building_no)
LEFT JOIN (
    SELECT building_no, list(reason ORDER BY position) AS reasons FROM reasons GROUP BY building_no
) AS r USING (building_no)
"""


@dataclass(frozen=True)
class RankingOrder:
    """An order in which buildings can be listed.

    Attributes:
        rank: SQL for rank, rank_low and rank_high in this order; the interval is NULL for orders
            of which none is worked out.
        meaning: what it is, for ``--help`` and screens.
    """

    rank: str
    meaning: str


_NO_INTERVAL = "NULL::BIGINT AS rank_low, NULL::BIGINT AS rank_high"

ORDERS: dict[str, RankingOrder] = {
    "burden": RankingOrder(
        "s.rank AS rank, s.rank_low AS rank_low, s.rank_high AS rank_high",
        "dangerous openings × people who live with them, whole building",
    ),
    "burden_per_dwelling": RankingOrder(
        "s.rank_per_dwelling AS rank, s.rank_per_dwelling_low AS rank_low, "
        "s.rank_per_dwelling_high AS rank_high",
        "the same per dwelling",
    ),
    "score": RankingOrder(
        f"s.rank_by_score AS rank, {_NO_INTERVAL}", "expected harm of the whole building"
    ),
    "score_per_dwelling": RankingOrder(
        f"s.rank_by_score_per_dwelling AS rank, {_NO_INTERVAL}", "expected harm per dwelling"
    ),
}
"""Orders by name, the one that counts first: every other rank anywhere is in that one."""


def ranking(
    con: duckdb.DuckDBPyConnection,
    *,
    top: int | None = None,
    by: str = "burden",
    only: Narrowing | None = None,
) -> pd.DataFrame:
    """Ranked buildings.

    Args:
        con: a warehouse.
        top: how many, all by default.
        by: a key of ``ORDERS``.
        only: which buildings, all by default. Ranks stay those among all buildings.

    Returns:
        One row a building in order of rank, with the columns of ``_RANKING``. ``burden`` as in
        ``scoring.burden``; ``score`` is in death equivalents per million years at this building
        (for ranking; not a forecast); ``p_top`` goes by burden, whatever the order.

    Raises:
        CoverplateError: for an order that does not exist.
    """
    if by not in ORDERS:
        raise CoverplateError(
            f"buildings cannot be ranked by {by!r}", expected="one of " + ", ".join(ORDERS)
        )
    where, parameters = (only or Narrowing()).where()
    limit = "" if top is None else f"LIMIT {int(top)}"
    return con.execute(
        f"{_RANKING.format(rank=ORDERS[by].rank)} "
        f"WHERE s.building_no IN (SELECT building_no FROM narrowed_by WHERE {where}) "
        f"ORDER BY rank {limit}",
        parameters,
    ).fetchdf()


def building(con: duckdb.DuckDBPyConnection, building_id: str) -> pd.DataFrame:
    """One building: the single row of ``ranking`` plus every register fact and assumption.

    ``top`` is the K of ``p_top``, the probability of being among the first K.

    Raises:
        CoverplateError: if no source names that building.
    """
    frame = ranking(con, only=Narrowing(building_ids=(building_id,)))
    if frame.empty:
        near = con.execute(
            "SELECT building_id FROM buildings "
            "ORDER BY levenshtein(lower(building_id), lower(?)), building_id LIMIT 3",
            [building_id],
        ).fetchall()
        raise CoverplateError(
            f"no landed export names a building {building_id!r}",
            expected="an identifier such as " + ", ".join(str(row[0]) for row in near)
            if near
            else "a building that was taken in",
            to_do="list them with `coverplate rank`",
        )
    more = con.execute(
        """
        SELECT b.wiring_method, b.wiring_metal, b.panel_type, b.panel_condition,
            b.fuses_oversized, b.storeys, b.postal_code, b.evaluated_on, b.graded_share,
            b.in_register, z.dwellings_assumed, z.occupants_assumed, z.vulnerable_assumed,
            z.openings_unseen, rule('scoring.top') AS top,
            s.effective_points, s.rate_ungrounded_origin, s.rate_converted,
            s.rate_false_ground, s.rate_reversed, s.rate_other_fault
        FROM buildings AS b
        JOIN building_sizes AS z USING (building_no)
        JOIN building_scores AS s USING (building_no)
        WHERE b.building_id = ?
        """,
        [building_id],
    ).fetchdf()
    return pd.concat([frame, more], axis=1)


def retired(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Buildings that the newest full register no longer names.

    Returns:
        Columns of ``register.retired_sql`` and defect_reported: whether a look or a paper
        reported a danger there; those without are in no other list.
    """
    return con.execute("SELECT * FROM retired_buildings ORDER BY building_id").fetchdf()


def openings(con: duckdb.DuckDBPyConnection, building_id: str) -> pd.DataFrame:
    """Recorded openings of a building with what remains possible, likeliest danger first.

    Returns:
        Columns opening_id, unit_id, room, slots, gfci, marking, last_observed_on, methods, looked,
        sees_false_ground, standing, confirmed, urgent, urgent_defect, grounds (as in ``urgent``),
        defect, p_dangerous, ``PROBABILITIES``, circuit_id, p_of_era, p_of_building, p_of_dwelling,
        p_of_circuit (chance of danger by what is known, see ``scoring.why``), next_method and
        next_settles (see ``evidence.next_look``), rule_book_hash.
    """
    return con.execute(
        f"""
        SELECT o.opening_id, o.unit_id, o.room, o.slots, o.gfci, o.marking, o.last_observed_on,
            o.methods, o.looked, o.sees_false_ground, o.standing, o.confirmed, o.urgent,
            o.urgent_defect, o.grounds, o.defect,
            o.p_dangerous, {", ".join("o." + name for name in PROBABILITIES)},
            o.circuit_id, o.p_of_era, o.p_of_building, o.p_of_dwelling, o.p_of_circuit,
            o.next_method, o.next_settles,
            (SELECT rule_book_hash FROM build_facts) AS rule_book_hash
        FROM openings AS o
        WHERE o.building_id = ?
        ORDER BY o.urgent DESC, o.p_dangerous DESC, o.unit_id, o.opening_id
        """,
        [building_id],
    ).fetchdf()


def known_circuits(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Return the openings of which the circuit is known.

    Returns:
        Columns building_id, unit_id (blank where there is none), opening_id, circuit_id.
    """
    return con.execute(
        "SELECT building_id, coalesce(unit_id, '') AS unit_id, opening_id, circuit_id "
        "FROM openings WHERE circuit_id IS NOT NULL AND opening_id IS NOT NULL ORDER BY ALL"
    ).fetchdf()


def gfci_looks(con: duckdb.DuckDBPyConnection, building_id: str | None = None) -> pd.DataFrame:
    """Return the looks that say how old a GFCI is or whether its own button trips it.

    Args:
        con: a warehouse.
        building_id: one building's only.

    Returns:
        Columns building_id, unit_id (blank where there is none), opening_id, observed_on,
        gfci_year, gfci_button_tripped.
    """
    # a warehouse of before the year was asked for stays readable
    has_year = "gfci_year" in {row[0] for row in con.execute("DESCRIBE observations").fetchall()}
    year = "o.gfci_year" if has_year else "NULL::INTEGER"
    return con.execute(
        f"SELECT b.building_id, coalesce(o.unit_id, '') AS unit_id, o.opening_id, o.observed_on, "
        f"{year} AS gfci_year, o.gfci_button_tripped "
        "FROM observations AS o JOIN buildings AS b USING (building_no) "
        f"WHERE ({year} IS NOT NULL OR o.gfci_button_tripped IS NOT NULL) "
        "AND ($building IS NULL OR b.building_id = $building) ORDER BY ALL",
        {"building": building_id},
    ).fetchdf()


def stakes(con: duckdb.DuckDBPyConnection, places: pd.DataFrame) -> pd.DataFrame:
    """Return what is at stake at some openings.

    Args:
        con: a warehouse.
        places: columns building_id, unit_id (blank where there is none), opening_id.

    Returns:
        Those columns, each place once, and urgent (something measured or reported makes it so),
        p_dangerous (missing where the opening is not recorded), people and vulnerable_people (in
        the building, also as assumed; missing where it is not known).
    """
    columns = ("building_id", "unit_id", "opening_id")
    listed = [places[name].fillna("").astype(str).tolist() for name in columns]
    return con.execute(
        """
        WITH wanted AS (
            SELECT DISTINCT building_id, unit_id, opening_id
            FROM (SELECT unnest(?::VARCHAR[]) AS building_id, unnest(?::VARCHAR[]) AS unit_id,
                unnest(?::VARCHAR[]) AS opening_id)
        )
        SELECT w.*, u.opening_id IS NOT NULL AS urgent, o.p_dangerous, z.people,
            z.vulnerable_people
        FROM wanted AS w
        LEFT JOIN buildings AS b USING (building_id)
        LEFT JOIN building_sizes AS z USING (building_no)
        LEFT JOIN openings AS o
            ON o.building_id = w.building_id AND coalesce(o.unit_id, '') = w.unit_id
            AND o.opening_id = w.opening_id
        LEFT JOIN urgent_openings AS u
            ON u.building_no = b.building_no AND u.unit_id = w.unit_id
            AND u.opening_id = w.opening_id
        ORDER BY ALL
        """,
        listed,
    ).fetchdf()


def unrecorded_openings(con: duckdb.DuckDBPyConnection, building_id: str) -> pd.DataFrame:
    """The openings of a building that nobody recorded, as one row: how many, and what is likely."""
    return con.execute(
        f"""
        SELECT s.openings, s.p_two_slot, s.p_three_slot, s.p_dangerous,
            {", ".join("s." + name for name in PROBABILITIES)}
        FROM opening_groups AS s
        JOIN buildings AS b USING (building_no)
        WHERE b.building_id = ? AND NOT s.recorded
        """,
        [building_id],
    ).fetchdf()


def first_buildings(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """What the first buildings hold together: see ``scoring.first_buildings`` for the columns."""
    return con.execute("SELECT * FROM first_buildings ORDER BY first").fetchdf()


def learned(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """What the portfolio taught, beside what the rule book holds.

    Returns:
        Columns of (a band of construction years, ``rewired``, or ``portfolio``), share, mean,
        mean_low and mean_high (over the draws that carry its uncertainty; NULL for shares of the
        portfolio as a whole of which none are drawn), default_mean.
    """
    return con.execute(
        """
        SELECT 'portfolio' AS of, share, mean, nullif(mean_low, 'NaN') AS mean_low,
            nullif(mean_high, 'NaN') AS mean_high, default_mean
        FROM learned_shares
        UNION ALL
        SELECT era_label, rate, mean, mean_low, mean_high, default_mean FROM learned_rates
        ORDER BY of = 'portfolio' DESC, of, share
        """
    ).fetchdf()


def looks(con: duckdb.DuckDBPyConnection, building_id: str) -> pd.DataFrame:
    """Every look in force at a building, newest first, in canonical columns."""
    return con.execute(
        """
        SELECT b.building_id, o.* EXCLUDE (building_no, _part, _row)
        FROM observations AS o JOIN buildings AS b USING (building_no)
        WHERE b.building_id = ?
        ORDER BY o.observed_on DESC, o.unit_id, o.opening_id
        """,
        [building_id],
    ).fetchdf()


def looks_of_opening(
    con: duckdb.DuckDBPyConnection, building_id: str, unit_id: str, opening_id: str
) -> pd.DataFrame:
    """Every look in force at an opening, oldest first, with where it was landed from.

    Returns:
        The columns of opening observations, then file, file_sha256, sheet and file_row.
    """
    return con.execute(
        """
        SELECT b.building_id, o.* EXCLUDE (building_no, _part, _row),
            f.path AS file, f.sha256 AS file_sha256, f.sheet, o._row AS file_row
        FROM observations AS o
        JOIN buildings AS b USING (building_no)
        JOIN files AS f ON f._part = o._part
        WHERE b.building_id = ? AND coalesce(o.unit_id, '') = ? AND o.opening_id = ?
        ORDER BY o.observed_on, f.sequence, o._row
        """,
        [building_id, unit_id, opening_id],
    ).fetchdf()


def superseded_of_opening(
    con: duckdb.DuckDBPyConnection, building_id: str, unit_id: str, opening_id: str
) -> set[tuple[str, str, int]]:
    """File (SHA-256), sheet and row of every look at an opening that another row took the place
    of."""
    return set(
        con.execute(
            """
            SELECT f.sha256, coalesce(f.sheet, ''), h._row
            FROM observation_history AS h
            JOIN files AS f ON f._part = h._part
            WHERE h.building_id = $1 AND coalesce(h.unit_id, '') = $2 AND h.opening_id = $3
            UNION
            SELECT f.sha256, coalesce(f.sheet, ''), o._row
            FROM looks_put_otherwise
            JOIN observations AS o USING (_part, _row)
            JOIN buildings AS b USING (building_no)
            JOIN files AS f USING (_part)
            WHERE b.building_id = $1 AND o.unit_id = $2 AND o.opening_id = $3
            """,
            [building_id, unit_id, opening_id],
        ).fetchall()
    )


def urgent(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Openings at which something urgent was plainly reported or measured, by building rank.

    Returns:
        Columns building_id, name, rank, unit_id, room, opening_id, defect (the worst of what was
        reported: a condition or an ``UrgentDefect``), last_observed_on, methods, p_dangerous,
        standing (measured, reported), grounds (a list of dicts ground, says, standing,
        observed_on, inspector, method, file, sheet, row; newest first), clearing_methods and
        clearing_readings (of the look that clears all of them, see ``shared.urgent_answers``) and
        clears (the same in words).
    """
    frame = con.execute(
        """
        SELECT b.building_id, b.name, s.rank, u.unit_id, o.room, u.opening_id, u.defect,
            coalesce(o.last_observed_on, u.reported_on) AS last_observed_on,
            coalesce(o.methods, []) AS methods, o.p_dangerous,
            coalesce(o.standing, CASE WHEN u.measured THEN 'measured' ELSE 'reported' END)
                AS standing,
            u.grounds, coalesce(u.reported_slots, o.slots) AS slots
        FROM urgent_openings AS u
        -- what was written into the ledger may be of an opening of which nothing landed
        LEFT JOIN openings AS o USING (building_no, unit_id, opening_id)
        JOIN buildings AS b USING (building_no)
        JOIN building_scores AS s USING (building_no)
        ORDER BY s.rank, u.unit_id, u.opening_id
        """
    ).fetchdf()
    looks = [
        clearing([str(each["ground"]) for each in row["grounds"]], row["slots"])
        for row in frame.to_dict(orient="records")
    ]
    frame["clearing_methods"] = [[each.value for each in look.methods] for look in looks]
    frame["clearing_readings"] = [list(look.readings) for look in looks]
    frame["clears"] = [look.told() for look in looks]
    return frame.drop(columns="slots")


def reports(
    con: duckdb.DuckDBPyConnection, building_id: str | None = None, *, urgent_only: bool = False
) -> pd.DataFrame:
    """Citations, complaints, work orders and permits; the unanswered urgent ones first.

    Args:
        con: the warehouse.
        building_id: only of this building.
        urgent_only: only those that are urgent and not answered.

    Returns:
        Columns building_id, name, unit_id, report_kind, reference, reported_on, status, status_on,
        code_section, description, issued_by, subject, urgent (a shock, live metal or heat is
        reported and not answered), openings (recorded ones that it may mean), opened (how many of
        them were opened since by somebody able to tell), answered_on, file, sheet, row.
    """
    return con.execute(
        """
        SELECT b.building_id, b.name, r.unit_id, r.report_kind, r.reference, r.reported_on,
            r.status, r.status_on, r.code_section, r.description, r.issued_by, r.subject,
            coalesce(NOT u.answered, false) AS urgent, u.openings, u.opened, u.answered_on,
            r.file, r.sheet, r._row AS "row"
        FROM building_reports AS r
        JOIN buildings AS b USING (building_no)
        LEFT JOIN urgent_reports AS u USING (_part, _row)
        WHERE ($1 IS NULL OR b.building_id = $1) AND (NOT $2 OR NOT coalesce(u.answered, true))
        ORDER BY urgent DESC, r.reported_on DESC, b.building_id, r.unit_id, r._part, r._row
        """,
        [building_id, urgent_only],
    ).fetchdf()


def urgent_papers_of(
    con: duckdb.DuckDBPyConnection, building_id: str, unit_id: str
) -> list[dict[str, Any]]:
    """Urgent papers without an answer that can mean an opening of a dwelling: they name it, or no
    dwelling of its building.

    Returns:
        report_kind, reference, reported_on, unit_id, subject, description, file, file_sha256,
        sheet, file_row of each; in order of days.
    """
    found = con.execute(
        """
        SELECT r.report_kind, r.reference, r.reported_on, r.unit_id, r.subject, r.description,
            f.path AS file, f.sha256 AS file_sha256, f.sheet, r._row AS file_row
        FROM urgent_reports AS r
        JOIN buildings AS b USING (building_no)
        JOIN files AS f ON f._part = r._part
        WHERE NOT r.answered AND b.building_id = ? AND r.unit_id IN ('', ?)
        ORDER BY r.reported_on, r._part, r._row
        """,
        [building_id, unit_id],
    )
    names = [name for name, *_ in found.description]
    return [dict(zip(names, row, strict=True)) for row in found.fetchall()]


def looks_set_aside(con: duckdb.DuckDBPyConnection) -> int:
    """How many rows of looks and reports (of repairs too) wait for correction: whatever they say is
    in none of the lists.

    Rows that stand without a cell count where that cell could have reported danger.
    """
    telling = [f.name for f in OPENING_OBSERVATIONS.fields if f.reports_danger]
    ((count,),) = con.execute(
        "SELECT count(*) FROM quarantined_rows WHERE NOT resolved AND ("
        "(level = 'row' AND list_contains(?, record_kind)) OR (record_kind = ? "
        'AND list_has_any(list_transform(reasons, lambda r: r."column"), ?)))',
        [
            [
                RecordKind.OPENING_OBSERVATIONS.value,
                RecordKind.BUILDING_REPORTS.value,
                RecordKind.FIX_REPORTS.value,
            ],
            RecordKind.OPENING_OBSERVATIONS.value,
            telling,
        ],
    ).fetchall()
    return int(count)


def inferred_urgent(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Where nothing urgent was reported, yet live metal is likely enough to go and look.

    Openings of a building that nobody recorded stand as one row without a unit and opening.

    Returns:
        Columns building_id, name, rank, unit_id, room, opening_id (None for openings that nobody
        recorded), openings (how many the row stands for), standing, p_live_metal (of each),
        last_observed_on; likeliest first.
    """
    return con.execute(
        """
        WITH likely AS (
            SELECT building_no, unit_id, room, opening_id, 1 AS openings, standing, p_live_metal,
                last_observed_on
            FROM openings
            WHERE NOT urgent
            UNION ALL BY NAME
            SELECT building_no, openings, 'inferred' AS standing, p_live_metal
            FROM opening_groups
            WHERE NOT recorded AND openings > 0
        )
        SELECT b.building_id, b.name, s.rank, l.unit_id, l.room, l.opening_id, l.openings,
            l.standing, l.p_live_metal, l.last_observed_on
        FROM likely AS l
        JOIN buildings AS b USING (building_no)
        JOIN building_scores AS s USING (building_no)
        WHERE l.p_live_metal >= rule('urgent.inferred_probability')
        ORDER BY l.p_live_metal DESC, s.rank, l.unit_id, l.opening_id
        """
    ).fetchdf()


def cleared_urgent(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """What was urgent and is so no longer, and what took each report away.

    Returns:
        Columns building_id, name, rank, unit_id, opening_id (missing for papers, which name none),
        defect, says, observed_on, inspector, method (of papers: what sort they are), file, sheet,
        row (of the report), cleared_by (look, proven_fix, replaced, dismissed; look, for a paper:
        all openings that it can mean were opened),
        cleared_how, cleared_on, clearing_person, clearing_method, clearing_file, clearing_sheet,
        clearing_row; the latest report first.
    """
    return con.execute(
        """
        SELECT c.building_id, b.name, s.rank, c.unit_id, c.opening_id, c.defect, c.says,
            c.observed_on, c.inspector, c.method, c.file, c.sheet, c."row", c.cleared_by,
            c.cleared_how, c.cleared_on, c.clearing_person, c.clearing_method, c.clearing_file,
            c.clearing_sheet, c.clearing_row
        FROM cleared_openings AS c
        JOIN buildings AS b USING (building_no)
        JOIN building_scores AS s USING (building_no)
        UNION ALL
        SELECT b.building_id, b.name, s.rank, r.unit_id, NULL, r.subject,
            coalesce(r.description, r.subject), r.reported_on, r.issued_by, r.report_kind, r.file,
            r.sheet, r._row, CASE WHEN u.answered THEN 'look' ELSE 'dismissed' END,
            CASE WHEN u.answered
                THEN concat('all openings that it can mean were opened (', u.opened, ')')
                ELSE 'the paper was dismissed' END,
            CASE WHEN u.answered THEN u.answered_on ELSE r.status_on END, NULL, NULL, NULL, NULL,
            NULL
        FROM building_reports AS r
        JOIN buildings AS b USING (building_no)
        JOIN building_scores AS s USING (building_no)
        LEFT JOIN urgent_reports AS u USING (_part, _row)
        WHERE list_contains($1, r.subject) AND (r.status = 'dismissed' OR u.answered)
        ORDER BY observed_on DESC, rank, unit_id, opening_id, says
        """,
        [[each.value for each in URGENT_SUBJECTS]],
    ).fetchdf()


def data_quality(con: duckdb.DuckDBPyConnection, building_id: str | None = None) -> pd.DataFrame:
    """What does not fit together: kind, building_id, unit_id, opening_id, column, values, ..."""
    where = "" if building_id is None else "WHERE building_id = ?"
    parameters = [] if building_id is None else [building_id]
    return con.execute(
        f"SELECT * FROM data_quality_findings {where} "
        "ORDER BY building_id, kind, unit_id, opening_id",
        parameters,
    ).fetchdf()


def files(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """What landed, in order: path, sheet, record_kind, mapping and counts."""
    return con.execute("SELECT * FROM files ORDER BY sequence, _part").fetchdf()


def build_facts(con: duckdb.DuckDBPyConnection) -> dict[str, str | int]:
    """Version, rule book hash, model version, the learned record and what it was learned from."""
    frame = con.execute("SELECT * FROM build_facts").fetchdf()
    facts: dict[str, str | int] = {
        str(name): value for name, value in frame.iloc[0].to_dict().items()
    }
    return facts


def fire_facts(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Facts that bear on fire, counted over the portfolio (``shared.fire_facts``).

    Returns:
        Columns fact (in words), buildings (that have it), not_known (buildings of which nobody says
        whether they have), dwellings and people (in those that have it; assumed where no register
        tells), source. One row a fact.
    """
    parts = [
        f"""
        SELECT {number} AS place, {literal(fact.says)} AS fact,
            count(*) FILTER ({holds_sql(fact)}) AS buildings,
            count(*) FILTER ({fact.column} IS NULL) AS not_known,
            coalesce(sum(z.dwellings) FILTER ({holds_sql(fact)}), 0)::BIGINT AS dwellings,
            coalesce(round(sum(z.people) FILTER ({holds_sql(fact)})), 0)::BIGINT AS people,
            {literal(fact.source)} AS source
        FROM buildings AS b JOIN building_sizes AS z USING (building_no)
        """
        for number, fact in enumerate(FIRE_FACTS)
    ]
    return con.execute(
        f"SELECT * EXCLUDE (place) FROM ({' UNION ALL '.join(parts)}) ORDER BY place"
    ).fetchdf()


def rooms(con: duckdb.DuckDBPyConnection, building_id: str) -> pd.DataFrame:
    """Where the openings of a building are: building_id, unit_id, opening_id, room, urgent."""
    return con.execute(
        "SELECT building_id, unit_id, opening_id, room, urgent FROM openings WHERE building_id = ?",
        [building_id],
    ).fetchdf()
