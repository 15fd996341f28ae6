"""What builds said is kept until looks that can see a false ground have found what there is."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import pytest

from pipeline.landing import Workspace
from pipeline.ledger import FixReported, current, open_ledger
from pipeline.ledger.sync import sync_findings
from pipeline.warehouse import predictions, store
from pipeline.warehouse.build import build
from tests.cli.running import run
from tests.warehouse.small_portfolio import land, observations, rows

pytestmark = pytest.mark.slow

REGISTER = "building_id,year_built,dwelling_units,receptacle_count\nOLD,1950,1,12\nNEW,2015,1,12\n"


def look(building: str, opening: int, method: str, result: str, day: str, jumper: str = "") -> str:
    cells = (building, 1, "room", opening, day, "Ada", method, "random", "three_slot", result)
    return ",".join(map(str, (*cells, "yes" if jumper else "", jumper)))


def said(workspace: Workspace) -> list[dict]:
    with store.reading(workspace) as con:
        frame = predictions.said_and_found(con, workspace)
    return frame[frame["basis"] == predictions.EARLIER_BUILDS].to_dict(orient="records")


@pytest.fixture
def workspace(tmp_path: Path) -> Workspace:
    workspace = Workspace(tmp_path / "workspace")
    land(workspace, tmp_path / "in", "register.csv", REGISTER)
    lamps = [
        look(b, n, "three_lamp_tester", "correct", "2024-05-01")
        for b in ("OLD", "NEW")
        for n in range(6)
    ]
    land(workspace, tmp_path / "in", "lamps.csv", observations(*lamps))
    build(workspace)
    return workspace


def test_said_before_is_set_beside_found_after(workspace: Workspace, tmp_path: Path) -> None:
    """Two openings that a lamp passed and one that nobody recorded, then seen with cover off."""
    with store.reading(workspace) as con:
        before = dict(
            con.execute(
                "SELECT opening_id, p_dangerous FROM openings JOIN buildings USING (building_no) "
                "WHERE buildings.building_id = 'OLD'"
            ).fetchall()
        )
        ((unseen,),) = con.execute(
            "SELECT p_dangerous FROM opening_groups JOIN buildings USING (building_no) "
            "WHERE building_id = 'OLD' AND NOT recorded"
        ).fetchall()
    assert said(workspace) == []
    seen = [
        look("OLD", 0, "cover_off_inspection", "false_ground", "2024-06-01", "yes"),
        look("OLD", 1, "cover_off_inspection", "correct", "2024-06-01", "no"),
        look("OLD", 77, "cover_off_inspection", "false_ground", "2024-06-01", "yes"),
        look("OLD", 2, "three_lamp_tester", "correct", "2024-06-01"),
        look("ELSEWHERE", 1, "cover_off_inspection", "false_ground", "2024-06-01", "yes"),
    ]
    land(workspace, tmp_path / "in", "covers.csv", observations(*seen))
    path = build(workspace).path
    found = said(workspace)
    assert sum(each["openings"] for each in found) == 3
    told = sum(each["said"] * each["openings"] for each in found)
    assert told == pytest.approx(before["0"] + before["1"] + unseen)
    now = rows(
        path,
        "SELECT sum(p_dangerous) FROM openings JOIN buildings USING (building_no) "
        "WHERE buildings.building_id = 'OLD' AND opening_id IN ('0', '1', '77')",
    )
    assert sum(e["found"] * e["openings"] for e in found) == pytest.approx(now[0][0])

    # A second look at the same opening settles nothing that was open; a damaged file is no figure.
    again = [look("OLD", 0, "cover_off_inspection", "false_ground", "2024-07-01", "yes")]
    land(workspace, tmp_path / "in", "again.csv", observations(*again))
    build(workspace)
    assert said(workspace) == found
    (workspace.predictions / "000009-x.parquet").write_bytes(b"PAR1 torn")
    shown = run("evidence", "--said-and-found", "--workspace", str(workspace.root), "--json")
    listed = [e for e in json.loads(shown.out) if e["basis"] == predictions.EARLIER_BUILDS]
    assert [(e["openings"], e["said"], e["found"]) for e in listed] == [
        (e["openings"], pytest.approx(e["said"]), pytest.approx(e["found"])) for e in found
    ]


def test_what_a_repair_left_is_no_answer(workspace: Workspace, tmp_path: Path) -> None:
    lamp = [look("OLD", n, "three_lamp_tester", "open_ground", "2024-05-02") for n in (3, 4)]
    land(workspace, tmp_path / "in", "open_grounds.csv", observations(*lamp))
    build(workspace)
    ledger = open_ledger(workspace=workspace.root)
    with store.reading(workspace) as con:
        sync_findings(con, ledger, who="test")
    (finding,) = current(ledger).query("opening_id == '3'").to_dict(orient="records")
    fixed = FixReported(
        remedy="grounding_conductor_added",
        fixed_on=dt.date(2024, 5, 20),
        firm="Invented Electric",
        worker="D. Orme",
        licence="X-1",
        permit="P-1",
    )
    ledger.append(
        finding["finding_id"], fixed, who="test", origin="cli", expected=finding["sequence"]
    )
    ledger.close()
    seen = [look("OLD", n, "cover_off_inspection", "correct", "2024-06-01", "no") for n in (3, 4)]
    land(workspace, tmp_path / "in", "covers.csv", observations(*seen))
    build(workspace)
    assert sum(each["openings"] for each in said(workspace)) == 1
