"""``coverplate demo``: the main job on an invented portfolio."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from data_demo.history import replay_history
from data_demo.portfolios import FOLDER, PORTFOLIOS
from pipeline import landing
from pipeline.cli.dashboard import serve
from pipeline.cli.intake import print_reports
from pipeline.cli.options import QUARANTINED, json_option
from pipeline.cli.output import echo, print_json, progress, say
from pipeline.cli.rank import print_ranking, ranking_rows
from pipeline.evidence import warm
from pipeline.landing import IntakeReport, Workspace
from pipeline.ledger import open_ledger
from pipeline.warehouse import queries, store
from pipeline.warehouse.build import build
from pipeline.warehouse.inputs import workspace_rule_book

DEMO_FOLDER = Path("coverplate-demo")
HISTORY_SEED = 3
START_PAGE = {
    "housing_authority": "where-next",
    "property_manager": "overdue",
    "insurer": "exposure",
}
"""The page that answers the first question of each portfolio's kind of user."""


@click.command(
    short_help="The whole job on an invented portfolio.",
    epilog="Example: coverplate demo --no-dashboard  ·  coverplate demo --portfolio insurer",
)
@click.option(
    "--portfolio",
    type=click.Choice(list(PORTFOLIOS)),
    default="housing_authority",
    show_default=True,
    help="Whose invented portfolio.",
)
@click.option("--no-dashboard", is_flag=True, help="Print the ranking and end.")
@click.option(
    "--workspace",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder to make the workspace in  [default: coverplate-demo/PORTFOLIO]",
)
@json_option
def demo(portfolio: str, no_dashboard: bool, workspace: Path | None, as_json: bool) -> int:
    """From messy exports to a ranked, explained list, on an invented portfolio.

    Exits with 0 when just the rows that were spoiled on purpose are quarantined, else with 3.
    """
    place = Workspace(workspace or DEMO_FOLDER / portfolio)
    place.create()
    source = FOLDER / portfolio
    saved = {mapping.name for mapping in landing.list_mappings(place)}
    for file in sorted((source / "mappings").glob("*.toml")):
        mapping = landing.load_mapping(file)
        if mapping.name not in saved:
            landing.save_mapping(place, mapping)
    with progress() as report:
        warm.begin()
        reports = landing.intake(place, [source / "exports"], progress=report)
        build(place, progress=report)
        _invent_history(place, portfolio)
        build(place, progress=report)
    with store.reading(place) as con:
        frame, sets = queries.ranking(con), queries.first_buildings(con)
    expected = json.loads((source / "expected.json").read_text(encoding="utf-8"))
    surprising = unexpected_rows(reports, expected)
    if as_json:
        print_json(ranking_rows(frame))
    else:
        echo("Everything below is invented: towns, streets, firms, people, readings.\n")
        print_reports(reports)
        echo("")
        print_ranking(frame, sets)
    for line in surprising:
        say(line)
    say(f"Workspace: {place.root}. One building: coverplate building ID --workspace {place.root}")
    if surprising:
        return QUARANTINED
    if no_dashboard or as_json:
        return 0
    return serve(place.root, start=START_PAGE[portfolio])


def _invent_history(workspace: Workspace, portfolio: str) -> None:
    """Two years of invented repairs, unless the ledger has a history already."""
    ledger = open_ledger(workspace=workspace.root, rule_book=workspace_rule_book(workspace))
    try:
        with store.reading(workspace) as con:
            replay_history(ledger, con, portfolio, HISTORY_SEED)
    finally:
        ledger.close()


NONE = (0, 0)


def unexpected_rows(reports: list[IntakeReport], expected: dict[str, Any]) -> list[str]:
    """Where the quarantine is not what the portfolio was spoiled to give, one line each."""
    designed = {
        (Path(entry["path"]).name, entry["sheet"], entry["record_kind"]): (
            entry["quarantined"],
            entry["blanked"],
        )
        for entry in expected["files"]
    }
    found = {
        (Path(item.path).name, item.sheet, str(item.record_kind)): (
            item.quarantined,
            item.blanked,
        )
        for item in reports
    }
    told = []
    for key in sorted(designed.keys() | found.keys()):
        (rows, cells), (rows_meant, cells_meant) = found.get(key, NONE), designed.get(key, NONE)
        if (rows, cells) != (rows_meant, cells_meant):
            told.append(
                f"{key[0]}: {rows} row(s) quarantined, {rows_meant} expected; "
                f"{cells} with cells left blank, {cells_meant} expected"
            )
    return told
