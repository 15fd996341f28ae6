"""``coverplate plan``: how many looks are enough, the looks of a day, the repairs of years."""

from __future__ import annotations

import datetime as dt
import math
import re
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from pipeline.cli.ledger_options import day_option, ledger_options, opened_unwritten
from pipeline.cli.options import (
    Within,
    check_ending,
    existing,
    json_option,
    narrowing_options,
    workspace_option,
)
from pipeline.cli.output import (
    cautions,
    echo,
    print_json,
    print_table,
    say,
)
from pipeline.cli.rank import warn_if_stale
from pipeline.planning.crews import read_crews, read_travel, read_visits
from pipeline.planning.day import DayPlan, clock, crews_alike, plan_looks, way_back_told
from pipeline.planning.enough import BY_LOT, Enough, enough, in_rows, why_they_differ
from pipeline.planning.grants import read_grants
from pipeline.planning.look_sheet import how, look_page, look_workbook, sections_of
from pipeline.planning.must_visits import AskedFor
from pipeline.planning.repairs import (
    HARM_UNIT,
    PLAN_TOLD,
    RepairPlan,
    as_written,
    frontier_told,
    harm_told,
    in_time_told,
    must_told,
    plan_repairs,
    prices_told,
)
from pipeline.screens.tables import as_csv, as_xlsx
from pipeline.warehouse import queries, store
from pipeline.warehouse.frames import records
from pipeline.warehouse.inputs import workspace_rule_book
from pipeline.warehouse.narrowing import Narrowing
from shared.in_words import amount, number, percent, plural, words
from shared.vocabulary import Method

SHARE = Within(0.0, 1.0, min_open=True)


@click.group(short_help="The looks of a day, how many are enough, the repairs of years.")
def plan() -> None:
    """Who looks where on a day, how many looks are enough, what is repaired in which year."""


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
    type=Within(0.0, 1.0, min_open=True, max_open=True),
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
    columns = [("what", "left"), ("number", "right")]
    print_table("How many looks are enough", columns, in_rows(answer))
    echo(f"  {why_they_differ(answer)}")
    echo(f"  {BY_LOT}--of-them-bad.")
    cautions()


@plan.command(
    "looks",
    epilog="Examples: coverplate plan looks --crews 2 --hours 8  ·  coverplate plan looks "
    "--crews-file crews.csv --day 2026-04-06 --sheet monday.xlsx --print monday.html",
)
@click.option("--crews", type=click.IntRange(1, 20), help="How many crews.  [default: 1]")
@click.option(
    "--hours",
    type=Within(0.0, 24.0, min_open=True),
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
    type=Within(0.0, 1.0),
    help="Share of the time for visits drawn by lot.  [default: the rule book's]",
)
@click.option(
    "--visits-file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="CSV with building_id, why, and where known unit_id, opening_id, how_many: where somebody "
    "must go that day.",
)
@click.option(
    "--open-reports",
    is_flag=True,
    help="Go wherever an open citation or complaint speaks of outlets, urgent or not.",
)
@click.option(
    "--unseen-for",
    "unseen_years",
    type=Within(0.0, 100.0, min_open=True),
    metavar="YEARS",
    help="Go to buildings at which nobody looked for so long by a method able to see a false "
    "ground, as a statutory cycle may ask; the longest first.",
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
    travel: Path | None, random_share: float | None, visits_file: Path | None, open_reports: bool,
    unseen_years: float | None, urgent_apart: bool, buildings: tuple[str, ...],
    sheet: Path | None, page: Path | None, only: Narrowing, workspace: Path, as_json: bool,
) -> int:  # fmt: skip
    """Who looks where on a day, in which order, at which openings, by which method.

    Urgent openings come first, then what is asked for (--visits-file, --open-reports,
    --unseen-for). A share of the time is kept for visits drawn by lot, so that rates
    stay honest. The rest finds as many dangerous openings as it can that nobody knows of yet; a
    look by a method that cannot see a fault counts for nothing there. The sheet (--sheet) is filled
    in and comes back by `coverplate intake`.
    """
    for path, ending in ((sheet, ".xlsx"), (page, ".html")):
        if path is not None:
            check_ending(path, [ending])
    teams = read_crews(crews_file, hours) if crews_file else crews_alike(crews or 1, hours or 8.0)
    if crews_file and crews is not None and crews != len(teams):
        raise click.UsageError(
            f"--crews says {crews}, {crews_file} names {len(teams)}: leave --crews out, or make "
            "them agree."
        )
    ways = read_travel(travel) if travel else {}
    visits = read_visits(visits_file) if visits_file else ()
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
            urgent=not urgent_apart, asked=AskedFor(visits, open_reports, unseen_years),
        )  # fmt: skip
        if page is not None:
            page.write_text(look_page(found, when, sections_of(con, found)), encoding="utf-8")
    if urgent_apart:
        say("What is urgent is left out of this plan: see `coverplate urgent`.")
    if sheet is not None:
        sheet.write_bytes(look_workbook(found, when))
        say(f"written to {sheet}")
    if page is not None:
        say(f"written to {page}")
    for line in (*found.told, found.how_made()):
        (say if as_json else echo)(line)
    if as_json:
        print_json(records(found.stops))
    else:
        _print_plan(found, when)
    return 0


