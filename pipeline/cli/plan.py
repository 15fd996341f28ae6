"""``coverplate plan``: how many looks are enough, and the looks of a day."""

from __future__ import annotations

import datetime as dt
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from pipeline.cli.ledger_options import day_option
from pipeline.cli.options import existing, json_option, narrowing_options, workspace_option
from pipeline.cli.output import (
    cautions,
    echo,
    number,
    percent,
    plural,
    print_json,
    print_table,
    records,
    say,
    words,
)
from pipeline.cli.rank import warn_if_stale
from pipeline.planning.crews import read_crews, read_travel
from pipeline.planning.day import DayPlan, clock, crews_alike, plan_looks
from pipeline.planning.enough import Enough, enough, why_they_differ
from pipeline.planning.look_sheet import look_page, look_workbook
from pipeline.warehouse import queries, store
from pipeline.warehouse.build import workspace_rule_book
from pipeline.warehouse.narrowing import Narrowing
from shared.faults import CoverplateError
from shared.vocabulary import Method

SHARE = click.FloatRange(0.0, 1.0, min_open=True)


@click.group(short_help="The looks of a day, and how many are enough.")
def plan() -> None:
    """Who looks where on a day, how many looks are enough, and what so many prove."""


@plan.command(
    "sample",
    epilog="Examples: coverplate plan sample --building 0017  ·  coverplate plan sample --era "
    "1940s_1950s --share 0.1  ·  coverplate plan sample --building 0017 --looked 12",
)
@click.option("--building", "buildings", multiple=True, metavar="ID", help="Only this building.")
@click.option(
    "--method",
    type=click.Choice([each.value for each in Method]),
    default=Method.COVER_OFF_INSPECTION.value,
    show_default=True,
    help="How the openings are looked at.",
)
@click.option(
    "--confidence",
    type=click.FloatRange(0.0, 1.0, min_open=True, max_open=True),
    default=0.95,
    show_default=True,
    help="How sure to be.",
)
@click.option(
    "--share", type=SHARE, help="Rule out that so large a share is dangerous.  [default: 0.05]"
)
@click.option("--bad", type=click.IntRange(min=1), help="Rule out that so many are dangerous.")
@click.option("--looked", type=click.IntRange(min=0), help="Looks by lot that were made already.")
@click.option(
    "--of-them-bad",
    type=click.IntRange(min=0),
    default=0,
    help="Dangerous ones found among those.  [default: 0]",
)
@narrowing_options
@workspace_option
@json_option
def sample(
    buildings: tuple[str, ...], method: str, confidence: float, share: float | None,
    bad: int | None, looked: int | None, of_them_bad: int, only: Narrowing, workspace: Path,
    as_json: bool,
) -> int:  # fmt: skip
    """How many openings, picked by lot, must be looked at to be so sure that few are dangerous.

    Openings that a look able to see a false ground spoke of already are left out. With --looked it
    also says what so many looks prove.
    """
    if share is not None and bad is not None:
        raise click.UsageError("--share and --bad say the same thing: give one of them.")
    if of_them_bad and looked is None:
        raise click.UsageError("--of-them-bad needs --looked.")
    place = existing(workspace)
    warn_if_stale(place)
    if buildings:
        only = only.of(buildings)
    with store.reading(place) as con:
        answer = enough(
            con,
            workspace_rule_book(place),
            only,
            method=Method(method),
            confidence=confidence,
            share=(0.05 if share is None else share) if bad is None else None,
            bad=bad,
            looked=looked,
            found=of_them_bad,
        )
    if as_json:
        print_json([asdict(answer) | {"why_they_differ": why_they_differ(answer)}])
    else:
        _print(answer)
    return 0


def _print(answer: Enough) -> None:
    sure = percent(answer.confidence)
    rows = [
        ["openings", f"{answer.openings:,} in {plural(answer.buildings, 'building')}"],
        ["told of already by a capable look", f"{answer.settled:,}"],
        ["to draw from", f"{answer.unsettled:,}"],
        ["a look finds a false ground", percent(answer.detection)],
        [
            f"to be {sure} sure that fewer than {answer.bad:,} are dangerous",
            _looks(answer.needed, answer.unsettled),
        ],
    ]
    if answer.weighed:
        rows.append(["the same by what the model holds", _looks(answer.needed_by_model, 0)])
    rows.append(["dangerous ones that the model expects among them", number(answer.expected)])
    if answer.looked is not None and answer.may_be is not None:
        rows.append(
            [
                f"{plural(answer.looked, 'look')} by lot that found {answer.found} leave possible",
                f"up to {answer.may_be:,} dangerous ones ({sure})",
            ]
        )
    print_table("How many looks are enough", [("what", "left"), ("number", "right")], rows)
    echo(f"  {why_they_differ(answer)}")
    echo(
        "  Openings must be picked by lot from the whole list, those that are hard to reach too; "
        "each is looked at once. The first dangerous one found ends the case: count again with "
        "--of-them-bad."
    )
    cautions()


def _looks(needed: int | None, openings: int) -> str:
    if needed is None:
        return "no number of looks is enough"
    if needed == 0:
        return "none: it is so likely already"
    return plural(needed, "clean look") + (" (every opening)" if needed == openings else "")


