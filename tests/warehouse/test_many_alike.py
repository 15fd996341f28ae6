"""A house with one fault at every opening: all but impossible at most rates, and yet there."""

from __future__ import annotations

import csv
import math

import pytest

from tests.cli.running import run

COVER = {"method": "cover_off_inspection", "cover_removed": "yes", "slots": "three_slot"}
ALIKE = {
    "reversed": COVER
    | {"result": "hot_neutral_reversed", "ground_present": "yes", "polarity": "reversed",
       "neutral_ground_jumper": "no"},
    "jumpered": COVER
    | {"result": "false_ground", "ground_present": "no", "polarity": "correct",
       "neutral_ground_jumper": "yes"},
    "sound": COVER
    | {"result": "correct", "ground_present": "yes", "polarity": "correct",
       "neutral_ground_jumper": "no", "ground_path_ohms": 0.2},
}  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("circuit", ["", "C1"])
@pytest.mark.parametrize("case", ALIKE)
def test_so_many_alike_are_weighed(case, circuit, tmp_path):
    rows = [
        {"building_id": "H", "unit_id": "1", "opening_id": f"O{n}", "circuit_id": circuit,
         "observed_on": "2026-03-02", "inspector": "Ada Quill", **ALIKE[case]}
        for n in range(160)
    ]  # fmt: skip
    file, place = tmp_path / "looks.csv", tmp_path / "w"
    with file.open("w", newline="", encoding="utf-8") as handle:
        writer = csv.DictWriter(handle, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    assert run("intake", file, "--workspace", place).code == 0
    built = run("build", "--workspace", place)
    assert built.code == 0, built.err
    openings = run("openings", "H", "--workspace", place, "--json").json()
    assert len(openings) == 160
    for row in openings:
        assert math.isfinite(row["p_dangerous"])
        assert (row["p_dangerous"] > 0.5) == (case == "jumpered")
