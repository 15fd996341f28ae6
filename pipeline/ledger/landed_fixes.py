"""From landed fix reports to events: what the rules accept is written, the rest waits for a person.

Nothing of this is stored apart: which rows are taken up stands in the events themselves, which name
file, sheet and row; which are refused follows from the landed files and the ledger as they stand. A
file's fixes, the looks that came with it, and that the visit whose sheet it is was made are
written in one transaction.
"""

from __future__ import annotations

import datetime as dt
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import duckdb
import sqlalchemy as sa
from pydantic import ValidationError
from sqlalchemy.engine import Connection

from pipeline.landing.cells import word_form
from pipeline.landing.current import parts_of
from pipeline.landing.fix_rows import create_fix_views, has_fix_reports, row_numbers
from pipeline.landing.own_notes import DANGER_LEFT, danger_beside, report_speaks_against
from pipeline.landing.quarantine import Reason, Refusal, list_quarantine
from pipeline.landing.workspace import Workspace
from pipeline.ledger import events as ev
from pipeline.ledger.checks import WHAT_BELONGS_THERE, WITHOUT_SUCH_WORDS
from pipeline.ledger.database import EVENTS, IMPORTED_ROWS
from pipeline.ledger.further_up import check_further_up
from pipeline.ledger.history import history, visit_steps
from pipeline.ledger.landed_looks import plain
from pipeline.ledger.persons import firm_name
from pipeline.ledger.remedies import checked_fix, may_leave_ungrounded, remedy_named
from pipeline.ledger.store import Draft, Ledger
from pipeline.ledger.verification import WITHOUT_WORKER, worker_missing
from pipeline.ledger.visits import went_words
from shared.faults import CoverplateError
from shared.vocabulary import Marking, RecordKind

ORIGIN = "import"

Outcome = Literal["reported", "duplicate", "refused"]

BackAs = Literal["made", "called_off", "elsewhere", "unknown"]

_PLACE = ("building_id", "unit_id", "opening_id")


@dataclass
class FixRow:
    """What becomes of one landed fix report that no event names yet.

    Attributes:
        path, sha256, sheet, part, row: where it landed.
        outcome: reported; duplicate, where an event of another origin says the same; or refused.
        finding_id: the finding it is about, where that can be told.
        reasons: why it is refused.
        questions: what should be asked of whoever sent it, though it was taken up.
        worker_missing: it does not say who did the work.
    """

    path: str
    sha256: str
    sheet: str
    part: int
    row: int
    outcome: Outcome = "refused"
    finding_id: str | None = None
    reasons: list[Reason] = field(default_factory=list)
    questions: list[str] = field(default_factory=list)
    worker_missing: bool = False


@dataclass(frozen=True)
class SheetBack:
    """A filled sheet of a visit that was not noted as made.

    Attributes:
        visit_id: the visit.
        sha256: the file.
        outcome: made; called_off, where it had been; elsewhere, where rows name another dwelling
            than the visit's; or unknown, where there is no such visit.
        sheet, part, row: its first row, where it landed.
        on, went, firm: the day, who went and for which firms, as the rows have it.
        finding_ids: the findings of the visit.
        reason: why it was called off, or which rows name which dwelling.
    """

    visit_id: str
    sha256: str
    sheet: str
    part: int
    row: int
    outcome: BackAs
    on: dt.date
    went: str | None
    firm: str | None
    finding_ids: tuple[str, ...] = ()
    reason: str = ""

    @property
    def said(self) -> str:
        """What became of it, in words."""
        if self.outcome == "made":
            told = went_words({"went": self.went, "went_for": self.firm})
            return f"visit {self.visit_id} was made on {self.on}; who went: {told}"
        if self.outcome == "elsewhere":
            return (
                f"visit {self.visit_id} {self.reason}: the sheet was changed, or these rows are of "
                "another visit. Its rows are taken in like any others, for the dwelling that each "
                "names, and it is not noted as made; put building and dwelling right in the sheet "
                "and take it in again, or, if somebody went, `coverplate visits made "
                f"{self.visit_id} --on {self.on}`: after that it is not told again"
            )
        why = f"was called off ({self.reason})" if self.reason else "is not known here"
        named = " ".join(self.finding_ids) or "FINDING…"
        return (
            f"visit {self.visit_id} {why}, and its sheet came back, filled in for {self.on}: its "
            "rows are taken in like any others, and it is not noted as made; if somebody went, "
            f"`coverplate visits plan {named} --on {self.on} --person NAME`, then `coverplate "
            f"visits made VISIT --on {self.on}` with the number that this gives: after that it is "
            "not told again"
        )


