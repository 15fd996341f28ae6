"""``coverplate findings``: what is wrong where, who has it, when it is due, how it goes."""

from __future__ import annotations

import datetime as dt
from dataclasses import asdict
from pathlib import Path
from typing import Any, TextIO

import click
import pandas as pd

from pipeline.cli import finding_events
from pipeline.cli.ledger_options import (
    ORIGIN,
    acting_options,
    buildings_of,
    circuits_of,
    day_option,
    doubts_of,
    findings_argument,
    ledger_options,
    named_findings,
    opened,
    print_written,
    stakes_of,
)
from pipeline.cli.options import AMOUNT, existing
from pipeline.cli.output import (
    cautions,
    echo,
    print_json,
    print_table,
    say,
)
from pipeline.cli.papers import add_commands
from pipeline.landing import Workspace
from pipeline.landing.danger_aside import danger_aside
from pipeline.ledger import STATE_MEANING, Ledger, State, events
from pipeline.ledger.clocks import CLOCKS, clocks, firm_record
from pipeline.ledger.digest import as_page, as_text, changes_since, digest
from pipeline.ledger.due import MOVE_WORDS, WINDOW_WORDS, due, overdue_counts, target_moves
from pipeline.ledger.estimates import LINES_TOLD, estimates, totals
from pipeline.ledger.families import FAMILY
from pipeline.ledger.further_up import capable_there
from pipeline.ledger.history import current
from pipeline.ledger.money import (
    BY,
    MONEY_TOLD,
    OF_SUMS,
    SEVERAL_GROUPS,
    money,
    money_lines,
    money_questions,
)
from pipeline.ledger.progress import (
    CURVE_TOLD,
    GROUPS,
    ageing,
    failed_verifications,
    repair_summary,
    states_over_time,
    time_to_proven_repair,
    time_to_repair_bounds,
)
from pipeline.ledger.state import allowed_after
from pipeline.ledger.sync import bring_up
from pipeline.ledger.triage import ORDERS, in_order, with_stakes
from pipeline.ledger.visits import visit, visits
from pipeline.ledger.worklist import printable, work_list
from pipeline.screens.tables import as_csv, as_xlsx
from pipeline.warehouse import store
from pipeline.warehouse.frames import records
from shared.faults import CoverplateError
from shared.in_words import amount, count, day, number, percent, plural, words
from shared.rule_book import RuleBook
from shared.vocabulary import Condition, Slots


@click.group()
def findings() -> None:
    """Defects, from being seen to being proven repaired.

    A finding is closed only by a method able to see the defect. Closed on paper is not repaired.
    """


add_commands(findings)


@findings.command("sync", epilog="Example: coverplate findings sync --regulation us_public_housing")
@click.option("--regulation", help="Regulation that new findings stand under, or none.")
@acting_options
def sync(
    regulation: str | None, who: str, workspace: Path, ledger_at: str | None, as_json: bool
) -> int:
    """Raise findings from the evidence; judge looks made after reported fixes."""
    place = existing(workspace)
    with opened(workspace, ledger_at) as ledger, store.reading(place) as con:
        done = bring_up(place, con, ledger, who=who, regulation=regulation)
    if as_json:
        print_json([done.counts])
    else:
        for name, number_of in done.counts.items():
            echo(f"{words(name):>20}  {number_of}")
        for sheet in done.taken.sheets:
            say(f"{sheet.said[0].upper()}{sheet.said[1:]}.")
        if done.taken.workers_asked:
            say(done.taken.workers_asked)
    return 0


