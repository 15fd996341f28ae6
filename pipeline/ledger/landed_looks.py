"""Looks that landed since a fix was reported, and what each says of it.

They come with exports like any other look; nobody has to write them down again. What proves nothing
is told with the reason, so that a person sees why a fix stays unproven.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import duckdb
import numpy as np
import pandas as pd

from pipeline.ledger import events as ev
from pipeline.ledger.effects import proving_looks
from pipeline.ledger.families import members
from pipeline.ledger.further_up import unseen_further_up, write_further_up
from pipeline.ledger.history import current, hand_over
from pipeline.ledger.rule_books import Rejudge
from pipeline.ledger.state import Finding
from pipeline.ledger.store import Ledger
from pipeline.ledger.verification import Judge
from pipeline.offline import beside
from shared.faults import CoverplateError
from shared.vocabulary import CONDITIONS, Condition, Method, Result

_FIELDS = tuple(ev.Look.model_fields)


@dataclass(frozen=True)
class JudgedLook:
    """A landed look after a reported fix.

    Attributes:
        finding_id: whose fix it bears on.
        look: what was landed.
        event: what it amounts to; None where it proves nothing either way.
        reason: why, in words.
    """

    finding_id: str
    look: ev.Look
    event: ev.Verified | ev.VerificationFailed | None
    reason: str


def code_looks(con: duckdb.DuckDBPyConnection, ledger: Ledger) -> None:
    """Make the view coded_looks over a warehouse, its observations with building_id and code, and
    the table further_up (``further_up.write_further_up``)."""
    con.execute(
        "CREATE OR REPLACE TEMP VIEW coded_looks AS "
        f"SELECT b.building_id, o.*, {ledger.judge.likelihoods.reading_code_sql()} AS code "
        "FROM (SELECT *, NULL::VARCHAR AS reader FROM observations) AS o "
        "JOIN buildings AS b USING (building_no)"
    )
    write_further_up(con, ledger)


def judged_looks(
    con: duckdb.DuckDBPyConnection, ledger: Ledger, finding_id: str | None = None
) -> Iterator[JudgedLook]:
    """Judge every landed look dated after a fix that stands reported, by finding and day.

    Args:
        con: a connection with coded_looks.
        ledger: whose findings.
        finding_id: of this one only.
    """
    building = None if finding_id is None else ledger.finding(finding_id).raised.building_id
    frame = current(ledger, building)
    waiting = frame[frame["treatment"] == "fix_reported"]
    if finding_id is not None:
        waiting = waiting[waiting["finding_id"] == finding_id]
    hand_over(con, "waiting", waiting[[*_PLACE, "fixed_on"]])
    yield from _judged(con, ledger, "o.observed_on > w.fixed_on")


def overtaken_proofs(con: duckdb.DuckDBPyConnection, ledger: Ledger) -> Iterator[JudgedLook]:
    """Yield landed looks between a proven repair and its proof that disprove the repair.

    They landed after the proof; had they landed first, nothing would have been left to prove.
    Repairs after which the defect is recorded to have come back are left as they are.

    Args:
        con: a connection with coded_looks and looks_elsewhere.
        ledger: whose findings.
    """
    frame = current(ledger)
    back = frame["finding_id"].isin(frame["recurs_of"].dropna())
    proven = frame[(frame["treatment"] == "proven") & ~back]
    hand_over(con, "waiting", proven[[*_PLACE, "fixed_on", "verified_on"]])
    between = "o.observed_on > w.fixed_on AND o.observed_on < w.verified_on"
    for judged in _judged(con, ledger, between):
        if judged.event is not None and judged.event.kind == "verification_failed":
            yield judged


def contradicting_looks(
    con: duckdb.DuckDBPyConnection, ledger: Ledger, *, come_back: bool = False
) -> Iterator[JudgedLook]:
    """Yield landed looks that say of a repair proven by then what would have disproved it.

    From the day of the proof on, other looks of that day too: which came first nobody knows. Where
    the repair was proven to leave no ground, a pass by a method that cannot tell a ground from a
    jumper is among them: somebody put one or the other there since.

    Args:
        con: a connection with coded_looks and looks_elsewhere.
        ledger: whose findings.
        come_back: also of repairs after which the defect is recorded to have come back, unless a
            later repair of it is proven.
    """
    frame = current(ledger)
    back = frame[frame["recurs_of"].notna()].set_index("recurs_of")
    done = back[back["treatment"] == "proven"] if come_back else back
    proven = frame[(frame["treatment"] == "proven") & ~frame["finding_id"].isin(done.index)]
    hand_over(con, "waiting", proven[[*_PLACE, "verified_on"]])
    for judged in _judged(con, ledger, "o.observed_on >= w.verified_on"):
        if judged.event is not None and judged.event.kind == "verification_failed":
            yield judged
        elif judged.event is None and _unexplained_ground(
            ledger.judge, ledger.finding(judged.finding_id), judged.look
        ):
            yield replace(judged, reason=UNEXPLAINED_GROUND)


def confirms(judge: Judge, finding: Finding, look: ev.Look) -> bool:
    """Say whether a look against a proven repair confirms by itself that the defect is back, as
    ``Judge.reported``: its method could prove the repair, and its word names no other defect."""
    named = judge.named(look)
    own_word = not named or Condition.GROUNDED in named or judge.reported(finding, look) in named
    return own_word and judge.why_blind(finding, look.method) is None


def points_at(judge: Judge, finding: Finding, look: ev.Look) -> frozenset[Condition]:
    """Return the defects that a look against a proven repair tells: the likeliest that its word
    names, else those that its readings show; none where it may mean a defect of another family as
    well and its method could not prove the repair."""
    code = judge.code(look)
    shown = judge.likelihoods.code_detects(code)
    able = judge.why_blind(finding, look.method) is None
    if not able and not shown <= {*members(finding.raised.family)}:
        return frozenset()
    weights = judge.likelihoods.weights(code)
    named = [each for each in judge.named(look) if each in shown]
    likeliest = sorted(named, key=lambda each: -float(weights[CONDITIONS.index(each)]))[:1]
    return frozenset(likeliest) or shown


def speaks_against(judge: Judge, finding: Finding, look: ev.Look) -> str | None:
    """Say why a look speaks against the proven repair of a finding (``contradicting_looks``), or
    None where it does not, or is from before the proof."""
    proof = finding.proven_by
    if proof is None or look.observed_on < proof.observed_on:
        return None
    try:
        judged = judge.judge(finding, look)
    except CoverplateError:
        return None  # of a day on which it can say nothing of the repair
    if judged.verdict == "disproved":
        return judged.reason
    unexplained = judged.verdict == "says_nothing" and _unexplained_ground(judge, finding, look)
    return UNEXPLAINED_GROUND if unexplained else None


UNEXPLAINED_GROUND = (
    "a look shows a ground where the proven repair left none: since then somebody put a grounding "
    "conductor or a jumper there, and it cannot tell which; to be looked at with the box open"
)


def _unexplained_ground(judge: Judge, finding: Finding, look: ev.Look) -> bool:
    left = None if finding.fix is None else finding.fix.leaves_condition
    return (
        left is Condition.UNGROUNDED
        and look.result is Result.CORRECT
        and not judge.likelihoods.sees(look.method, Condition.FALSE_GROUND)
    )


PUT_OTHERWISE = (
    "its own file, sent again under the same name, holds another look in its place, so that "
    "nothing shows that it was made as it says; to be looked at again"
)

_PLACE = ["finding_id", "building_id", "unit_id", "opening_id"]


def _judged(con: duckdb.DuckDBPyConnection, ledger: Ledger, dated: str) -> Iterator[JudgedLook]:
    """Judge the landed looks at the openings of the table waiting, by finding and day."""
    columns = ", ".join(f"o.{name}" for name in _FIELDS)
    rows = con.execute(
        "SELECT w.finding_id, e.elsewhere, coalesce(u.reported_on <= o.observed_on, false) "
        f"AS further_up, p._part IS NOT NULL AS put_otherwise, {columns} FROM coded_looks AS o "
        "JOIN waiting AS w USING (building_id, unit_id, opening_id) "
        "LEFT JOIN further_up AS u USING (building_id, unit_id, opening_id) "
        "LEFT JOIN (SELECT _part, _row, arg_max(says, of_on) AS elsewhere FROM looks_elsewhere "
        "WHERE of_defect GROUP BY ALL) AS e USING (_part, _row) "
        "LEFT JOIN looks_put_otherwise AS p USING (_part, _row) "
        f"WHERE {dated} ORDER BY w.finding_id, o.observed_on, o.code"
    ).df()
    looks = []
    for row in map(plain, rows.to_dict(orient="records")):
        finding_id, elsewhere = str(row.pop("finding_id")), row.pop("elsewhere")
        further_up = bool(row.pop("further_up"))
        if row.pop("put_otherwise"):
            elsewhere = PUT_OTHERWISE
        cells = {name: None if cell == "" else cell for name, cell in row.items()}
        looks.append((finding_id, ev.Look.model_validate(cells), elsewhere, further_up))
    judge = Rejudge(ledger.rule_book, ledger.judge)
    judge.prepare(look for _, look, _, _ in looks)
    finding = None
    for finding_id, look, elsewhere, further_up in looks:
        if finding is None or finding.finding_id != finding_id:
            finding = ledger.finding(finding_id)
        try:
            judged = judge.judge(finding, look)
        except CoverplateError as untimely:
            yield JudgedLook(finding_id, look, None, untimely.found)
            continue
        if judged.verdict == "proven":
            unseen = unseen_further_up(judge, finding, look) if further_up else None
            if elsewhere is not None or unseen is not None:
                yield JudgedLook(finding_id, look, None, elsewhere or unseen or "")
                continue
        event = None if judged.verdict == "says_nothing" else judge.verified(finding, look)
        yield JudgedLook(finding_id, look, event, judged.reason)


def looks_since_fixes(
    warehouse: duckdb.DuckDBPyConnection, ledger: Ledger, finding_id: str | None = None
) -> pd.DataFrame:
    """Return the landed looks after fixes that stand reported, and what each says of the fix.

    Args:
        warehouse: a connection with observations and buildings; nothing is written to them.
        ledger: the ledger.
        finding_id: of this one only.

    Returns:
        Columns finding_id, observed_on, method, result, inspector, says (proves, disproves or
        nothing), reason. A proof or disproof is written down by the next ``sync_findings``.
    """
    con = beside(warehouse)
    try:
        code_looks(con, ledger)
        rows = [
            {
                "finding_id": each.finding_id,
                "observed_on": each.look.observed_on,
                "method": each.look.method.value,
                "result": each.look.result.value,
                "inspector": each.look.inspector,
                "says": "nothing"
                if each.event is None
                else "proves"
                if each.event.kind == "verified"
                else "disproves",
                "reason": each.reason,
            }
            for each in judged_looks(con, ledger, finding_id)
        ]
    finally:
        con.close()
    names = ["finding_id", "observed_on", "method", "result", "inspector", "says", "reason"]
    return pd.DataFrame(rows, columns=names)


def proofs_in_doubt(warehouse: duckdb.DuckDBPyConnection, ledger: Ledger) -> dict[str, str]:
    """Say which proofs rest on a landed look that no export in force holds as it was judged, or on
    a look that cannot see a bond which was reported in a box further up by then and stands; and
    which are overtaken by a look from before them (``overtaken_proofs``).

    A look was read another way since (another order of dates), corrected, replaced or taken out:
    any reading or note of it, who made it, on which day and how (``looks_put_otherwise``). Where a
    look in force, as it now is, proves the repair, nothing is in doubt; of a look that somebody
    wrote down by hand the exports need not know.

    Args:
        warehouse: a connection with observations and buildings; nothing is written to them.
        ledger: the ledger.

    Returns:
        Why, by finding_id.
    """
    proofs = proving_looks(ledger).fillna({"unit_id": ""})
    if proofs.empty:
        return {}
    same = " AND ".join(
        f"nullif(o.{name}::VARCHAR, '') IS NOT DISTINCT FROM nullif(p.{name}::VARCHAR, '')"
        for name in _FIELDS
        if name != "observed_on"
    )
    con = beside(warehouse)
    try:
        hand_over(con, "proofs", proofs[[*_PLACE, "fixed_on", "landed", *_FIELDS]])
        code_looks(con, ledger)
        con.execute(
            "CREATE OR REPLACE TEMP TABLE waiting AS SELECT p.*, u.reported_on, "
            "u.method AS reported_by FROM proofs AS p LEFT JOIN further_up AS u "
            "ON u.building_id = p.building_id AND u.unit_id = p.unit_id "
            "AND u.opening_id = p.opening_id AND u.reported_on <= p.observed_on "
            "AND p.method NOT IN (SELECT method FROM seen_further_up_by) "
            "WHERE u.reported_on IS NOT NULL OR p.landed AND NOT EXISTS ("
            "FROM observations AS o JOIN buildings AS b USING (building_no) "
            "WHERE b.building_id = p.building_id AND coalesce(o.unit_id, '') = p.unit_id "
            f"AND o.opening_id = p.opening_id AND o.observed_on = p.observed_on::DATE AND {same} "
            "AND (o._part, o._row) NOT IN (SELECT (_part, _row) FROM looks_put_otherwise))"
        )
        gone = con.execute("SELECT * FROM waiting").df()
        proven = {
            each.finding_id
            for each in _judged(con, ledger, "o.observed_on > w.fixed_on")
            if each.event is not None and each.event.kind == "verified"
        }
        overtaken = {each.finding_id: each for each in overtaken_proofs(con, ledger)}
    finally:
        con.close()
    rows = [row for row in gone.to_dict(orient="records") if row["finding_id"] not in proven]
    told = {row["finding_id"]: _why_in_doubt(ledger, row) for row in rows}
    told |= {
        finding_id: (
            f"a look of {each.look.observed_on:%Y-%m-%d} landed since that is of before its proof "
            f"and disproves the repair: {each.reason}; the next `coverplate findings sync` "
            "records that"
        )
        for finding_id, each in overtaken.items()
    }
    return {finding_id: why for finding_id, why in told.items() if why is not None}


def _why_in_doubt(ledger: Ledger, row: dict[Any, Any]) -> str | None:
    """Say why a proof is in doubt; None where it is not."""
    finding_id = row["finding_id"]
    if pd.isna(row["reported_on"]):
        return (
            f"the look of {row['observed_on']:%Y-%m-%d} ({row['method'].replace('_', ' ')}) that "
            "proved it stands in no export as it was judged: it was read another way since, "
            "replaced or taken out; have the opening looked at again, or `coverplate findings "
            f"reopen {finding_id}` with the reason"
        )
    blind = ledger.judge.blind_further_up(ledger.finding(finding_id), Method(row["method"]))
    if blind is None:
        return None
    return (
        f"a bond in a box further up was reported on {row['reported_on']:%Y-%m-%d} "
        f"({row['reported_by'].replace('_', ' ')}), and the look of {row['observed_on']:%Y-%m-%d} "
        f"that proved it cannot see that: {blind}; have it looked at with a method that can"
    )


def plain(row: dict[Any, Any]) -> dict[str, Any]:
    """Turn a frame's row into plain Python: missing cells None, lists tuples, days dates."""
    found: dict[str, Any] = {}
    for name, value in row.items():
        if isinstance(value, np.ndarray | list):
            found[str(name)] = tuple(str(each) for each in value)
        elif pd.isna(value):
            found[str(name)] = None
        elif isinstance(value, pd.Timestamp):
            found[str(name)] = value.date()
        else:
            found[str(name)] = value
    return found