@dataclass(frozen=True)
class TakenUp:
    """What was, or would be, written of landed fix reports.

    Attributes:
        rows: every landed fix report in force that no event named before.
        verified, disproved: repairs that looks of the same files prove and disprove.
        sheets: filled sheets of visits that were not noted as made before.
    """

    rows: tuple[FixRow, ...] = ()
    verified: int = 0
    disproved: int = 0
    sheets: tuple[SheetBack, ...] = ()

    @property
    def made(self) -> int:
        """How many visits were noted as made."""
        return sum(each.outcome == "made" for each in self.sheets)

    @property
    def workers_asked(self) -> str:
        """What is to be said where reports taken up do not name who did the work; else ""."""
        count = sum(each.outcome == "reported" and each.worker_missing for each in self.rows)
        if not count:
            return ""
        return f"{count} of {self.count('reported')} reports name no worker. {WITHOUT_WORKER}"

    def then(self, later: TakenUp) -> TakenUp:
        """Return what this call and a later one wrote; on what was refused, the later's word."""
        return TakenUp(
            (*(each for each in self.rows if each.outcome != "refused"), *later.rows),
            self.verified + later.verified,
            self.disproved + later.disproved,
            (*(each for each in self.sheets if each.outcome == "made"), *later.sheets),
        )

    def count(self, outcome: Outcome, sha256: str | None = None) -> int:
        """Return how many rows, of one file or of all, ended so."""
        return sum(each.outcome == outcome and sha256 in (None, each.sha256) for each in self.rows)


def take_up(
    workspace: Workspace,
    ledger: Ledger,
    *,
    who: str,
    at: dt.datetime | None = None,
    dry: bool = False,
) -> TakenUp:
    """Write landed fix reports, and the looks that came in their files, into the ledger.

    What is written already is left alone, so that calling this again changes nothing; what was
    refused is tried again, since the finding may have been raised, or put right, since.

    Args:
        workspace: where they landed.
        ledger: the ledger.
        who: who stands behind the events.
        at: when it is written down; now by default.
        dry: only say what would be written.
    """
    if not has_fix_reports(workspace):
        return TakenUp()
    for _ in range(TRIES):
        try:
            return _taken_up(workspace, ledger, who, at, dry)
        except _TakenByAnother:
            continue
    raise CoverplateError(
        "others take up the same fix reports at this moment; nothing was written",
        to_do="try again with `coverplate findings sync`",
    )


TRIES = 5
"""How often it is begun anew when another writer took up the same rows in between."""


class _TakenByAnother(Exception):  # noqa: N818 - told to nobody: it is answered by looking again
    """Another writer wrote down one of the rows between reading and writing."""


def _check_alone(con: Connection, sha256: str) -> None:
    """Raise ``_TakenByAnother`` where two events name one row of a file."""
    query = sa.select(EVENTS.c.payload).where(
        EVENTS.c.kind == "fix_reported", EVENTS.c.payload.contains(f'"sha256":"{sha256}"')
    )
    named = [json.loads(text)["landed"] for text in con.execute(query).scalars()]
    rows = [(each["sheet"], each["row"]) for each in named if each["sha256"] == sha256]
    if len(rows) > len(set(rows)):
        raise _TakenByAnother


def _taken_up(
    workspace: Workspace, ledger: Ledger, who: str, at: dt.datetime | None, dry: bool
) -> TakenUp:
    with history(ledger, kinds=("fix_reported",)) as con:
        create_fix_views(con, workspace)
        con.execute(_OPEN)
        rows = _records(con, "SELECT * FROM open_fixes ORDER BY _part, _row")
        otherwise = _records(con, _READ_OTHERWISE)
        looks = _records(con, _LOOKS)
        sheets = _sheets(con, ledger)
        known = _Known(con, {each.sha256: each.path for each in workspace.manifests()})
    done = [_read_otherwise(row) for row in otherwise]
    back: list[SheetBack] = []
    ended: set[str] = set()
    verified = disproved = 0
    for sha256, own, seen in _by_file(rows, looks, sheets):
        told, drafts, drafted, reopened = _drafts(ledger, known, own, sha256)
        proofs = _proofs(ledger, known, seen, dict(zip(drafted, drafts, strict=False)), sha256)
        refused: dict[int, CoverplateError] = {}
        returned = [each for each in sheets if each.sha256 == sha256 and each.visit_id not in ended]
        visits = [draft for each in returned for draft in _drafts_of(each)]

        def alone(con: Connection, _: list[ev.Event], sha256: str = sha256) -> None:
            _check_alone(con, sha256)

        written = ledger.append_many(
            [*reopened, *drafts, *proofs, *visits],
            who=who,
            origin=ORIGIN,
            at=at,
            before_commit=alone if drafts else None,
            refused=refused,
            dry=dry,
        )
        reported = [row for row in told if row.outcome == "reported"]
        for place, row in enumerate(reported):
            if (drafted_at := len(reopened) + place) in refused:
                _refuse(row, refused[drafted_at], drafts[place].payload)
        known.note(written)
        made = {e.payload.visit_id for e in written if isinstance(e.payload, ev.VisitMade)}
        back += [each for each in returned if each.outcome != "made" or each.visit_id in made]
        ended |= made
        done += told
        verified += sum(event.kind == "verified" for event in written)
        disproved += sum(event.kind == "verification_failed" for event in written)
    return TakenUp(tuple(done), verified, disproved, tuple(back))


