"""Two rule books over the same landed exports: who moves, and how alike the rankings are."""

from __future__ import annotations

import os
from dataclasses import dataclass

import pandas as pd
from scipy import stats

from pipeline.landing import Workspace
from pipeline.warehouse import queries, store
from pipeline.warehouse.build import build
from pipeline.warehouse.inputs import Progress, inputs_version, workspace_rule_book
from shared.faults import CoverplateError
from shared.rule_book import RuleBook


@dataclass(frozen=True)
class Comparison:
    """Rankings under two rule books.

    Attributes:
        hash, other_hash: the rule books.
        frame: building_id, name, rank, other_rank, move (places gained under the other),
            burden, other_burden, score, other_score; by rank.
        kendall_tau: rank correlation (tau-b), 1 for the same order; 1 for fewer than two buildings.
        moved: buildings whose rank differs.
    """

    hash: str
    other_hash: str
    frame: pd.DataFrame
    kendall_tau: float
    moved: int


def compare_rule_books(
    workspace: Workspace, other: RuleBook, progress: Progress | None = None
) -> Comparison:
    """Build under another rule book, aside, and compare with the current warehouse.

    Raises:
        CoverplateError: where nothing was built yet, or where the current warehouse is older than
            what it was built from, so that more than the rules would differ.
    """
    columns = ["building_id", "name", "rank", "burden", "score"]
    with store.reading(workspace) as con:
        own = queries.ranking(con)[columns]
        rule_book_hash = str(queries.build_facts(con)["rule_book_hash"])
    if store.current_version(workspace) != inputs_version(
        workspace, workspace_rule_book(workspace)
    ):
        raise CoverplateError(
            "exports, ledger or rules changed since the last build",
            expected="a current warehouse, so that nothing but the rules differs",
            to_do="run `coverplate build`, then compare again",
        )
    aside = workspace.warehouse / f".building-{os.getpid()}-comparison.duckdb"
    with store.building_beside(workspace):
        try:
            build(workspace, other, progress, into=aside)
            con = store.open_reader(aside)
            try:
                theirs = queries.ranking(con)[["building_id", "rank", "burden", "score"]]
            finally:
                con.close()
        finally:
            aside.unlink(missing_ok=True)
    frame = own.merge(
        theirs.rename(columns={name: f"other_{name}" for name in ("rank", "burden", "score")}),
        on="building_id",
    )
    frame["move"] = frame["rank"] - frame["other_rank"]
    tau = 1.0
    if len(frame) > 1:
        tau = float(stats.kendalltau(frame["rank"], frame["other_rank"]).statistic)
    return Comparison(rule_book_hash, other.hash, frame, tau, int((frame["move"] != 0).sum()))