@findings.command(
    "list",
    epilog="Examples: coverplate findings list --overdue  ·  coverplate findings list --ids "
    "--building 0017 | coverplate findings assign --from - --firm 'Pellworth Electric'",
)
@click.option("--building", help="Only this building's.")
@click.option("--firm", help="Only those assigned to this firm.")
@click.option("--state", type=click.Choice([s.value for s in State]), help="Only in this state.")
@click.option(
    "--overdue",
    is_flag=True,
    help="Only what is past its first or present target or its window, or too long unproven.",
)
@click.option("--unproven", is_flag=True, help="Only fixes reported and not proven.")
@click.option("--all", "everything", is_flag=True, help="Also what is proven or set aside.")
@click.option("--ids", is_flag=True, help="Print ID@VERSION only, one a line.")
@click.option(
    "--order",
    type=click.Choice(list(ORDERS)),
    help="What stands first; danger with --overdue, else target.",
)
@ledger_options
def list_findings(
    building: str | None,
    firm: str | None,
    state: str | None,
    overdue: bool,
    unproven: bool,
    everything: bool,
    ids: bool,
    order: str | None,
    workspace: Path,
    ledger_at: str | None,
    as_json: bool,
) -> int:
    """List findings with state, firm and due dates; what is overdue, most dangerous first."""
    with opened(workspace, ledger_at) as ledger:
        frame = due(ledger, ledger.rule_book, building_id=building)
        moves = _moves(ledger, building) if as_json else {}
        doubts = doubts_of(workspace, ledger)
    keep = frame["finding_id"].notna()
    if firm:
        keep &= frame["firm"] == firm
    if state:
        keep &= frame["state"] == state
    elif not everything:
        ended = frame["treatment"].isin(["proven", "set_aside", "withdrawn"])
        # closed on paper, and there it is again; or proven, and the proof is in doubt
        keep &= ~ended | frame["seen_since_set_aside"] | frame["finding_id"].isin(doubts)
    for finding_id in frame["finding_id"][keep & frame["finding_id"].isin(doubts)]:
        say(f"Proof in doubt: {finding_id}: {doubts[finding_id]}.")
    counted = frame[keep]
    if overdue:
        keep &= frame["overdue"]
    if unproven:
        keep &= frame["treatment"] == "fix_reported"
    order = order or ("danger" if overdue else "target")
    frame = frame[keep]
    frame = in_order(with_stakes(frame, stakes_of(workspace, frame), doubts), order)
    if as_json:
        rows = records(frame.rename(columns={"sequence": "version"}))
        print_json([{**row, "target_moves": moves.get(row["finding_id"], [])} for row in rows])
        return 0
    if ids:
        for identity, version in zip(frame["finding_id"], frame["sequence"], strict=True):
            echo(f"{identity}@{version}")
        return 0
    if overdue:
        _print_overdue(counted)
    print_table(
        f"{len(frame)} finding(s), {ORDERS[order].told}",
        [
            ("finding", "left"),
            ("v", "right"),
            ("building", "left"),
            ("unit", "left"),
            ("opening", "left"),
            ("defect", "left"),
            ("standing", "left"),
            ("state", "left"),
            ("firm", "left"),
            ("first target", "right"),
            ("target now", "right"),
            ("", "left"),
        ],
        [_line(row) for row in records(frame)],
    )
    return 0


def _moves(ledger: Ledger, building: str | None) -> dict[str, list[dict[str, Any]]]:
    found: dict[str, list[dict[str, Any]]] = {}
    for row in records(target_moves(ledger, ledger.rule_book, building_id=building)):
        found.setdefault(row.pop("finding_id"), []).append(row)
    return found


def _print_overdue(frame: pd.DataFrame) -> None:
    counts = overdue_counts(frame)
    echo(
        f"Past the first target: {count(counts['overdue_first'])}. Past the present target: "
        f"{count(counts['overdue_present'])}; {count(counts['paused'])} stand paused."
    )
    if counts["slipped"]:
        echo(
            f"The targets of {count(counts['slipped'])} have moved to a later day, half of them by "
            f"{plural(counts['median_days_slipped'], 'day')} or more."
        )
    echo(
        f"Waiting too long for proof: {count(counts['proof_overdue'])}. Regulatory window passed: "
        f"{count(counts['window_passed'])}. Overdue in any of these ways: "
        f"{count(counts['overdue'])}.\n"
    )


def _line(row: dict[str, Any]) -> list[str]:
    remarks = ["URGENT"] if row["urgent"] else []
    if row["overdue_first"]:
        remarks.append(f"{plural(row['days_overdue'], 'day')} past first target")
    elif row["overdue_present"]:
        remarks.append("past its present target")
    if row["paused"]:
        remarks.append(f"paused since {day(row['paused_since'])}")
    if row["window_passed"]:
        remarks.append(f"regulatory window {WINDOW_WORDS[row['regulatory_standing']]}")
    if row["seen_since_set_aside"]:
        remarks.append("set aside, seen again since")
    if isinstance(row["proof_in_doubt"], str):  # NaN where nothing is in doubt
        remarks.append("proof in doubt")
    if row["treatment"] == "fix_reported":
        remarks.append(f"reported {row['days_unproven']} days ago, unproven")
    return [
        row["finding_id"],
        str(row["sequence"]),
        row["building_id"],
        row["unit_id"] or "–",
        row["opening_id"] or "–",
        words(row["family"] if pd.isna(row["condition"]) else row["condition"]),
        words(row["standing"]),
        words(row["state"]),
        words(row["firm"]),
        day(row["first_target_on"]),
        day(row["present_target_on"]) + (f" ({row['times_moved']}×)" if row["times_moved"] else ""),
        "; ".join(remarks),
    ]


