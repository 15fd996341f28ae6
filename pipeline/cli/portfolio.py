"""``coverplate portfolio`` and ``exposure``: all buildings at once, by group."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import click
import duckdb
import pandas as pd

from pipeline.cli.options import existing, json_option, workspace_option
from pipeline.cli.output import (
    cautions,
    print_json,
    print_table,
)
from pipeline.screens import exposed
from pipeline.screens import portfolio as whole
from pipeline.screens.reader import ScreenReader
from pipeline.warehouse import queries, store
from pipeline.warehouse.frames import records
from shared.faults import CoverplateError
from shared.in_words import number, percent, words

VIEWS: dict[str, Callable[..., pd.DataFrame]] = {
    "era": whole.by_era,
    "evidence": whole.evidence_by_era,
    "slots": whole.slots_by_era,
    "conditions": whole.conditions,
    "fire": queries.fire_facts,
}
_SHARES = ("dangerous_share", "blind_share", "p_any_dangerous")


def _cursor(workspace: Path) -> duckdb.DuckDBPyConnection:
    place = existing(workspace)
    version = store.current_version(place)
    if version is None:
        raise CoverplateError(
            f"there is no warehouse in {workspace} yet", to_do="run `coverplate build`"
        )
    return ScreenReader(place, version).cursor()


@click.command(
    epilog="Examples: coverplate portfolio  ·  coverplate portfolio --view conditions  ·  "
    "coverplate portfolio --blind-by owner"
)
@click.option(
    "--view",
    type=click.Choice(list(VIEWS)),
    default="era",
    show_default=True,
    help="Buildings by era, openings by evidence, mixed openings, conditions expected, or facts "
    "that bear on fire.",
)
@click.option(
    "--blind-by",
    type=click.Choice(list(whole.GROUPS)),
    help="Instead: where openings lie that no capable method looked at.",
)
@workspace_option
@json_option
def portfolio(view: str, blind_by: str | None, workspace: Path, as_json: bool) -> int:
    """The whole portfolio by era, evidence or condition."""
    con = _cursor(workspace)
    frame = whole.blind_spots(con, blind_by, 1_000) if blind_by else VIEWS[view](con)
    _print(frame.drop(columns=["position", "place"], errors="ignore"), as_json)
    return 0


@click.command(
    epilog="Examples: coverplate exposure --top 20  ·  coverplate exposure --by owner --json"
)
@click.option("--by", type=click.Choice(list(whole.GROUPS)), help="By group instead.")
@click.option("--top", type=click.IntRange(min=1), help="Only the first K.")
@workspace_option
@json_option
def exposure(by: str | None, top: int | None, workspace: Path, as_json: bool) -> int:
    """Sums insured, times the chance of danger there."""
    con = _cursor(workspace)
    frame = exposed.by_group(con, by, top or 1_000) if by else exposed.buildings(con, limit=top)
    wanted = ["building_id", "name", "owner", "insured_value", "p_any_dangerous", "exposed"]
    shown = frame.drop(columns=["position", "place"], errors="ignore")
    _print(shown if as_json or by else shown[wanted], as_json)
    return 0


def _print(frame: pd.DataFrame, as_json: bool) -> None:
    if as_json:
        print_json(records(frame))
        return
    numeric = {name for name in frame.columns if pd.api.types.is_numeric_dtype(frame[name])}
    print_table(
        "",
        [(words(name), "right" if name in numeric else "left") for name in frame.columns],
        [
            [
                percent(row[name])
                if name in _SHARES
                else _figure(row[name])
                if name in numeric
                else words(row[name])
                for name in frame.columns
            ]
            for row in records(frame)
        ],
    )
    cautions()


def _figure(value: float) -> str:
    """A count as it is, anything else to three significant digits."""
    return f"{value:,.0f}" if float(value).is_integer() else number(value, 3)
