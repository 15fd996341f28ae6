"""``coverplate fix``: remedies, quotes, reported fixes, and what proves them."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path
from typing import Any, TextIO

import click
import pandas as pd
from pydantic import ValidationError

from pipeline.cli.ledger_options import (
    ORIGIN,
    Command,
    acting_options,
    day_option,
    day_or_today,
    findings_argument,
    gfci_looks_of,
    ledger_options,
    named_findings,
    opened,
    print_written,
    taken_up,
)
from pipeline.cli.options import AMOUNT, DONE, QUARANTINED, answers_option
from pipeline.cli.output import (
    cautions,
    echo,
    print_json,
    print_table,
    say,
)
from pipeline.landing import Workspace, export_quarantine, intake, list_quarantine
from pipeline.landing.answers import parse_answers
from pipeline.landing.quarantine import source_text
from pipeline.ledger import Draft, Ledger, events
from pipeline.ledger.bills import bills, write_bill
from pipeline.ledger.effects import unproven_fixes
from pipeline.ledger.further_up import capable_there, stands_further_up
from pipeline.ledger.gfci import gfci_devices, known_words
from pipeline.ledger.landed_fixes import left_from_before, refusals, what_became
from pipeline.ledger.landed_looks import looks_since_fixes
from pipeline.ledger.money import quotes
from pipeline.ledger.prices import shared_out
from pipeline.ledger.remedies import why_refused
from pipeline.ledger.second_looks import second_looks
from pipeline.ledger.verification import proving_methods, worker_missing
from pipeline.warehouse import store
from pipeline.warehouse.frames import records
from pipeline.warehouse.looks_by_hand import record_look
from shared.faults import CoverplateError
from shared.in_words import amount as to_the_cent
from shared.in_words import day, number, words
from shared.records import FIX_REPORTS, OPENING_OBSERVATIONS
from shared.vocabulary import Condition, Marking, RecordKind, Slots


@click.group()
def fix() -> None:
    """Report a fix and have it proven.

    Only a look by a method able to see the defect."""


@fix.command(
    "remedies",
    epilog="Example: coverplate fix remedies --condition false_ground",
)
@click.option(
    "--condition",
    type=click.Choice([c.value for c in Condition if c is not Condition.GROUNDED]),
    help="Only for this condition: which are accepted, and why others are not.",
)
@click.option(
    "--slots",
    type=click.Choice([s.value for s in Slots]),
    default=Slots.THREE_SLOT.value,
    show_default=True,
    help="The face of the opening before.",
)
@ledger_options
def remedies(
    condition: str | None, slots: str, workspace: Path, ledger_at: str | None, as_json: bool
) -> int:
    """List remedies: rule, markings, who must do it, placeholder costs, and what is refused."""
    with opened(workspace, ledger_at) as ledger:
        book = ledger.rule_book
    rows: list[dict[str, Any]] = []
    for name, remedy in book.remedies.items():
        reason = why_refused(remedy, Condition(condition), Slots(slots)) if condition else None
        rows.append(
            {
                "remedy": name,
                "label": remedy.label,
                "rule": remedy.rule,
                "source": remedy.source,
                "markings": list(remedy.markings),
                "done_by": remedy.done_by,
                "cost_low": float(remedy.cost_low),
                "cost_typical": float(remedy.cost_typical),
                "cost_high": float(remedy.cost_high),
                "cost_unit": remedy.cost_typical.unit,
                "cost_source": remedy.cost_typical.source,
                "leaves": remedy.leaves[Condition(condition)].value
                if condition and Condition(condition) in remedy.leaves
                else None,
                "refused": reason,
                "check_with_authority": list(remedy.check_with_authority),
            }
        )
    if as_json:
        print_json(rows)
        return 0
    for row in rows:
        echo(f"{row['remedy']}: {row['label']}")
        echo(f"    rule: {row['rule']} ({row['source']})")
        if row["refused"]:
            echo(f"    REFUSED for {words(condition)}: {row['refused']}")
        if row["markings"]:
            echo(f"    markings required: {words(row['markings'])}")
        echo(f"    by: {row['done_by']}")
        echo(
            f"    cost: {number(row['cost_low'], 4)} / {number(row['cost_typical'], 4)} / "
            f"{number(row['cost_high'], 4)} {row['cost_unit']} ({row['cost_source']})"
        )
        for check in row["check_with_authority"]:
            echo(f"    check with your authority: {check}")
    cautions()
    return 0


@fix.command(
    "quote",
    epilog="Example: coverplate fix quote F-0123456789abcdef --firm Pellworth --amount 420",
)
@findings_argument
@click.option("--firm", required=True, help="Who quotes.")
@click.option(
    "--amount",
    type=AMOUNT,
    required=True,
    help="The price; of several findings, the price of all, which is shared over them.",
)
@click.option("--remedy", help="For which remedy; one that is allowed for the finding.")
@day_option("--valid-until", "The day until which it holds.")
@acting_options
def quote(
    ids: tuple[str, ...], listed: TextIO | None, firm: str, amount: float, remedy: str | None,
    valid_until: dt.datetime | None, who: str, workspace: Path, ledger_at: str | None,
    as_json: bool,
) -> int:  # fmt: skip
    """Note a firm's price. Prices of several firms stand beside one another."""
    named = named_findings(ids, listed)
    shared = {"whole": amount, "shared_over": len(named)} if len(named) > 1 else {}
    with opened(workspace, ledger_at) as ledger:
        drafts = [
            Draft(
                identity,
                events.parse_payload(
                    {
                        "kind": "quoted",
                        "firm": firm,
                        "amount": share,
                        "remedy": remedy,
                        "valid_until": valid_until.date() if valid_until else None,
                        **shared,
                    }
                ),
                version,
            )
            for (identity, version), share in zip(
                named, shared_out(amount, len(named)), strict=True
            )
        ]
        written = ledger.append_many(drafts, who=who, origin=ORIGIN)
        return print_written(ledger, written, as_json)