def _read_otherwise(row: Mapping[str, Any]) -> FixRow:
    """A row that now says something else than what the ledger holds of it."""
    reasons = [
        _reason(
            name,
            row[name],
            f"{row[f'{name}_then']}, as it was read when {row['finding_id']} took it up; where "
            "that was wrong, `coverplate findings reopen` it with the reason and report the repair "
            "anew",
        )
        for name in ("fixed_on", "cost")
        if row[name] != row[f"{name}_then"]
    ]
    return FixRow(
        row["path"], row["sha256"], row["sheet"], int(row["_part"]), int(row["_row"]),
        finding_id=row["finding_id"], reasons=reasons,
    )  # fmt: skip


def refusals(workspace: Workspace, ledger: Ledger) -> list[Refusal]:
    """Return the landed fix reports that the ledger refuses as it stands."""
    return [
        Refusal(part=each.part, row=each.row, reasons=tuple(each.reasons))
        for each in take_up(workspace, ledger, who="nobody", dry=True).rows
        if each.outcome == "refused"
    ]


_OPEN = """
CREATE OR REPLACE TEMP TABLE open_fixes AS
SELECT l.* REPLACE (coalesce(l.unit_id, '') AS unit_id)
FROM landed_fixes AS l
ANTI JOIN (
    SELECT
        payload ->> '$.landed.sha256' AS sha256,
        coalesce(payload ->> '$.landed.sheet', '') AS sheet,
        (payload ->> '$.landed.row')::BIGINT AS _row
    FROM history
    WHERE kind = 'fix_reported' AND payload ->> '$.landed.sha256' IS NOT NULL
) AS told USING (sha256, sheet, _row)
"""

_READ_OTHERWISE = """
SELECT
    l.path, l.sha256, l.sheet, l._part, l._row, h.finding_id,
    l.fixed_on, (h.payload ->> '$.fixed_on')::DATE AS fixed_on_then,
    l.cost, (h.payload ->> '$.cost')::DOUBLE AS cost_then
FROM landed_fixes AS l
JOIN history AS h
    ON h.kind = 'fix_reported' AND h.payload ->> '$.landed.sha256' = l.sha256
    AND coalesce(h.payload ->> '$.landed.sheet', '') = l.sheet
    AND (h.payload ->> '$.landed.row')::BIGINT = l._row
WHERE (fixed_on, cost::DOUBLE) IS DISTINCT FROM (fixed_on_then, cost_then)
    AND NOT EXISTS (
        FROM history AS n
        WHERE n.kind = 'fix_reported' AND n.finding_id = h.finding_id
            AND (n.payload ->> '$.fixed_on')::DATE = l.fixed_on
            AND (n.payload ->> '$.cost')::DOUBLE IS NOT DISTINCT FROM l.cost::DOUBLE
    )
ORDER BY l._part, l._row
"""
"""Rows that were taken up and since are read another way, by another order of dates or decimal
mark, and of which no event of the finding says what they say now."""

_LOOK_FIELDS = tuple(ev.Look.model_fields)

_LOOKS = f"""
SELECT
    o.sha256, o.sheet, o._row, o._part, o.building_id, coalesce(o.unit_id, '') AS unit_id,
    o.opening_id, {", ".join(f"o.{name}" for name in _LOOK_FIELDS)}
FROM landed_fix_looks AS o
SEMI JOIN (
    SELECT building_id, unit_id, opening_id FROM findings WHERE treatment = 'fix_reported'
    UNION
    SELECT building_id, unit_id, opening_id FROM open_fixes
    UNION
    SELECT f.building_id, f.unit_id, f.opening_id
    FROM findings AS f SEMI JOIN open_fixes USING (finding_id)
) AS w
    ON w.building_id = o.building_id AND w.unit_id = coalesce(o.unit_id, '')
    AND w.opening_id = o.opening_id
ORDER BY o._part, o.observed_on, o._row
"""


