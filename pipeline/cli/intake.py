"""``coverplate intake``: take exports in."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from pipeline import landing
from pipeline.cli.options import DONE, QUARANTINED, json_option, workspace_option
from pipeline.cli.output import print_json, print_table, progress, say, words
from pipeline.evidence import warm
from pipeline.landing import IntakeReport, Workspace
from shared.faults import CoverplateError


@click.command(
    short_help="Take exports in and reconcile every row.",
    epilog="Example: coverplate intake exports/ register.xlsx --workspace housing  ·  "
    "Exit codes: 0 done, 2 refused (nothing changed), 3 done with rows in quarantine.",
)
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--mapping", "mapping", help="Name of a saved mapping to read these files with.")
@workspace_option
@json_option
def intake(paths: tuple[Path, ...], mapping: str | None, workspace: Path, as_json: bool) -> int:
    """Take exports in: CSV and other delimited text, XLSX, JSON, JSON Lines, Parquet, ZIP, folders.

    Makes the workspace if there is none, and never asks. Every row ends as accepted, duplicate,
    superseded or quarantined; the counts add up to the rows read. A file that was taken in before
    changes nothing.
    """
    place = Workspace(workspace)
    place.create()
    with progress() as report:
        warm.begin()
        reports = landing.intake(place, list(paths), mapping=mapping, progress=report)
    if all(item.record_kind is None for item in reports):
        raise CoverplateError(
            f"no table was found in {', '.join(map(str, paths))}; nothing was taken in",
            expected="CSV or other delimited text, XLSX, JSON, JSON Lines or Parquet, or a ZIP or "
            "folder of these",
            to_do="check that these are the exports meant, and that they came whole",
        )
    if as_json:
        print_json([item.as_json() for item in reports])
    else:
        print_reports(reports)
    quarantined = sum(item.quarantined for item in reports if not item.already_landed)
    if quarantined:
        say(
            f"{quarantined} row(s) are in quarantine. See why with `coverplate quarantine list`, "
            "correct them with `coverplate quarantine export FILE.csv`."
        )
        return QUARANTINED
    return DONE


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
    for item in reports:
        for finding in item.findings:
            click.echo(f"  {Path(item.path).name}: {finding.message}")
