"""What a visit meets at each opening: what was reported, what to do, what would prove it."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace

import pandas as pd

from pipeline.ledger import events as ev
from pipeline.ledger.due import dated_findings
from pipeline.ledger.families import URGENT_FAMILIES
from pipeline.ledger.remedies import allowed_remedies, left_by
from pipeline.ledger.state import Finding
from pipeline.ledger.store import Ledger
from pipeline.ledger.verification import Judge
from pipeline.ledger.visits import visit
from shared.vocabulary import URGENT_CONDITIONS, Condition, Method

METHOD_SHORT: dict[Method, str] = {
    Method.VISUAL: "by eye",
    Method.THREE_LAMP_TESTER: "three lamps",
    Method.VOLTMETER_UNDER_LOAD: "volts under load",
    Method.GROUND_IMPEDANCE_METER: "ground path ohms",
    Method.COVER_OFF_INSPECTION: "cover off",
    Method.GROUND_WIRE_CLAMP: "clamp on ground wire",
    Method.NEUTRAL_LIFTED_TEST: "neutral lifted",
    Method.UPSTREAM_BOX_SEEN: "box further up",
}
"""Methods in few letters, as whoever works with them calls them."""

_FALSE_GROUNDS = {
    Condition.FALSE_GROUND,
    Condition.REVERSED_FALSE_GROUND,
    Condition.FALSE_GROUND_UPSTREAM,
    Condition.REVERSED_FALSE_GROUND_UPSTREAM,
}
_PAPER = "no repair: the records are to be put right"
_URGENT_LOOK = "a later look able to tell that it is gone"


@dataclass(frozen=True)
class Proof:
    """What would prove a repair.

    Attributes:
        methods: those able to, whichever of the remedies in question it is.
        must_say: what such a look must say besides its reading.
        where_so_left: the same, where that hangs on which remedy is chosen.
    """

    methods: tuple[Method, ...]
    must_say: tuple[str, ...] = ()
    where_so_left: tuple[str, ...] = ()


def would_prove(judge: Judge, finding: Finding, remedy: str | None) -> Proof:
    """Return what would prove a finding's repair.

    Args:
        judge: the judge of looks.
        finding: the finding; its condition must be one that remedies are known for.
        remedy: the remedy named for it; None asks for what proves any of those allowed. A fix that
            stands reported goes before either.
    """
    if finding.treatment == "fix_reported" and finding.fix and finding.fix.leaves_condition:
        return _proof(judge, [finding])
    condition, slots = finding.condition, finding.raised.slots
    if condition is None or finding.raised.family in URGENT_FAMILIES:
        return Proof(())
    allowed = allowed_remedies(judge.book, condition, slots)
    names = [remedy] if remedy in allowed else list(allowed)
    claims = []
    for name in names:
        after = left_by(allowed[name], condition, slots, frozenset(allowed[name].markings))
        fix = ev.FixReported(
            remedy=name,
            fixed_on=finding.last_seen_on,
            firm="–",
            markings=allowed[name].markings,
            leaves_condition=after.condition,
            leaves_slots=after.slots,
            leaves_protected=after.protected,
        )
        claims.append(replace(finding, treatment="fix_reported", fix=fix))
    return _proof(judge, claims)


def _proof(judge: Judge, claims: list[Finding]) -> Proof:
    sets = [set(judge.capable(claim)) for claim in claims]
    methods = tuple(m for m in Method if sets and all(m in each for each in sets))
    said = [_said(judge, claim) for claim in claims]
    every = dict.fromkeys(word for each in said for word in each)
    always = tuple(word for word in every if all(word in each for each in said))
    return Proof(methods, always, tuple(word for word in every if word not in always))


def _said(judge: Judge, claim: Finding) -> list[str]:
    """Return what a look must say of one reported fix, whichever of the methods makes it.

    The readings that each method must give besides are the method's own (``proof_readings``).
    """
    said = ["no false ground"] if judge.must_exclude(claim) & _FALSE_GROUNDS else []
    asked = [set(judge.must_say(claim, method)) for method in judge.capable(claim)]
    every = set.intersection(*asked) if asked else set()
    return said + [word for column, word in _COLUMN_WORDS.items() if column in every]


_COLUMN_WORDS = {
    "ground_path_ohms": "ohms",
    "slots": "two slots",
    "gfci_protected": "GFCI, marked",
}
"""What a remedy rests on, in few words; its own button and the marking go with GFCI protection."""


def visit_rows(
    ledger: Ledger,
    visit_id: str,
    rooms: pd.DataFrame | None = None,
    now: dt.datetime | None = None,
) -> pd.DataFrame:
    """Return the findings of a visit, urgent ones first, then by severity, unit and opening.

    Args:
        ledger: the ledger.
        visit_id: the visit.
        rooms: building_id, unit_id, opening_id, room, urgent as the warehouse knows them; None
            where nothing was built.
        now: as of when; now by default.

    Returns:
        Columns finding_id, version, opening_id, room, urgent (live metal, heat, shock or wrong
        voltage, by the ledger or by the warehouse), condition (or family), grade, standing,
        methods and last_seen_on (of the last sight), slots, state, severity_class,
        first_target_on, fixed_on, remedy (reported, else quoted, else missing), remedy_label,
        remedy_is ("reported", "quoted" or missing), and of what would prove it: proof_methods,
        proof_says (words for what a look must say), proof_hangs_on (the same, where it hangs on
        which remedy is chosen), proof_note (where it is none of these, else empty).

    Raises:
        CoverplateError: there is no such visit.
    """
    found = visit(ledger, visit_id)
    known = ["building_id", "unit_id", "opening_id", "room", "urgent"]
    places = pd.DataFrame(columns=known, dtype=object) if rooms is None else rooms[known]
    with dated_findings(
        ledger, ledger.rule_book, now, found["building_id"], kinds=["quoted"]
    ) as con:
        con.register("places", places)
        con.register("wanted", pd.DataFrame({"finding_id": found["finding_ids"]}))
        frame = con.execute(
            _ROWS,
            {
                "classes": [str(each.value) for each in ledger.rule_book.due.target_days],
                "urgent": [*URGENT_FAMILIES, *(each.value for each in URGENT_CONDITIONS)],
            },
        ).df()
    labels = {name: remedy.label for name, remedy in ledger.rule_book.remedies.items()}
    frame["remedy_label"] = [labels.get(name, name) for name in frame["remedy"]]
    proofs = _proofs(ledger, frame)
    frame["proof_methods"] = [[each.value for each in proof.methods] for proof, _ in proofs]
    frame["proof_says"] = [list(proof.must_say) for proof, _ in proofs]
    frame["proof_hangs_on"] = [list(proof.where_so_left) for proof, _ in proofs]
    frame["proof_note"] = [note for _, note in proofs]
    return frame


def _proofs(ledger: Ledger, frame: pd.DataFrame) -> list[tuple[Proof, str]]:
    told: list[tuple[Proof, str]] = []
    answers: dict[tuple[str, ...], Proof] = {}
    for row in frame.to_dict(orient="records"):
        if row["grade"] == "record_in_doubt":
            told.append((Proof(()), _PAPER))
        elif row["condition"] in URGENT_FAMILIES:
            told.append((Proof(()), _URGENT_LOOK))
        else:
            remedy = row["remedy"] if isinstance(row["remedy"], str) else None
            # findings alike in all that the answer rests on are asked of once
            alike = tuple(str(row[name]) for name in _ANSWERED_BY)
            if alike not in answers:
                finding = ledger.finding(str(row["finding_id"]))
                answers[alike] = would_prove(ledger.judge, finding, remedy)
            proof = answers[alike]
            told.append((proof, "" if proof.methods else "hangs on the remedy"))
    return told


_ANSWERED_BY = ("family", "condition", "slots", "state", "leaves", "remedy")

_ROWS = """
WITH quotes AS (
    SELECT finding_id, arg_max(payload ->> 'remedy', sequence) AS remedy
    FROM history WHERE kind = 'quoted' AND payload ->> 'remedy' IS NOT NULL GROUP BY finding_id
)
SELECT
    d.finding_id, d.sequence AS version, d.opening_id, p.room,
    coalesce(list_contains($urgent, coalesce(d.condition, d.family)), false)
        OR list_contains($urgent, d.family) OR coalesce(p.urgent, false) AS urgent,
    coalesce(d.condition, d.family) AS condition, d.family, d.grade, d.standing,
    f.seen_by AS methods, d.last_seen_on, d.slots, d.state,
    d.severity_class, d.first_target_on,
    CASE WHEN d.treatment IN ('fix_reported', 'proven') THEN d.fixed_on END AS fixed_on,
    CASE WHEN d.treatment IN ('fix_reported', 'proven') THEN d.remedy ELSE q.remedy END AS remedy,
    CASE
        WHEN d.treatment IN ('fix_reported', 'proven') THEN 'reported'
        WHEN q.remedy IS NOT NULL THEN 'quoted'
    END AS remedy_is,
    concat_ws(' ', d.leaves_condition, d.leaves_slots, d.leaves_protected) AS leaves
FROM due AS d
JOIN wanted USING (finding_id)
LEFT JOIN quotes AS q USING (finding_id)
JOIN findings AS f USING (finding_id)
LEFT JOIN places AS p ON p.building_id = d.building_id
    AND coalesce(p.unit_id, '') = d.unit_id AND p.opening_id = d.opening_id
ORDER BY urgent DESC, coalesce(list_position($classes, d.severity_class), 9), d.opening_id,
    d.finding_id
"""