_SHEETS = """
SELECT visit_id, sha256, sheet, _part, _row, building_id, unit_id,
    fixed_on AS on_day, worker AS went, firm
FROM landed_fixes WHERE visit_id IS NOT NULL
UNION ALL
SELECT visit_id, sha256, sheet, _part, _row, building_id, unit_id,
    observed_on, inspector, firm_of_inspector
FROM landed_fix_looks WHERE visit_id IS NOT NULL
ORDER BY _part, _row
"""

_PLANNED = """
SELECT
    payload ->> 'visit_id' AS visit_id,
    arg_max((payload ->> 'on')::DATE, position)
        FILTER (kind IN ('visit_planned', 'visit_moved')) AS visit_on,
    any_value(payload ->> 'person') FILTER (kind = 'visit_planned') AS person,
    any_value(payload ->> 'firm') FILTER (kind = 'visit_planned') AS firm,
    list(DISTINCT finding_id ORDER BY finding_id) AS finding_ids,
    any_value(payload ->> 'reason') FILTER (kind = 'visit_called_off') AS called_off_reason,
    bool_or(kind = 'visit_made') AS made,
    any_value((payload ->> 'on')::DATE) FILTER (kind = 'visit_made') AS made_on
FROM visit_steps
GROUP BY ALL
"""


def _sheets(con: duckdb.DuckDBPyConnection, ledger: Ledger) -> list[SheetBack]:
    """Return the filled sheets of visits that are not noted as made, in landing order.

    A visit was made on the day for which it stood planned, where a row says that day, else on the
    first day that a row says; whoever is named in the rows of that day went, or who was planned
    where they name nobody and no firm.
    """
    said = _records(con, _SHEETS)
    if not said:
        return []
    visit_steps(con, ledger)
    known = {row["visit_id"]: row for row in _records(con, _PLANNED)}
    together: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for row in said:
        together.setdefault((row["sha256"], row["visit_id"]), []).append(row)
    found = []
    for (sha256, visit_id), rows in together.items():
        visit = known.get(visit_id, {})
        if visit.get("made"):
            continue
        away: list[dict[str, Any]] = []
        if visit:
            there = ledger.finding(visit["finding_ids"][0]).raised
            away = [row for row in rows if not _is_there(there, row)]
        days = {row["on_day"] for row in rows}
        if not visit or away or visit.get("called_off_reason"):
            others = [each for each in known.values() if each["made_on"] in days]
            if any(_same_dwelling(ledger, each, {} if away else visit, rows) for each in others):
                continue  # another visit tells that somebody went
        days = {row["on_day"] for row in rows if row not in away} or days
        on = visit["visit_on"] if visit and visit["visit_on"] in days else min(days)
        of_day = [row for row in rows if row["on_day"] == on]
        went, firm = (
            ", ".join(dict.fromkeys(row[name] for row in of_day if row[name])) or None
            for name in ("went", "firm")
        )
        if not (went or firm):
            went, firm = visit.get("person"), visit.get("firm")
        reason = visit.get("called_off_reason") or ""
        outcome: BackAs = "unknown" if not visit else "called_off" if reason else "made"
        if away and not reason:
            outcome, reason = "elsewhere", _away_words(there, away)
        found.append(
            SheetBack(
                visit_id=visit_id,
                sha256=sha256,
                sheet=rows[0]["sheet"],
                part=int(rows[0]["_part"]),
                row=int(rows[0]["_row"]),
                outcome=outcome,
                on=on,
                went=went,
                firm=firm,
                finding_ids=tuple(visit.get("finding_ids", ())),
                reason=reason,
            )
        )
    return found


def _same_dwelling(
    ledger: Ledger,
    made: Mapping[str, Any],
    visit: Mapping[str, Any],
    rows: Sequence[Mapping[str, Any]],
) -> bool:
    """Whether a visit that was made was to where a sheet is from: that of another visit, or of none
    that is known, whose rows then name building and unit."""
    there = ledger.finding(made["finding_ids"][0]).raised
    if visit:
        own = ledger.finding(visit["finding_ids"][0]).raised
        return (own.building_id, own.unit_id) == (there.building_id, there.unit_id)
    return all(
        (row["building_id"], row["unit_id"] or "") == (there.building_id, there.unit_id)
        for row in rows
    )


def _is_there(raised: ev.Raised, row: Mapping[str, Any]) -> bool:
    """Whether a row names no other dwelling than that of a finding of its visit."""
    building, unit = row["building_id"], row["unit_id"]
    return building in (None, raised.building_id) and (unit or "") in ("", raised.unit_id)


