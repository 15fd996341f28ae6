"""Coverplate itself: files in, intake, build, and its documented answers out."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from pipeline import landing
from pipeline.landing import Workspace
from pipeline.warehouse import queries, store
from pipeline.warehouse.build import build
from shared.vocabulary import URGENT_CONDITIONS
from tests.evidence.gate.answers import Answers
from tests.evidence.gate.generate import OPENING, Portfolio

LIVE = [f"p_{condition.value}" for condition in URGENT_CONDITIONS]
"""Columns of chances of live metal."""


def answers(portfolio: Portfolio, folder: Path) -> Answers:
    """Coverplate's answers about a portfolio.

    Args:
        portfolio: whose exports are taken in.
        folder: an empty folder.

    ``place`` is by the expected number of dangerous openings; ``rank`` is Coverplate's own order.
    """
    workspace = Workspace(folder / "workspace")
    workspace.create()
    reports = landing.intake(workspace, portfolio.write(folder / "exports"))
    assert sum(report.quarantined for report in reports) == 0, [r.findings for r in reports]
    build(workspace)
    with store.reading(workspace) as con:
        ranked = queries.ranking(con)
        openings = pd.concat(
            [
                queries.openings(con, name).assign(building_id=name)
                for name in portfolio.looks["building_id"].unique()
            ]
        )
    buildings = ranked.rename(
        columns={
            "expected_dangerous_openings": "expected",
            "dangerous_low": "low",
            "dangerous_high": "high",
        }
    )[["building_id", "expected", "low", "high", "rank"]]
    buildings["place"] = buildings["expected"].rank(ascending=False, method="first")
    openings["p_live"] = openings[LIVE].sum(axis=1)
    return Answers(buildings, openings[[*OPENING, "p_dangerous", "p_live"]].reset_index(drop=True))
