"""What asks the warehouse for the ledger's sake asks it through a screen's connection as well."""

from pathlib import Path

import pytest

from pipeline.landing import Workspace
from pipeline.ledger import open_ledger
from pipeline.ledger.landed_looks import looks_since_fixes, proofs_in_doubt
from pipeline.ledger.sync import sync_findings
from pipeline.screens.reader import ScreenReader
from pipeline.warehouse import store
from tests.cli.running import run

HEADER = (
    "building_id,unit_id,opening_id,observed_on,inspector,method,selection,slots,result,"
    "cover_removed,ground_present,neutral_ground_jumper,polarity,ground_path_ohms\n"
)
BAD = "B1,2A,K1,2025-02-01,S. Ambrel,cover_off_inspection,survey,three_slot,false_ground,"
GOOD = "B1,2A,K1,2025-04-01,S. Ambrel,cover_off_inspection,survey,three_slot,correct,"


def taken_in(place: Path, name: str, row: str) -> None:
    file = place.parent / name
    file.write_text(HEADER + row + "\n", encoding="utf-8")
    assert run("intake", file, "--workspace", place).code in (0, 3)
    assert run("build", "--workspace", place).code == 0


@pytest.mark.slow
def test_looks_proofs_and_syncs_through_a_screens_connection(tmp_path: Path) -> None:
    place = tmp_path / "own"
    where = ("--workspace", place)
    taken_in(place, "one.csv", BAD + "yes,no,yes,correct,")
    assert run("findings", "sync", *where).code == 0
    every = run("findings", "list", *where, "--json").json()
    (row,) = (each for each in every if each["condition"] == "false_ground")
    report = ("--remedy", "grounding_conductor_added", "--firm", "Pellworth", "--worker", "D. Orme")
    done = run("fix", "report", row["finding_id"], *report, "--on", "2025-03-20", *where)
    assert done.code == 0, done.err
    taken_in(place, "two.csv", GOOD + "yes,yes,no,correct,0.3")
    workspace = Workspace(place)
    screen = ScreenReader(workspace, store.current_version(workspace)).cursor()
    ledger = open_ledger(workspace=place)
    try:
        (told,) = looks_since_fixes(screen, ledger).to_dict("records")
        assert (told["finding_id"], told["says"]) == (row["finding_id"], "proves")
        assert sync_findings(screen, ledger).verified == 1
        assert proofs_in_doubt(screen, ledger) == {}
    finally:
        ledger.close()