def _away_words(there: ev.Raised, away: Sequence[Mapping[str, Any]]) -> str:
    """Say to which dwelling a visit is and which other ones rows of its sheet name."""
    named: dict[str, list[int]] = {}
    for row in sorted(away, key=lambda each: int(each["_row"])):
        where = _dwelling(row["building_id"] or there.building_id, row["unit_id"])
        numbers = named.setdefault(where, [])
        if int(row["_row"]) not in numbers:
            numbers.append(int(row["_row"]))
    told = "; ".join(
        f"row{'s' if len(rows) > 1 else ''} {', '.join(map(str, rows))} of its sheet: {where}"
        for where, rows in named.items()
    )
    return f"is to {_dwelling(there.building_id, there.unit_id)}, not to what is named in {told}"


def _dwelling(building: str, unit: str | None) -> str:
    return f"building {building}, unit {unit}" if unit else f"building {building}"


def _drafts_of(back: SheetBack) -> list[Draft]:
    if back.outcome != "made":
        return []
    landed = ev.LandedRow(sha256=back.sha256, sheet=back.sheet, row=back.row)
    payload = ev.VisitMade(
        visit_id=back.visit_id, on=back.on, went=back.went, firm=back.firm, landed=landed
    )
    return [Draft(each, payload) for each in back.finding_ids]


def _records(con: duckdb.DuckDBPyConnection, query: str) -> list[dict[str, Any]]:
    return [plain(row) for row in con.execute(query).df().to_dict(orient="records")]


def _by_file(
    rows: Sequence[dict[str, Any]],
    looks: Sequence[dict[str, Any]],
    sheets: Sequence[SheetBack],
) -> Iterator[tuple[str, list[dict[str, Any]], list[dict[str, Any]]]]:
    """Yield each file's rows and looks, in landing order; files of sheets have none perhaps."""
    order = {each.sha256: each.part for each in reversed(sheets)}
    order |= {row["sha256"]: int(row["_part"]) for row in reversed([*rows, *looks])}
    for sha256 in sorted(order, key=order.__getitem__):
        yield (
            sha256,
            [row for row in rows if row["sha256"] == sha256],
            [look for look in looks if look["sha256"] == sha256],
        )


_Place = tuple[str, str, str]


class _Known:
    """The findings that open rows may be about, and the fixes reported of them."""

    def __init__(self, con: duckdb.DuckDBPyConnection, paths: Mapping[str, str]) -> None:
        found = con.execute(
            "SELECT finding_id, building_id, unit_id, opening_id, family, treatment FROM findings "
            "ORDER BY finding_id"
        ).fetchall()
        self.place: dict[str, _Place] = {row[0]: row[1:4] for row in found}
        self.family: dict[str, str] = {row[0]: row[4] for row in found}
        self.treatment: dict[str, str] = {row[0]: row[5] for row in found}
        self.at: dict[_Place, list[str]] = {}
        for row in found:
            self.at.setdefault(row[1:4], []).append(row[0])
        self.said: dict[str, list[dict[str, Any]]] = {}
        self.rows: dict[str, list[ev.LandedRow]] = {}
        self.paths = paths
        for finding, payload in con.execute(
            "SELECT finding_id, payload FROM history WHERE kind = 'fix_reported' ORDER BY position"
        ).fetchall():
            self._keep(finding, json.loads(payload))

    def note(self, written: Sequence[ev.Event]) -> None:
        """Keep what was, or would be, written since."""
        for event in written:
            if event.kind == "fix_reported":
                self._keep(event.finding_id, event.content())
                self.treatment[event.finding_id] = "fix_reported"
            elif event.kind in ("verified", "verification_failed"):
                self.treatment[event.finding_id] = (
                    "proven" if event.kind == "verified" else "disproved"
                )

    def _keep(self, finding: str, content: Mapping[str, Any]) -> None:
        self.said.setdefault(finding, []).append(_said(content))
        if content.get("landed"):
            row = ev.LandedRow.model_validate(content["landed"])
            self.rows.setdefault(finding, []).append(row)

    def corrected(self, finding: str, one: FixRow) -> ev.LandedRow | None:
        """Return the row of an earlier file of the same name that a row takes the place of: the
        last one that stood there and told of the same finding."""
        same = [
            row
            for row in self.rows.get(finding, [])
            if (row.sheet, row.row) == (one.sheet, one.row)
            and row.sha256 != one.sha256
            and self.paths.get(row.sha256) == one.path
        ]
        return same[-1] if same else None

    def find(self, row: Mapping[str, Any]) -> tuple[str | None, list[Reason]]:
        """Return the finding that a row is about, or why none can be told."""
        given = row["finding_id"]
        if given:
            if given in self.place:
                own = self.place[given]
                for column, there in zip(_PLACE, own, strict=True):
                    if row[column] and row[column] != there:
                        expected = f"{there or 'none'}, where {given} is, or another finding"
                        return None, [_reason(column, row[column], expected)]
                return str(given), []
            return None, [_reason("finding_id", given, "a finding of this ledger")]
        place = (row["building_id"], row["unit_id"], row["opening_id"])
        shown = " ".join(each for each in place if each)
        found = self.at.get(place, [])
        family = row["family"]
        if family:
            found = [each for each in found if self.family[each] == word_form(str(family))]
        standing = [
            each for each in found if self.treatment[each] not in ("set_aside", "withdrawn")
        ]
        latest = [each for each in standing if self.treatment[each] != "proven"] or standing
        if len(latest) == 1:
            return latest[0], []
        if not latest:
            return None, [_reason("opening_id", shown, "an opening with a finding that stands")]
        named = sorted({self.family[each] for each in latest})
        if len(named) == 1:
            ids = " or ".join(sorted(latest))
            several = f"{ids}: this opening has several findings of {named[0]}"
            return None, [_reason("finding_id", shown, several)]
        families = ", ".join(named)
        return None, [_reason("family", shown, f"one of {families}: this opening has several")]

    def told_before(self, row: Mapping[str, Any], fix: ev.FixReported) -> str | None:
        """Return the finding that a row is about of which the same was reported before, or None.

        Where the row names the finding or its family, another one of the opening is not meant.
        """
        given, family = row["finding_id"], row["family"]
        place = self.place.get(given) or (row["building_id"], row["unit_id"], row["opening_id"])
        meant = [str(given)] if given else self.at.get(place, [])
        if family and not given:
            meant = [each for each in meant if self.family[each] == word_form(str(family))]
        said = _said(fix.model_dump(mode="json", exclude_none=True))
        return next((each for each in meant if said in self.said.get(each, [])), None)


