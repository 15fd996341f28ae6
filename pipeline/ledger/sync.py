"""From evidence to findings: raises, sees again, judges looks after fixes.

All comparing is SQL over the warehouse and the folded ledger; Python only writes the events. A
second run without new evidence writes nothing.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import duckdb
import pandas as pd

from pipeline.landing.workspace import Workspace
from pipeline.ledger import events as ev
from pipeline.ledger.answered_papers import answered_after_work
from pipeline.ledger.effects import urgent_by_hand
from pipeline.ledger.families import (
    ALSO,
    FAMILY,
    NAMED,
    RECORD_CONFLICT,
    URGENT_FAMILIES,
    DefectFamily,
    create_urgent_family,
    families_of,
    identity_of,
    members,
)
from pipeline.ledger.held import write_held
from pipeline.ledger.history import current, hand_over, sql
from pipeline.ledger.landed_fixes import TakenUp, take_up
from pipeline.ledger.landed_looks import (
    JudgedLook,
    code_looks,
    confirms,
    contradicting_looks,
    judged_looks,
    overtaken_proofs,
    plain,
    points_at,
)
from pipeline.ledger.state import Finding
from pipeline.ledger.store import Draft, Ledger, open_ledger
from pipeline.offline import beside
from shared.faults import CoverplateError
from shared.rule_book import RuleBook
from shared.standing import Standing
from shared.vocabulary import CONDITIONS, Condition, Slots, defect_at

WHO = ORIGIN = "evidence"
"""Who writes what follows from evidence alone."""

SEEN_AFTER_ALL = "reported plainly or confirmed after it was closed on paper"
"""Why the evidence reopens what was set aside."""


@dataclass(frozen=True)
class Synced:
    """What a synchronisation wrote, counted."""

    raised: int
    recurrences: int
    seen_again: int
    withdrawn: int
    verified: int
    verification_failed: int
    reopened: int = 0


@dataclass(frozen=True)
class BroughtUp:
    """What bringing the ledger up to all that landed wrote: from evidence, and of fix reports."""

    synced: Synced
    taken: TakenUp

    @property
    def counts(self) -> dict[str, int]:
        """Everything that was written, counted, by name."""
        reported = self.taken.count("reported")
        made = self.taken.made
        return {**vars(self.synced), "fixes_reported": reported, "visits_made": made}


def bring_up(
    workspace: Workspace,
    warehouse: duckdb.DuckDBPyConnection,
    ledger: Ledger,
    *,
    who: str,
    regulation: str | None = None,
) -> BroughtUp:
    """Bring the ledger up to all that landed: fix reports and sheets of visits, then the evidence.

    Args:
        workspace: where exports landed.
        warehouse: as in ``sync_findings``.
        ledger: the ledger.
        who: who stands behind the events.
        regulation: as in ``sync_findings``.
    """
    taken = take_up(workspace, ledger, who=who)
    synced = sync_findings(warehouse, ledger, who=who, regulation=regulation)
    if synced.raised or synced.recurrences:
        # a report may have landed before its finding was raised
        taken = taken.then(take_up(workspace, ledger, who=who))
    return BroughtUp(synced, taken)


def sync_findings(
    warehouse: duckdb.DuckDBPyConnection,
    ledger: Ledger,
    rule_book: RuleBook | None = None,
    *,
    who: str = WHO,
    regulation: str | None = None,
    at: dt.datetime | None = None,
) -> Synced:
    """Bring the ledger up to the evidence.

    Looks dated after a reported fix are judged first, then findings are raised or seen again.

    Args:
        warehouse: a connection with the tables openings, observations, buildings,
            live_metal_looks, told_by_hand, paper_defects, contradicted_fixes and
            data_quality_findings;
            nothing is written to them.
        ledger: the ledger.
        rule_book: thresholds; the ledger's own by default.
        who: who stands behind the events.
        regulation: the regulation that new findings stand under; the rule book's by default.
        at: when it is written down; now by default.
    """
    book = rule_book or ledger.rule_book
    under = book.due.regulation if regulation is None else regulation
    if under != "none" and under not in book.due.regulations:
        raise CoverplateError(
            f"{under!r} is no regulation of the rule book",
            expected="none or one of " + ", ".join(book.due.regulations),
            to_do="check the name",
        )
    now = at or dt.datetime.now(dt.UTC)
    ledger.check_states()
    with _evidence(warehouse, ledger, book) as con:
        verdicts = _write_verdicts(con, ledger, who=who, at=at)
        plan, since = _plan(con, ledger, book)
        back = _back_again(con, ledger, under, since)
        answered = answered_after_work(con, ledger)
    raised = _planned(plan, back, under, book.hash, now.date())
    planned = {identity_of(each) for each in raised}
    raised += [each for each in back.values() if identity_of(each) not in planned]
    reopened = [
        Draft(row["finding_id"], ev.Reopened(reason=SEEN_AFTER_ALL))
        for row in plan
        if row["act"] == "reopen"
    ]
    drafts = reopened + [
        _draft(row, book.hash, now.date())
        for row in plan
        if row["act"] in ("seen", "reopen", "withdraw")
    ]
    drafts += answered
    written = ledger.raise_many(raised, who=who, origin=ORIGIN, at=at)
    ledger.append_many(drafts, who=who, origin=ORIGIN, at=at)
    write_held(ledger, "sync")
    recurrences = sum(getattr(event.payload, "occurrence", 1) > 1 for event in written)
    return Synced(
        raised=len(written) - recurrences,
        recurrences=recurrences,
        seen_again=sum(draft.payload.kind == "seen_again" for draft in drafts),
        withdrawn=sum(draft.payload.kind == "evidence_withdrawn" for draft in drafts),
        verified=sum(kind == "verified" for kind in verdicts),
        verification_failed=sum(kind == "verification_failed" for kind in verdicts),
        reopened=len(reopened),
    )


def pending_findings(
    warehouse: duckdb.DuckDBPyConnection,
    ledger: Ledger | None,
    rule_book: RuleBook | None = None,
    *,
    regulation: str = "none",
    at: dt.datetime | None = None,
) -> list[ev.Raised]:
    """Return what ``sync_findings`` would raise now, without writing anything; with no ledger, what
    it would raise into an empty one."""
    if ledger is None:
        empty = open_ledger("sqlite://", rule_book=rule_book)
        try:
            return pending_findings(warehouse, empty, rule_book, regulation=regulation, at=at)
        finally:
            empty.close()
    book = rule_book or ledger.rule_book
    today = (at or dt.datetime.now(dt.UTC)).date()
    with _evidence(warehouse, ledger, book) as con:
        plan, since = _plan(con, ledger, book)
        back = _back_again(con, ledger, regulation, since)
    return _planned(plan, back, regulation, book.hash, today)


@contextmanager
def _evidence(
    warehouse: duckdb.DuckDBPyConnection, ledger: Ledger, book: RuleBook
) -> Iterator[duckdb.DuckDBPyConnection]:
    """Yield a cursor with the temporary tables and views that the SQL files name."""
    con = beside(warehouse)
    try:
        likelihoods = ledger.judge.likelihoods
        con.execute("CREATE OR REPLACE TEMP VIEW warehouse_openings AS SELECT * FROM openings")
        code_looks(con, ledger)
        pairs = [(c.value, f.value) for c, f in FAMILY.items()]
        hand_over(con, "families", pd.DataFrame(pairs, columns=["condition", "family"]))
        also = [(c.value, f.value) for c, f in ALSO.items()]
        hand_over(con, "also_families", pd.DataFrame(also, columns=["condition", "family"]))
        none = [c.value for c in CONDITIONS if not defect_at(c, Slots.TWO_SLOT)]
        hand_over(con, "no_defect_at_two_slots", pd.DataFrame({"condition": none}))
        words = [(w.value, f.value, [c.value for c in of]) for w, (f, of) in NAMED.items()]
        hand_over(con, "named_by", pd.DataFrame(words, columns=["word", "family", "said_by"]))
        hand_over(con, "urgent_families", pd.DataFrame({"family": list(URGENT_FAMILIES)}))
        codes = [row[0] for row in con.execute("SELECT DISTINCT code FROM coded_looks").fetchall()]
        pointed = sorted(
            {
                (code, family.value, family is not FAMILY[condition])
                for code in codes
                for condition in likelihoods.code_detects(code)
                for family in families_of(condition)
            }
        )
        hand_over(
            con,
            "code_families",
            pd.DataFrame(pointed, columns=["code", "family", "also"]).astype(
                {"code": str, "family": str, "also": bool}
            ),
        )
        hand_over(con, "standing", current(ledger))
        create_urgent_family(con)
        hand_over(con, "written_by_hand", urgent_by_hand(ledger))
        for statement in duckdb.extract_statements(sql("sightings")):
            needs = "$suspect" in statement.query
            suspect = {"suspect": float(book.ledger.suspect_probability)}
            con.execute(statement.query, suspect if needs else None)
        con.execute(_CONFLICTS)
        con.execute(
            "CREATE OR REPLACE TEMP TABLE contradicted AS SELECT DISTINCT b.building_id, "
            "coalesce(f.unit_id, '') AS unit_id, f.opening_id FROM contradicted_fixes AS f "
            "JOIN buildings AS b USING (building_no)"
        )
        con.execute(
            "CREATE OR REPLACE TEMP TABLE other_places AS SELECT DISTINCT b.building_id, "
            "e.unit_id, e.opening_id FROM looks_elsewhere AS e JOIN buildings AS b "
            "USING (building_no) WHERE e.of_defect"
        )
        yield con
    finally:
        con.close()


_CONFLICTS = f"""
CREATE OR REPLACE TEMP TABLE conflicts AS
WITH told AS (
    SELECT
        building_id, unit_id, coalesce(opening_id, '') AS opening_id, message,
        concat_ws(':', '{RECORD_CONFLICT}', kind, "column") AS family
    FROM data_quality_findings
    WHERE building_id IS NOT NULL
)
SELECT
    t.building_id,
    -- what was filed without its dwelling and closed on paper is not asked about again
    CASE WHEN s.family IS NULL THEN coalesce(t.unit_id, '') ELSE '' END AS unit_id,
    t.opening_id,
    t.family,
    'record_in_doubt' AS grade,
    min(t.message) AS note
