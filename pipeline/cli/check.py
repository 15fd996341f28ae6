"""``coverplate check``: whether what landed is still what it was."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.cli.options import DONE, REFUSED, existing, json_option, workspace_option
from pipeline.cli.output import echo, plural, print_json, print_table, progress
from pipeline.landing.integrity import Checked, check

TOLD = {
    "whole": "whole",
    "damaged": "damaged; can be derived anew with --repair",
    "rebuilt": "was damaged; derived anew from the original",
    "lost": "the original or its manifest is damaged: fetch the export again",
    "sealed": "landed before hashes were kept; they are kept from now on",
}
"""What each verdict means to a person."""


@click.command(
    "check",
    short_help="Whether what landed is still whole.",
    epilog="Example: coverplate check --workspace housing  ·  Exit codes: 0 all whole, "
    "2 something is damaged.",
)
@click.option("--repair", is_flag=True, help="Derive anew what is damaged, from the originals.")
@workspace_option
@json_option
def check_workspace(repair: bool, workspace: Path, as_json: bool) -> int:
    """Hold every landed file, and what was derived from it, against the hashes kept of them.

    Writes nothing without --repair, so a read-only copy can be checked. The ledger has a check of
    its own: `coverplate ledger verify`.
    """
    place = existing(workspace)
    with progress() as report:
        found = check(place, repair=repair, tell=lambda name: report(f"{name}: checking", 0.0))
    if as_json:
        print_json(
            [
                {"sha256": c.sha256, "path": c.path, "verdict": c.verdict, "found": c.found}
                for c in found
            ]
        )
    else:
        _print(found)
    return REFUSED if any(c.verdict in ("damaged", "lost") for c in found) else DONE


def _print(found: list[Checked]) -> None:
    wrong = [each for each in found if each.verdict != "whole"]
    echo(f"{plural(len(found), 'landed file')}, {len(found) - len(wrong)} of them whole.")
    if wrong:
        print_table(
            "",
            [("file", "left"), ("how it is", "left"), ("found", "left")],
            [[Path(each.path).name, TOLD[each.verdict], each.found] for each in wrong],
        )
