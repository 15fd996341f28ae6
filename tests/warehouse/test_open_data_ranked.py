"""A city's open data, ranked: with no look at any opening, a rank rests on assumption alone."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from pipeline.landing import Workspace, intake
from pipeline.warehouse import queries, store
from pipeline.warehouse.build import build

FOLDER = Path(
    os.environ.get("COVERPLATE_OPEN_DATA", Path(__file__).parents[3] / "shared" / "open_data")
)
FILES = sorted(FOLDER.glob("rental_building_evaluations_*.csv")) if FOLDER.is_dir() else []

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(
        not FILES, reason=f"no open data at {FOLDER}; set COVERPLATE_OPEN_DATA to its folder"
    ),
]


def test_it_is_ranked_and_says_what_the_rank_rests_on(tmp_path: Path) -> None:
    workspace = Workspace(tmp_path / "workspace").create()
    register, _ = intake(workspace, [FILES[0]])
    build(workspace)
    with store.reading(workspace) as con:
        frame = queries.ranking(con)
    assert len(frame) == register.rows_read - register.duplicate - register.superseded
    assert frame["rank"].tolist() == list(range(1, len(frame) + 1))
    assert (frame["evidence_share"] == 0).all()
    assert (frame["blind_share"] > 0.999).all()
    assert (frame["contribution_confirmed_defects"] == 0).all()
    assert not frame["urgent"].any()
    each = frame.assign(early=frame["year_built"] < 1960).dropna(subset=["year_built"])
    harm = (each["score"] / each["openings"]).groupby(each["early"]).mean()
    assert harm[True] > 1.5 * harm[False], "era is all there is to go by, and it is used"
