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
    # of each finding, each of its papers: how many openings it can mean, and those answered since
    papers: dict[str, dict[tuple[int, int], tuple[int, set[tuple[str, str]]]]] = defaultdict(dict)
    standing = set()
    for finding_id, part, row, answered, openings, unit, opening, day, inspector, firm in rows:
        if not answered:
            standing.add(finding_id)
        _, seen = papers[finding_id].setdefault((part, row), (openings, set()))
        if opening is not None and (unit, opening) not in seen:
            finding = ledger.finding(finding_id)
            if ledger.judge.may_answer(finding, day, inspector, firm):
                seen.add((unit, opening))
    digest = ledger.rule_book.hash
    return [
        Draft(finding_id, ev.EvidenceWithdrawn(reason=REASON, rule_book_hash=digest))
        for finding_id, own in papers.items()
        if finding_id not in standing
        and all(len(seen) == openings for openings, seen in own.values())
    ]