_OWN = (
    *("leaves_condition", "leaves_slots", "leaves_protected", "rule_book_hash"),
    *("landed", "corrects", "kind"),
)
"""What of a reported fix does not come from whoever reports it."""


def _said(content: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in content.items() if name not in _OWN}


def _reason(column: str, found: object, expected: str) -> Reason:
    return Reason(column=column, found="" if found is None else str(found), expected=expected)


_MARKINGS: dict[str, tuple[Marking, ...]] = {
    Marking.NO_EQUIPMENT_GROUND.value: (Marking.NO_EQUIPMENT_GROUND,),
    Marking.GFCI_PROTECTED.value: (Marking.GFCI_PROTECTED,),
    Marking.BOTH.value: (Marking.NO_EQUIPMENT_GROUND, Marking.GFCI_PROTECTED),
}


def _drafts(
    ledger: Ledger, known: _Known, rows: Sequence[dict[str, Any]], sha256: str
) -> tuple[list[FixRow], list[Draft], list[str], list[Draft]]:
    """Return what becomes of the rows of a file, the events that those reported make, of which
    findings these are, and the events that come before them: proven repairs whose report they
    correct are reopened."""
    told: list[FixRow] = []
    drafts: list[Draft] = []
    reopened: list[Draft] = []
    in_file: set[tuple[str, str]] = set()
    for row in rows:
        one = FixRow(row["path"], sha256, row["sheet"], int(row["_part"]), int(row["_row"]))
        told.append(one)
        fix = _fix(ledger, one, row)
        if fix is None:
            one.finding_id, wrong = known.find(row)
            one.reasons += wrong
            continue
        before = known.told_before(row, fix)
        if before is not None:
            one.finding_id, one.outcome = before, "duplicate"
            continue
        one.finding_id, wrong = known.find(row)
        one.reasons += wrong
        ungrounded = may_leave_ungrounded(ledger.rule_book, fix.remedy)
        against = report_speaks_against(fix.note or "", ungrounded=ungrounded)
        if against:
            expected = f"{WITHOUT_SUCH_WORDS}: this one {against}"
            one.reasons.append(_reason("note", fix.note, expected))
        for column, cell in danger_beside(fix.model_dump()):
            against = DANGER_LEFT
            one.reasons.append(_reason(column, cell, f"{WHAT_BELONGS_THERE}: this {against}"))
        if one.finding_id is None or against:
            continue
        said = json.dumps(_said(fix.model_dump(mode="json")), sort_keys=True)
        if (one.finding_id, said) in in_file:
            one.outcome = "duplicate"
            continue
        in_file.add((one.finding_id, said))
        other: str | Reason = ""
        if known.treatment[one.finding_id] == "proven":
            other = _corrects(ledger, one.finding_id, fix)
        if isinstance(other, Reason):
            one.reasons.append(other)
            continue
        one.questions = _other_costs(
            [*known.said.get(one.finding_id, []), *_drafted(drafts, one.finding_id)], fix
        )
        if other:
            if all(each.finding_id != one.finding_id for each in reopened):
                reason = f"the report of the repair now says otherwise: {other}"
                reopened.append(Draft(one.finding_id, ev.Reopened(reason=reason)))
            one.questions.append(
                f"the repair of {one.finding_id} was proven, and this report of it says otherwise "
                f"({other}): it is open again until a look proves what is reported now"
            )
        one.outcome = "reported"
        one.worker_missing = worker_missing(fix) is not None
        corrects = known.corrected(one.finding_id, one)
        drafts.append(Draft(one.finding_id, fix.model_copy(update={"corrects": corrects})))
    return told, drafts, [draft.finding_id for draft in drafts], reopened


