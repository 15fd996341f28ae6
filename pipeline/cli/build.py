"""``coverplate build``: weigh the evidence into a new warehouse."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.cli.options import existing, json_option, workspace_option
from pipeline.cli.output import echo, print_json, progress, say
from pipeline.warehouse.build import build as build_warehouse


@click.command(
    short_help="Weigh the evidence into a new warehouse.",
    epilog="Example: coverplate build --workspace housing",
)
@click.option(
    "--learn", is_flag=True, help="Learn from the portfolio again, even if what it taught fits."
)
@workspace_option
@json_option
def build(learn: bool, workspace: Path, as_json: bool) -> int:
    """Build the warehouse from landed exports, ledger and rule book, and swap it in.

    What the portfolio taught is kept from build to build while it fits; then only buildings whose
    evidence changed are weighed, and all are ranked anew. Readers of the current warehouse are not
    disturbed, and a build that is stopped changes nothing.
    """
    place = existing(workspace)
    with progress() as report:
        built = build_warehouse(place, progress=report, learn_again=learn)
    if as_json:
        print_json(
            [
                {
                    "version": built.version,
                    "rule_book_hash": built.rule_book_hash,
                    "buildings": built.buildings,
                    "reused": built.reused,
                    "path": str(built.path),
                    "weighed": built.weighed,
                    "learned": built.learned,
                    "notes": list(built.notes),
                }
            ]
        )
    else:
        state = "is up to date" if built.reused else "built"
        echo(
            f"Warehouse {built.version} {state}: {built.buildings:,} buildings, "
            f"rule book {built.rule_book_hash[:12]}."
        )
        for note in built.notes:
            say(note)
        if not built.reused:
            taught = (
                f"What the portfolio teaches was learned anew ({built.learned})."
                if built.learned
                else "What the portfolio taught was kept."
            )
            echo(f"{taught} Buildings weighed: {built.weighed:,} of {built.buildings:,}.")
    return 0
