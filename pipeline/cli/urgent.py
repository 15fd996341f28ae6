"""``coverplate urgent``: what was plainly reported, what is only inferred, and what was cleared."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
import pandas as pd

from pipeline.cli.ledger_options import doubts_of, opened_unwritten, stakes_of
from pipeline.cli.options import existing, json_option, workspace_option
from pipeline.cli.output import (
    cautions,
    echo,
    plain,
    print_json,
    print_table,
    say,
)
from pipeline.cli.rank import built
from pipeline.ledger.due import due
from pipeline.ledger.families import URGENT_FAMILIES
from pipeline.ledger.triage import beside_the_list, with_stakes
from pipeline.screens.landed import danger_in
from pipeline.warehouse import queries
from pipeline.warehouse.frames import records
from pipeline.warehouse.vanished import once_urgent
from shared.in_words import day, percent, plural, words
from shared.standing import FIRST_MEASURE, NOT_URGENT, Standing


@click.command(
    short_help="Where something urgent was plainly reported.",
    epilog="Examples: coverplate urgent --json  ·  coverplate urgent --cleared",
)
@click.option(
    "--inferred",
    is_flag=True,
    help="Instead: where nothing was reported, yet the evidence makes live metal likely enough.",
)
@click.option(
    "--cleared", is_flag=True, help="Instead: what was urgent once, and what took it off the list."
)
@workspace_option
@json_option
def urgent(inferred: bool, cleared: bool, workspace: Path, as_json: bool) -> int:
    """Openings where live metal, heat, a shock or a wrong supply voltage was reported or measured.

    An opening stays on the list, whatever the score, until a later look that is able to tell finds
    it gone, or a repair is proven. What the model infers is a list of its own: --inferred.
    """
    if inferred and cleared:
        raise click.UsageError("--inferred and --cleared are two lists; name one of them.")
    place = existing(workspace)
    with built(workspace) as con:
        likely = queries.inferred_urgent(con)
        set_aside = queries.looks_set_aside(con)
        said = queries.reports(con, urgent_only=True)
        frame = likely if inferred else once_urgent(con, place) if cleared else queries.urgent(con)
    beside = _beside(workspace, said)
    aside = danger_in(place)
    if as_json:
        print_json(records(frame) + ([] if inferred or cleared else _told_in_ledger(beside)))
        for line in aside:
            say(line)
        _print_how_many_reports(len(said))
        _print_how_many_beside(len(beside))
        _print_set_aside(set_aside, err=True)
        return 0
    for line in aside:
        echo(line)
    if aside:
        echo("")
    if inferred:
        _print_inferred(frame)
    elif cleared:
        _print_cleared(frame)
    else:
        _print_reported(frame, bool(aside) or not beside.empty)
        _print_reports(said)
        _print_beside(beside)
        if frame.empty and not beside.empty:
            first_measure()
        _print_how_many(likely)
        _print_set_aside(set_aside)
    cautions()
    return 0


def first_measure() -> None:
    """Say what is done first at an urgent opening."""
    echo("What to do first:")
    for measure in FIRST_MEASURE:
        echo(f"  · {measure}")


def _rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [plain(row) for row in records(frame)]


def _print_reported(frame: pd.DataFrame, beside: bool) -> None:
    """Print what is urgent; where nothing is, not as if nothing ``beside`` the list spoke of it."""
    if frame.empty:
        which = "look in the lists" if beside else "look that landed"
        echo(f"No {which} reports or measures live metal. That is not proof that there is none.")
        return
    print_table(
        "Urgent: plainly reported or measured, whatever the score",
        [
            ("building", "left"),
            ("unit", "left"),
            ("room", "left"),
            ("opening", "left"),
            ("defect", "left"),
            ("standing", "left"),
            ("what was said", "left"),
        ],
        [
            [
                row["building_id"],
                row["unit_id"] or "–",
                words(row["room"]),
                str(row["opening_id"]),
                words(row["defect"]),
                row["standing"],
                "; ".join(_ground(each) for each in row["grounds"]),
            ]
            for row in _rows(frame)
        ],
    )
    echo("")
    first_measure()
    places: dict[str, list[str]] = {}
    for row in _rows(frame):
        told = f"{' with '.join(map(words, row['clearing_methods']))}. {row['clears']}"
        place = (row["building_id"], row["unit_id"], row["opening_id"])
        places.setdefault(told, []).append(" / ".join(filter(None, place)))
    echo("What to look with:")
    for told, listed in places.items():
        echo(f"  · {told} At: {', '.join(listed)}.")


def _ground(said: dict[str, Any]) -> str:
    return f"{said['says']} ({_source(said)})"


def _source(said: dict[str, Any]) -> str:
    """Who, when, by which method, in which file and row."""
    parts = [day(said["observed_on"]), said["inspector"], words(said["method"])]
    if said.get("finding_id"):
        parts.append(f"beside {said['finding_id']} of the ledger")
    return ", ".join(str(part) for part in parts if part) + _place(said)


def _place(said: dict[str, Any], prefix: str = "") -> str:
    file, row = said[f"{prefix}file"], said[f"{prefix}row"]
    if file is None:
        return ""
    sheet = said[f"{prefix}sheet"]
    return f", {Path(file).name}{f' [{sheet}]' if sheet else ''} row {int(row)}"


def _print_reports(frame: pd.DataFrame) -> None:
    """What papers say that name no opening: urgent all the same."""
    if frame.empty:
        return
    echo("")
    print_table(
        "Urgent: a shock, live metal or heat that a citation, complaint or work order reports",
        [
            ("building", "left"),
            ("unit", "left"),
            ("what", "left"),
            ("of", "left"),
            ("speaks of", "left"),
            ("what it says", "left"),
            ("boxes opened since", "right"),
        ],
        [
            [
                str(row["building_id"]),
                str(row["unit_id"] or "–"),
                words(row["report_kind"]) + (f" {row['reference']}" if row["reference"] else ""),
                day(row["reported_on"]),
                words(row["subject"]),
                str(row["description"] or row["code_section"] or "–"),
                f"{int(row['opened'])} of {int(row['openings'])} recorded"
                if row["openings"]
                else "none recorded",
            ]
            for row in _rows(frame)
        ],
    )


def _print_how_many_reports(count: int) -> None:
    if count:
        said = plural(count, "report that names no opening is", "reports that name no opening are")
        say(f"{said} urgent too: `coverplate reports --json`.")


def _beside(workspace: Path, papers: pd.DataFrame) -> pd.DataFrame:
    """What the ledger holds for urgent though no list of what landed has it."""
    with opened_unwritten(workspace, None) as ledger:
        if ledger is None:
            return pd.DataFrame()
        found = due(ledger, ledger.rule_book)
        doubts = doubts_of(workspace, ledger)
    return beside_the_list(with_stakes(found, stakes_of(workspace, found), doubts), papers)


def _told_in_ledger(beside: pd.DataFrame) -> list[dict[str, Any]]:
    """Danger that a person wrote down and no build has read yet, as rows of the list's JSON."""
    return [
        {
            **{name: row[name] for name in ("building_id", "unit_id", "opening_id", "standing")},
            "defect": row["family"],
            "last_observed_on": row["last_seen_on"],
            "grounds": [],
            "told_in": "ledger",
            "finding_id": row["finding_id"],
        }
        for row in ([] if beside.empty else records(beside))
        if row["family"] in URGENT_FAMILIES
    ]