@fix.command("quotes", epilog="Example: coverplate fix quotes --building 0017 --json")
@click.option("--building", help="Only this building's.")
@click.option("--all", "everything", is_flag=True, help="Also where nothing is left to repair.")
@ledger_options
def list_quotes(
    building: str | None, everything: bool, workspace: Path, ledger_at: str | None, as_json: bool
) -> int:
    """List the prices that firms named, those of a finding beside one another."""
    with opened(workspace, ledger_at) as ledger:
        frame = quotes(ledger, ledger.rule_book, building_id=building)
    rows = records(frame if everything else frame[frame["open"]])
    if as_json:
        print_json(rows)
        return 0
    print_table(
        f"{len(rows)} price(s)",
        [("finding", "left"), ("building", "left"), ("unit", "left"), ("opening", "left"),
         ("firm", "left"), ("remedy", "left"), ("price", "right"), ("valid until", "right"),
         ("", "left")],
        [[row["finding_id"], row["building_id"], row["unit_id"] or "–", row["opening_id"] or "–",
          row["firm"], words(row["remedy"]), to_the_cent(row["amount"]), day(row["valid_until"]),
          _quote_remarks(row)]
         for row in rows],
    )  # fmt: skip
    return 0


def _quote_remarks(row: dict[str, Any]) -> str:
    told = [name for name in ("expired", "lowest", "chosen") if row[name]]
    if row["reported_since"]:
        told.append("a fix was reported since")
    if pd.notna(row["whole"]):
        told.append(f"of {to_the_cent(row['whole'])} for {int(row['shared_over'])} findings")
    return ", ".join(told)


@fix.command(
    "bill",
    epilog="Example: coverplate fix bill F-0123456789abcdef F-fedcba9876543210 --firm Pellworth "
    "--invoice R-1071 --amount 280.50 --on 2025-04-02",
)
@findings_argument
@click.option("--firm", required=True, help="Whose bill it is.")
@click.option("--invoice", required=True, help="Its number.")
@click.option("--amount", type=AMOUNT, required=True, help="The whole of it.")
@day_option("--on", "Its day.", required=True)
@click.option("--again", is_flag=True, help="It is another bill than the one it looks like.")
@click.option(
    "--corrects",
    is_flag=True,
    help="It takes the place of the firm's last bill of that number, which then does not count.",
)
@click.option("--note", help="Anything worth keeping.")
@acting_options
def bill(
    ids: tuple[str, ...], listed: TextIO | None, firm: str, invoice: str, amount: float,
    on: dt.datetime, again: bool, corrects: bool, note: str | None, who: str, workspace: Path,
    ledger_at: str | None, as_json: bool,
) -> int:  # fmt: skip
    """Write a firm's bill on all findings that it names, shared over them to the cent.

    It counts instead of what the firm's fix reports said that they cost.
    """
    with opened(workspace, ledger_at) as ledger:
        written = write_bill(
            ledger,
            named_findings(ids, listed),
            firm=firm,
            invoice=invoice,
            amount=amount,
            on=on.date(),
            who=who,
            origin=ORIGIN,
            again=again,
            corrects=corrects,
            note=note,
        )
        shares = [each.payload.share for each in written if isinstance(each.payload, events.Billed)]
        code = print_written(ledger, written, as_json)
    say(f"{to_the_cent(amount)} = " + " + ".join(map(to_the_cent, shares)))
    return code


