"""What is urgent in a dwelling and no part of the visit there is named on letter and sheet."""

from __future__ import annotations

import re

import pandas as pd
import pytest
from urgent_rows import LIVE, export, look

from tests.cli.running import run

BOND = {k: v for k, v in LIVE.items() if k != "polarity"} | {
    "result": "false_ground", "polarity": "correct", "slots": "three_slot",
}  # fmt: skip
SAID = "reported_on,status,description\n"
PAPERS = f"""building_id,unit_id,report_kind,reference,{SAID}\
A,1,complaint,K1,2024-05-04,open,tenant got a shock from the stove
C,1,complaint,K2,2024-05-04,open,tenant got a shock from the stove
D,,complaint,K3,2024-05-04,open,sparks from the outlet in the hall
"""


@pytest.mark.slow
def test_letter_and_sheet_name_it(tmp_path):
    at = ("--workspace", tmp_path / "w")
    names = "ABCDE"
    register = [
        {"building_id": b, "dwelling_units": 2, "year_built": 1950, "receptacle_count": 4}
        for b in names
    ]
    looks = [look(opening="K1", building=b, room="Kitchen", **BOND) for b in "BCDE"]
    looks += [look(opening="K2", building="B", room="Hall", **LIVE | {"slots": "three_slot"})]
    looks += [look(opening="X9", building="E", room="Hall", **LIVE) | {"unit_id": "2"}]
    (tmp_path / "papers.csv").write_text(PAPERS)
    for file in (export(tmp_path, "register.csv", register), export(tmp_path, "looks.csv", looks)):
        assert run("intake", file, *at).code == 0
    assert run("intake", tmp_path / "papers.csv", *at).code == 0
    for words in (("build",), ("findings", "sync")):
        assert run(*words, *at).code == 0
    found = pd.DataFrame(run("findings", "list", "--all", "--json", *at).json())
    texts, shown = {}, {}
    for b in names:
        here = found[(found["building_id"] == b) & (found["unit_id"] == "1")]
        one = here[here["opening_id"] == ("" if b == "A" else "K1")]["finding_id"].iloc[0]
        when = ("--on", "2031-04-01", "--person", "Mike Orme")
        assert run("visits", "plan", one, *when, *at).code == 0
        visits = run("visits", "list", "--json", *at).json()
        (visit,) = (each["visit_id"] for each in visits if each["building_id"] == b)
        shown[b] = run("visits", "show", visit, *at).out
        for kind in ("letter", "sheet"):
            page = tmp_path / f"{b}-{kind}.html"
            assert run("visits", kind, visit, "-o", page, *at).code == 0
            text = re.sub("<[^>]+>", "", page.read_text("utf-8").split("</style>")[-1])
            texts[b, kind] = " ".join(text.split())
    unknown = (
        "in this dwelling: which outlet is meant is not known (complaint {} of 2024-05-04: shock)"
    )
    for kind, heading in (("letter", "Do not wait for that day"), ("sheet", "URGENT THERE TOO:")):
        assert heading in texts["A", kind] and unknown.format("K1") in texts["A", kind]
        assert heading in texts["B", kind] and "K2, Hall" in texts["B", kind]
        assert unknown.format("K2") in texts["C", kind]
        assert "in this building: which dwelling is meant is not known" in texts["D", kind]
        assert heading not in texts["E", kind] and "X9" not in texts["E", kind]
    assert "URGENT there too: K2, Hall" in shown["B"] and "URGENT there" not in shown["E"]
    assert "electrical outlets in this dwelling (which is not known)" in texts["A", "letter"]
    assert "1 electrical outlet (Kitchen)" in texts["C", "letter"]
    assert "1 electrical outlet" not in texts["A", "letter"]
