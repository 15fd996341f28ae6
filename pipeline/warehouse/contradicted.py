"""Proven repairs that later looks speak against: they count no longer.

A repair was proven, and somebody who looked later saw something else. What is known then is weighed
as it was at the proof: the doubt that the rule book leaves in any proof, against what the later
looks say of the condition that the repair left and of all others. Where the doubt comes out
larger, the repair counts no longer: the looks before it and those after its proof weigh again
(what was seen in between was undone, or never so), what was reported before the repair is urgent
again, and the next sync of findings raises the defect as a recurrence.
"""

from __future__ import annotations

import duckdb
import numpy as np

from pipeline.evidence.likelihood import Likelihoods
from shared.rule_book import RuleBook
from shared.vocabulary import CONDITIONS, NO_LOOK_RESULTS, Condition


def drop_contradicted(
    con: duckdb.DuckDBPyConnection, likelihoods: Likelihoods, rule_book: RuleBook
) -> None:
    """Take repairs that later looks contradict out of proven_fixes, and out of proven_families into
    recurred_families.

    Only looks after the proof speak against it. Makes the table contradicted_fixes: building_no,
    unit_id, opening_id, fixed_on, verified_on, remedy, doubt (the chance that the repair does not
    hold), observed_on and method of the last look since.
    """
    nothing = ", ".join(f"'{result}'" for result in NO_LOOK_RESULTS)
    rows = con.execute(
        f"""
        WITH later AS (
            SELECT f.building_no, f.unit_id, f.opening_id, f.fixed_on, f.leaves_condition,
                o.method, max(o.observed_on) AS observed_on,
                arg_max({likelihoods.reading_code_sql()},
                    (o.observed_on, o._part, o._row)) AS code,
                bool_or(coalesce(greatest(o.plate_earth_volts, o.case_earth_volts,
                    o.ground_contact_earth_volts) >= rule('urgent.touch_volts'), false)) AS live
            FROM proven_fixes AS f
            JOIN (SELECT *, NULL::VARCHAR AS reader FROM observations) AS o
                USING (building_no, unit_id, opening_id)
            WHERE o.observed_on > greatest(f.fixed_on, f.verified_on)
                AND f.leaves_condition IS NOT NULL AND o.result NOT IN ({nothing})
            GROUP BY f.building_no, f.unit_id, f.opening_id, f.fixed_on, f.leaves_condition,
                o.method, o.inspector
        )
        SELECT building_no, unit_id, opening_id, leaves_condition,
            list(code ORDER BY code) AS codes, bool_or(live) AS live,
            max(observed_on) AS observed_on,
            arg_max(method, (observed_on, method)) AS method
        FROM later GROUP BY building_no, unit_id, opening_id, leaves_condition ORDER BY ALL
        """
    ).fetchall()
    found = []
    before = float(rule_book.evidence.repair_doubt)
    for building_no, unit_id, opening_id, left, codes, live, observed_on, method in rows:
        chance = doubt(likelihoods, before, left, codes, live=live)
        if chance > 0.5:
            found.append((building_no, unit_id, opening_id, chance, observed_on, method))
    con.execute(
        "CREATE TEMP TABLE doubted (building_no INTEGER, unit_id VARCHAR, opening_id VARCHAR, "
        "doubt DOUBLE, observed_on DATE, method VARCHAR)"
    )
    if found:
        con.executemany("INSERT INTO doubted VALUES (?, ?, ?, ?, ?, ?)", found)
    con.execute(
        "CREATE TABLE contradicted_fixes AS SELECT d.building_no, d.unit_id, d.opening_id, "
        "f.fixed_on, f.verified_on, f.remedy, d.doubt, d.observed_on, d.method FROM doubted AS d "
        "JOIN proven_fixes AS f USING (building_no, unit_id, opening_id) ORDER BY ALL"
    )
    con.execute(
        "INSERT INTO recurred_families BY NAME SELECT * FROM proven_families "
        "SEMI JOIN doubted USING (building_no, unit_id, opening_id)"
    )
    for table in ("proven_fixes", "proven_families"):
        con.execute(
            f"DELETE FROM {table} WHERE (building_no, unit_id, opening_id) IN "
            "(SELECT (building_no, unit_id, opening_id) FROM doubted)"
        )
    con.execute("DROP TABLE doubted")


def doubt(
    likelihoods: Likelihoods, before: float, left: str, codes: list[str], *, live: bool = False
) -> float:
    """The chance that a proven repair does not hold, after later looks.

    Args:
        likelihoods: of looks.
        before: the doubt that any proof leaves.
        left: the condition that the repair left.
        codes: of the later looks; each method and hand once.
        live: whether one of them measured live metal: then what explains the looks best stands
            against the repair, not the mean of all that it could be.
    """
    said = likelihoods.weights_of(codes).prod(axis=0)
    place = CONDITIONS.index(Condition(left))
    against = np.delete(said, place)
    others = against.max() if live else against.mean()
    holds = (1 - before) * said[place]
    return float(before * others / (holds + before * others))
