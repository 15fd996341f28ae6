"""Looks written into the ledger by hand: the danger they tell of is raised.

What lands is judged row by row (sql/02_told.sql) and stands on the urgent list. What a look says of
live metal, heat, a shock or a wrong supply voltage that somebody writes down beside a reported
repair becomes a finding of its own at once. From the next build on the look is on the urgent list
as landed ones are, by the same rule and cleared by the same looks (sql/02_urgent.sql), unless a
person sets the finding aside.
"""

from __future__ import annotations

from sqlalchemy.engine import Connection

from pipeline.landing import danger_aside
from pipeline.landing.current import typed_columns
from pipeline.ledger import Event, Finding, Ledger
from pipeline.ledger import events as ev
from pipeline.ledger.families import FindingKey, finding_id, urgent_family
from pipeline.ledger.further_up import check_further_up
from pipeline.ledger.store import Draft
from pipeline.offline import connect
from pipeline.warehouse.plainly_told import rule_tables, sql_step
from pipeline.warehouse.report_subjects import create_macros
from shared.faults import CoverplateError
from shared.records import OPENING_OBSERVATIONS, quoted
from shared.rule_book import RuleBook
from shared.standing import Standing, UrgentDefect

TOLD_AGAIN = "a look written down since tells of it again"
"""Why a danger that was set aside is opened again."""


def dangers_told(look: ev.Look, rule_book: RuleBook) -> dict[UrgentDefect, tuple[str, Standing]]:
    """Return what a look reports or measures that is urgent, by the rule for landed looks: by
    defect, in words, and whether it was measured. Conditions of the wiring that are urgent count as
    live metal."""
    said = look.model_dump(mode="json")
    typed = ", ".join(
        f"{'?' if name in said else 'NULL'}::{kind} AS {quoted(name)}"
        for name, kind in typed_columns(OPENING_OBSERVATIONS).items()
        if name not in ("building_id", "unit_id", "opening_id")
    )
    con = connect()
    try:
        rule_tables(con, rule_book)
        create_macros(con, any_notes=look.note is not None, any_papers=False)
        danger_aside.create_macro(con)
        con.execute(
            "CREATE TABLE looks_ever AS SELECT 0 AS building_no, '' AS unit_id, '' AS opening_id, "
            "0 AS _part, 0::BIGINT AS _row, NULL::INTEGER AS superseded_by_part, "
            f"NULL::BIGINT AS superseded_by_row, false AS replaced_elsewhere, {typed}",
            [said[name] for name in typed_columns(OPENING_OBSERVATIONS) if name in said],
        )
        con.execute(sql_step("02_told.sql"))
        rows = con.execute("SELECT defect, says, standing FROM live_metal_told").fetchall()
    finally:
        con.close()
    told: dict[UrgentDefect, tuple[str, Standing]] = {}
    for defect, says, standing in rows:
        kind = urgent_family(defect)
        before = told.get(kind)
        how = Standing.MEASURED if before and before[1] is Standing.MEASURED else Standing(standing)
        told[kind] = (f"{before[0]}; {says}" if before else says, how)
    return told


def record_look(
    ledger: Ledger,
    finding: str,
    look: ev.Look,
    *,
    who: str,
    origin: str,
    expected: int | None = None,
) -> list[Event]:
    """Write what a look after a reported fix amounts to, and raise the dangers that it tells of, in
    one transaction.

    Returns:
        The look's own event first, then what was raised or seen again.

    Raises:
        CoverplateError: the look proves nothing either way, or cannot stand; if it tells of danger
            the refusal says so, and how that is put on record.
    """
    told = dangers_told(look, ledger.rule_book)
    raised: list[Event] = []
    try:
        held = ledger.finding(finding)
        check_further_up(ledger, held, look)
        drafts = [Draft(finding, ledger.judge.verified(held, look), expected)]
        anew = []
        for defect, (says, standing) in told.items():
            last = _standing_there(ledger, held, defect)
            if last is None:
                anew.append(_raised(ledger, held, look, defect, says, standing))
            else:
                drafts += _again(ledger, last, look, standing)

        def raise_too(con: Connection, _: list[Event]) -> None:
            raised.extend(ledger.raise_in(con, anew, who=who, origin=origin))

        written = ledger.append_many(drafts, who=who, origin=origin, before_commit=raise_too)
    except CoverplateError as refusal:
        if not told:
            raise
        raise _not_lost(refusal, told) from refusal
    return [written[0], *(each for each in written[1:] if each.kind == "seen_again"), *raised]


def _standing_there(ledger: Ledger, held: Finding, defect: UrgentDefect) -> str | None:
    """The finding of a danger at the opening of another finding, if there ever was one."""
    place = held.raised
    key = FindingKey(place.building_id, place.unit_id, place.opening_id, defect.value)
    identity = finding_id(key, 1)  # no repair is proven of what is no condition of the wiring
    return identity if identity in ledger.heads() else None


def _again(ledger: Ledger, last: str, look: ev.Look, standing: Standing) -> list[Draft]:
    """A danger that was told before: seen again, and opened again where a person set it aside."""
    again = ev.SeenAgain(
        grade="confirmed", condition=None, standing=standing, seen_on=look.observed_on,
        pointed_on=look.observed_on, methods=(look.method,), rule_book_hash=ledger.rule_book.hash,
    )  # fmt: skip
    if ledger.finding(last).treatment != "set_aside":
        return [Draft(last, again)]
    return [Draft(last, ev.Reopened(reason=TOLD_AGAIN)), Draft(last, again)]


def _raised(
    ledger: Ledger,
    held: Finding,
    look: ev.Look,
    defect: UrgentDefect,
    says: str,
    standing: Standing,
) -> ev.Raised:
    """A danger at the opening of a finding that was never told there."""
    place = held.raised
    return ev.Raised(
        building_id=place.building_id, unit_id=place.unit_id, opening_id=place.opening_id,
        family=defect.value, grade="confirmed", standing=standing, slots=place.slots,
        first_seen_on=look.observed_on, last_seen_on=look.observed_on, pointed_on=look.observed_on,
        methods=(look.method,), regulation=place.regulation, rule_book_hash=ledger.rule_book.hash,
        note=f"a look written beside {held.finding_id}: {says}",
    )  # fmt: skip


def _not_lost(
    refusal: CoverplateError, told: dict[UrgentDefect, tuple[str, Standing]]
) -> CoverplateError:
    """The refusal of a look that tells of danger: what it tells, and where that goes."""
    danger = "; ".join(says for says, _ in told.values())
    return CoverplateError(
        f"{refusal.found}. Nothing was written, though the look tells of danger ({danger}): treat "
        "it as urgent now",
        expected=refusal.expected,
        to_do=f"{refusal.to_do + '; ' if refusal.to_do else ''}put the look on record as a row of "
        "an export (`coverplate intake`): whatever it reports is urgent from then on",
    )