@fix.command("bills", epilog="Example: coverplate fix bills --json")
@ledger_options
def list_bills(workspace: Path, ledger_at: str | None, as_json: bool) -> int:
    """List bills, and what the fix reports that they stand in for said.

    Several bills of one report are compared with it together.
    """
    with opened(workspace, ledger_at) as ledger:
        frame = bills(ledger).drop(columns="position")
    if as_json:
        print_json(records(frame))
        return 0
    print_table(
        f"{len(frame)} bill(s)",
        [("invoice", "left"), ("firm", "left"), ("on", "right"), ("amount", "right"),
         ("reported", "right"), ("billed for it", "right"), ("difference", "right"),
         ("findings", "left"), ("", "left")],
        [[row["invoice"], row["firm"], day(row["on"]), to_the_cent(row["amount"]),
          to_the_cent(row["reported"]), to_the_cent(row["billed_for_it"]),
          to_the_cent(row["difference"]), " ".join(row["findings"]),
          "corrected by another" if row["corrected"] else ""]
         for row in records(frame)],
    )  # fmt: skip
    return 0


@fix.command(
    "report",
    epilog="Example: coverplate fix report F-0123456789abcdef --remedy gfci_type_marked --firm "
    "'Pellworth Electric' --on 2025-03-20 --marking no_equipment_ground --cost 130",
)
@click.argument("finding")
@click.option("--remedy", required=True, help="Name in `coverplate fix remedies`.")
@click.option("--firm", required=True, help="Who did it.")
@day_option("--on", "The day it was done; today when not given.")
@click.option("--worker", help="The person who did it.")
@click.option("--licence", help="Licence number.")
@click.option("--permit", help="Permit number.")
@click.option("--cost", type=AMOUNT, help="What it cost.")
@click.option(
    "--marking",
    "markings",
    multiple=True,
    type=click.Choice([Marking.NO_EQUIPMENT_GROUND.value, Marking.GFCI_PROTECTED.value]),
    help="A marking that was applied; may be repeated.",
)
@click.option(
    "--gfci-year", type=int, help="Year in which the GFCI it rests on was made or installed."
)
@day_option("--gfci-tested-on", "The day on which that GFCI's own button last took the power off.")
@click.option("--attachment", "attachments", multiple=True, help="Path or link; may be repeated.")
@click.option("--note", help="Anything worth keeping.")
@acting_options
def report(
    finding: str, remedy: str, firm: str, on: dt.datetime | None, worker: str | None,
    licence: str | None, permit: str | None, cost: float | None, markings: tuple[str, ...],
    gfci_year: int | None, gfci_tested_on: dt.datetime | None, attachments: tuple[str, ...],
    note: str | None, who: str, workspace: Path, ledger_at: str | None, as_json: bool,
) -> int:  # fmt: skip
    """Report a fix. It stays "reported, unproven" until a capable look proves it."""
    content: dict[str, Any] = {
        "kind": "fix_reported",
        "remedy": remedy,
        "fixed_on": day_or_today(on),
        "firm": firm,
        "worker": worker,
        "licence": licence,
        "permit": permit,
        "cost": cost,
        "markings": markings,
        "gfci_year": gfci_year,
        "gfci_tested_on": gfci_tested_on.date() if gfci_tested_on else None,
        "attachments": attachments,
        "note": note,
    }
    ((identity, version),) = named_findings([finding], None)
    with opened(workspace, ledger_at) as ledger:
        event = ledger.append(
            identity, events.parse_payload(content), who=who, origin=ORIGIN, expected=version
        )
        proves = capable_there(ledger, ledger.finding(identity))
        code = print_written(ledger, [event], as_json)
        assert isinstance(event.payload, events.FixReported)
        asked = worker_missing(event.payload)
    say(
        "Proven only by a look dated after it, by somebody else than who did the work, by "
        + words([each.value for each in proves])
        + f"; what it must say: `coverplate fix methods {identity}`."
    )
    if asked:
        say(asked)
    return code


