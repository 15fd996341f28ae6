"""Ends what only papers reported, at no opening, where work was reported since.

No look at one opening proves such work. It ends, as no longer indicated and not as proven, where
each paper is answered by looks at all openings that it can mean, dated after the work and not by
whoever did it; what was found there stands at these openings.
"""

from __future__ import annotations

from collections import defaultdict

import duckdb

from pipeline.ledger import events as ev
from pipeline.ledger.history import current, hand_over
from pipeline.ledger.store import Draft, Ledger

REASON = (
    "every opening that the paper can mean was opened after the reported work, by somebody else; "
    "what was found there stands at these openings"
)


def answered_after_work(con: duckdb.DuckDBPyConnection, ledger: Ledger) -> list[Draft]:
    """Return the withdrawals to write.

    Args:
        con: a connection with the warehouse's buildings, paper_defects and paper_answers, and
            families.
        ledger: whose findings.
    """
    frame = current(ledger)
    waiting = frame[(frame["treatment"] == "fix_reported") & (frame["opening_id"] == "")]
    if waiting.empty:
        return []
    hand_over(con, "worked_on", waiting[["finding_id", "building_id", "unit_id", "family"]])
    rows = con.execute(
        "SELECT w.finding_id, p._part, p._row, p.answered, p.openings, a.unit_id, a.opening_id, "
        "a.observed_on, a.inspector, a.firm_of_inspector "
        "FROM worked_on AS w JOIN buildings AS b USING (building_id) "
        "JOIN paper_defects AS p ON p.building_no = b.building_no AND p.unit_id = w.unit_id "
        "LEFT JOIN families AS f ON f.condition = p.defect "
        "LEFT JOIN paper_answers AS a ON a._part = p._part AND a._row = p._row "
        "WHERE coalesce(f.family, p.defect) = w.family AND p.status IS DISTINCT FROM 'dismissed' "
        "ORDER BY w.finding_id, p._part, p._row"
    ).fetchall()
    missing: dict[str, dict[tuple[int, int], int]] = defaultdict(dict)
    seen: dict[str, set[tuple[object, ...]]] = defaultdict(set)
    for finding_id, part, row, answered, openings, unit, opening, day, inspector, firm in rows:
        paper = (part, row)
        # one that is not answered at all has one opening too many
        missing[finding_id].setdefault(paper, openings if answered else openings + 1)
        if opening is None or (*paper, unit, opening) in seen[finding_id]:
            continue
        if ledger.judge.may_answer(ledger.finding(finding_id), day, inspector, firm):
            seen[finding_id].add((*paper, unit, opening))
            missing[finding_id][paper] -= 1
    digest = ledger.rule_book.hash
    return [
        Draft(finding_id, ev.EvidenceWithdrawn(reason=REASON, rule_book_hash=digest))
        for finding_id, papers in missing.items()
        if not any(papers.values())
    ]