FROM told AS t
LEFT JOIN standing AS s
    ON s.building_id = t.building_id AND s.opening_id = t.opening_id AND s.family = t.family
    AND s.unit_id = '' AND s.treatment = 'set_aside'
GROUP BY ALL
"""


def _plan(
    con: duckdb.DuckDBPyConnection, ledger: Ledger, book: RuleBook
) -> tuple[list[dict[str, Any]], list[_Since]]:
    """Return what to write down of the evidence, and the looks against proven repairs."""
    standing = current(ledger)
    recorded = {*standing["recurs_of"].dropna()}
    since = [
        _Since(
            each,
            points_at(ledger.judge, ledger.finding(each.finding_id), each.look),
            each.finding_id in recorded,
        )
        for each in contradicting_looks(con, ledger, come_back=True)
    ]
    told = [(one.judged.finding_id, each.value) for one in since for each in one.points_at]
    frame = pd.DataFrame(told, columns=["proven", "condition"]).astype(str).drop_duplicates()
    hand_over(con, "told_since", frame)
    hand_over(con, "standing", standing)
    frame = con.execute(sql("sync"), {"withdraw": float(book.ledger.withdraw_probability)}).df()
    return [plain(row) for row in frame.to_dict(orient="records")], since


@dataclass(frozen=True)
class _Since:
    """A look against a proven repair, the defects that it points at, and whether it is recorded
    already that the defect came back."""

    judged: JudgedLook
    points_at: frozenset[Condition]
    come_back: bool


def _planned(
    plan: list[dict[str, Any]],
    back: dict[str, ev.Raised],
    regulation: str,
    digest: str,
    today: dt.date,
) -> list[ev.Raised]:
    """What the evidence raises. Where no look since the proof tells what it is weighed to be, the
    defect comes back as those looks say, and what comes back further up is one finding, not two."""
    family = DefectFamily.FALSE_GROUND_UPSTREAM.value
    back_up = {
        (each.building_id, each.unit_id, each.opening_id)
        for each in back.values()
        if each.condition in members(family)
    }
    found = []
    for row in plan:
        if row["act"] not in ("raise", "recur"):
            continue
        place = row["building_id"], row["unit_id"], row["opening_id"]
        if (row["act"], row["family"], row["grade"]) == ("raise", family, "suspected") and (
            place in back_up
        ):
            continue
        raised = _raised(row, regulation, digest, today)
        said = back.get(row["finding_id"]) if row["untold"] and not row["urgent"] else None
        if said is not None:
            raised = said.model_copy(update={"probability": raised.probability})
        found.append(raised)
    return found


def _raised(row: dict[str, Any], regulation: str, digest: str, today: dt.date) -> ev.Raised:
    conflict = row["grade"] == "record_in_doubt"
    recurs = row["act"] == "recur"
    return ev.Raised(
        building_id=row["building_id"],
        unit_id=row["unit_id"],
        opening_id=row["opening_id"],
        family=row["family"],
        occurrence=int(row["occurrence"]) + 1 if recurs else 1,
        recurs_of=row["finding_id"] if recurs else None,
        grade=row["grade"],
        condition=row["condition"],
        slots=row["slots"],
        protected=row["protected"],
        standing=row["standing"],
        probability=_chance(row["probability"]),
        first_seen_on=row["last_seen_on"] if recurs else row["first_seen_on"] or today,
        last_seen_on=row["last_seen_on"],
        pointed_on=row["pointed_on"],
        methods=row["methods"] or (),
        regulation="none" if conflict else regulation,
        rule_book_hash=digest,
        note=row.get("note"),
    )


def _chance(probability: float | None) -> float | None:
    return None if probability is None else min(1.0, round(float(probability), 6))


def _draft(row: dict[str, Any], digest: str, today: dt.date) -> Draft:
    chance = _chance(row["probability"])
    if row["act"] == "withdraw":
        reason = (
            row["note"] or "the records agree again"
            if row["grade"] == "record_in_doubt"
            else row["note"]
            if row["note"]
            else "a later look that is able to tell cleared what was reported"
            if row["family"] in URGENT_FAMILIES
            else "the evidence no longer points at it"
        )
        payload: ev.Payload = ev.EvidenceWithdrawn(
            probability=chance, reason=reason, rule_book_hash=digest
        )
    else:
        payload = ev.SeenAgain(
            grade=row["grade"],
            condition=row["condition"],
            standing=row["standing"],
            probability=chance,
            seen_on=row["last_seen_on"] or today,
            pointed_on=row["pointed_on"],
            methods=row["methods"] or (),
            rule_book_hash=digest,
        )
    return Draft(row["finding_id"], payload)


def _write_verdicts(
    con: duckdb.DuckDBPyConnection, ledger: Ledger, *, who: str, at: dt.datetime | None
) -> list[str]:
    """Write what landed looks since reported fixes amount to: a disproof first, else a proof.

    Whatever order exports land in, a look that saw the defect after the fix outweighs a proof, were
    it one that is written down already.
    """
    verdicts: dict[str, Draft] = {}
    for each in [*judged_looks(con, ledger), *overtaken_proofs(con, ledger)]:
        known = verdicts.get(each.finding_id)
        if each.event is None or (known is not None and each.event.kind == "verified"):
            continue
        if known is None or known.payload.kind == "verified":
            verdicts[each.finding_id] = Draft(each.finding_id, each.event)
    written = ledger.append_many(list(verdicts.values()), who=who, origin=ORIGIN, at=at)
    return [event.kind for event in written]


def _unrepaired(con: duckdb.DuckDBPyConnection, raised: ev.Raised) -> Standing:
    """How an opening stands once its repair is proven no longer; the warehouse still counts it."""
    row = con.execute(
        "SELECT standing_unrepaired FROM warehouse_openings "
        "WHERE building_id = ? AND unit_id = ? AND opening_id = ?",
        [raised.building_id, raised.unit_id, raised.opening_id],
    ).fetchone()
    return Standing(row[0]) if row else Standing.REPORTED


def _face_now(finding: Finding, look: ev.Look) -> Slots | None:
    """The face of a repaired opening: as the look says, else as the repair left it."""
    left = None if finding.fix is None else finding.fix.leaves_slots
    return look.slots or left or finding.raised.slots


def _back_again(
    con: duckdb.DuckDBPyConnection, ledger: Ledger, under: str, since: list[_Since]
) -> dict[str, ev.Raised]:
    """The recurrences that follow from looks which a proven repair does not answer to, by the
    finding that was repaired.

    Whatever the evidence as a whole makes of it: a look that would have disproved the repair before
    its proof is no less of a sighting after it. Of several the first that confirms it, else the
    first.
    """
    found: dict[str, ev.Raised] = {}
    for one in since:
        finding, look = ledger.finding(one.judged.finding_id), one.judged.look
        confirmed = confirms(ledger.judge, finding, look)
        known = found.get(finding.finding_id)
        if one.come_back or (known and (known.grade == "confirmed" or not confirmed)):
            continue
        found[finding.finding_id] = finding.raised.model_copy(
            update={
                "occurrence": finding.raised.occurrence + 1,
                "recurs_of": finding.finding_id,
                "grade": "confirmed" if confirmed else "suspected",
                "condition": ledger.judge.reported(finding, look),
                "slots": _face_now(finding, look),
                "standing": _unrepaired(con, finding.raised),
                "probability": None,
                "first_seen_on": look.observed_on,
                "last_seen_on": look.observed_on,
                "pointed_on": look.observed_on,
                "notified_on": None,
                "methods": (look.method,),
                "regulation": under,
                "rule_book_hash": ledger.rule_book.hash,
                "note": f"after the repair was proven: {one.judged.reason}",
            }
        )
    return found