@fix.command("methods", epilog="Example: coverplate fix methods F-0123456789abcdef")
@click.argument("finding_id")
@ledger_options
def methods(finding_id: str, workspace: Path, ledger_at: str | None, as_json: bool) -> int:
    """Which methods would prove the reported fix, and why others would not."""
    with opened(workspace, ledger_at) as ledger:
        finding = ledger.finding(finding_id)
        up = stands_further_up(ledger, finding)
        rows = proving_methods(ledger.judge, finding, further_up=up)
        building = finding.raised.building_id
        devices = gfci_devices(
            ledger,
            ledger.rule_book,
            looks=gfci_looks_of(workspace, building),
            building_id=building,
        )
    device = next((each for each in devices if each["finding_id"] == finding_id), None)
    if as_json:
        print_json([{**row, "gfci": device} for row in rows])
        return 0
    together: dict[str, list[str]] = {}
    for row in rows:
        if row["proves"]:
            together.setdefault("; ".join(row["must_say"]), []).append(words(row["method"]))
    for says, able in together.items():
        echo(f"Would prove it: {', '.join(able)}, if it says {says}.")
    for row in rows:
        if not row["proves"]:
            echo(f"Would not: {row['reason']}.")
    echo(
        f"The look must be dated after {rows[0]['after']:%Y-%m-%d}, by somebody else than who did "
        "the work."
    )
    if rows[0]["worker_missing"]:
        echo(rows[0]["worker_missing"])
    most = rows[0]["ground_ohms_below"]
    if most is not None:
        echo(f"The ground path must measure less than {most:g} Ω.")
    if device is not None:
        echo(f"It rests on a GFCI: {known_words(device)}.")
        for question in device["asked"]:
            echo(f"Ask: {question}.")
    cautions()
    return 0


@fix.command("gfci", epilog="Example: coverplate fix gfci --building 0017 --json")
@click.option("--building", help="Only this building's.")
@click.option("--all", "everything", is_flag=True, help="Also those of which nothing is asked.")
@ledger_options
def gfci(
    building: str | None, everything: bool, workspace: Path, ledger_at: str | None, as_json: bool
) -> int:
    """List GFCIs that repairs rest on and that are old, untested or of unknown age."""
    with opened(workspace, ledger_at) as ledger:
        rows = gfci_devices(
            ledger,
            ledger.rule_book,
            looks=gfci_looks_of(workspace, building),
            building_id=building,
        )
    rows = [row for row in rows if everything or row["asks"]]
    if as_json:
        print_json(rows)
        return 0
    print_table(
        f"{len(rows)} finding(s) whose repair rests on a GFCI",
        [("finding", "left"), ("building", "left"), ("unit", "left"), ("opening", "left"),
         ("of", "right"), ("tested", "right"), ("ask", "left")],
        [[row["finding_id"], row["building_id"], row["unit_id"] or "–", row["opening_id"] or "–",
          str(row["gfci_year"] or "–"), day(row["tested_on"]), "; ".join(row["asked"])]
         for row in rows],
    )  # fmt: skip
    cautions()
    return 0


def _look_options(command: Command) -> Command:
    """One option for each column of a look, with the meaning that its declaration gives."""
    for name in reversed(events.Look.model_fields):
        if name == "observed_on":
            continue
        field = OPENING_OBSERVATIONS.field(name)
        unit = f", {field.unit}" if field.unit else ""
        kinds: dict[str, Any] = {"choice": click.Choice(field.choices), "decimal": float}
        command = click.option(
            f"--{name.replace('_', '-')}",
            type=kinds.get(field.type, str),
            required=events.Look.model_fields[name].is_required(),
            help=f"{field.meaning[0].upper()}{field.meaning[1:]}{unit}.",
        )(command)
    return command