def _print_plan(found: DayPlan, when: dt.date) -> None:
    for crew in records(found.crews):
        rows = found.stops[found.stops["crew"] == crew["crew"]]
        echo("")
        print_table(
            f"Crew {crew['crew']}, {when:%A} {when}: {plural(crew['stops'], 'stop')}, "
            f"{crew['minutes'] / 60:.1f} of {crew['hours']:g} hours"
            f"{way_back_told(crew['way_back_minutes'])}, "
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
    mark = "URGENT" if row["must_visit"] else "asked for" if row["asked_for"] else ""
    mark = "by lot" if row["random_pick"] else mark
    return [
        str(row["order"]),
        clock(row["begins_after"]),
        f"{row['building_id']} {row['name'] or ''}".strip(),
        row["unit_id"] or "–",
        row["opening_id"] or f"{row['how_many']} at random",
        " ".join(filter(None, (how(row), mark))),
        f"{row['minutes']:g}",
        number(row["expected_new_dangerous"]),
        f"{row['notice_by']}" + (" (past)" if row["notice_too_late"] else ""),
        row["why"],
    ]


class Numbers(click.ParamType[tuple[float, ...]]):
    """One number, or several with commas between; none below 0."""

    name = "number[,number…]"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, ...]:
        """Return the numbers; a usage error in words where they are none."""
        if re.fullmatch(r"\s*[1-9]\d{0,2}(,\d{3})+\s*", str(value)):
            parts = str(value).strip().split(",")
            self.fail(
                f"{value!r} may be one number with its thousands set off, or several: write "
                f"{''.join(parts)} for the one, '{', '.join(parts)}' for one a year."
            )
        try:
            found = tuple(float(each) for each in str(value).split(","))
        except ValueError:
            found = (-1.0,)
        if not all(0 <= each < 1e15 for each in found):
            self.fail(f"{value!r} is neither a number of 0 or more nor several with commas.")
        return found


@plan.command(
    "repairs",
    epilog="Examples: coverplate plan repairs --budget 60000 --years 3  ·  coverplate plan repairs "
    "--building 0017 --budget 20000,5000 --years 2 --electrician-hours 120 --output plan.xlsx",
)
@click.option("--building", "buildings", multiple=True, metavar="ID", help="Only this building.")
@click.option(
    "--budget", type=Numbers(), metavar="SUM[,SUM…]", help="Money a year; one sum a year, or one."
)
@click.option(
    "--electrician-hours", "hours", type=Numbers(), metavar="H[,H…]", help="Hours a year, likewise."
)
@click.option("--years", type=click.IntRange(1, 10), default=3, show_default=True, help="How many.")
@click.option(
    "--grants",
    type=click.Path(path_type=Path, dir_okay=False),
    help="TOML with [[grants]]: name, amount, and remedies and buildings that it may pay for.",
)
@day_option("--day", "The day on which the first year begins; today when not given.")
@click.option("--frontier", is_flag=True, help="Also harm left for other budgets.")
@click.option("--assumptions", is_flag=True, help="Also what stands under other assumptions.")
@click.option(
    "--output",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write the jobs to a .csv or .xlsx.",
)
@narrowing_options
@ledger_options
def repairs(
    buildings: tuple[str, ...], budget: tuple[float, ...] | None,
    hours: tuple[float, ...] | None, years: int, grants: Path | None, day: dt.datetime | None,
    frontier: bool, assumptions: bool, output: Path | None, only: Narrowing, workspace: Path,
    ledger_at: str | None, as_json: bool,
) -> int:  # fmt: skip
    """Which remedy for which opening, circuit, dwelling or building in which year.

    What is urgent comes in the first year, confirmed findings by their due dates; what cannot be
    done in time is said. The rest takes away as much expected harm as money and hours allow. Only
    remedies that the rule book allows are planned.
    """
    if output is not None:
        check_ending(output, [".csv", ".xlsx"])
    place = existing(workspace)
    warn_if_stale(place)
    if buildings:
        only = only.of(buildings)
    book = workspace_rule_book(place)
    with store.reading(place) as con, opened_unwritten(workspace, ledger_at) as ledger:
        found = plan_repairs(
            con, ledger, book, only, budget=budget, hours=hours, years=years,
            grants=read_grants(grants, book) if grants else (), day=day.date() if day else None,
            frontier=frontier, assumptions=assumptions,
        )  # fmt: skip
    if output is not None:
        written = as_written(found.jobs)
        csv = output.suffix.lower() == ".csv"
        output.write_bytes(as_csv(written) if csv else as_xlsx(written, "Repairs"))
        say(f"written to {output}")
    if as_json:
        for line in (*found.told, PLAN_TOLD, prices_told(found)):
            say(line)
        print_json(_repair_records(found))
    else:
        _print_repairs(found)
    return 0


