"""What the ledger says to the score: proven repairs count, unproven ones are only expected."""

from __future__ import annotations

import pandas as pd

from pipeline.ledger.history import history
from pipeline.ledger.store import Ledger

_REPAIRS = """
SELECT
    finding_id, building_id, nullif(unit_id, '') AS unit_id, opening_id, family, condition,
    fixed_on, {more} leaves_condition, leaves_slots, leaves_protected, remedy, fixed_by
FROM findings
WHERE
    treatment = '{treatment}' AND fixed_on IS NOT NULL
    -- a repair after which the defect came back counts no longer
    AND finding_id NOT IN (
        SELECT recurs_of FROM findings WHERE recurs_of IS NOT NULL AND treatment <> 'withdrawn'
    )
QUALIFY row_number() OVER (
    PARTITION BY building_id, unit_id, opening_id{each} ORDER BY fixed_on DESC, finding_id
) = 1
ORDER BY building_id, unit_id, opening_id, family
"""


def verified_fixes(ledger: Ledger) -> pd.DataFrame:
    """Return the latest proven repair of each family of defects at each opening.

    Looks from ``fixed_on`` or before say nothing of the opening as it is now.

    Returns:
        Columns finding_id, building_id, unit_id (missing where there is none), opening_id, family,
        condition (before), fixed_on, verified_on, leaves_condition, leaves_slots,
        leaves_protected, remedy, fixed_by. One row an opening and family.
    """
    with history(ledger) as con:
        return con.execute(
            _REPAIRS.format(treatment="proven", more="verified_on,", each=", family")
        ).df()


def unproven_fixes(ledger: Ledger) -> pd.DataFrame:
    """Return reported fixes that no capable look has proven: their effect is expected, not counted.

    Returns:
        Columns as ``verified_fixes`` without verified_on. One row an opening.
    """
    with history(ledger) as con:
        return con.execute(_REPAIRS.format(treatment="fix_reported", more="", each="")).df()
