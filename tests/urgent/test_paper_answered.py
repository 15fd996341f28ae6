"""A paper that names no opening, once it is answered: told as such, and the screen stands."""

from __future__ import annotations

import pandas as pd
import pytest
from screens_shown import plate, screen_of, sound
from urgent_rows import PROOF, look

from pipeline.landing import Workspace
from tests.cli.running import run

pytestmark = pytest.mark.slow

SAID = "Tenant got a shock from the refrigerator"
VOLTS = {"hot_neutral_volts": 120, "case_earth_volts": 0.4, "ground_contact_earth_volts": 0.3}


def test_where_next_shows_a_paper_that_a_look_answered(tmp_path, monkeypatch):
    at = ("--workspace", tmp_path / "w")
    paper = {
        "building_id": "H", "unit_id": "1", "report_kind": "complaint", "reference": "C-1",
        "reported_on": "2024-05-06", "status": "open", "description": SAID,
    }  # fmt: skip
    files = {
        "first.csv": look(0, **PROOF),
        "paper.csv": paper,
        "after.csv": look(10, **PROOF | VOLTS),
    }
    for name, row in files.items():
        pd.DataFrame([row]).to_csv(tmp_path / name, index=False)
        assert run("intake", tmp_path / name, *at).code == 0
    for words in (("build",), ("findings", "sync")):
        assert run(*words, *at).code == 0
    (told,) = run("urgent", "--cleared", "--json", *at).json()
    assert told["says"] == SAID and told["opening_id"] is None
    app = screen_of(monkeypatch, Workspace(tmp_path / "w"), "where_next")
    sound(app)
    shown = plate(app, "cleared")
    assert SAID in shown and "unit 1, no opening named" in shown
    assert "never recorded" not in shown