def _print_beside(frame: pd.DataFrame) -> None:
    if frame.empty:
        return
    echo("")
    print_table(
        "Urgent in the ledger: written down by hand, or seen gone by a look, no repair proven",
        [
            ("finding", "left"),
            ("building", "left"),
            ("unit", "left"),
            ("opening", "left"),
            ("defect", "left"),
            ("last seen", "left"),
        ],
        [
            [
                row["finding_id"],
                row["building_id"],
                row["unit_id"] or "–",
                row["opening_id"] or "–",
                words(row["condition"] or row["family"]),
                day(row["last_seen_on"]),
            ]
            for row in _rows(frame)
        ],
    )


def _print_how_many_beside(count: int) -> None:
    if count:
        said = plural(count, "finding of the ledger is", "findings of the ledger are")
        say(f"{said} urgent too, and on no list of looks: `coverplate findings list --json`.")


def _print_how_many(likely: pd.DataFrame) -> None:
    if likely.empty:
        return
    named = int(likely["opening_id"].notna().sum())
    rest = int(likely.loc[likely["opening_id"].isna(), "openings"].sum())
    echo(
        f"\nNothing reported, but inferred to be likely enough: {named} recorded and {rest} never "
        "recorded openings; `coverplate urgent --inferred` lists them."
    )


def _print_set_aside(count: int, *, err: bool = False) -> None:
    if count:
        rows = plural(count, "row of looks or reports is", "rows of looks or reports are")
        told = say if err else echo
        told(
            f"\n{rows} set aside and in none of these lists, whatever is reported there: "
            "`coverplate quarantine list`."
        )


def _print_inferred(frame: pd.DataFrame) -> None:
    if frame.empty:
        echo("Nowhere else does the evidence make live metal likely enough to list.")
        return
    print_table(
        "Inferred: nothing urgent was reported there, yet live metal is likely enough to look",
        [
            ("building", "left"),
            ("unit", "left"),
            ("room", "left"),
            ("opening", "left"),
            ("standing", "left"),
            ("live metal", "right"),
            ("last look", "left"),
        ],
        [
            [
                row["building_id"],
                row["unit_id"] or "–",
                words(row["room"]),
                str(row["opening_id"])
                if row["opening_id"] is not None
                else f"{row['openings']} never recorded, each",
                NOT_URGENT[Standing(row["standing"])],
                percent(row["p_live_metal"]),
                day(row["last_observed_on"]),
            ]
            for row in _rows(frame)
        ],
    )


def _print_cleared(frame: pd.DataFrame) -> None:
    if frame.empty:
        echo("Nothing that was urgent has been cleared or replaced.")
        return
    print_table(
        "Once urgent, and what took it off the list",
        [
            ("building", "left"),
            ("unit", "left"),
            ("opening", "left"),
            ("what was said", "left"),
            ("cleared by", "left"),
        ],
        [
            [
                row["building_id"],
                row["unit_id"] or "–",
                str(row["opening_id"] or "–"),
                _ground(row),
                _cleared(row),
            ]
            for row in _rows(frame)
        ],
    )


def _cleared(row: dict[str, Any]) -> str:
    when = day(row["cleared_on"]) if row["cleared_on"] else None
    how = words(row["clearing_method"]) if row["clearing_method"] else None
    told = ", ".join(part for part in (when, row["clearing_person"], how) if part)
    told = (told + _place(row, "clearing_")).removeprefix(", ")
    return f"{row['cleared_how']} ({told})"