@findings.command("show", epilog="Example: coverplate findings show F-0123456789abcdef")
@click.argument("finding_id")
@ledger_options
def show(finding_id: str, workspace: Path, ledger_at: str | None, as_json: bool) -> int:
    """One finding: how it stands and its whole history."""
    with opened(workspace, ledger_at) as ledger:
        history = ledger.history(finding_id)
        finding = ledger.finding(finding_id)
        proves = capable_there(ledger, finding) if finding.fix else ()
        building = finding.raised.building_id
        moves = _moves(ledger, building).get(finding_id, [])
        dated = due(ledger, ledger.rule_book, building_id=building)
        doubts = doubts_of(workspace, ledger)
    doubt = doubts.get(finding_id)
    own = dated[dated["finding_id"] == finding_id]
    (row,) = records(with_stakes(own, stakes_of(workspace, own), doubts))
    if doubt:
        say(f"Proof in doubt: {finding_id}: {doubt}.")
    if as_json:
        targets = {name: row[name] for name in _TARGETS}
        print_json(
            [
                {
                    **event.model_dump(mode="json", exclude_none=True),
                    **({"target": targets} if event.sequence == 1 else {}),
                    "target_moves": [m for m in moves if m["sequence"] == event.sequence],
                }
                for event in history
            ]
        )
        return 0
    raised = finding.raised
    place = " · ".join(filter(None, (raised.building_id, raised.unit_id, raised.opening_id)))
    echo(f"{finding_id}  {place}  {words(finding.condition or raised.family)}")
    if row["urgent"]:
        echo("▲ URGENT, whatever its due day: see `coverplate urgent`.")
    echo(f"{words(finding.state.value)}: {STATE_MEANING[finding.state]}")
    _print_targets(row, moves)
    for event in history:
        said = ", ".join(
            f"{name} {words(value) if not isinstance(value, dict) else _look(value)}"
            for name, value in event.content().items()
            if name not in ("kind", "rule_book_hash", "building_id", "unit_id", "opening_id")
            and value not in ("", [], ())
        )
        echo(
            f"{event.sequence:>3}  {event.recorded_at:%Y-%m-%d %H:%M}Z  {event.who} "
            f"({event.origin})  {events.KIND_WORDS[event.kind]}: {said}"
        )
    if finding.treatment == "fix_reported":
        echo("\nWould prove it: a look after the fix by " + words([m.value for m in proves]))
    echo("May follow: " + ", ".join(sorted(allowed_after(finding))))
    cautions()
    return 0


_TARGETS = (
    "first_target_on",
    "present_target_on",
    "times_moved",
    "overdue_first",
    "overdue_present",
    "regulatory_due_at",
    "regulatory_standing",
)


def _print_targets(row: dict[str, Any], moves: list[dict[str, Any]]) -> None:
    echo(
        f"First target {day(row['first_target_on'])}, present target "
        f"{day(row['present_target_on'])}, moved {plural(row['times_moved'], 'time')}"
    )
    for move in moves:
        why = f": {move['reason']}" if isinstance(move["reason"], str) else ""
        echo(
            f"  {day(move['from_day'])} → {day(move['to_day'])}  {MOVE_WORDS[move['kind']]} "
            f"(event {move['sequence']}, {day(move['written_at'])}, {move['who']}){why}"
        )
    if isinstance(row["regulatory_standing"], str):
        echo(
            f"Regulatory window of {words(row['regulation'])}, to "
            f"{row['regulatory_due_at']:%Y-%m-%d %H:%M}Z: "
            f"{WINDOW_WORDS[row['regulatory_standing']]}"
        )
    echo("")


def _look(content: dict[str, Any]) -> str:
    return "(" + ", ".join(f"{name} {words(value)}" for name, value in content.items()) + ")"


