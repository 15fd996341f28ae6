"""A bond reported in a box further up a circuit, which most looks at the opening cannot see.

Where one stands, a repair at the opening is proven only by a look able to tell what it leaves from
such a bond. It stands until a later look that sees further up says that there is none, or proves a
repair.
"""

from __future__ import annotations

import duckdb
import pandas as pd

from pipeline.landing import own_notes
from pipeline.ledger import events as ev
from pipeline.ledger.effects import proving_looks
from pipeline.ledger.history import current, hand_over
from pipeline.ledger.state import Finding
from pipeline.ledger.store import Ledger
from pipeline.ledger.verification import Judge, proving_methods
from shared.faults import CoverplateError
from shared.finding_identity import DefectFamily
from shared.finding_states import TREATMENTS
from shared.vocabulary import Method

_PLACE = ["building_id", "unit_id", "opening_id"]


def write_further_up(con: duckdb.DuckDBPyConnection, ledger: Ledger) -> None:
    """Make the temporary table further_up: what stands of such reports, one row an opening.

    Columns building_id, unit_id, opening_id, reported_on (the first that stands), method, worded:
    whether one says so in its word; else somebody who opened that box found a bond.

    Args:
        con: a connection with observations and buildings.
        ledger: whose proofs answer them.
    """
    seeing = [each.value for each in Method if ledger.judge.sees_further_up(each)]
    hand_over(con, "seen_further_up_by", pd.DataFrame({"method": seeing}).astype(str))
    proofs = proving_looks(ledger)[[*_PLACE, "method", "observed_on"]].fillna({"unit_id": ""})
    hand_over(con, "proofs_of_repairs", proofs.astype(dict.fromkeys([*_PLACE, "method"], str)))
    own_notes.create_macro(con, any_notes=own_notes.any_note(con, "observations"))
    con.execute(_FURTHER_UP)


_FURTHER_UP = """
CREATE OR REPLACE TEMP TABLE further_up AS
WITH told AS (
    SELECT b.building_id, coalesce(o.unit_id, '') AS unit_id, o.opening_id, o.observed_on, o.method,
        o.note, o.result,
        o.result = 'false_ground_upstream' AS worded,
        worded OR o.method = 'upstream_box_seen' AND (o.neutral_ground_jumper = 'yes'
            OR o.result IN ('false_ground', 'reversed_false_ground')) AS reports,
        o.result NOT IN ('no_power', 'not_accessible', 'not_tested')
            AND o.neutral_ground_jumper IS DISTINCT FROM 'yes'
            AND o.method IN (SELECT method FROM seen_further_up_by) AS sees
    FROM observations AS o
    JOIN buildings AS b USING (building_no)
    WHERE o.method NOT IN ('visual', 'three_lamp_tester')
),
-- A look whose own note speaks against it answers nothing.
against AS (
    SELECT note, result
    FROM (SELECT DISTINCT note, result FROM told WHERE sees AND note IS NOT NULL)
    WHERE note_against(note, result)
),
answers AS (
    SELECT building_id, unit_id, opening_id, max(observed_on) AS answered_on
    FROM (
        SELECT building_id, unit_id, opening_id, observed_on
        FROM told ANTI JOIN against USING (note, result)
        WHERE sees AND NOT coalesce(reports, false)
        UNION ALL
        SELECT building_id, unit_id, opening_id, observed_on::DATE
        FROM proofs_of_repairs SEMI JOIN seen_further_up_by USING (method)
    )
    GROUP BY ALL
)
SELECT t.building_id, t.unit_id, t.opening_id, min(t.observed_on) AS reported_on,
    arg_min(t.method, (t.observed_on, t.method)) AS method, bool_or(t.worded) AS worded
FROM told AS t
LEFT JOIN answers AS a USING (building_id, unit_id, opening_id)
WHERE t.reports AND t.observed_on >= coalesce(a.answered_on, t.observed_on)
GROUP BY ALL
"""


def unseen_further_up(judge: Judge, finding: Finding, look: ev.Look) -> str | None:
    """Say why a look that would prove a repair does not where a bond further up stands reported at
    the opening; None where it can tell what the repair leaves from one."""
    blind = judge.blind_further_up(finding, look.method)
    return (
        None if blind is None else f"a bond in a box further up stands reported here, and {blind}"
    )


def check_further_up(ledger: Ledger, finding: Finding, look: ev.Look) -> None:
    """Refuse a look written down by hand, or with a fix, as proof of a repair where it cannot see
    the bond further up that stands as a finding of the same opening.

    Raises:
        CoverplateError: it cannot; says what can.
    """
    why = unseen_further_up(ledger.judge, finding, look)
    known = further_up_of(ledger, finding.raised) if why else []
    if not known or finding.finding_id in known:
        return
    if ledger.judge.judge(finding, look).verdict != "proven":
        return
    raise CoverplateError(
        f"{finding.finding_id} stays reported, unproven: {why}",
        expected="a look by a method that sees further up",
        to_do=f"have it looked at so: {known[0]} is the finding further up",
    )


def capable_there(ledger: Ledger, finding: Finding) -> list[Method]:
    """Return the methods that can prove the reported fix with what is known of its opening."""
    rows = proving_methods(ledger.judge, finding, further_up=stands_further_up(ledger, finding))
    return [Method(row["method"]) for row in rows if row["proves"]]


def stands_further_up(ledger: Ledger, finding: Finding) -> bool:
    """Say whether a bond further up stands as another finding of the same opening."""
    return bool({*further_up_of(ledger, finding.raised)} - {finding.finding_id})


def further_up_of(ledger: Ledger, raised: ev.Raised) -> list[str]:
    """Return the findings of a bond further up that stand at the same opening and are not proven
    repaired."""
    frame = current(ledger, raised.building_id)
    there = frame[
        (frame["unit_id"] == raised.unit_id)
        & (frame["opening_id"] == raised.opening_id)
        & (frame["family"] == DefectFamily.FALSE_GROUND_UPSTREAM)
    ]
    live = [name for name, each in TREATMENTS.items() if each.live]
    return [str(each) for each in there[there["treatment"].isin(live)]["finding_id"]]
