"""``coverplate plan``: how many looks are enough."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import click

from pipeline.cli.options import existing, json_option, narrowing_options, workspace_option
from pipeline.cli.output import (
    cautions,
    echo,
    number,
    percent,
    plural,
    print_json,
    print_table,
)
from pipeline.cli.rank import warn_if_stale
from pipeline.planning.enough import Enough, enough, why_they_differ
from pipeline.warehouse import store
from pipeline.warehouse.build import workspace_rule_book
from pipeline.warehouse.narrowing import Narrowing
from shared.vocabulary import Method

SHARE = click.FloatRange(0.0, 1.0, min_open=True)


@click.group(short_help="How many looks are enough.")
def plan() -> None:
    """How many looks are enough, and what so many prove."""


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
