"""What files on the desk would change before anything lands: by the build's own first steps.

Which buildings there are and what is plainly urgent are functions of the landed rows, the ledger
and the rule book, without a model; they cost a fraction of a build. Ranks are not: a rank is told
as it is today, and what it becomes only after a build.
"""

from __future__ import annotations

import pandas as pd

from pipeline.landing import Workspace
from pipeline.offline import connect
from pipeline.warehouse import store
from pipeline.warehouse.inputs import workspace_rule_book
from pipeline.warehouse.plainly_told import plainly_told
from pipeline.warehouse.repairs import KnownRepairs, known_repairs
from shared.faults import CoverplateError
from shared.rule_book import RuleBook

COUNTS = ("looks", "defects", "urgent_openings", "urgent_papers")
"""What is counted of a building; a defect is a look in force that names one in so many words."""


def foretold(workspace: Workspace, trial: Workspace) -> pd.DataFrame:
    """Compare a workspace with a copy of it that has taken files in.

    Args:
        workspace: as it is; its ledger and rule book hold for both.
        trial: the copy.

    Returns:
        One row a building that the files change: building_id, new (no source named it before),
        rank (of today; missing where there is no build), looks, defects, urgent_openings and
        urgent_papers as they would be, each with ``more_`` (how many more than today), and
        newly_urgent; newly urgent ones first, then by what more is urgent and defective.
    """
    book = workspace_rule_book(workspace)
    repairs = known_repairs(workspace, book)
    before, after = (_said(each, workspace, book, repairs) for each in (workspace, trial))
    frame = after.join(before.add_suffix("_before"), how="outer")
    counts = frame.drop(columns=["rows", "rows_before"]).fillna(0).astype(int)
    found = counts[list(COUNTS)].copy()
    for name in COUNTS:
        found[f"more_{name}"] = counts[name] - counts[f"{name}_before"]
    found["new"] = frame["rows_before"].isna()
    urgent = counts["urgent_openings"] + counts["urgent_papers"] > 0
    was = counts["urgent_openings_before"] + counts["urgent_papers_before"] > 0
    found["newly_urgent"] = urgent & ~was
    changed = frame["rows"].ne(frame["rows_before"])
    found = found[changed].join(_ranks(workspace))
    order = ["newly_urgent", "more_urgent_openings", "more_urgent_papers", "more_defects"]
    found = found.sort_values(order, ascending=False, kind="stable").reset_index()
    more = [f"more_{name}" for name in COUNTS]
    return found[["building_id", "new", "newly_urgent", "rank", *COUNTS, *more]]


def _said(
    landed: Workspace, workspace: Workspace, book: RuleBook, repairs: KnownRepairs
) -> pd.DataFrame:
    """What is plainly said of each building by what landed in a workspace and the ledger of the
    other, by building_id; ``rows`` is a sign of all its rows."""
    con = connect()
    try:
        plainly_told(con, landed, repairs, book, ledger_of=workspace)
        return (
            con.execute(
                """
                WITH looks AS (
                    SELECT building_no, count(*) AS looks, count(*) FILTER (result NOT IN
                        ('correct', 'no_power', 'not_accessible', 'not_tested')) AS defects,
                        bit_xor(hash(_part, _row, result, method, observed_on)) AS sign
                    FROM observations AS o GROUP BY ALL
                ),
                urgent AS (SELECT building_no, count(*) AS n FROM urgent_openings GROUP BY ALL),
                papers AS (
                    SELECT building_no, count(*) FILTER (NOT answered) AS n
                    FROM urgent_reports GROUP BY ALL
                ),
                reports AS (
                    SELECT building_no, bit_xor(hash(_part, _row, status)) AS sign
                    FROM building_reports AS r GROUP BY ALL
                ),
                grades AS (
                    SELECT building_id, bit_xor(hash(_part, _row, grade)) AS sign
                    FROM building_evaluations_current GROUP BY ALL
                ),
                facts AS (SELECT building_id, hash(f) AS sign FROM building_register_current AS f)
                SELECT b.building_id, coalesce(l.looks, 0) AS looks,
                    coalesce(l.defects, 0) AS defects, coalesce(u.n, 0) AS urgent_openings,
                    coalesce(p.n, 0) AS urgent_papers,
                    concat_ws(' ', coalesce(f.sign, 0), coalesce(l.sign, 0),
                        coalesce(r.sign, 0), coalesce(g.sign, 0)) AS rows
                FROM buildings AS b
                LEFT JOIN looks AS l USING (building_no)
                LEFT JOIN urgent AS u USING (building_no)
                LEFT JOIN papers AS p USING (building_no)
                LEFT JOIN reports AS r USING (building_no)
                LEFT JOIN grades AS g USING (building_id)
                LEFT JOIN facts AS f USING (building_id)
                ORDER BY building_id
                """
            )
            .df()
            .set_index("building_id")
        )
    finally:
        con.close()


def _ranks(workspace: Workspace) -> pd.DataFrame:
    """Today's ranks by building_id; none where nothing was built."""
    try:
        with store.reading(workspace) as con:
            frame = con.execute(
                "SELECT b.building_id, s.rank FROM building_scores AS s "
                "JOIN buildings AS b USING (building_no)"
            ).df()
    except CoverplateError:
        frame = pd.DataFrame({"building_id": [], "rank": []})
    return frame.set_index("building_id")
