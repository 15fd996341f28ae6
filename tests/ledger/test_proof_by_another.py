"""Who may prove a repair, from the file to the list: never whoever may have made it."""

from __future__ import annotations

import pandas as pd
import pytest

from tests.cli.running import run

pytestmark = pytest.mark.slow

FALSE_GROUND = {
    "method": "cover_off_inspection", "result": "false_ground", "cover_removed": "yes",
    "neutral_ground_jumper": "yes", "polarity": "correct", "slots": "three_slot",
    "inspector": "Ada Quenth",
}  # fmt: skip
SOUND = FALSE_GROUND | {
    "result": "correct", "neutral_ground_jumper": "no", "ground_present": "yes",
    "ground_path_ohms": 0.2,
}  # fmt: skip
FIRM, OTHER = "Pellworth Electric", "Quillmarsh"
CASES = (
    # firm and worker, firm and name of who looked, whether that proves
    (FIRM, "Mike Orme", "", "Michael Orme", False),
    (FIRM, "James Tarrow", OTHER, "Jas. Tarrow", False),
    (FIRM, "Jos\u00e9 Garcia", "", "Pepe Garcia", False),
    (FIRM, "Mike Orme", "", "not recorded", False),
    (FIRM, "Mike Orme", OTHER, "Dad", False),
    (FIRM, "illegible", "", "Mike Orme", False),
    (FIRM, "see invoice", FIRM, "Mike Orme", False),
    (FIRM, "2 men", "", "Mike Orme", False),
    (FIRM, "D. Orme + 1", "", "Sally Ambrel", False),
    (FIRM, "Orme", OTHER, "D. Orme", False),
    (FIRM, "", "Pelworth Electric", "Sally Ambrel", False),
    (FIRM, "", "PE", "Sally Ambrel", False),
    (FIRM, "", "n/k", "Sally Ambrel", False),
    ("In-house", "", "Housing Authority", "Sally Ambrel", False),
    ("subcontractor", "", "Pellworth", "Sally Ambrel", False),
    (FIRM, "Mike Orme", "", "Sally Ambrel", True),
    (FIRM, "Mike Orme lic 4711", "", "Michael Orme lic 4712", True),
    (FIRM, "illegible", OTHER, "Sally Ambrel", True),
    (FIRM, "", OTHER, "Sally Ambrel", True),
    ("In-house", "", OTHER, "Sally Ambrel", True),
)


def _rows(folder, name, rows):
    pd.DataFrame(rows).to_csv(folder / name, index=False)
    return folder / name


def test_nobody_proves_what_may_be_their_own_work(tmp_path):
    at = ("--workspace", tmp_path / "w")
    openings = [
        {"building_id": "H", "unit_id": "1", "opening_id": str(n)} for n, _ in enumerate(CASES)
    ]
    found = [place | {"observed_on": "2024-05-01"} | FALSE_GROUND for place in openings]
    assert run("intake", _rows(tmp_path, "found.csv", found), *at).code == 0
    for words in (("build",), ("findings", "sync")):
        assert run(*words, *at).code == 0
    fixed = {
        "family": "false_ground", "remedy": "grounding_conductor_added", "fixed_on": "2024-06-01",
    }  # fmt: skip
    fixes = [
        place | fixed | {"firm": firm, "worker": worker}
        for place, (firm, worker, *_) in zip(openings, CASES, strict=True)
    ]
    assert run("intake", _rows(tmp_path, "fixes.csv", fixes), *at).code == 0
    looks = [
        place | {"observed_on": "2024-07-01"} | SOUND
        | {"firm_of_inspector": firm, "inspector": inspector}
        for place, (_, _, firm, inspector, _) in zip(openings, CASES, strict=True)
    ]  # fmt: skip
    run("intake", _rows(tmp_path, "looks.csv", looks), *at)
    for words in (("build",), ("findings", "sync")):
        assert run(*words, *at).code == 0
    listed = run("findings", "list", "--all", *at, "--json").json()
    states = {r["opening_id"]: r["state"] for r in listed if r["family"] == "false_ground"}
    for n, (*case, proves) in enumerate(CASES):
        expected = "repair_proven" if proves else "fix_reported_unproven"
        assert states[str(n)] == expected, case
    told = run("fix", "unproven", *at).out
    assert "write both names in full or beside each the licence number" in " ".join(told.split())
