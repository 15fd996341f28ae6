"""``coverplate visits``: one day, one person, one dwelling, several findings."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TextIO

import click
import pandas as pd

from pipeline.cli.ledger_options import (
    ORIGIN,
    Command,
    acting_options,
    buildings_of,
    day_option,
    findings_argument,
    ledger_options,
    named_findings,
    opened,
)
from pipeline.cli.options import check_ending
from pipeline.cli.output import (
    cautions,
    echo,
    print_json,
    print_table,
    say,
)
from pipeline.cli.papers import add_commands, print_papers
from pipeline.landing import Workspace
from pipeline.ledger import Ledger, papers, visit_calendar
from pipeline.ledger import visits as of_visits
from pipeline.ledger.events import KIND_WORDS, Event
from pipeline.ledger.visit_beside import Beside, urgent_beside
from pipeline.ledger.visit_letter import entry_letter
from pipeline.ledger.visit_rows import METHOD_SHORT, visit_rows
from pipeline.ledger.visit_sheet import visit_sheet
from pipeline.ledger.visit_workbook import visit_workbook
from pipeline.ledger.visits import STANDING_WORDS, clash_words, hours_words
from pipeline.warehouse import queries, store
from pipeline.warehouse.frames import records
from shared.faults import CoverplateError
from shared.in_words import count, day, plural, words
from shared.vocabulary import Method


def _hours_options(command: Command) -> Command:
    """``--start`` and ``--end``: times of day on the clock of the dwelling."""
    shown: dict[str, Any] = {"metavar": "HH:MM"}
    upper = click.option("--end", "ends", help="Until when.", **shown)(command)
    return click.option("--start", "starts", help="From when, on the clock there.", **shown)(upper)


def _from_to(command: Command) -> Command:
    """``--from`` and ``--to``: days, both included."""
    kind = click.DateTime(["%Y-%m-%d"])
    shown: dict[str, Any] = {"type": kind, "metavar": "YYYY-MM-DD"}
    upper = click.option("--to", "last", help="Only up to this day.", **shown)(command)
    return click.option("--from", "first", help="Only from this day.", **shown)(upper)


@click.group()
def visits() -> None:
    """Plan visits to dwellings, print their sheets.

    A visit is one day, one person, one dwelling. It repairs nothing on paper.
    """


add_commands(visits)


@visits.command(
    "plan",
    epilog="Examples: coverplate visits plan --unit 0017/2A --on 2025-04-01 --start 09:00 "
    "--end 12:00 --person 'A. Oddy'  ·  "
    "coverplate visits plan F-0123456789abcdef --on 2025-04-01 --person 'A. Oddy'",
)
@day_option("--on", "The day of the visit.", required=True)
@_hours_options
@click.option("--person", required=True, help="Who is to go.")
@click.option("--firm", help="Whom the person comes for.")
@click.option("--unit", metavar="BUILDING/UNIT", help="All open findings of this dwelling.")
@click.option("--note", help="Anything worth keeping.")
@findings_argument
@acting_options
def plan(
    ids: tuple[str, ...], listed: TextIO | None, on: dt.datetime, starts: str | None,
    ends: str | None, person: str, firm: str | None, unit: str | None, note: str | None, who: str,
    workspace: Path, ledger_at: str | None, as_json: bool,
) -> int:  # fmt: skip
    """Plan a visit to findings of one dwelling, all or none."""
    if unit is not None and (ids or listed is not None):
        raise CoverplateError(
            "findings are named and a dwelling too",
            expected="either findings, or --unit BUILDING/UNIT",
            to_do="leave one of them out",
        )
    with opened(workspace, ledger_at) as ledger:
        chosen = (
            of_visits.open_findings_of(ledger, *of_visits.dwelling_named(ledger, unit))
            if unit is not None
            else named_findings(ids, listed)
        )
        written = of_visits.plan_visit(
            ledger, chosen, on=on.date(), starts=starts, ends=ends, person=person, firm=firm,
            note=note, who=who, origin=ORIGIN,
        )  # fmt: skip
        return _written(ledger, str(written[0].content()["visit_id"]), written, as_json)


@visits.command(
    "move",
    epilog="Example: coverplate visits move V-0017-2A-20250401-1 --on 2025-04-08 "
    "--reason 'tenant away'",
)
@click.argument("visit_id")
@day_option("--on", "The day.", required=True)
@_hours_options
@click.option("--any-time", is_flag=True, help="It is to have no hours any more.")
@click.option("--reason", required=True, help="Why it is moved.")
@acting_options
def move(
    visit_id: str, on: dt.datetime, starts: str | None, ends: str | None, any_time: bool,
    reason: str, who: str, workspace: Path, ledger_at: str | None, as_json: bool,
) -> int:  # fmt: skip
    """Put a planned visit on another day or at other hours.

    It keeps its hours where none are given. Notice of the day or hours before does not count.
    """
    with opened(workspace, ledger_at) as ledger:
        written = of_visits.move_visit(
            ledger, visit_id, on=on.date(), starts=starts, ends=ends, any_time=any_time,
            reason=reason, who=who, origin=ORIGIN,
        )  # fmt: skip
        return _written(ledger, visit_id, written, as_json)


@visits.command(
    "call-off",
    epilog="Example: coverplate visits call-off V-0017-2A-20250401-1 --reason 'rewired by then'",
)
@click.argument("visit_id")
@click.option("--reason", required=True, help="Why it is not made.")
@acting_options
def call_off(
    visit_id: str, reason: str, who: str, workspace: Path, ledger_at: str | None, as_json: bool
) -> int:
    """Call a planned visit off."""
    with opened(workspace, ledger_at) as ledger:
        written = of_visits.call_off_visit(ledger, visit_id, reason=reason, who=who, origin=ORIGIN)
        return _written(ledger, visit_id, written, as_json)


@visits.command(
    "made",
    epilog="Example: coverplate visits made V-0017-2A-20250401-1 --on 2025-04-01 --went 'A. Oddy'",
)
@click.argument("visit_id")
@day_option("--on", "The day on which it was made; its planned day when not given.")
@click.option("--went", help="Who went; the person planned when not given.")
@click.option("--firm", help="For whom they came; where the person planned went, as planned.")
@click.option("--note", help="Anything worth keeping.")
@acting_options
def made(
    visit_id: str, on: dt.datetime | None, went: str | None, firm: str | None, note: str | None,
    who: str, workspace: Path, ledger_at: str | None, as_json: bool,
) -> int:  # fmt: skip
    """Note that a visit was made. Repairs are reported by `fix report`, looks by `fix verify`."""
    with opened(workspace, ledger_at) as ledger:
        planned = of_visits.visit(ledger, visit_id)
        written = of_visits.visit_made(
            ledger,
            visit_id,
            on=on.date() if on else planned["visit_on"],
            went=went,
            firm=firm,
            note=note,
            who=who,
            origin=ORIGIN,
        )
        code = _written(ledger, visit_id, written, as_json)
    say("Nothing is repaired or proven by this; report fixes and looks with `coverplate fix`.")
    return code


@visits.command(
    "notice",
    epilog="Example: coverplate visits notice V-0017-2A-20250401-1 --given-on 2025-03-25",
)
@click.argument("visit_id")
@day_option("--given-on", "The day on which notice was given.", required=True)
@day_option("--entry-on", "The day that it announces; the visit's own when not given.")
@click.option("--note", help="Anything worth keeping, such as how it was handed over.")
@acting_options
def notice(
    visit_id: str, given_on: dt.datetime, entry_on: dt.datetime | None, note: str | None, who: str,
    workspace: Path, ledger_at: str | None, as_json: bool,
) -> int:  # fmt: skip
    """Note on all findings of a visit that the tenant was given notice."""
    with opened(workspace, ledger_at) as ledger:
        written = of_visits.give_notice(
            ledger,
            visit_id,
            given_on=given_on.date(),
            entry_on=entry_on.date() if entry_on else None,
            note=note,
            who=who,
            origin=ORIGIN,
        )
        code = _written(ledger, visit_id, written, as_json)
        found = of_visits.visit(ledger, visit_id)
    if found["noticed"] < found["findings"]:
        say(f"The visit is on {_when(found)}: it has no notice of that day.")
    return code


def _written(ledger: Ledger, visit_id: str, written: Sequence[Event], as_json: bool) -> int:
    found = of_visits.visit(ledger, visit_id)
    if as_json:
        print_json([found])
        return 0
    when = day(found["made_on"]) if found["made_on"] else _when(found)
    echo(f"{visit_id}  {KIND_WORDS[written[0].kind]}  {of_visits.place_words(found)}, {when}")
    say(f"written on {plural(len(written), 'finding')}")
    if clash_words(found):
        say(f"Warning: {clash_words(found)}.")
    return 0


def _when(row: dict[str, Any]) -> str:
    return ", ".join(filter(None, (day(row["visit_on"]), hours_words(row))))


@visits.command(
    "list", epilog="Example: coverplate visits list --from 2025-04-01 --to 2025-04-30 --json"
)
@_from_to
@click.option("--without-notice", is_flag=True, help="Only coming ones of which notice lacks.")
@click.option("--past", is_flag=True, help="Only those whose day is past, not noted as made.")
@ledger_options
def list_visits(
    first: dt.datetime | None,
    last: dt.datetime | None,
    without_notice: bool,
    past: bool,
    workspace: Path,
    ledger_at: str | None,
    as_json: bool,
) -> int:
    """List visits by day: who, where, how many findings and what of them is proven."""
    with opened(workspace, ledger_at) as ledger:
        frame = of_visits.visits(ledger)
    frame = visit_calendar.between(frame, _date(first), _date(last))
    if without_notice:
        frame = frame[frame["without_notice"]]
    if past:
        frame = frame[frame["past_not_made"]]
    if as_json:
        print_json(records(frame))
        return 0
    print_table(
        plural(len(frame), "visit"),
        [
            ("visit", "left"),
            ("day", "right"),
            ("building", "left"),
            ("unit", "left"),
            ("person", "left"),
            ("findings", "right"),
            ("open", "right"),
            ("reported", "right"),
            ("proven", "right"),
            ("", "left"),
        ],
        [_line(row) for row in records(frame)],
    )
    return 0


def _date(value: dt.datetime | None) -> dt.date | None:
    return value.date() if value else None


def _line(row: dict[str, Any]) -> list[str]:
    who = row["person"] + (f", {row['firm']}" if isinstance(row["firm"], str) else "")
    return [
        row["visit_id"],
        _when(row),
        row["building_id"],
        row["unit_id"] or "–",
        who,
        count(row["findings"]),
        count(row["open"]),
        count(row["reported"]),
        count(row["proven"]),
        "; ".join(_remarks(row)),
    ]


def _remarks(row: dict[str, Any]) -> list[str]:
    told = [STANDING_WORDS[row["standing"]]]
    if row["standing"] == "made" and pd.Timestamp(row["made_on"]) != pd.Timestamp(row["visit_on"]):
        told = [f"made on {day(row['made_on'])}"]
    if row["past_not_made"]:
        told = ["its day is past, not noted as made"]
    if row["without_notice"]:
        told.append("without notice")
    if row["times_moved"]:
        told.append(f"moved {plural(row['times_moved'], 'time')}")
    if len(row["clashes"]):
        told.append(clash_words(row))
    if row["entry_refused"]:
        told.append(f"entry refused at {plural(row['entry_refused'], 'finding')}")
    if row["no_access"]:
        told.append(f"no access to {plural(row['no_access'], 'finding')}")
    if row["not_repaired"]:
        told.append(f"{count(row['not_repaired'])} set aside or no longer indicated")
    return told


@visits.command("show", epilog="Example: coverplate visits show V-0017-2A-20250401-1")
@click.argument("visit_id")
@ledger_options
def show(visit_id: str, workspace: Path, ledger_at: str | None, as_json: bool) -> int:
    """One visit: how it stands and its findings, urgent ones first."""
    with opened(workspace, ledger_at) as ledger:
        found, frame, known, beside = _whole(ledger, workspace, visit_id)
        kept = records(papers.attachments(ledger, Workspace(workspace), visit_id))
        needed = records(papers.permits(ledger, about=visit_id))
    rows = records(frame)
    if as_json:
        print_json([{**found, "rows": rows, "attachments": kept, "permits": needed}])
        return 0
    echo(f"{visit_id}  {of_visits.place_words(found, **known)}")
    echo(
        f"{of_visits.when_words(found)}, {of_visits.who_words(found)}: {'; '.join(_remarks(found))}"
    )
    told = {name: found[name] for name in ("note", "moved_reason", "called_off_reason")}
    for name, text in {**told, "went": of_visits.went_words(found)}.items():
        if text:
            echo(f"{words(name)}: {text}")
    for each in beside.told():
        echo(f"URGENT there too: {each}")
    print_table(
        f"\n{plural(len(rows), 'finding')}",
        [("finding", "left"), ("opening", "left"), ("room", "left"), ("", "left"),
         ("defect", "left"), ("state", "left"), ("remedy", "left"), ("would prove it", "left")],
        [
            [
                f"{row['finding_id']}@{row['version']}", row["opening_id"] or "–",
                words(row["room"]), "URGENT" if row["urgent"] else "", words(row["condition"]),
                words(row["state"]), words(row["remedy_label"]), _proof(row),
            ]
            for row in rows
        ],
    )  # fmt: skip
    print_papers(kept, needed)
    cautions()
    return 0


def _proof(row: dict[str, Any]) -> str:
    named = ", ".join(METHOD_SHORT[Method(each)] for each in row["proof_methods"])
    says = list(row["proof_says"])
    if row["proof_hangs_on"]:
        says.append(f"({' or '.join(row['proof_hangs_on'])}, where so left)")
    must = f"must say {', '.join(says)}" if says else ""
    return "; ".join(filter(None, (named, must, row["proof_note"])))


def _whole(
    ledger: Ledger, workspace: Path, visit_id: str
) -> tuple[dict[str, Any], pd.DataFrame, dict[str, str | None], Beside]:
    """Return a visit, its rows, name and address of its building where they are known, and what
    else is urgent in that dwelling."""
    found = of_visits.visit(ledger, visit_id)
    rooms, known = None, pd.DataFrame()
    urgent: list[dict[str, Any]] = []
    buildings = buildings_of(workspace)
    if buildings is not None:
        known = buildings[buildings["building_id"] == found["building_id"]]
        with store.reading(Workspace(workspace)) as con:
            rooms = queries.rooms(con, found["building_id"])
            urgent = queries.urgent_papers_of(con, found["building_id"], found["unit_id"] or "")
    place: dict[str, str | None] = {"name": None, "address": None}
    for row in records(known):
        place = {each: row[each] if isinstance(row[each], str) else None for each in place}
    beside = urgent_beside(ledger, visit_id, rooms, urgent)
    return found, visit_rows(ledger, visit_id, rooms), place, beside


def _output_option(meaning: str) -> Callable[[Command], Command]:
    return click.option(
        "-o", "--output", "path", required=True, help=meaning,
        type=click.Path(path_type=Path, dir_okay=False),
    )  # fmt: skip


def _save(
    path: Path, endings: Sequence[str], content: str | bytes, what: dict[str, Any], as_json: bool
) -> int:
    check_ending(path, endings)
    if isinstance(content, bytes):
        path.write_bytes(content)
    else:
        # line ends are part of a calendar file: nothing may turn them into others
        path.write_text(content, encoding="utf-8", newline="")
    if as_json:
        print_json([{"path": str(path), **what}])
    else:
        told = ", ".join(f"{name} {value}" for name, value in what.items())
        say(f"written to {path}: {told}")
        cautions()
    return 0


@visits.command(
    "sheet",
    epilog="Examples: coverplate visits sheet V-0017-2A-20250401-1 -o 2A.html  ·  "
    "coverplate visits sheet V-0017-2A-20250401-1 -o 2A.xlsx",
)
@click.argument("visit_id")
@_output_option("The .html file to print, or the .xlsx file to fill in.")
@ledger_options
def sheet(visit_id: str, path: Path, workspace: Path, ledger_at: str | None, as_json: bool) -> int:
    """Write the sheet of a visit: to print, tick and sign, or as a workbook to fill in.

    The page is A4 or Letter, upright. A workbook that is filled in comes back by `coverplate
    intake`: its repairs are reported, and its looks judged.
    """
    with opened(workspace, ledger_at) as ledger:
        found, rows, known, beside = _whole(ledger, workspace, visit_id)
        content: str | bytes = (
            visit_workbook(found, rows, ledger.rule_book)
            if path.suffix.lower() == ".xlsx"
            else visit_sheet(
                found, rows, papers=papers.papers_words(ledger, visit_id), beside=beside, **known
            )
        )
    told = {"visit_id": visit_id, "findings": len(rows)}
    return _save(path, (".html", ".xlsx"), content, told, as_json)


@visits.command(
    "letter",
    epilog="Example: coverplate visits letter V-0017-2A-20250401-1 -o 2A-letter.html",
)
@click.argument("visit_id")
@_output_option("The .html file to write.")
@click.option("--contact", help="Whom to ask; a blank when not given.")
@ledger_options
def letter(
    visit_id: str, path: Path, contact: str | None, workspace: Path, ledger_at: str | None,
    as_json: bool,
) -> int:  # fmt: skip
    """Write the notice of entry to the dwelling, with blanks for the law that applies.

    Day and hours are the visit's; hours that it does not say are a blank.
    """
    with opened(workspace, ledger_at) as ledger:
        found, rows, known, beside = _whole(ledger, workspace, visit_id)
    text = entry_letter(found, rows, contact=contact, beside=beside, **known)
    return _save(path, (".html",), text, {"visit_id": visit_id, "findings": len(rows)}, as_json)


@visits.command(
    "calendar", epilog="Example: coverplate visits calendar -o visits.ics --from 2025-04-01"
)
@_output_option("The .ics file to write.")
@_from_to
@ledger_options
def calendar(
    path: Path, first: dt.datetime | None, last: dt.datetime | None, workspace: Path,
    ledger_at: str | None, as_json: bool,
) -> int:  # fmt: skip
    """Write visits as a calendar file (RFC 5545)."""
    with opened(workspace, ledger_at) as ledger:
        frame = of_visits.visits(ledger)
    chosen = visit_calendar.between(frame, _date(first), _date(last))
    text = visit_calendar.calendar(chosen, buildings_of(workspace))
    return _save(path, (".ics",), text, {"visits": len(chosen)}, as_json)