@plan.command(
    "looks",
    epilog="Examples: coverplate plan looks --crews 2 --hours 8  ·  coverplate plan looks "
    "--crews-file crews.csv --day 2026-04-06 --sheet monday.xlsx --print monday.html",
)
@click.option("--crews", type=click.IntRange(1, 20), help="How many crews.  [default: 1]")
@click.option(
    "--hours",
    type=click.FloatRange(0.0, 24.0, min_open=True),
    help="Hours of each crew.  [default: 8]",
)
@click.option(
    "--crews-file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="CSV with crew, start_latitude, start_longitude, hours (else as --hours), may_open_boxes.",
)
@day_option("--day", "The day; today when not given.")
@click.option(
    "--travel",
    type=click.Path(path_type=Path, dir_okay=False),
    help="CSV with from, to, minutes: ways between buildings, or from a crew's start by its name.",
)
@click.option(
    "--random-share",
    type=click.FloatRange(0.0, 1.0),
    help="Share of the time for visits drawn by lot.  [default: the rule book's]",
)
@click.option("--urgent-apart", is_flag=True, help="Others go to what is urgent: leave it out.")
@click.option("--building", "buildings", multiple=True, metavar="ID", help="Only this building.")
@click.option("--sheet", type=click.Path(path_type=Path, dir_okay=False), help="Write the .xlsx.")
@click.option(
    "--print", "page", type=click.Path(path_type=Path, dir_okay=False), help="Write the .html."
)
@narrowing_options
@workspace_option
@json_option
def looks(
    crews: int | None, hours: float | None, crews_file: Path | None, day: dt.datetime | None,
    travel: Path | None, random_share: float | None, urgent_apart: bool, buildings: tuple[str, ...],
    sheet: Path | None, page: Path | None, only: Narrowing, workspace: Path, as_json: bool,
) -> int:  # fmt: skip
    """Who looks where on a day, in which order, at which openings, by which method.

    Urgent openings come first. A share of the time is kept for visits drawn by lot, so that rates
    stay honest. The rest finds as many dangerous openings as it can that nobody knows of yet; a
    look by a method that cannot see a fault counts for nothing there. The sheet (--sheet) is filled
    in and comes back by `coverplate intake`.
    """
    for path, ending in ((sheet, ".xlsx"), (page, ".html")):
        if path is not None and path.suffix.lower() != ending:
            raise CoverplateError(
                f"{path} does not end in {ending}",
                expected=f"a file name with {ending}",
                to_do="name it so that programs know what it is",
            )
    teams = read_crews(crews_file, hours) if crews_file else crews_alike(crews or 1, hours or 8.0)
    if crews_file and crews is not None and crews != len(teams):
        raise click.UsageError(
            f"--crews says {crews}, {crews_file} names {len(teams)}: leave --crews out, or make "
            "them agree."
        )
    ways = read_travel(travel) if travel else {}
    place = existing(workspace)
    warn_if_stale(place)
    if buildings:
        only = only.of(buildings)
    when = day.date() if day else dt.date.today()
    with store.reading(place) as con:
        facts = queries.build_facts(con)
        found = plan_looks(
            con, workspace_rule_book(place), only, teams,
            day=when, version=str(facts["version"]), random_share=random_share, travel=ways,
            urgent=not urgent_apart,
        )  # fmt: skip
    if urgent_apart:
        say("What is urgent is left out of this plan: see `coverplate urgent`.")
    if sheet is not None:
        sheet.write_bytes(look_workbook(found, when))
        say(f"written to {sheet}")
    if page is not None:
        page.write_text(look_page(found, when), encoding="utf-8")
        say(f"written to {page}")
    for line in (*found.told, how_made(found)):
        (say if as_json else echo)(line)
    if as_json:
        print_json(records(found.stops))
    else:
        _print_plan(found, when)
    return 0


def how_made(found: DayPlan) -> str:
    """What a plan of looks is expected to find, and how it was made, as a sentence."""
    return (
        f"{number(found.expected, 3)} dangerous openings are expected to be found newly; made by "
        f"{found.made_by} (integer programme {number(found.by_programme, 3)}, gap "
        f"{100 * found.gap:.2g} % under estimated ways; by findings a minute "
        f"{number(found.by_greed, 3)})."
    )


def _print_plan(found: DayPlan, when: dt.date) -> None:
    for crew in records(found.crews):
        rows = found.stops[found.stops["crew"] == crew["crew"]]
        echo("")
        print_table(
            f"Crew {crew['crew']}, {when:%A} {when}: {plural(crew['stops'], 'stop')}, "
            f"{crew['minutes'] / 60:.1f} of {crew['hours']:g} hours, "
            f"{number(crew['expected_new_dangerous'])} dangerous openings expected to be found",
            [
                ("", "right"), ("after", "right"), ("building", "left"), ("unit", "left"),
                ("opening", "left"), ("how", "left"), ("min", "right"), ("finds", "right"),
                ("notice by", "left"), ("why", "left"),
            ],
            [_stop_cells(row) for row in records(rows)],
        )  # fmt: skip
    cautions()


def _stop_cells(row: dict[str, Any]) -> list[str]:
    mark = "URGENT" if row["must_visit"] else "by lot" if row["random_pick"] else ""
    return [
        str(row["order"]),
        clock(row["begins_after"]),
        f"{row['building_id']} {row['name'] or ''}".strip(),
        row["unit_id"] or "–",
        row["opening_id"] or f"{row['how_many']} at random",
        " ".join(filter(None, (words(row["method"]), mark))),
        f"{row['minutes']:g}",
        number(row["expected_new_dangerous"]),
        f"{row['notice_by']}" + (" (past)" if row["notice_too_late"] else ""),
        row["why"],
    ]
