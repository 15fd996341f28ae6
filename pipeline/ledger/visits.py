"""Visits: one day, one person, one dwelling, several findings; kept as events on each of them.

A visit has no table of its own. Each of its steps is written on all of its findings in one
transaction, so that the history of a finding tells when somebody was to come, and whoever reads the
events of one building has its visits whole. ``visits.sql`` puts them together.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd
import sqlalchemy as sa
from sqlalchemy.engine import Connection

from pipeline.ledger import events as ev
from pipeline.ledger.database import EVENTS, FINDINGS
from pipeline.ledger.history import VISIT_EVENTS, history, sql, visit_steps
from pipeline.ledger.store import CHUNK, Draft, Ledger
from shared.faults import CoverplateError

TRIES = 5
"""How often a number is sought anew when another writer took it in between."""

STANDING_WORDS: dict[str, str] = {
    "planned": "planned",
    "made": "made",
    "called_off": "called off",
}
"""How a visit stands, as people read it."""

Named = tuple[str, int | None]
"""A finding and the version of it that the person had seen, or None."""


class _NumberTaken(Exception):  # noqa: N818 - told to nobody: it is answered by another number
    """Another visit got the identifier between reading and writing."""


def plan_visit(
    ledger: Ledger,
    findings: Sequence[Named],
    *,
    on: dt.date,
    person: str,
    who: str,
    origin: str,
    starts: str | None = None,
    ends: str | None = None,
    firm: str | None = None,
    note: str | None = None,
    at: dt.datetime | None = None,
) -> list[ev.Event]:
    """Plan a visit to findings of one dwelling: all of them or none.

    Args:
        ledger: the ledger.
        findings: the findings, each with the version seen.
        on: the day.
        person: who is to go.
        who: who plans it.
        origin: from where: cli or dashboard.
        starts: from when on that day, on the clock there, such as 09:30; any time when None.
        ends: until when; open when None.
        firm: whom the person comes for.
        note: anything worth keeping.
        at: when it is written down; now by default.

    Returns:
        One ``visit_planned`` a finding; each names the visit.

    Raises:
        CoverplateError: there are none, they are of more than one dwelling, or somebody must not
            be sent to one of them any more, or the hours are none.
    """
    versions = dict(findings)
    building, unit = _dwelling(ledger, list(versions))
    content: dict[str, Any] = {
        "kind": "visit_planned", "on": on, "starts": starts, "ends": ends, "person": person,
        "firm": firm, "note": note,
    }  # fmt: skip
    for _ in range(TRIES):
        visit_id = _free_id(ledger, building, unit, on)
        payload = ev.parse_payload({**content, "visit_id": visit_id})
        drafts = [Draft(each, payload, version) for each, version in versions.items()]

        def alone(con: Connection, written: list[ev.Event], visit_id: str = visit_id) -> None:
            _check_number(con, visit_id, len(written))

        try:
            return ledger.append_many(drafts, who=who, origin=origin, at=at, before_commit=alone)
        except _NumberTaken:
            continue
    raise CoverplateError(
        f"no number was free for a visit to {dwelling_words(building, unit)} on {on}: others "
        "plan visits there at this moment",
        to_do="look at `coverplate visits list` and plan it again",
    )


def move_visit(
    ledger: Ledger,
    visit_id: str,
    *,
    on: dt.date,
    reason: str,
    who: str,
    origin: str,
    starts: str | None = None,
    ends: str | None = None,
    any_time: bool = False,
) -> list[ev.Event]:
    """Put a planned visit on another day or at other hours, with a reason.

    Args:
        ledger: the ledger.
        visit_id: the visit.
        on: the day.
        reason: why.
        who: who moves it.
        origin: from where.
        starts, ends: the hours, as in ``plan_visit``; those that it had when neither is given.
        any_time: whether it is to have no hours any more.

    Raises:
        CoverplateError: there is none, it was made or called off, it is then already, or the hours
            are none.
    """
    visit = _awaited(ledger, visit_id)
    if any_time and (starts or ends):
        raise CoverplateError(
            f"{visit_id}: hours are given, and that it has none",
            expected="one or the other",
            to_do="leave one of them out; nothing was written",
        )
    if not (starts or ends or any_time):
        starts, ends = visit["starts"], visit["ends"]
    if (visit["visit_on"], visit["starts"], visit["ends"]) == (on, starts, ends):
        raise CoverplateError(
            f"{visit_id} is planned for {', '.join(filter(None, (str(on), hours_words(visit))))} "
            "already",
            expected="another day, or other hours",
            to_do="check the date and the hours",
        )
    content = {
        "kind": "visit_moved", "visit_id": visit_id, "on": on, "starts": starts, "ends": ends,
        "reason": reason,
    }  # fmt: skip
    return _write(ledger, visit, content, who, origin)


def call_off_visit(
    ledger: Ledger, visit_id: str, *, reason: str, who: str, origin: str
) -> list[ev.Event]:
    """Call a planned visit off, with a reason.

    Raises:
        CoverplateError: there is none, or it was made or called off.
    """
    content = {"kind": "visit_called_off", "visit_id": visit_id, "reason": reason}
    return _write(ledger, _awaited(ledger, visit_id), content, who, origin)


def visit_made(
    ledger: Ledger,
    visit_id: str,
    *,
    on: dt.date,
    who: str,
    origin: str,
    went: str | None = None,
    firm: str | None = None,
    note: str | None = None,
) -> list[ev.Event]:
    """Note that somebody went. It repairs nothing and proves nothing: that is written apart.

    Args:
        ledger: the ledger.
        visit_id: the visit.
        on: the day.
        who: who says so.
        origin: from where.
        went: who went; the person planned when not given.
        firm: for whom they came; that of the person planned where it was that person.
        note: anything worth keeping.

    Raises:
        CoverplateError: there is none, it was made or called off, or the day has not come.
    """
    found = _awaited(ledger, visit_id)
    went = went or found["person"]
    firm = firm or (found["firm"] if went == found["person"] else None)
    content = {
        "kind": "visit_made", "visit_id": visit_id, "on": on, "went": went, "firm": firm,
        "note": note,
    }  # fmt: skip
    return _write(ledger, found, content, who, origin)


def give_notice(
    ledger: Ledger,
    visit_id: str,
    *,
    given_on: dt.date,
    who: str,
    origin: str,
    entry_on: dt.date | None = None,
    note: str | None = None,
) -> list[ev.Event]:
    """Note on all findings of a visit that the tenant was given notice, of its hours too.

    Args:
        ledger: the ledger.
        visit_id: the visit.
        given_on: the day on which notice was given.
        who: who says so.
        origin: from where.
        entry_on: the day that it announces; the visit's own by default. Notice of another day
            leaves the visit without notice of its own.
        note: anything worth keeping.

    Raises:
        CoverplateError: there is no such visit, it was made or called off, or the notice is dated
            after the entry.
    """
    visit = _awaited(ledger, visit_id)
    announced = entry_on or visit["visit_on"]
    if given_on > announced:
        raise CoverplateError(
            f"{visit_id}: notice given on {given_on} of an entry on {announced}",
            expected="notice given not after the day that it announces",
            to_do="check the dates; move the visit first if it is on another day",
        )
    content = {"kind": "notice_given", "given_on": given_on, "entry_on": announced, "note": note}
    if announced == visit["visit_on"]:
        content |= {"entry_starts": visit["starts"], "entry_ends": visit["ends"]}
    return _write(ledger, visit, content, who, origin)


def visits(
    ledger: Ledger, *, today: dt.date | None = None, building_id: str | None = None
) -> pd.DataFrame:
    """Return every visit, by day.

    Args:
        ledger: the ledger.
        today: as of which day; today (UTC) by default.
        building_id: one building's only.

    Returns:
        Columns visit_id, building_id, unit_id, visit_on (the day as it stands), starts, ends (its
        hours as text such as 09:30, on the clock there; missing where none were said), person,
        firm, note, standing (a key of ``STANDING_WORDS``), findings (how many); how many of them
        are proven, reported (fix reported, unproven), open, not_repaired (set aside or no longer
        indicated): these four add up; notices (times that notice was given of one of its days),
        noticed (findings with notice of the day as it stands), entry_refused and no_access
        (findings at which this was noted on one of its days), times_moved, moved_reason (of the
        last move), made_on, went (the person), went_for (the firm), called_off_reason, planned_at,
        planned_by, last_at (UTC; of its last step, notice, or what was noted at the door),
        finding_ids, clashes (other planned visits of what may be the same person, of any building,
        at hours that overlap), and the yes/no columns
        coming (planned, its day not past), without_notice (coming, and a finding has no notice of
        that day), past_not_made (planned, its day past).
    """
    day = today or dt.datetime.now(dt.UTC).date()
    with history(ledger, kinds=VISIT_EVENTS, building_id=building_id) as con:
        visit_steps(con, ledger)
        return con.execute(sql("visits"), {"today": day}).df()


def visit(ledger: Ledger, visit_id: str) -> dict[str, Any]:
    """Return one visit: the columns of ``visits``, days as dates, what is missing as None.

    Raises:
        CoverplateError: there is none of that identifier.
    """
    with ledger.reading() as con:
        query = (
            sa.select(FINDINGS.c.building_id)
            .join(EVENTS, EVENTS.c.finding_id == FINDINGS.c.finding_id)
            .where(EVENTS.c.kind == "visit_planned", _names(visit_id))
            .limit(1)
        )
        building = con.execute(query).scalar()
    if building is None:
        raise CoverplateError(
            f"there is no visit {visit_id}",
            expected="an identifier such as V-0017-2A-20250401-1",
            to_do="list them with `coverplate visits list`",
        )
    frame = visits(ledger, building_id=building)
    (row,) = frame[frame["visit_id"] == visit_id].to_dict(orient="records")
    return {str(name): _plain(cell) for name, cell in row.items()}


def _plain(cell: Any) -> Any:  # noqa: ANN401 - any cell of a frame
    if isinstance(cell, pd.Timestamp):
        midnight = cell.time() == dt.time(0)
        return cell.date() if midnight else cell.to_pydatetime()
    if hasattr(cell, "tolist"):
        return cell.tolist()
    return None if cell is None or pd.isna(cell) else cell


def hours_words(visit: Mapping[str, Any]) -> str:
    """Return the hours of a visit in words; "" where none were said."""
    starts, ends = (visit[each] if isinstance(visit[each], str) else "" for each in _HOURS)
    return f"{starts} to {ends}" if ends else f"from {starts}" if starts else ""


def place_words(
    visit: Mapping[str, Any], name: str | None = None, address: str | None = None
) -> str:
    """Return where a visit goes: name, address, building and unit, as far as known."""
    unit = f"unit {visit['unit_id']}" if visit["unit_id"] else "no unit named"
    return ", ".join(filter(None, (name, address, f"building {visit['building_id']}", unit)))


def day_words(day: dt.date) -> str:
    """Return a day with its weekday, such as Tuesday, 1 April 2025."""
    return f"{day:%A}, {day.day} {day:%B %Y}"


def when_words(visit: Mapping[str, Any]) -> str:
    """Return the day of a visit, and its hours where they are said."""
    return ", ".join(filter(None, (day_words(visit["visit_on"]), hours_words(visit))))


def who_words(visit: Mapping[str, Any]) -> str:
    """Return who makes a visit, with the firm where it is known."""
    who = (visit[each] for each in ("person", "firm"))
    return ", ".join(each for each in who if isinstance(each, str) and each)


def went_words(visit: Mapping[str, Any]) -> str:
    """Return who went on a visit that was made, and for which firm, in words."""
    went, firm = (visit[each] if isinstance(visit[each], str) else "" for each in _WENT)
    return f"{went or 'nobody named'}, for {firm}" if firm else went


def clash_words(visit: Mapping[str, Any]) -> str:
    """Return the warning that whoever goes is to be elsewhere at these hours; "" where not so."""
    others = list(visit["clashes"])
    if not others:
        return ""
    return f"{visit['person']} is to be elsewhere at these hours: {', '.join(others)}"


_HOURS = ("starts", "ends")
_WENT = ("went", "went_for")


def dwelling_named(ledger: Ledger, text: str) -> tuple[str, str]:
    """Return the building and unit that BUILDING/UNIT names, whichever of them has a "/" itself.

    Raises:
        CoverplateError: it names none, or may name two with open findings.
    """
    parts = text.split("/")
    splits = [("/".join(parts[:n]), "/".join(parts[n:])) for n in range(len(parts) - 1, 0, -1)]
    splits = [(building, unit) for building, unit in splits if building]
    if not splits:
        raise CoverplateError(
            f"{text!r} names no dwelling",
            expected="BUILDING/UNIT, such as 0017/2A; 0017/ for what names no unit",
            to_do="take both from `coverplate findings list`",
        )
    meant = [split for split in splits if len(splits) == 1 or _open_at(ledger, *split)]
    if len(meant) > 1:
        raise CoverplateError(
            f"{text!r} may be " + " or ".join(dwelling_words(*each) for each in meant),
            expected="one dwelling",
            to_do="name the findings of the one that is meant; see `coverplate findings list`",
        )
    return meant[0] if meant else splits[-1]


def open_findings_of(ledger: Ledger, building_id: str, unit_id: str) -> list[Named]:
    """Return the findings of a dwelling at which something is still to be done, with versions:
    those to be repaired, and those whose reported repair waits for its proof.

    Records in doubt are not among them: they are put right on paper, not by a visit.

    Raises:
        CoverplateError: there are none.
    """
    rows = _open_at(ledger, building_id, unit_id)
    if not rows:
        raise CoverplateError(
            f"{dwelling_words(building_id, unit_id)} has no open finding",
            expected="BUILDING/UNIT of a dwelling with open findings",
            to_do="see `coverplate findings list --building`",
        )
    return rows


def _open_at(ledger: Ledger, building_id: str, unit_id: str) -> list[Named]:
    with history(ledger, building_id=building_id) as con:
        rows = con.execute(
            "SELECT finding_id, sequence FROM findings WHERE unit_id = ? "
            "AND (open OR treatment = 'fix_reported') AND grade <> 'record_in_doubt' "
            "ORDER BY opening_id, finding_id",
            [unit_id],
        ).fetchall()
    return [(str(identity), int(version)) for identity, version in rows]


def dwelling_words(building_id: str, unit_id: str) -> str:
    """Return a dwelling in words; findings of no unit belong to the building as a whole."""
    return f"{building_id}, unit {unit_id}" if unit_id else f"{building_id}, no unit named"


def _dwelling(ledger: Ledger, ids: Sequence[str]) -> tuple[str, str]:
    if not ids:
        raise CoverplateError(
            "a visit to no finding",
            expected="one or more findings of one dwelling",
            to_do="list them with `coverplate findings list`",
        )
    found: dict[str, tuple[str, str]] = {}
    with ledger.reading() as con:
        for begin in range(0, len(ids), CHUNK):
            query = sa.select(
                FINDINGS.c.finding_id, FINDINGS.c.building_id, FINDINGS.c.unit_id
            ).where(FINDINGS.c.finding_id.in_(ids[begin : begin + CHUNK]))
            found |= {row[0]: (row[1], row[2]) for row in con.execute(query)}
    unknown = [each for each in ids if each not in found]
    if unknown:
        raise CoverplateError(
            f"there is no finding {', '.join(unknown)}",
            expected="identifiers such as F-0123456789abcdef",
            to_do="list them with `coverplate findings list`",
        )
    dwellings = sorted(set(found.values()))
    if len(dwellings) > 1:
        told = "; ".join(
            f"{dwelling_words(*each)}: {sum(place == each for place in found.values())}"
            for each in dwellings
        )
        raise CoverplateError(
            f"these findings are of {len(dwellings)} dwellings ({told}); a visit is to one",
            expected="findings of one building and unit",
            to_do="plan a visit for each dwelling",
        )
    return dwellings[0]


def _free_id(ledger: Ledger, building: str, unit: str, on: dt.date) -> str:
    """Return the next identifier of a visit there on that day."""
    parts = [_short(building) or "X", _short(unit), f"{on:%Y%m%d}"]
    stem = "V-" + "-".join(filter(None, parts)) + "-"
    with ledger.reading() as con:
        query = sa.select(EVENTS.c.payload).where(
            EVENTS.c.kind == "visit_planned", EVENTS.c.payload.contains(f'"visit_id":"{stem}')
        )
        pattern = re.compile(rf'"visit_id":"{stem}(\d+)"')
        numbers = [
            int(found[1])
            for text in con.execute(query).scalars()
            if (found := pattern.search(text))
        ]
    return f"{stem}{max(numbers, default=0) + 1}"


def _short(name: str) -> str:
    """Return the letters and digits of a name that everybody can type, at most 16."""
    return re.sub(r"[^A-Za-z0-9]", "", name)[:16]


def _names(visit_id: str) -> sa.ColumnElement[bool]:
    """Whether a stored event names a visit; content is stored as canonical JSON."""
    return EVENTS.c.payload.contains(f'"visit_id":"{visit_id}"', autoescape=True)


def _check_number(con: Connection, visit_id: str, written: int) -> None:
    """Raise ``_NumberTaken`` where findings of another visit carry this identifier."""
    if con.dialect.name == "postgresql":
        # of two that took the same number the second waits here, then sees the first one's events
        con.execute(sa.text("SELECT pg_advisory_xact_lock(hashtext(:one))"), {"one": visit_id})
    query = (
        sa.select(sa.func.count())
        .select_from(EVENTS)
        .where(EVENTS.c.kind == "visit_planned", _names(visit_id))
    )
    if con.execute(query).scalar_one() != written:
        raise _NumberTaken


def _awaited(ledger: Ledger, visit_id: str) -> dict[str, Any]:
    found = visit(ledger, visit_id)
    if found["standing"] != "planned":
        when = found["made_on"] or found["called_off_reason"]
        raise CoverplateError(
            f"{visit_id} was {STANDING_WORDS[found['standing']]} ({when})",
            expected="a visit that is still to be made",
            to_do="plan another: `coverplate visits plan`",
        )
    return found


def _write(
    ledger: Ledger, found: dict[str, Any], content: dict[str, Any], who: str, origin: str
) -> list[ev.Event]:
    payload = ev.parse_payload(content)
    drafts = [Draft(each, payload) for each in found["finding_ids"]]
    return ledger.append_many(drafts, who=who, origin=origin)
