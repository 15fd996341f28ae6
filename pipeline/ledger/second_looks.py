"""Which reported fixes are drawn for a second look, by another firm than the one that did the work.

A firm's own record sets the share: the upper end of the interval for the share of its fixes that a
look found wanting, as known when the fix was reported. Of a firm without a record every fix is
drawn. Whether a fix is drawn follows from the hash of its report, which nobody can choose, and can
be worked out again by anybody.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from pipeline.evidence.network import Floats
from pipeline.ledger.history import FIX_EVENTS, history, sql
from pipeline.ledger.persons import is_another_firm
from pipeline.ledger.store import Ledger

_DRAWN_FROM = """
WITH judged AS (
    SELECT
        f.*,
        h.hash,
        h.payload ->> 'worker' AS worker,
        r.recorded_at AS judged_at,
        -- a proof that a recurrence answers was none
        f.verdict = 'disproved' OR EXISTS (
            FROM findings AS again WHERE again.recurs_of = f.finding_id
        ) AS wanting
    FROM fixes AS f
    JOIN history AS h USING (finding_id, sequence)
    LEFT JOIN history AS r
        ON r.finding_id = f.finding_id AND r.sequence > f.sequence
        AND r.kind IN ('verified', 'verification_failed')
        AND f.verdict IN ('proven', 'disproved')
    QUALIFY row_number() OVER (PARTITION BY f.finding_id, f.sequence ORDER BY r.sequence) = 1
),

looked AS (
    SELECT finding_id, sequence, payload -> '$.look' AS look
    FROM history
    WHERE kind IN ('verified', 'verification_failed')
)

SELECT
    j.finding_id, p.building_id, p.unit_id, p.opening_id, j.firm, j.remedy, j.fixed_on,
    j.reported_at, j.verdict, j.hash,
    (
        SELECT count(*) FROM judged AS b
        WHERE b.firm = j.firm AND b.judged_at < j.reported_at
    ) AS known,
    (
        SELECT count(*) FROM judged AS b
        WHERE b.firm = j.firm AND b.judged_at < j.reported_at AND b.wanting
    ) AS wanting,
    list({'on': (l.look ->> 'observed_on')::DATE, 'firm': l.look ->> 'firm_of_inspector'}
        ORDER BY l.sequence) FILTER (l.look ->> 'firm_of_inspector' IS NOT NULL) AS by_firms
FROM judged AS j
JOIN findings AS p USING (finding_id)
LEFT JOIN looked AS l ON l.finding_id = j.finding_id AND l.sequence > j.sequence
GROUP BY ALL
ORDER BY j.firm, j.reported_at, j.finding_id
"""


def share_drawn(known: Floats, wanting: Floats, interval: float, least: float) -> Floats:
    """Share of a firm's fixes to draw: the upper Clopper-Pearson limit of its share found wanting.

    Args:
        known: fixes of the firm that were looked at after, shape (N,).
        wanting: of these, those found wanting.
        interval: probability that the two-sided interval holds.
        least: the share is never smaller.
    """
    level = 1.0 - (1.0 - interval) / 2.0
    left = known - wanting
    upper = np.ones(len(known))
    some = left > 0
    upper[some] = stats.beta.ppf(level, wanting[some] + 1.0, left[some])
    return np.maximum(upper, least)


def second_looks(ledger: Ledger) -> pd.DataFrame:
    """Return every reported fix with whether it was drawn for a second look and whether it had one.

    Returns:
        Columns finding_id, building_id, unit_id, opening_id, firm, remedy, fixed_on, verdict (as in
        ``fixes.sql``), known and wanting (the firm's record when the fix was reported), share,
        drawn, looked_on (by another firm, or missing), owed: drawn, not looked at by another firm
        and still said to be repaired.
    """
    rules = ledger.rule_book.ledger
    with history(ledger, kinds=FIX_EVENTS) as con:
        con.execute(f"CREATE TEMP TABLE fixes AS {sql('fixes')}")
        frame = con.execute(_DRAWN_FROM).df()
    frame["share"] = share_drawn(
        frame["known"].to_numpy(dtype=np.float64),
        frame["wanting"].to_numpy(dtype=np.float64),
        float(rules.interval),
        float(rules.second_look_least),
    )
    lots = frame["hash"].map(lambda digest: int(str(digest)[:13], 16) / 16.0**13)
    frame["drawn"] = lots.astype(float) < frame["share"]
    by_another = [
        _by_another(str(firm), looks)
        for firm, looks in zip(frame["firm"], frame["by_firms"], strict=True)
    ]
    frame["looked_on"] = pd.Series(by_another, index=frame.index, dtype="datetime64[us]")
    frame["owed"] = (
        frame["drawn"] & frame["looked_on"].isna() & frame["verdict"].isin(["proven", "unproven"])
    )
    return frame.drop(columns=["hash", "by_firms", "reported_at"])


def _by_another(firm: str, looks: object) -> pd.Timestamp | None:
    """The day of the first look by another firm."""
    if isinstance(looks, list | np.ndarray):
        for each in looks:
            if is_another_firm(str(each["firm"]), firm):
                return pd.Timestamp(each["on"])
    return None
