"""Files and permits of a visit or a finding: the same commands in both groups."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click
import pandas as pd

from pipeline.cli.ledger_options import (
    ORIGIN,
    acting_options,
    day_option,
    day_or_today,
    ledger_options,
    opened,
)
from pipeline.cli.output import (
    print_json,
    print_table,
    say,
)
from pipeline.landing import Workspace
from pipeline.ledger import papers
from pipeline.warehouse.frames import records
from shared.faults import CoverplateError
from shared.in_words import count, day, plural, words

_about = click.argument("about", metavar="VISIT|FINDING")


@click.command(
    epilog="Examples: coverplate visits attach V-0017-2A-20250401-1 box.jpg invoice.pdf "
    "--note 'photo and invoice'  ·  coverplate findings attach F-0123456789abcdef box.jpg",
)
@_about
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path, dir_okay=False))
@click.option("--note", help="What they are.")
@acting_options
def attach(
    about: str, files: tuple[Path, ...], note: str | None, who: str, workspace: Path,
    ledger_at: str | None, as_json: bool,
) -> int:  # fmt: skip
    """Keep files with a visit or a finding, by what they hold.

    `coverplate ledger verify` tells when one is lost or altered.
    """
    place = Workspace(workspace)
    with opened(workspace, ledger_at) as ledger:
        papers.attach(ledger, place, about, files, note=note, who=who, origin=ORIGIN)
        rows = records(papers.attachments(ledger, place, about))
    print_json(rows) if as_json else print_papers(rows, [])
    return 0


@click.command(
    epilog="Examples: coverplate visits permit V-0017-2A-20250401-1 --number E-118 --status issued "
    "--expires-on 2025-10-01  ·  coverplate findings permit F-0123456789abcdef --number E-118 "
    "--status applied_for",
)
@_about
@click.option("--number", required=True, help="The permit's number.")
@click.option(
    "--status",
    required=True,
    type=click.Choice(list(papers.PERMIT_WORDS)),
    help="How it stands now.",
)
@day_option("--on", "Since which day; today when not given.")
@day_option("--expires-on", "The last day on which it holds.")
@click.option("--authority", help="Who issues it.")
@click.option("--note", help="Anything worth keeping.")
@acting_options
def permit(
    about: str, number: str, status: str, on: dt.datetime | None, expires_on: dt.datetime | None,
    authority: str | None, note: str | None, who: str, workspace: Path, ledger_at: str | None,
    as_json: bool,
) -> int:  # fmt: skip
    """Note how a permit for the work stands, and when it expires."""
    with opened(workspace, ledger_at) as ledger:
        papers.note_permit(
            ledger,
            about,
            number=number,
            status=status,
            on=day_or_today(on),
            expires_on=expires_on.date() if expires_on else None,
            authority=authority,
            note=note,
            who=who,
            origin=ORIGIN,
        )
        rows = records(papers.permits(ledger, about=about))
    print_json(rows) if as_json else print_papers([], rows)
    return 0


@click.command(epilog="Examples: coverplate visits permits  ·  coverplate findings permits --json")
@ledger_options
def permits(workspace: Path, ledger_at: str | None, as_json: bool) -> int:
    """List the permits of all visits and findings, those first that expire first."""
    with opened(workspace, ledger_at) as ledger:
        rows = records(papers.permits(ledger))
    print_json(rows) if as_json else _print_permits(rows)
    return 0


@click.command(
    epilog="Examples: coverplate visits files V-0017-2A-20250401-1  ·  coverplate findings files "
    "F-0123456789abcdef --json",
)
@_about
@ledger_options
def files(about: str, workspace: Path, ledger_at: str | None, as_json: bool) -> int:
    """List the files kept with a visit or a finding, and whether each is still what it was."""
    with opened(workspace, ledger_at) as ledger:
        rows = records(papers.attachments(ledger, Workspace(workspace), about))
    print_json(rows) if as_json else _print_files(rows)
    return 0


@click.command(
    epilog="Examples: coverplate visits fetch V-0017-2A-20250401-1 3f1c -o box.jpg  ·  "
    "coverplate findings fetch F-0123456789abcdef 3f1c -o box.jpg",
)
@_about
@click.argument("sha256", metavar="SHA256")
@click.option(
    "-o", "--output", "path", required=True, help="The file to write.",
    type=click.Path(path_type=Path, dir_okay=False),
)  # fmt: skip
@ledger_options
def fetch(
    about: str, sha256: str, path: Path, workspace: Path, ledger_at: str | None, as_json: bool
) -> int:
    """Write a kept file out again, named by the first letters of its SHA-256."""
    place = Workspace(workspace)
    with opened(workspace, ledger_at) as ledger:
        frame = papers.attachments(ledger, about=about)
    found = sorted({each for each in frame["sha256"] if each.startswith(sha256.lower())})
    if len(found) != 1:
        raise CoverplateError(
            f"{plural(len(found), 'file')} of {about} begin with {sha256}",
            expected="the first letters of the SHA-256 of one file",
            to_do="list them with `coverplate visits files` or `coverplate findings files`",
        )
    path.write_bytes(papers.kept_bytes(place, found[0]))
    print_json([{"path": str(path), "sha256": found[0]}]) if as_json else say(f"written to {path}")
    return 0


def add_commands(group: click.Group) -> None:
    """Put the commands into a group."""
    for command in (attach, permit, permits, files, fetch):
        group.add_command(command)


def print_papers(kept: Sequence[dict[str, Any]], needed: Sequence[dict[str, Any]]) -> None:
    """Print files and permits; nothing of what there is none of."""
    if needed:
        _print_permits(needed)
    if kept:
        _print_files(kept)


def _print_files(rows: Sequence[dict[str, Any]]) -> None:
    print_table(
        f"\n{plural(len(rows), 'file')}",
        [("file", "left"), ("bytes", "right"), ("note", "left"), ("by", "left"), ("", "left"),
         ("SHA-256", "left")],
        [[row["name"], count(row["size"]), words(row["note"]), row["attached_by"],
          row["state"].upper() if row["state"] not in ("", "kept") else "", row["sha256"][:16]]
         for row in rows],
    )  # fmt: skip


def _print_permits(rows: Sequence[dict[str, Any]]) -> None:
    print_table(
        f"\n{plural(len(rows), 'permit')}",
        [("permit", "left"), ("of", "left"), ("stands", "left"), ("since", "right"),
         ("expires", "right"), ("authority", "left"), ("note", "left")],
        [[row["number"], row["about"],
          "EXPIRED" if row["expired"] else papers.PERMIT_WORDS[row["status"]],
          day(row["status_on"]), day(row["expires_on"]) if pd.notna(row["expires_on"]) else "–",
          row["authority"] or "–", row["note"] or ""] for row in rows],
    )  # fmt: skip
