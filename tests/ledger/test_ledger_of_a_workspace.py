"""From a file to warehouse and ledger: what the last build knew of it is held against it."""

import sqlite3

import pytest
from forging import chained, honest, slipped_in
from ledger_samples import WHO, raised

from pipeline.landing import Workspace
from pipeline.ledger import open_ledger
from tests.cli.running import run
from tests.warehouse.small_portfolio import OBSERVED, land


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    """A workspace with a ledger of three findings, built."""
    folder = tmp_path_factory.mktemp("built")
    place = Workspace(folder / "workspace")
    land(place, folder, "register.csv", "building_id,year_built\nB1,1938\n")
    looks = f"{OBSERVED}\nB1,2A,,1,2024-05-01,Ada,three_lamp_tester,random,three_slot,correct,,\n"
    land(place, folder, "looks.csv", looks)
    ledger = open_ledger(workspace=place.root)
    ledger.raise_many([raised(f"K{n}") for n in range(3)], **WHO)
    ledger.close()
    assert run("build", "--workspace", place.root).code == 0
    return place


def test_emptied_after_a_build_is_told_by_the_logbook_even_without_the_file_beside_it(built):
    assert run("ledger", "verify", "--workspace", built.root).out.startswith("3 findings, 3 events")
    heads = built.ledger / "ledger.heads.jsonl"
    assert '"events":3' in heads.read_text() and '"what":"build"' in heads.read_text()
    path = built.ledger / "ledger.sqlite"
    whole = path.read_bytes()
    con = sqlite3.connect(path)
    con.execute("DROP TRIGGER events_no_delete")
    con.execute("DELETE FROM events")
    con.execute("DELETE FROM findings")
    con.commit()
    con.close()
    told = run("ledger", "verify", "--workspace", built.root)
    assert told.code == 2
    assert "held 3 events" in told.out and "now 0 (logbook)" in told.out
    assert "(ledger.heads.jsonl)" in told.out
    heads.unlink()
    told = run("ledger", "verify", "--workspace", built.root)
    assert told.code == 2 and told.out.count("held 3 events") == 1
    # another ledger is not held against the workspace's logbook
    other = built.root / "other.sqlite"
    open_ledger(other).close()
    assert run("ledger", "verify", "--workspace", built.root, "--ledger", other).code == 0
    path.write_bytes(whole)
    assert run("ledger", "verify", "--workspace", built.root).code == 0


def test_check_tells_a_forged_proof_too(built, tmp_path):
    path = built.ledger / "ledger.sqlite"
    whole = path.read_bytes()
    steps = honest(tmp_path)
    steps[0][1] |= {"opening_id": "K9"}
    steps[2][1]["look"] |= {"method": "three_lamp_tester"}
    slipped_in(path, chained(steps))
    told = run("check", "--workspace", built.root)
    assert told.code == 2 and "unproven" in told.out
    path.write_bytes(whole)
    for beside in built.ledger.glob("ledger.sqlite-*"):
        beside.unlink()
    assert run("check", "--workspace", built.root).code == 0