@findings.command(
    "raise",
    epilog="Example: coverplate findings raise --building 0017 --unit 2A --opening K1 "
    "--condition false_ground --seen-on 2025-03-03 --slots three_slot",
)
@click.option("--building", required=True, help="The building's identifier.")
@click.option("--unit", default="", help="The dwelling or area.")
@click.option("--opening", required=True, help="The receptacle opening.")
@click.option(
    "--condition",
    type=click.Choice([c.value for c in FAMILY]),
    required=True,
    help="What is wrong with it.",
)
@click.option("--slots", type=click.Choice([s.value for s in Slots]), help="Its face.")
@click.option("--suspected", is_flag=True, help="Not confirmed.")
@day_option("--seen-on", "The day it was first seen.", required=True)
@day_option("--notified-on", "The day whoever must act was told, for a regulation.")
@click.option("--regulation", default="none", show_default=True, help="Regulation it stands under.")
@click.option("--note", help="Anything worth keeping.")
@acting_options
def raise_by_hand(
    building: str,
    unit: str,
    opening: str,
    condition: str,
    slots: str | None,
    suspected: bool,
    seen_on: dt.datetime,
    notified_on: dt.datetime | None,
    regulation: str,
    note: str | None,
    who: str,
    workspace: Path,
    ledger_at: str | None,
    as_json: bool,
) -> int:
    """Add a finding by hand."""
    with opened(workspace, ledger_at) as ledger:
        if regulation != "none" and regulation not in ledger.rule_book.due.regulations:
            raise CoverplateError(
                f"{regulation!r} is no regulation of the rule book",
                expected="none or one of " + ", ".join(ledger.rule_book.due.regulations),
                to_do="check the name",
            )
        payload = events.Raised(
            building_id=building,
            unit_id=unit,
            opening_id=opening,
            family=FAMILY[Condition(condition)].value,
            grade="suspected" if suspected else "confirmed",
            condition=Condition(condition),
            slots=Slots(slots) if slots else None,
            first_seen_on=seen_on.date(),
            notified_on=notified_on.date() if notified_on else None,
            regulation=regulation,
            note=note,
        )
        event = ledger.raise_finding(payload, who=who, origin=ORIGIN)
        return print_written(ledger, [event], as_json)


_VIEWS = (
    "summary",
    "ageing",
    "clocks",
    "firms",
    "states",
    "curve",
    "bounds",
    "failed",
    "costs",
)


@findings.command(
    "progress",
    epilog="Examples: coverplate findings progress --view firms  ·  coverplate findings progress "
    "--view clocks --by manager  ·  coverplate findings progress --view curve --json",
)
@click.option(
    "--view",
    type=click.Choice(_VIEWS),
    default="summary",
    show_default=True,
    help="Time to proven repair; what is open and overdue; the clocks seen to known, assigned to "
    "fix reported, reported to proven; the record of each firm; states over time; survival curve; "
    "bounds on the repair itself; fixes that failed verification; or money.",
)
@click.option(
    "--by", "group", type=click.Choice(list(GROUPS)), default="all", show_default=True,
    help="Broken down by.",
)  # fmt: skip
@ledger_options
def progress(view: str, group: str, workspace: Path, ledger_at: str | None, as_json: bool) -> int:
    """How it goes: only a proven repair ends a finding's time."""
    buildings = buildings_of(workspace)
    with opened(workspace, ledger_at) as ledger:
        book = ledger.rule_book
        if view == "summary":
            frame = repair_summary(ledger, book, by=group, buildings=buildings)
        elif view == "ageing":
            frame = ageing(ledger, book, by=group, buildings=buildings)
        elif view == "clocks":
            frame = clocks(ledger, book, by=group, buildings=buildings)
        elif view == "firms":
            frame = firm_record(ledger, book)
        elif view == "states":
            frame = states_over_time(ledger)
        elif view == "failed":
            frame = failed_verifications(ledger, book, by="firm" if group == "all" else group)
        elif view == "costs":
            circuits = circuits_of(workspace)
            frame = money(ledger, book, by=group, buildings=buildings, circuits=circuits)
        elif view == "curve":
            curves = time_to_proven_repair(ledger, book, by=group, buildings=buildings)
            frame = _grouped({name: curve.frame() for name, curve in curves.items()})
        else:
            frame = _grouped(time_to_repair_bounds(ledger, book, by=group, buildings=buildings))
    if as_json:
        print_json(records(frame))
        return 0
    _firm_table(records(frame)) if view == "firms" else _plain_table(records(frame))
    if view in ("clocks", "firms"):
        echo("")
        for name, clock in CLOCKS.items():
            if clock.of_firms or (view == "clocks" and group != "firm"):
                echo(f"{words(name)}: {clock.meaning}; {clock.not_ended}.")
    if view in ("summary", "curve"):
        echo(f"\n{CURVE_TOLD}")
    return 0