@fix.command(
    "verify",
    epilog="Example: coverplate fix verify F-0123456789abcdef --method cover_off_inspection "
    "--result correct --on 2025-04-02 --inspector 'S. Ambrel' --cover-removed yes "
    "--ground-present yes --neutral-ground-jumper no --polarity correct --ground-path-ohms 0.2",
)
@click.argument("finding")
@day_option("--on", "The day of the look; today when not given.")
@_look_options
@acting_options
def verify(
    finding: str,
    on: dt.datetime | None,
    who: str,
    workspace: Path,
    ledger_at: str | None,
    as_json: bool,
    **look: Any,  # noqa: ANN401 - the columns of a look, one option each
) -> int:
    """Record a look after a reported fix; it proves, disproves or is refused as telling nothing."""
    try:
        seen = events.Look(observed_on=day_or_today(on), **look)
    except ValidationError as fault:
        raise events.refused_content(fault, "look") from fault
    ((identity, version),) = named_findings([finding], None)
    with opened(workspace, ledger_at) as ledger:
        judged = ledger.judge.judge(ledger.finding(identity), seen)
        written = record_look(ledger, identity, seen, who=who, origin=ORIGIN, expected=version)
        code = print_written(ledger, written, as_json)
    say(judged.reason)
    for raised in written[1:]:
        say(f"▲ URGENT: {raised.finding_id} stands for what the look tells of danger.")
    return code


@fix.command("unproven", epilog="Example: coverplate fix unproven --json")
@ledger_options
def unproven(workspace: Path, ledger_at: str | None, as_json: bool) -> int:
    """List reported fixes that no capable look has proven: they do not lower the score.

    With each the looks that landed since, and why they prove nothing.
    """
    with opened(workspace, ledger_at) as ledger:
        frame = unproven_fixes(ledger)
        since = _landed_since(workspace, ledger)
    if as_json:
        print_json(
            [
                {**row, "looks_since": [each for each in since if _same(each, row)]}
                for row in records(frame)
            ]
        )
        return 0
    print_table(
        f"{len(frame)} fix(es) reported, unproven",
        [("finding", "left"), ("building", "left"), ("unit", "left"), ("opening", "left"),
         ("remedy", "left"), ("by", "left"), ("fixed on", "right")],
        [[row["finding_id"], row["building_id"], words(row["unit_id"]), row["opening_id"],
          words(row["remedy"]), words(row["fixed_by"]), f"{row['fixed_on']:%Y-%m-%d}"]
         for row in records(frame)],
    )  # fmt: skip
    for each in since:
        echo(
            f"{each['finding_id']}: {words(each['method'])} of {each['observed_on']:%Y-%m-%d} "
            f"{each['says']}: {each['reason']}"
        )
    return 0


def _landed_since(workspace: Path, ledger: Ledger) -> list[dict[str, Any]]:
    place = Workspace(workspace)
    if store.current_version(place) is None:
        return []
    with store.reading(place) as con:
        return records(looks_since_fixes(con, ledger))


def _same(one: dict[str, Any], other: dict[str, Any]) -> bool:
    return bool(one["finding_id"] == other["finding_id"])


def _second_look(row: dict[str, Any]) -> str:
    if pd.notna(row["looked_on"]):
        return f"{row['looked_on']:%Y-%m-%d}"
    if row["owed"]:
        return "owed"
    return "fix no longer said" if row["drawn"] else "not drawn"


@fix.command("second-looks", epilog="Example: coverplate fix second-looks --json")
@click.option("--all", "everything", is_flag=True, help="Also those not drawn or looked at since.")
@ledger_options
def second(everything: bool, workspace: Path, ledger_at: str | None, as_json: bool) -> int:
    """Fixes drawn for a look by another firm, the more of a firm the worse its record."""
    with opened(workspace, ledger_at) as ledger:
        frame = second_looks(ledger)
    rows = records(frame if everything else frame[frame["owed"]])
    if as_json:
        print_json(rows)
        return 0
    print_table(
        f"{int(frame['owed'].sum())} of {len(frame)} reported fix(es) owed a look by another firm",
        [("finding", "left"), ("building", "left"), ("unit", "left"), ("opening", "left"),
         ("by", "left"), ("fixed on", "right"), ("so far", "left"), ("found wanting", "right"),
         ("share drawn", "right"), ("another firm looked", "right")],
        [[row["finding_id"], row["building_id"], words(row["unit_id"]), row["opening_id"],
          row["firm"], f"{row['fixed_on']:%Y-%m-%d}", words(row["verdict"]),
          f"{row['wanting']} of {row['known']}", f"{row['share']:.0%}",
          _second_look(row)]
         for row in rows],
    )  # fmt: skip
    return 0