_CORRECTED = ("fixed_on", "remedy", "firm", "worker", "licence")
"""What of a reported repair decides who may prove it, when, and by what."""


def _corrects(ledger: Ledger, finding_id: str, fix: ev.FixReported) -> str | Reason:
    """What a report says otherwise of a proven repair, in words; "" where nothing that matters.

    A report of an earlier day is refused: it may be of work before the proven repair.
    """
    before = ledger.finding(finding_id).fix
    if before is None:
        return ""
    said = [
        f"{name.replace('_', ' ')} {new or 'blank'}, before {old or 'blank'}"
        for name in _CORRECTED
        if (new := getattr(fix, name)) != (old := getattr(before, name))
    ]
    if said and fix.fixed_on < before.fixed_on:
        return _reason(
            "fixed_on",
            fix.fixed_on,
            f"no day before {before.fixed_on}, that of the repair of {finding_id}, which is proven;"
            f" where this row is right, `coverplate findings reopen {finding_id}` with the reason",
        )
    return "; ".join(said)


def _drafted(drafts: Sequence[Draft], finding_id: str) -> list[dict[str, Any]]:
    return [
        _said(each.payload.model_dump(mode="json", exclude_none=True))
        for each in drafts
        if each.finding_id == finding_id
    ]


def _fix(ledger: Ledger, one: FixRow, row: Mapping[str, Any]) -> ev.FixReported | None:
    """Return what a row reports; None where it cannot be told, with the reasons on ``one``."""
    remedy = remedy_named(ledger.rule_book, row["remedy"])
    if remedy is None:
        expected = "one of " + ", ".join(ledger.rule_book.remedies)
        one.reasons.append(_reason("remedy", row["remedy"], expected))
        return None
    links = (each.strip() for each in re.split(r"[;\n]", row["attachments"] or ""))
    names = ("fixed_on", "firm", "worker", "licence", "permit", "invoice", "cost", "note",
             "gfci_year", "gfci_tested_on")  # fmt: skip
    try:
        return ev.FixReported(
            remedy=remedy,
            markings=_MARKINGS.get(row["marking"] or "", ()),
            attachments=tuple(each for each in links if each),
            landed=ev.LandedRow(sha256=one.sha256, sheet=one.sheet, row=one.row),
            **{name: row[name] for name in names},
        )
    except ValidationError as fault:
        one.reasons += [
            _reason(".".join(map(str, e["loc"])), e.get("input"), e["msg"]) for e in fault.errors()
        ]
        return None


def _refuse(row: FixRow, refusal: CoverplateError, payload: ev.Payload) -> None:
    row.outcome = "refused"
    said = refusal.found.removeprefix(f"{row.finding_id}: ")
    expected = f"{refusal.expected} ({said})" if refusal.expected else f"another report: {said}"
    row.reasons.append(_reason("remedy", getattr(payload, "remedy", None), expected))
    row.questions = []


def _other_costs(before: Sequence[Mapping[str, Any]], fix: ev.FixReported) -> list[str]:
    """Ask about work of the same firm and day that was reported before with another cost."""
    costs = {
        float(each["cost"])
        for each in before
        if each.get("cost") is not None
        and each["fixed_on"] == fix.fixed_on.isoformat()
        and firm_name(str(each["firm"])) == firm_name(fix.firm)
    } - {fix.cost}
    if not costs or fix.cost is None:
        return []
    told = ", ".join(f"{each:,.2f}" for each in sorted(costs))
    return [
        f"the same job was reported before with a cost of {told}, now {fix.cost:,.2f}: is it one "
        "job? The last cost counts, once"
    ]