def _grouped(frames: dict[str, pd.DataFrame]) -> pd.DataFrame:
    named = [frame.assign(group=name) for name, frame in frames.items()]
    whole = pd.concat(named) if named else pd.DataFrame(columns=["group"])
    return whole[["group", *(name for name in whole.columns if name != "group")]]


def _plain_table(rows: list[dict[str, Any]]) -> None:
    names = list(rows[0]) if rows else []
    print_table(
        "" if rows else "Nothing yet.",
        [(words(name), "right" if name not in ("group", "state", "clock") else "left")
         for name in names],
        [[_cell(name, row[name]) for name in names] for row in rows],
    )  # fmt: skip


def _cell(name: str, value: Any) -> str:  # noqa: ANN401 - any cell of a frame
    if name == "day":
        return day(value)
    if name.startswith("share") or name in ("low", "high", "survival", "lowest", "highest"):
        return percent(value)
    if isinstance(value, int):
        return count(value)
    return words(value) if isinstance(value, str) else number(value, 3)


def _firm_table(rows: list[dict[str, Any]]) -> None:
    print_table(
        "" if rows else "No firm was given work yet.",
        [
            ("firm", "left"),
            ("reported of asked", "right"),
            ("waiting", "right"),
            ("half reported after", "right"),
            ("proven at first look", "right"),
            ("95 %", "right"),
            ("half proven after", "right"),
            ("per proven opening", "right"),
            ("without cost", "right"),
            ("entry refused", "right"),
            ("no access", "right"),
        ],
        [
            [
                row["group"],
                f"{row['reported']} of {row['assigned']}",
                count(row["waiting"]),
                f"{number(row['median_days_to_report'], 3)} d",
                f"{row['proven']} of {row['proven'] + row['disproved']}",
                f"{percent(row['share_proven_low'])} to {percent(row['share_proven_high'])}",
                f"{number(row['median_days_to_proof'], 3)} d",
                number(row["cost_per_proven_opening"], 3),
                count(row["without_cost"]),
                count(row["entry_refused"]),
                count(row["no_access"]),
            ]
            for row in rows
        ],
    )


@findings.command(
    "money",
    epilog="Examples: coverplate findings money --by remedy  ·  coverplate findings money "
    "--budget 250000 --json",
)
@click.option(
    "--by", type=click.Choice(BY), default="all", show_default=True, help="Broken down by."
)
@click.option("--budget", type=AMOUNT, help="What there is to spend in all.")
@ledger_options
def told_money(
    by: str, budget: float | None, workspace: Path, ledger_at: str | None, as_json: bool
) -> int:
    """What repairs are estimated at, quoted, committed, spent, and what all may come to."""
    buildings, circuits = buildings_of(workspace), circuits_of(workspace)
    with opened(workspace, ledger_at) as ledger:
        book = ledger.rule_book
        rows = total = _with_lines(ledger, book, by, buildings, circuits)
        if by != "all":
            total = _with_lines(ledger, book, "all", buildings, circuits)
            rows = [*rows, *total]
        asked = records(money_questions(ledger, book, circuits=circuits))
    if budget is not None:
        for row in rows:
            last = row is rows[-1]
            row["budget"] = budget if last else None
            for left, name in (("left", "forecast"), ("left_most", "forecast_least")):
                row[left] = round(budget - row[name], 2) if last else None
    if as_json:
        print_json([*rows, *({"question": each.pop("question"), **each} for each in asked)])
        return 0
    print_table(
        "" if rows else "Nothing yet.",
        [("group", "left"), *((words(name), "right") for name in _MONEY)],
        [[words(row["group"]), *(_ranged(row, name) for name in _MONEY)] for row in rows],
    )
    print_table(
        "\nWhat the estimate is made of" if rows else "",
        [("group", "left"), ("line", "left"), ("findings", "right"), ("in doubt", "right"),
         ("estimate", "right"), ("of it still to be paid for", "right")],
        [[words(row["group"]), line["label"], count(line["findings"]), count(line["in_doubt"]),
          _ranged(line, "estimate"), _ranged(line, "rest")]
         for row in rows for line in row["lines"]],
    )  # fmt: skip
    if by in OF_SUMS:
        echo(SEVERAL_GROUPS)
    for row in total:
        echo("")
        if row["without_cost"]:
            echo(f"{plural(row['without_cost'], 'fix', 'fixes')} of which nobody states the cost.")
        if row["without_estimate"]:
            echo(f"{plural(row['without_estimate'], 'finding')} without a known remedy, so without "
                 "an estimate.")  # fmt: skip
        if row["over_reported"]:
            echo(f"Bills come to {amount(row['over_reported'])} more than the fix reports said "
                 "(less, where below 0).")  # fmt: skip
        if budget is not None:
            told = dict.fromkeys(
                f"{amount(abs(left))} {'left' if left >= 0 else 'too little'}"
                for left in (row["left"], row["left_most"])
            )
            echo(f"Budget {amount(budget)}, forecast {_ranged(row, 'forecast')}: "
                 f"{' to '.join(told)}.")  # fmt: skip
    _print_questions(asked)
    echo(f"\n{MONEY_TOLD}")
    return 0


