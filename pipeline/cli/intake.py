"""``coverplate intake``: take exports in."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Sequence
from pathlib import Path
from typing import Any

import click
import pandas as pd

from pipeline import landing
from pipeline.cli.ledger_options import acting_options, taken_up
from pipeline.cli.options import DONE, QUARANTINED, answers_option
from pipeline.cli.output import (
    echo,
    print_json,
    print_table,
    progress,
    say,
)
from pipeline.landing import IntakeReport, Workspace
from pipeline.landing.answers import parse_answers
from pipeline.landing.certificate import Stretch, left_out
from pipeline.landing.contradictions import LOUD
from pipeline.landing.quarantine import still_aside
from pipeline.ledger.landed_fixes import TakenUp
from pipeline.screens.landed import danger_in, try_intake
from pipeline.warehouse.frames import records
from shared.faults import CoverplateError
from shared.in_words import plural, words
from shared.vocabulary import RecordKind

BUILDINGS_TOLD = 20
"""Buildings of a trial that are listed."""


@click.command(
    short_help="Take exports in and reconcile every row.",
    epilog="Example: coverplate intake exports/ register.xlsx --workspace housing  ·  "
    "Exit codes: 0 done, 2 refused (nothing changed), 3 done with rows in quarantine.",
)
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--mapping", "mapping", help="Name of a saved mapping to read these files with.")
@answers_option
@click.option(
    "--as-of",
    type=click.DateTime(["%Y-%m-%d"]),
    help="The day that the facts in these files are as of (YYYY-MM-DD), where neither a line of "
    "the file nor its name tells: newer facts stand, whatever landed last.",
)
@click.option(
    "--full-register",
    is_flag=True,
    help="The building register in these files names every building of the portfolio: others that "
    "registers named before are retired, and listed. One with a reported defect, or looked at "
    "since, stays in every list; a newer register that names it again brings it back.",
)
@click.option(
    "--try",
    "trying",
    is_flag=True,
    help="Change nothing: say what would become of every row, which buildings would be different, "
    "and which of them would newly be urgent.",
)
@acting_options
def intake(
    paths: tuple[Path, ...],
    mapping: str | None,
    settings: tuple[str, ...],
    as_of: dt.datetime | None,
    full_register: bool,
    trying: bool,
    who: str,
    workspace: Path,
    ledger_at: str | None,
    as_json: bool,
) -> int:
    """Take exports in: CSV and other delimited text, XLSX, JSON, JSON Lines, Parquet, ZIP, folders.

    Makes the workspace if there is none. Every row ends as accepted, duplicate, superseded or
    quarantined; the counts add up to the rows read, and every other line of a file is accounted for
    (titles, totals, remarks). A file that could be read two ways is refused with the question;
    answer with --set. A file that was taken in before changes nothing.

    Fix reports, and looks that prove them in the same file, are written into the ledger; rows that
    its rules refuse wait in quarantine like others.
    """
    place = Workspace(workspace)
    place.create()
    told: list[str] = []
    if trying:
        return _try(place, paths, mapping, settings, as_of, full_register, as_json)
    with progress() as report:
        from pipeline.evidence import warm  # takes seconds to load; nothing else here needs it

        warm.begin()
        answers = parse_answers(settings)
        reports = landing.intake(
            place,
            list(paths),
            mapping=mapping,
            answers=answers,
            as_of=as_of.date() if as_of else None,
            full_register=full_register,
            progress=report,
            say=told.append,
        )
    for line in told:
        say(line)
    if all(item.record_kind is None for item in reports):
        raise CoverplateError(
            f"no table was found in {', '.join(map(str, paths))}; nothing was taken in",
            expected="CSV or other delimited text, XLSX, JSON, JSON Lines or Parquet, or a ZIP or "
            "folder of these",
            to_do="check that these are the exports meant, and that they came whole",
        )
    taken = taken_up(place, ledger_at, who)
    if as_json:
        print_json([_told(item, taken) for item in reports])
    else:
        print_reports(reports)
        _print_taken(taken, {item.sha256 for item in reports})
    fresh = [item for item in reports if not item.already_landed]
    quarantined = sum(item.quarantined for item in fresh)
    blanked = sum(item.blanked for item in fresh)
    if quarantined or blanked:
        say(
            f"{plural(quarantined, 'row')} set aside, {plural(blanked, 'row')} with cells left "
            "blank. "
            "See why with `coverplate quarantine list`, correct them with "
            "`coverplate quarantine export FILE.csv`."
        )
    before = still_aside(place, {item.sha256 for item in reports if item.already_landed})
    if before:
        say(
            f"{plural(before, 'row')} of what landed before still in quarantine: see "
            "`coverplate quarantine list`."
        )
    landed = {item.sha256 for item in reports}
    repairs = any(item.record_kind is RecordKind.FIX_REPORTS for item in reports)
    for line in danger_in(place, landed) if quarantined or blanked or before or repairs else ():
        say(line)
    refused = sum(taken.count("refused", sha256) for sha256 in landed)
    aside = quarantined or blanked or before or refused or _unread(fresh)
    return QUARANTINED if aside else DONE


def _told(item: IntakeReport, taken: TakenUp) -> dict[str, Any]:
    """A report as JSON; of fix reports also what the ledger made of them in this call."""
    told: dict[str, Any] = item.as_json()
    if item.record_kind is RecordKind.FIX_REPORTS:
        told["ledger"] = {
            name: sum(
                each.outcome == name and (each.sha256, each.sheet) == (item.sha256, item.sheet)
                for each in taken.rows
            )
            for name in ("reported", "duplicate", "refused")
        }
        told["visits"] = [
            {
                "visit_id": e.visit_id,
                "outcome": e.outcome,
                "on": e.on,
                "went": e.went,
                "went_for": e.firm,
            }
            for e in taken.sheets
            if e.sha256 == item.sha256
        ]
    return told


def _print_taken(taken: TakenUp, files: Collection[str]) -> None:
    """Print what the ledger made of landed fix reports; nothing where there are none.

    Sheets of visits are told of these files only: one that was called off stays so.
    """
    for sheet in taken.sheets:
        if sheet.outcome == "made" or sheet.sha256 in files:
            echo(f"Ledger: {sheet.said}.")
    if not taken.rows and not taken.verified and not taken.disproved:
        return
    echo(
        f"Ledger: {plural(taken.count('reported'), 'fix report')} written, "
        f"{taken.count('duplicate'):,} reported before, {taken.count('refused'):,} refused by the "
        f"rules; {plural(taken.verified, 'repair')} proven, {taken.disproved:,} disproved."
    )
    if taken.workers_asked:
        echo(taken.workers_asked)
    for row in taken.rows:
        where = f"  {Path(row.path).name} row {row.row}"
        for reason in row.reasons:
            echo(f"{where}: {reason.column}: found {reason.found!r}, expected {reason.expected}")
        for question in row.questions:
            echo(f"{where}: {question}")


def _try(
    place: Workspace,
    paths: Sequence[Path],
    mapping: str | None,
    settings: Sequence[str],
    as_of: dt.datetime | None,
    full_register: bool,
    as_json: bool,
) -> int:
    """Take files into a copy that is thrown away, and say what would be different."""
    with progress() as report:
        trial = try_intake(
            place,
            list(paths),
            report,
            as_of=as_of.date() if as_of else None,
            full_register=full_register,
            mapping=mapping,
            answers=parse_answers(settings),
        )
    if as_json:
        print_json(records(trial.buildings))
    else:
        print_reports(trial.reports)
        _print_foretold(trial.buildings)
    for line in trial.danger:
        say(line)
    say("Nothing was taken in.")
    aside = any(r.quarantined or r.blanked for r in trial.reports if not r.already_landed)
    return QUARANTINED if aside or trial.danger or _unread(trial.reports) else DONE


def _print_foretold(buildings: pd.DataFrame) -> None:
    """Print which buildings would be different; nothing where none would."""

    def more(count: int) -> str:
        return f"{count:+,}" if count else ""

    shown = buildings.head(BUILDINGS_TOLD).to_dict(orient="records")
    print_table(
        f"{plural(len(buildings), 'building')} would be weighed anew (ranks change with a build)",
        [
            ("building", "left"),
            ("", "left"),
            ("rank today", "right"),
            ("urgent openings", "right"),
            ("urgent papers", "right"),
            ("defects named", "right"),
            ("looks", "right"),
        ],
        [
            [
                str(row["building_id"]),
                ", ".join(
                    word
                    for word, there in (("newly urgent", row["newly_urgent"]), ("new", row["new"]))
                    if there
                ),
                "" if pd.isna(row["rank"]) else f"{int(row['rank']):,}",
                more(row["more_urgent_openings"]),
                more(row["more_urgent_papers"]),
                more(row["more_defects"]),
                more(row["more_looks"]),
            ]
            for row in shown
        ],
    )
    if len(buildings) > len(shown):
        echo(f"  and {len(buildings) - len(shown):,} more: --json lists all of them")


def _unread(reports: Sequence[IntakeReport]) -> bool:
    """Whether a table or words of danger were left out, or rows contradict themselves."""
    left = any(s.role == "left out" or s.danger for r in reports for s in r.certificate)
    return left or any(f.kind in LOUD for r in reports for f in r.findings)


def print_reports(reports: Sequence[IntakeReport]) -> None:
    """Print the reconciliation: one line per file, table and record kind."""
    print_table(
        "Rows read = accepted + duplicate + superseded + quarantined",
        [
            ("file", "left"),
            ("record kind", "left"),
            ("mapping", "left"),
            ("read", "right"),
            ("accepted", "right"),
            ("duplicate", "right"),
            ("superseded", "right"),
            ("quarantined", "right"),
        ],
        [
            [
                Path(item.path).name + (f" [{item.sheet}]" if item.sheet else ""),
                words(item.record_kind) + (" (landed before)" if item.already_landed else ""),
                item.mapping,
                f"{item.rows_read:,}",
                f"{item.accepted:,}",
                f"{item.duplicate:,}",
                f"{item.superseded:,}",
                f"{item.quarantined:,}",
            ]
            for item in reports
        ],
    )
    told: set[str] = set()
    for item in reports:
        name = Path(item.path).name
        for finding in item.findings:
            more = " and more" if finding.count > len(finding.rows) else ""
            rows = f" (row {', '.join(map(str, finding.rows))}{more})" if finding.rows else ""
            line = f"  {name}: {finding.message}{rows}"
            if line not in told:
                echo(line)
            told.add(line)
        if item.sha256 not in told:
            print_certificate(name, item.certificate, item.as_of)
        told.add(item.sha256)


def print_certificate(
    name: str, certificate: Sequence[Stretch], as_of: dt.date | None = None
) -> None:
    """Print what the rows of a file are that are no rows of a table; nothing where there are
    none."""
    other = left_out(certificate)
    if not certificate:
        return
    last: dict[str, int] = {}
    for stretch in certificate:
        last[stretch.sheet] = max(last.get(stretch.sheet, 0), stretch.last)
    rows = sum(stretch.rows for stretch in certificate if stretch.role == "rows")
    held = sum(s.last - s.first + 1 for s in certificate if s.role == "rows") - rows
    blank = sum(s.last - s.first + 1 for s in certificate if s.role == "blank")
    headers = sum(s.rows for s in certificate if s.role in ("header", "header again"))
    rest = sum(stretch.rows for stretch in other)
    echo(
        f"  {name}: {plural(sum(last.values()), 'line')}: {plural(rows, 'row')} of tables"
        + (f" with {plural(held, 'more line')} in their cells" if held else "")
        + f", {headers:,} header, {blank:,} blank, {rest:,} other"
        + (f"; as of {as_of}" if as_of else "")
    )
    for stretch in other:
        mark = "  READ IT: words of danger, or of what does not count" if stretch.danger else ""
        echo(f"    {stretch.where}: {stretch.role}: {stretch.sample}{mark}")
