"""One building, whole: its facts and who says so, its score step by step, every opening."""

from __future__ import annotations

from typing import Any

import duckdb
import numpy as np
import pandas as pd

from pipeline.evidence.likelihood import Likelihoods
from pipeline.landing import Workspace, create_views
from pipeline.landing.register import FACTS
from pipeline.offline import connect
from pipeline.scoring.explanation import INGREDIENTS
from pipeline.warehouse import queries
from shared.records import BUILDING_REGISTER, quoted
from shared.vocabulary import CONDITIONS

STEP_LABELS: dict[str, str] = {
    "baseline": "Baseline",
    "era": "Construction era",
    "mixed_openings": "Mixed openings",
    "confirmed_defects": "What looks found",
    "occupancy": "Occupancy",
    "score": "Score",
}
"""What people call the baseline, the four ingredients and the sum."""

STEP_MEANINGS: dict[str, str] = {
    "baseline": "a building with as many openings about which nothing is known",
    "era": "when, how and by whom it was wired",
    "mixed_openings": "which slots were seen side by side in a dwelling or on a circuit",
    "confirmed_defects": "what looks reported and measured, good or bad",
    "occupancy": "who lives there and where the openings are",
    "score": "their sum",
}
"""What each step stands for."""

_ASSUMED = {
    "receptacle_count": ("openings", "openings_assumed", "dwellings × openings per dwelling"),
    "dwelling_units": ("dwellings", "dwellings_assumed", "openings ÷ openings per dwelling"),
    "occupants": ("people", "occupants_assumed", "dwellings × people per dwelling"),
    "vulnerable_occupants": ("vulnerable_people", "vulnerable_assumed", "a share of the people"),
}


def score_steps(building: pd.DataFrame) -> pd.DataFrame:
    """How a score comes about, from the single row of ``queries.building``.

    Returns:
        Columns step (key of ``STEP_LABELS``), label, meaning, value (signed), start and end (where
        its bar begins and ends); the last row is the score, and ends where the steps lead.
    """
    row = building.iloc[0]
    values = [float(row["baseline"]), *(float(row[f"contribution_{i}"]) for i in INGREDIENTS)]
    ends = np.cumsum(values)
    keys = ["baseline", *INGREDIENTS, "score"]
    return pd.DataFrame(
        {
            "step": keys,
            "label": [STEP_LABELS[key] for key in keys],
            "meaning": [STEP_MEANINGS[key] for key in keys],
            "value": [*values, float(ends[-1])],
            "start": [0.0, *ends[:-1], 0.0],
            "end": [*ends, float(ends[-1])],
        }
    )


def register_facts(
    workspace: Workspace, con: duckdb.DuckDBPyConnection, building: pd.DataFrame
) -> pd.DataFrame:
    """Facts of a building, where each comes from, and what other sources say.

    Args:
        workspace: the landed files say who said what.
        con: a warehouse, which knows which of them it was built from.
        building: the single row of ``queries.building``.

    Returns:
        Columns fact (canonical name), meaning, value (text; None where nobody says), unit, source
        (None where nobody says), assumed (text that stands in, or None), differs ("1958 (insurer)"
        for each source that says otherwise, or None); in the register's order.
    """
    building_id = str(building.iloc[0]["building_id"])
    parts = [int(row[0]) for row in con.execute("SELECT _part FROM files").fetchall()]
    said = _said(workspace, building_id, parts)
    rows = []
    for field in BUILDING_REGISTER.fields:
        if field.name == "building_id":
            continue
        own = said.get(field.name, [])
        value, source = own[0] if own else (None, None)
        others = [f"{text} ({who})" for text, who in own[1:] if text != value]
        rows.append(
            (
                field.name,
                field.meaning,
                value,
                field.unit,
                source,
                _assumption(field.name, building),
                "; ".join(others) or None,
            )
        )
    names = ["fact", "meaning", "value", "unit", "source", "assumed", "differs"]
    return pd.DataFrame(rows, columns=names)


def _assumption(fact: str, building: pd.DataFrame) -> str | None:
    if fact not in _ASSUMED:
        return None
    column, flag, how = _ASSUMED[fact]
    row = building.iloc[0]
    return f"{float(row[column]):.0f} ({how})" if bool(row[flag]) else None


