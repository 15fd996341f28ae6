"""Looks written into the ledger by hand: the danger they tell of is raised.

What lands is judged row by row (sql/02_told.sql) and stands on the urgent list. A look that
somebody writes down beside a reported repair is no landed row: what it says of live metal, heat, a
shock or a wrong supply voltage becomes a finding of its own, urgent until a landed look answers all
of it (``ledger.sync``) or a person sets it aside.
"""

from __future__ import annotations

from pipeline.landing import danger_aside
from pipeline.landing.current import typed_columns
from pipeline.ledger import Event, Finding, Ledger, current
from pipeline.ledger import events as ev
from pipeline.ledger.further_up import check_further_up
from pipeline.offline import connect
from pipeline.warehouse.plainly_told import rule_tables, sql_step
from pipeline.warehouse.report_subjects import create_macros
from shared.faults import CoverplateError
from shared.records import OPENING_OBSERVATIONS, quoted
from shared.rule_book import RuleBook
from shared.standing import Standing, UrgentDefect


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
    urgent = {each.value for each in UrgentDefect}
    told: dict[UrgentDefect, tuple[str, Standing]] = {}
    for defect, says, standing in rows:
        kind = UrgentDefect(defect) if defect in urgent else UrgentDefect.LIVE_METAL
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
    """Write what a look after a reported fix amounts to, and raise the dangers that it tells of.

    Returns:
        The look's own event first, then what was raised or seen again.

    Raises:
        CoverplateError: the look proves nothing either way, or cannot stand; if it tells of danger
            the refusal says so, and how that is put on record.
    """
    told = dangers_told(look, ledger.rule_book)
    try:
        held = ledger.finding(finding)
        check_further_up(ledger, held, look)
        event = ledger.record_look(finding, look, who=who, origin=origin, expected=expected)
    except CoverplateError as refusal:
        if not told:
            raise
        raise _not_lost(refusal, told) from refusal
    written = [event]
    for defect, (says, standing) in told.items():
        written.append(_raise(ledger, held, look, defect, says, standing, who=who, origin=origin))
    return written


def _raise(
    ledger: Ledger,
    held: Finding,
    look: ev.Look,
    defect: UrgentDefect,
    says: str,
    standing: Standing,
    *,
    who: str,
    origin: str,
) -> Event:
    """Raise a danger at the opening of a finding; where it stands already it was seen again."""
    place = held.raised
    frame = current(ledger, place.building_id)
    there = frame[
        (frame["unit_id"] == place.unit_id)
        & (frame["opening_id"] == place.opening_id)
        & (frame["family"] == defect.value)
    ].sort_values("occurrence")
    last = None if there.empty else there.iloc[-1]
    digest = ledger.rule_book.hash
    if last is not None and last["treatment"] != "proven":
        again = ev.SeenAgain(
            grade="confirmed", condition=None, standing=standing, seen_on=look.observed_on,
            pointed_on=look.observed_on, methods=(look.method,), rule_book_hash=digest,
        )  # fmt: skip
        return ledger.append(str(last["finding_id"]), again, who=who, origin=origin)
    raised = ev.Raised(
        building_id=place.building_id, unit_id=place.unit_id, opening_id=place.opening_id,
        family=defect.value, grade="confirmed", standing=standing, slots=place.slots,
        occurrence=1 if last is None else int(last["occurrence"]) + 1,
        recurs_of=None if last is None else str(last["finding_id"]),
        first_seen_on=look.observed_on, last_seen_on=look.observed_on, pointed_on=look.observed_on,
        methods=(look.method,), regulation=place.regulation, rule_book_hash=digest,
        note=f"a look written beside {held.finding_id}: {says}",
    )  # fmt: skip
    return ledger.raise_finding(raised, who=who, origin=origin)


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