_MONEY = (
    "estimate",
    "quoted_lowest",
    "quoted_chosen",
    "committed",
    "spent",
    "rest",
    "forecast",
)


def _with_lines(
    ledger: Ledger,
    book: RuleBook,
    by: str,
    buildings: pd.DataFrame | None,
    circuits: pd.DataFrame | None,
) -> list[dict[str, Any]]:
    """Rows of ``money``, each with the lines of its estimate."""
    lines = records(money_lines(ledger, book, by=by, buildings=buildings, circuits=circuits))
    return [
        {
            **row,
            "lines": [
                {name: cell for name, cell in line.items() if name != "group"}
                for line in lines
                if line["group"] == row["group"]
            ],
        }
        for row in records(money(ledger, book, by=by, buildings=buildings, circuits=circuits))
    ]


def _ranged(row: dict[str, Any], name: str) -> str:
    """A sum, from what is sure to be needed to what may be where these differ."""
    least = row.get(f"{name}_least", row[name])
    most = amount(row[name])
    return most if least == row[name] else f"{amount(least)} to {most}"


@findings.command(
    "estimate",
    epilog="Examples: coverplate findings estimate F-0123456789abcdef  ·  coverplate findings "
    "estimate --building 0017 --json",
)
@findings_argument
@click.option("--building", help="All findings of this building that are still to be paid for.")
@click.option("--visit", "visit_id", help="Those of this visit.")
@ledger_options
def estimate(
    ids: tuple[str, ...], listed: TextIO | None, building: str | None, visit_id: str | None,
    workspace: Path, ledger_at: str | None, as_json: bool,
) -> int:  # fmt: skip
    """What some findings are estimated at, line by line, as if only these were repaired.

    Findings with a cost or a committed price are left out.
    """
    if sum((bool(ids or listed), building is not None, visit_id is not None)) != 1:
        raise CoverplateError(
            "it is not said of what, or more than one thing is said",
            expected="either findings, --building or --visit",
            to_do="give one of them",
        )
    with opened(workspace, ledger_at) as ledger:
        if visit_id is not None:
            named = list(visit(ledger, visit_id)["finding_ids"])
        elif building is not None:
            named = list(current(ledger, building)["finding_id"])
        else:
            named = [ledger.finding(each).finding_id for each, _ in named_findings(ids, listed)]
        frame = estimates(
            ledger,
            ledger.rule_book,
            alone=named,
            buildings=buildings_of(workspace),
            circuits=circuits_of(workspace),
        )
    if as_json:
        print_json(records(frame))
        return 0
    rows = records(frame)
    print_table(
        "" if rows else "Nothing of it is still to be paid for.",
        [("finding", "left"), ("opening", "left"), ("line", "left"), ("estimate", "right"),
         ("how", "left")],
        [[row["finding_id"], row["opening_id"] or "–", row["label"],
          _ranged({"sum_least": row["least"], "sum": row["most"]}, "sum"), row["told"]]
         for row in rows],
    )  # fmt: skip
    whole = totals(frame)
    if rows:
        told = _ranged({"sum_least": whole["least"], "sum": whole["most"]}, "sum")
        echo(f"In all: {told}. The prices are the rule book's, placeholders to be replaced.")
        echo(LINES_TOLD)
    return 0