def _said(
    workspace: Workspace, building_id: str, parts: list[int]
) -> dict[str, list[tuple[str, str]]]:
    """What each source says of each fact, the one that counts first."""
    con = connect()
    try:
        create_views(con, workspace)
        listed = ", ".join(map(quoted, FACTS))
        texts = ", ".join(f"v.{quoted(name)}::VARCHAR AS {quoted(name)}" for name in FACTS)
        rows = con.execute(
            f"""
            WITH own AS (
                SELECT l.source, l.precedence, l.counts_as_of, v._part, v._row, {texts}
                FROM building_register_valid AS v JOIN landed_files AS l ON l._part = v._part
                WHERE v.building_id = ? AND list_contains(?, v._part)
            ), facts AS (UNPIVOT own ON {listed} INTO NAME fact VALUE said)
            SELECT fact, arg_max(said, (precedence, counts_as_of, _part, _row)) AS said, source,
                max((precedence, counts_as_of, _part, _row)) AS place
            FROM facts GROUP BY fact, source ORDER BY fact, place DESC
            """,
            [building_id, parts],
        ).fetchall()
    finally:
        con.close()
    said: dict[str, list[tuple[str, str]]] = {}
    for fact, text, source, _ in rows:
        said.setdefault(str(fact), []).append((str(text), str(source)))
    return said


_OPENINGS = """
WITH own AS (
    SELECT o.*, s.codes
    FROM openings AS o JOIN signatures AS s USING (signature_no)
    WHERE o.building_id = ?
), latest AS (
    SELECT r.unit_id, r.opening_id, r.method, r.inspector,
        max(r.observed_on) AS observed_on,
        arg_max(r.result, (r.observed_on, r._part, r._row)) AS result,
        arg_max(r.neutral_ground_volts, (r.observed_on, r._part, r._row)) AS volts,
        arg_max(r.ground_path_ohms, (r.observed_on, r._part, r._row)) AS ohms
    FROM observations AS r JOIN buildings AS b USING (building_no)
    WHERE b.building_id = ?
    GROUP BY ALL
), told AS (
    SELECT unit_id, opening_id, list(struct_pack(
        method := method, result := result, observed_on := observed_on, inspector := inspector,
        volts := volts, ohms := ohms) ORDER BY observed_on DESC, method) AS looks
    FROM latest GROUP BY ALL
)
SELECT own.unit_id, own.room, own.opening_id, own.slots, own.gfci, own.marking,
    own.fixed_on, own.verified_on, own.reported_fixed_on,
    own.last_observed_on, told.looks, own.codes, own.looked, own.sees_false_ground, own.defect,
    own.standing, own.circuit_id, own.p_of_era, own.p_of_building, own.p_of_dwelling,
    own.p_of_circuit,
    own.next_method, own.next_settles, own.confirmed, own.urgent, own.urgent_defect, own.grounds,
    own.p_dangerous, {probabilities}
FROM own LEFT JOIN told USING (unit_id, opening_id)
ORDER BY own.unit_id, own.room NULLS LAST, own.opening_id
"""


def openings(
    con: duckdb.DuckDBPyConnection, likelihoods: Likelihoods, limit: float, building_id: str
) -> pd.DataFrame:
    """Every recorded opening: what was seen, what that speaks against, what remains possible.

    Args:
        con: a warehouse.
        likelihoods: under the rule book that it was built with.
        limit: that rule book's ``evidence.points_at``.
        building_id: the building.

    Returns:
        One row an opening, by unit, room and opening: unit_id, room, opening_id, slots, gfci,
        marking, last_observed_on, fixed_on and verified_on (of a proven repair),
        reported_fixed_on (of an unproven one), looked, sees_false_ground, defect, standing,
        confirmed, urgent, urgent_defect, grounds (as in ``queries.urgent``),
        p_dangerous, ``queries.PROBABILITIES``, and

        * looks: list of dicts method, result, observed_on, inspector, volts, ohms; newest first,
          one per method and hand;
        * against: list of conditions whose relative likelihood lies below ``limit``;
        * possible: list of (condition, probability) that the looks leave open, likeliest first.
    """
    probabilities = ", ".join(f"own.{name}" for name in queries.PROBABILITIES)
    frame = con.execute(
        _OPENINGS.format(probabilities=probabilities), [building_id, building_id]
    ).fetchdf()
    combinations = [tuple(codes) for codes in frame["codes"]]
    known = {codes: _left_open(likelihoods, codes, limit) for codes in set(combinations)}
    left = [known[codes] for codes in combinations]
    posterior = frame[list(queries.PROBABILITIES)].to_numpy(dtype=np.float64)
    frame["against"] = pd.Series(
        [
            [c.value for c, stays in zip(CONDITIONS, row, strict=True) if not stays]
            if looked
            else []
            for row, looked in zip(left, frame["looked"], strict=True)
        ],
        dtype=object,
    )
    frame["possible"] = pd.Series(
        [_possible(row, stays) for row, stays in zip(posterior, left, strict=True)], dtype=object
    )
    return frame.drop(columns=["codes"])