@fix.command(
    "import", epilog="Example: coverplate fix import march.xlsx --firm 'Pellworth Electric'"
)
@click.argument("path", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--firm", help="The firm, where the file names none.")
@click.option("--date-order", type=click.Choice(["dmy", "mdy", "ymd"]), help="How it writes dates.")
@click.option(
    "--decimal-mark",
    type=click.Choice([".", ","]),
    help="How it writes amounts such as 1,350, where its other amounts do not show it.",
)
@answers_option
@acting_options
def import_reports(
    path: Path, firm: str | None, date_order: Any, decimal_mark: Any,  # noqa: ANN401
    settings: tuple[str, ...], who: str, workspace: Path, ledger_at: str | None, as_json: bool,
) -> int:  # fmt: skip
    """Take in a contractor's fix report: every row is reported, a duplicate, or set aside.

    The same as `coverplate intake` with the answer that the file holds fix reports.
    """
    said = parse_answers(settings)
    answers = replace(
        said,
        kind=RecordKind.FIX_REPORTS,
        date_order=date_order or said.date_order,
        decimal_mark=decimal_mark or said.decimal_mark,
        constants={**said.constants, **({"firm": firm} if firm else {})},
    )
    place = Workspace(workspace)
    reports = intake(place, [path], answers=answers)
    taken = taken_up(place, ledger_at, who)
    results = what_became(place, [each.sha256 for each in reports], taken)
    if not results:
        raise CoverplateError(
            f"{path} holds no fix report",
            expected="a table with a row a repair: " + ", ".join(FIX_REPORTS.columns),
            to_do="check that this is the file you meant",
        )
    if as_json:
        print_json([result.as_json() for result in results])
    else:
        if taken.workers_asked:
            echo(taken.workers_asked)
        for result in results:
            told = result.as_json()
            echo(
                f"{path.name}{' [' + result.sheet + ']' if result.sheet else ''}: "
                f"{told['rows_read']} rows = {told['reported']} reported + "
                f"{told['duplicate']} duplicate + {told['set_aside']} set aside"
            )
            for row in result.rows:
                for reason in row.reasons:
                    echo(
                        f"  row {row.row}: {reason.column}: found {reason.found!r}, "
                        f"expected {reason.expected}"
                    )
                for question in row.questions:
                    echo(f"  row {row.row}: {question}")
    return QUARANTINED if any(each.as_json()["set_aside"] for each in results) else DONE


@fix.command("set-aside", epilog="Example: coverplate fix set-aside --export to-correct.csv")
@click.option("--export", "path", type=click.Path(path_type=Path, dir_okay=False),
              help="Write them to a CSV for correction.")  # fmt: skip
@ledger_options
def set_aside(path: Path | None, workspace: Path, ledger_at: str | None, as_json: bool) -> int:
    """List rows of fix reports that were set aside, with every reason; or write them out.

    They are those of `coverplate quarantine list` that are fix reports.
    """
    place = Workspace(workspace)
    with opened(workspace, ledger_at) as ledger:
        refused = refusals(place, ledger)
        before = left_from_before(ledger)
    if before:
        say(
            f"rows of {', '.join(before)} were set aside before fix reports landed like other "
            "exports; take these files in again with `coverplate intake` to see them here"
        )
    if path is not None:
        written = export_quarantine(place, path, refused=refused, kind=RecordKind.FIX_REPORTS)
        if as_json:
            print_json([{"path": str(each.path), "rows": each.rows} for each in written])
        for each in written if not as_json else ():
            echo(f"{each.rows} row(s) written to {each.path}; correct the cells and run "
                       f"`coverplate intake {each.path}`.")  # fmt: skip
        return 0
    rows: list[dict[str, Any]] = [
        {
            "source": source_text(Path(each.path).name, each.sha256, each.sheet),
            "sheet": each.sheet,
            "row": each.row,
            "cells": each.cells,
            "reasons": [reason.model_dump() for reason in each.reasons],
        }
        for each in list_quarantine(place, refused=refused)
        if each.record_kind is RecordKind.FIX_REPORTS
    ]
    if as_json:
        print_json(rows)
        return 0
    print_table(
        f"{len(rows)} row(s) set aside",
        [("file", "left"), ("row", "right"), ("column", "left"), ("found", "left"),
         ("expected", "left")],
        [[row["source"], str(row["row"]), each["column"], each["found"] or "(empty)",
          each["expected"]] for row in rows for each in row["reasons"]],
    )  # fmt: skip
    return 0