def _repair_records(found: RepairPlan) -> list[dict[str, Any]]:
    """All parts of a plan of repairs in one array, each row with its kind."""
    parts = {
        "job": found.jobs, "unable": found.unable, "year": found.years, "order": found.rivals,
        "look_first": found.looks, "frontier": found.frontier, "assumption": found.assumptions,
    }  # fmt: skip
    rows = [
        {"kind": kind, **row}
        for kind, frame in parts.items() if frame is not None for row in records(frame)
    ]  # fmt: skip
    whole = {
        "kind": "total", "harm_total": found.harm_total, "harm_left": found.harm_left,
        "bound_left": found.bound_left, "gap": found.gap, "made_by": found.made_by,
        "in_time": in_time_told(found).strip(), "unit": HARM_UNIT,
        "cost": float(found.years["cost"].sum()), "prices": prices_told(found),
    }  # fmt: skip
    return [*rows, whole]


def _print_repairs(found: RepairPlan) -> None:
    for year in records(found.years):
        rows = found.jobs[found.jobs["year"] == year["year"]]
        echo("")
        print_table(
            f"Year {year['year']}, from {year['begins']}: {plural(len(rows), 'job')}, "
            f"{amount(year['cost'])} with entries of a budget of "
            + ("any size" if year["budget"] in (None, math.inf) else amount(year["budget"]))
            + (f" (of it {amount(year['from_grants'])} from grants)" if year["from_grants"] else "")
            + f", {year['hours']:.1f} electrician hours",
            [
                ("building", "left"), ("unit", "left"), ("openings", "left"), ("defect", "left"),
                ("what", "left"), ("cost", "right"), ("price", "left"), ("takes away", "right"),
                ("dangerous", "right"), ("must", "left"), ("stands", "left"),
            ],
            [_job_cells(row, year["begins"]) for row in records(rows)],
        )  # fmt: skip
    print_table(
        f"\n{plural(len(found.unable), 'finding')} not repaired in time" if len(found.unable)
        else "",
        [("finding", "left"), ("building", "left"), ("unit", "left"), ("opening", "left"),
         ("what", "left"), ("due", "left"), ("why", "left")],
        [[row["finding_id"] or "–", row["building_id"], row["unit_id"] or "–",
          row["opening_id"] or "–", words(row["condition"]) + (", URGENT" if row["urgent"] else ""),
          f"{row['due_on'] or '–'}", row["why"]] for row in records(found.unable)],
    )  # fmt: skip
    print_table(
        f"\nBeside it ({HARM_UNIT})",
        [("order", "left"), ("", "left"), ("harm left", "right"), ("cost", "right"),
         ("must, in its year", "right"), ("of its harm", "right")],
        [[words(row["order"]), row["told"], number(row["harm_left"], 4), amount(row["cost"]),
          *(("–", "–") if row["order"] == "bound" else (
              f"{row['must_met']:.0f} of {row['must']}",
              f"{percent(row['first_share'])} first, {percent(row['due_share'])} due"))]
         for row in records(found.rivals)],
    )  # fmt: skip
    worth = found.looks[found.looks["worth_it"]] if len(found.looks) else found.looks
    print_table(
        "\nTo be looked at before money is committed" if len(worth) else "",
        [("building", "left"), ("unit", "left"), ("openings", "left"), ("repair", "left"),
         ("its cost", "right"), ("dangerous", "right"), ("look", "left"), ("look costs", "right"),
         ("money spared", "right"), ("harm more", "right")],
        [[row["building_id"], row["unit_id"] or "–", ", ".join(row["opening_ids"]),
          words(row["remedy"]) + ("" if row["planned"] else " (not planned)"), amount(row["cost"]),
          percent(row["p_dangerous"]), f"{words(row['method'])}, {row['look_minutes']:g} min",
          amount(row["look_cost"]), amount(row["expected_saved"]), number(row["harm_gained"])]
         for row in records(worth)],
    )  # fmt: skip
    for title, frame in (("Harm left for other budgets", found.frontier),
                         ("Under other assumptions", found.assumptions)):  # fmt: skip
        if frame is not None:
            names = [str(name) for name in frame.columns if name != "assumption"]
            print_table(
                f"\n{title}",
                [(words(name), "left" if name == "told" else "right") for name in names],
                [[row["told"] if n == "told" else number(row[n], 4) for n in names]
                 for row in records(frame)],
            )  # fmt: skip
    echo("")
    for line in (*harm_told(found), frontier_told(found), *found.told, PLAN_TOLD,
                 prices_told(found)):  # fmt: skip
        if line:
            echo(line)
    cautions()


def _job_cells(row: dict[str, Any], begins: dt.date) -> list[str]:
    must = "URGENT" if row["must"] == "first" else must_told(row, begins)
    stands = "" if "stands" not in row else "yes" if row["stands"] else f"in {row['stands_in']}"
    where = (
        ", ".join(row["opening_ids"]) if row["scope"] in ("opening", "circuit") else row["scope"]
    )
    return [
        row["building_id"], row["unit_id"] or "–", where,
        words(row["conditions"]) or "likely, not seen", row["label"], amount(row["cost"]),
        row["price_from"], number(row["harm_removed"]), percent(row["p_dangerous"]), must, stands,
    ]  # fmt: skip