def _proofs(
    ledger: Ledger,
    known: _Known,
    looks: Sequence[dict[str, Any]],
    drafted: Mapping[str, Draft],
    sha256: str,
) -> list[Draft]:
    """Return the events that looks of a file amount to: of findings whose fix stands reported, or
    is reported by the same file. A look that found the repair wanting outweighs one that did not.
    """
    found: dict[str, Draft] = {}
    for row in looks:
        place = (row["building_id"], row["unit_id"], row["opening_id"])
        cells = {name: row[name] for name in _LOOK_FIELDS if row[name] not in (None, "")}
        landed = ev.LandedRow(sha256=sha256, sheet=row["sheet"], row=int(row["_row"]))
        for finding_id in known.at.get(place, []):
            draft = drafted.get(finding_id)
            if draft is None and known.treatment[finding_id] != "fix_reported":
                continue
            earlier = found.get(finding_id)
            if earlier is not None and earlier.payload.kind == "verification_failed":
                continue
            try:
                claim = ledger.finding(finding_id)
                if draft is not None and isinstance(draft.payload, ev.FixReported):
                    fix = checked_fix(ledger.rule_book, claim, draft.payload)
                    claim = replace(claim, treatment="fix_reported", fix=fix)
                seen = ev.Look.model_validate(cells)
                event = ledger.judge.verified(claim, seen)
                if event.kind == "verified":
                    check_further_up(ledger, claim, seen)
            except CoverplateError:
                continue  # it tells nothing of the repair; why is told with the looks since it
            if earlier is None or event.kind == "verification_failed":
                event = event.model_copy(update={"landed": landed})
                found[finding_id] = Draft(finding_id, event)
    return list(found.values())


@dataclass(frozen=True)
class FixImport:
    """What became of a table of fix reports; the three counts add up to the rows read."""

    path: str
    sheet: str
    sha256: str
    rows: tuple[FixRow, ...]

    def as_json(self) -> dict[str, Any]:
        """Return it as plain JSON values."""
        said = {"reported": "reported", "duplicate": "duplicate", "refused": "set_aside"}
        counts = {
            name: sum(each.outcome == outcome for each in self.rows)
            for outcome, name in said.items()
        }
        return {
            "path": self.path,
            "sheet": self.sheet,
            "sha256": self.sha256,
            "rows_read": len(self.rows),
            **counts,
            "rows": [
                {
                    "row": each.row,
                    "outcome": said[each.outcome],
                    "finding_id": each.finding_id,
                    "reasons": [reason.model_dump() for reason in each.reasons],
                    "questions": each.questions,
                }
                for each in self.rows
            ],
        }


def what_became(workspace: Workspace, files: Sequence[str], taken: TakenUp) -> list[FixImport]:
    """Return what became of every row of the fix reports of some landed files.

    Args:
        workspace: where they landed.
        files: their SHA-256.
        taken: what the ledger made of them in the same call.

    Returns:
        One a table: a row was reported in this call, is a duplicate of what is known, or is set
        aside, by the landing or by the ledger's rules.
    """
    aside = {
        (each.sha256, each.sheet, each.row): list(each.reasons)
        for each in list_quarantine(workspace)
        if each.record_kind is RecordKind.FIX_REPORTS and each.level == "row"
    }
    now = {(each.part, each.row): each for each in taken.rows}
    found = []
    for manifest, part in parts_of(workspace.manifests(), RecordKind.FIX_REPORTS):
        if manifest.sha256 not in files:
            continue
        rows = []
        for number, same_as in row_numbers(workspace, manifest, part):
            row = FixRow(manifest.path, manifest.sha256, part.sheet, part.part, number)
            earlier = now.get(same_as) if same_as else None
            reasons = aside.get((manifest.sha256, part.sheet, number))
            if reasons is not None:
                row.reasons = reasons
            elif earlier is not None and earlier.outcome == "refused":
                row.reasons = earlier.reasons  # it says what is refused already
            else:
                row.outcome = "duplicate"
            rows.append(now.get((part.part, number), row))
        found.append(FixImport(manifest.path, part.sheet, manifest.sha256, tuple(rows)))
    return found


def left_from_before(ledger: Ledger) -> list[str]:
    """Return the files of which rows were set aside before fix reports landed like other exports.

    Nothing writes to that table any more; taken in by intake, such a file has its rows set aside
    there.
    """
    table = IMPORTED_ROWS
    query = sa.select(table.c.file_name).where(table.c.outcome == "set_aside").distinct()
    with ledger.reading() as con:
        return sorted(con.execute(query).scalars())
