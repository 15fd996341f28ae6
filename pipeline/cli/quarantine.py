"""``coverplate quarantine``: rows set aside, with every reason, and the way back."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import click

from pipeline import landing
from pipeline.cli.intake import print_reports
from pipeline.cli.ledger_options import ledger_options, refused_rows
from pipeline.cli.options import DONE, QUARANTINED, existing, json_option, workspace_option
from pipeline.cli.output import echo, print_json, print_table, progress, say
from pipeline.landing.corrected_alike import alike_rows, correct_alike
from pipeline.screens.landed import danger_in
from shared.in_words import plural


@click.group(short_help="Rows set aside, and the way back.")
def quarantine() -> None:
    """Rows that were set aside with their reasons; correct them and take them in again."""


@quarantine.command("list", epilog="Example: coverplate quarantine list --json")
@click.option("--all", "everything", is_flag=True, help="Also rows corrected since.")
@ledger_options
def list_rows(everything: bool, workspace: Path, ledger_at: str | None, as_json: bool) -> int:
    """List quarantined rows: file, sheet, row, original cells and every reason.

    Fix reports that landed and that the ledger's rules refuse are among them.
    """
    place = existing(workspace)
    rows = landing.list_quarantine(
        place, unresolved_only=not everything, refused=refused_rows(place, ledger_at)
    )
    if as_json:
        print_json([row.model_dump(mode="json") for row in rows])
        return 0
    for line in danger_in(place):
        echo(line)
    print_table(
        f"{len(rows)} row(s) in quarantine",
        [
            ("file", "left"),
            ("row", "right"),
            ("set aside", "left"),
            ("column", "left"),
            ("found", "left"),
            ("expected", "left"),
        ],
        [
            [
                Path(row.path).name + (f" [{row.sheet}]" if row.sheet else ""),
                row.where,
                _LEVELS[row.level],
                reason.column,
                reason.found or "(empty)",
                reason.expected,
            ]
            for row in rows
            for reason in row.reasons
        ],
    )
    return 0


_LEVELS = {"row": "row", "cell": "cell only", "rules": "by the ledger's rules"}


@quarantine.command("export", epilog="Example: coverplate quarantine export to-correct.csv")
@click.argument("path", type=click.Path(path_type=Path, dir_okay=False))
@ledger_options
def export_rows(path: Path, workspace: Path, ledger_at: str | None, as_json: bool) -> int:
    """Write quarantined rows to a CSV; correct it and take it in with `coverplate intake`.

    Sources with other columns get a file of their own each, named after PATH.
    """
    place = existing(workspace)
    written = landing.export_quarantine(place, path, refused=refused_rows(place, ledger_at))
    if as_json:
        print_json(
            [
                {"path": str(item.path), "rows": item.rows, "sources": list(item.sources)}
                for item in written
            ]
        )
        return 0
    if not written:
        echo("No row is in quarantine; nothing was written.")
        return 0
    for item in written:
        echo(f"{plural(item.rows, 'row')} of {', '.join(item.sources)} written to {item.path}.")
    files = " ".join(str(item.path) for item in written)
    echo(
        "Correct the cells, leave the columns that begin with coverplate_ as they are, and run "
        f"`coverplate intake {files}`."
    )
    return 0


@quarantine.command("alike", epilog="Example: coverplate quarantine alike --json")
@workspace_option
@json_option
def list_alike(workspace: Path, as_json: bool) -> int:
    """List quarantined rows that one correction mends: same file, column and text."""
    groups = alike_rows(existing(workspace))
    if as_json:
        print_json([asdict(group) for group in groups])
        return 0
    print_table(
        "Rows alike, that one correction mends",
        [
            ("id", "left"),
            ("file", "left"),
            ("column", "left"),
            ("found", "left"),
            ("rows", "right"),
            ("set aside", "right"),
            ("expected", "left"),
        ],
        [
            [
                group.key if group.header else "(one by one)",
                Path(group.path).name + (f" [{group.sheet}]" if group.sheet else ""),
                group.column + (f" ({group.header})" if group.header else ""),
                group.found or "(empty)",
                f"{group.rows:,}",
                f"{group.set_aside:,}",
                group.expected,
            ]
            for group in groups
        ],
    )
    if groups:
        echo("Give all of them one value: `coverplate quarantine correct ID VALUE`.")
    return 0


@quarantine.command(
    "correct", epilog="Example: coverplate quarantine correct Q-3f0a9c12de open_ground"
)
@click.argument("key", metavar="ID")
@click.argument("value", required=False)
@click.option("--blank", is_flag=True, help="The cell should have held nothing.")
@workspace_option
@json_option
def correct_rows(key: str, value: str | None, blank: bool, workspace: Path, as_json: bool) -> int:
    """Give all rows alike (`coverplate quarantine alike`) one VALUE and take them in.

    They land as a file of corrected rows, read the way their source was read. Rows in which
    anything else is wrong are set aside again.
    """
    if (value is None) == (not blank):
        raise click.UsageError("Give a VALUE, or --blank.")
    with progress() as report:
        reports = correct_alike(existing(workspace), key, value or "", report)
    if as_json:
        print_json([item.as_json() for item in reports])
    else:
        print_reports(reports)
    again = sum(item.quarantined for item in reports)
    if again:
        say(f"{plural(again, 'row')} set aside again: see `coverplate quarantine list`.")
    return QUARANTINED if again else DONE