def _print_questions(asked: list[dict[str, Any]]) -> None:
    if not asked:
        return
    print_table(
        f"\n{plural(len(asked), 'question')}; nothing was merged",
        [("firm", "left"), ("day", "right"), ("amounts", "left"), ("counted", "right"),
         ("if once", "right"), ("findings", "left"), ("question", "left")],
        [[row["firm"], day(row["day"]), ", ".join(map(amount, row["amounts"])),
          amount(row["counted"]), amount(row["once"]), " ".join(row["findings"]), row["asked"]]
         for row in asked],
    )  # fmt: skip


@findings.command(
    "worklist",
    epilog="Example: coverplate findings worklist list.xlsx --firm 'Pellworth Electric'",
)
@click.argument("path", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--firm", help="What is assigned to this firm.")
@click.option("--building", help="What stands at this building.")
@ledger_options
def worklist(
    path: Path, firm: str | None, building: str | None, workspace: Path, ledger_at: str | None,
    as_json: bool,
) -> int:  # fmt: skip
    """Write a work list for a firm or a building: .csv, .xlsx, or .html to print."""
    kind = path.suffix.lower()
    if kind not in (".csv", ".xlsx", ".html"):
        raise CoverplateError(
            f"{path} has no known ending",
            expected=".csv, .xlsx or .html",
            to_do="name the file with one of these endings",
        )
    with opened(workspace, ledger_at) as ledger:
        frame = work_list(
            ledger,
            ledger.rule_book,
            firm=firm,
            building_id=building,
            buildings=buildings_of(workspace),
        )
    title = "Work list" + "".join(f" · {each}" for each in (firm, building) if each)
    if kind == ".html":
        path.write_text(printable(frame, title), encoding="utf-8")
    else:
        path.write_bytes(as_csv(frame) if kind == ".csv" else as_xlsx(frame, "Work list"))
    if as_json:
        print_json([{"path": str(path), "findings": len(frame)}])
    else:
        say(f"{len(frame)} finding(s) written to {path}")
        cautions()
    return 0


for command in finding_events.COMMANDS:
    findings.add_command(command)


@findings.command(
    "digest",
    epilog="Examples: coverplate findings digest  ·  coverplate findings digest week.html --days 7",
)
@click.argument("path", type=click.Path(path_type=Path, dir_okay=False), required=False)
@click.option("--days", type=click.IntRange(1, 366), default=7, show_default=True,
              help="How far back changes are told.")  # fmt: skip
@click.option("--building", help="Only this building's.")
@click.option("--firm", help="Only what is assigned to this firm.")
@ledger_options
def tell_digest(
    path: Path | None, days: int, building: str | None, firm: str | None, workspace: Path,
    ledger_at: str | None, as_json: bool,
) -> int:  # fmt: skip
    """What changed lately and what presses now: to read, to mail (.txt) or to print (.html)."""
    if path is not None and path.suffix.lower() not in (".txt", ".html"):
        raise CoverplateError(
            f"{path} has no known ending",
            expected=".txt or .html",
            to_do="name the file with one of these endings",
        )
    today = dt.datetime.now(dt.UTC).date()
    since = today - dt.timedelta(days=days)
    with opened(workspace, ledger_at) as ledger:
        frame = due(ledger, ledger.rule_book, building_id=building)
        frame = frame if firm is None else frame[frame["firm"] == firm]
        staked = with_stakes(frame, stakes_of(workspace, frame), doubts_of(workspace, ledger))
        # A firm is told of the buildings at which it has something to do.
        places = {building} if building else None if firm is None else set(frame["building_id"])
        aside = [
            each
            for each in danger_aside(Workspace(workspace), ledger.rule_book)
            if places is None or each.building_id is None or each.building_id in places
        ]
        told = digest(
            staked, changes_since(ledger, since), visits(ledger, today=today), since, today,
            aside,
        )  # fmt: skip
    title = "Findings" + "".join(f" · {each}" for each in (firm, building) if each)
    if path is not None:
        write = as_page if path.suffix.lower() == ".html" else as_text
        path.write_text(write(told, title), encoding="utf-8")
    if as_json:
        print_json(
            [
                {"section": key, **row}
                for key, part in told.parts.items()
                for row in records(part.rename(columns={"sequence": "version"}))
            ]
            + [{"section": "set_aside", **asdict(each)} for each in told.aside]
        )
    elif path is None:
        echo(as_text(told, title), nl=False)
    else:
        say(f"Written to {path}.")
    return 0