def _possible(posterior: Any, stays: tuple[bool, ...]) -> list[tuple[str, float]]:  # noqa: ANN401
    likely = [
        (condition.value, float(p))
        for condition, p, left in zip(CONDITIONS, posterior, stays, strict=True)
        if (left and p > 0) or p >= 0.05
    ]
    return sorted(likely, key=lambda pair: -pair[1])


def _left_open(likelihoods: Likelihoods, codes: tuple[str, ...], limit: float) -> tuple[bool, ...]:
    weights = likelihoods.weights_of(codes).prod(axis=0)
    return tuple(bool(weight >= limit) for weight in weights / weights.max())


def timeline(con: duckdb.DuckDBPyConnection, building_id: str) -> pd.DataFrame:
    """Looks and fixes by day, method and outcome.

    Returns:
        Columns observed_on, method ("fix" for fixes), outcome ("fault reported", "no fault
        reported", "no look possible"; for fixes "fix proven" on the day of the fix, "fix
        unproven"), openings, inspectors (text; for fixes the firms), results (text; for fixes the
        remedies); by day.
    """
    return con.execute(
        """
        WITH own AS (
            SELECT r.*, CASE
                WHEN r.result IN ('no_power', 'not_accessible', 'not_tested')
                    AND r.neutral_ground_volts IS NULL AND r.ground_path_ohms IS NULL
                    THEN 'no look possible'
                WHEN r.result IN ('correct', 'no_power', 'not_accessible', 'not_tested')
                    THEN 'no fault reported'
                ELSE 'fault reported' END AS outcome
            FROM observations AS r JOIN buildings AS b USING (building_no)
            WHERE b.building_id = $building
        ), told AS (
            SELECT observed_on, method, outcome, inspector AS who, result AS what FROM own
            UNION ALL
            SELECT fixed_on, 'fix', 'fix proven', fixed_by, remedy
            FROM proven_fixes AS f JOIN buildings AS b USING (building_no)
            WHERE b.building_id = $building
            UNION ALL
            SELECT fixed_on, 'fix', 'fix unproven', fixed_by, remedy
            FROM reported_fixes AS f JOIN buildings AS b USING (building_no)
            WHERE b.building_id = $building
        )
        SELECT observed_on, method, outcome, count(*) AS openings,
            string_agg(DISTINCT who, ', ' ORDER BY who) AS inspectors,
            string_agg(DISTINCT replace(what, '_', ' '), ', '
                ORDER BY replace(what, '_', ' ')) AS results
        FROM told
        WHERE observed_on IS NOT NULL
        GROUP BY observed_on, method, outcome
        ORDER BY observed_on, method, outcome
        """,
        {"building": building_id},
    ).fetchdf()


def reported_effect(con: duckdb.DuckDBPyConnection, building_id: str) -> tuple[int, float]:
    """What reported, unproven fixes would take off the score if capable looks proved them.

    Returns:
        Number of openings and score; (0, 0.0) where none is reported.
    """
    rows = con.execute(
        "SELECT e.openings, e.score_if_proven_lower_by FROM reported_fix_effects AS e "
        "JOIN buildings AS b USING (building_no) WHERE b.building_id = ?",
        [building_id],
    ).fetchall()
    return (int(rows[0][0]), float(rows[0][1])) if rows else (0, 0.0)


def ids(con: duckdb.DuckDBPyConnection, search: str = "", limit: int = 50) -> pd.DataFrame:
    """Buildings to choose from by a few words: building_id, name, rank; by rank."""
    words = search.lower().split()
    where = " AND ".join("contains(searched, ?)" for _ in words) or "true"
    return con.execute(
        f"SELECT building_id, name, rank FROM memory.listing WHERE {where} "
        f"ORDER BY rank LIMIT {int(limit)}",
        words,
    ).fetchdf()
