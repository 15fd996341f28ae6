"""From a file to warehouse and ledger: what the last build knew of it is held against it."""

import shutil
import sqlite3

import pytest
from forging import chained, honest, slipped_in
from ledger_samples import WHO, raised

from pipeline.landing import Workspace
from pipeline.ledger import open_ledger
from tests.cli.running import run
from tests.warehouse.small_portfolio import OBSERVED, land

pytestmark = pytest.mark.slow


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
    told = run("ledger", "verify", "--workspace", built.root)
    assert told.code == 2 and "ledger.heads.jsonl is gone" in " ".join(told.out.split())
    assert "3 events on" in told.out and "by the logbook" in told.out
    assert "a seal or a back-up" in " ".join(told.out.split())
    assert "ledger.heads.jsonl is gone" in run("check", "--workspace", built.root, "--json").out
    # the next build tells it once more, and begins it anew
    told = run("build", "--workspace", built.root)
    assert told.code == 0 and "is gone" in told.err
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


COMMANDS = (("findings", "sync"), ("build",))
"""What rests on the whole ledger; lists read what is kept of each finding, see ``verify``."""


@pytest.fixture
def copied(built, tmp_path):
    """A copy of the workspace, to be damaged."""
    shutil.copytree(built.root, tmp_path / "copy")
    seal = tmp_path / "seal.json"
    assert run("ledger", "seal", seal, "--workspace", tmp_path / "copy").code == 0
    return Workspace(tmp_path / "copy")


@pytest.mark.parametrize(
    "damage",
    ["recorded_at = 'not a time'", "payload = x'ff00fe'", "payload = '{'", "payload = '[1]'",
     "payload = replace(payload, '2025-03-03', '2025-99-03')", "recorded_at = 5",
     "payload = '" + "[" * 5000 + "]" * 5000 + "'"],
)  # fmt: skip
def test_an_event_that_cannot_be_read_is_damage_in_words(copied, damage):
    path = copied.ledger / "ledger.sqlite"
    con = sqlite3.connect(path)
    con.execute("DROP TRIGGER events_no_update")
    con.execute(f"UPDATE events SET {damage} WHERE position = 2")
    (damaged,) = con.execute("SELECT finding_id FROM events WHERE position = 2").fetchone()
    con.commit()
    con.close()
    commands = [*COMMANDS, ("findings", "show", damaged)]
    for words in commands:
        told = run(*words, "--workspace", copied.root)
        assert told.code == 2, (words, told)
        assert "the ledger is damaged" in told.err and damaged in told.err
        assert "ledger verify" in told.err and "ledger restore" in told.err
    assert run("ledger", "verify", "--workspace", copied.root).code == 2


def no_bytes(path):
    path.write_bytes(b"")


def another_ledger(path):
    path.unlink()
    open_ledger(path).close()


def no_file(path):
    path.unlink()


def one_less(path):
    con = sqlite3.connect(path)
    con.execute("DROP TRIGGER events_no_delete")
    con.execute("DELETE FROM events WHERE position = 3")
    con.commit()
    con.close()


@pytest.mark.parametrize("lost", [no_bytes, another_ledger, no_file, one_less])
def test_a_ledger_that_holds_less_than_it_did_is_refused_and_nothing_is_written(copied, lost):
    path = copied.ledger / "ledger.sqlite"
    backup = copied.root / "backup"
    assert run("ledger", "backup", backup, "--workspace", copied.root).code == 0
    lost(path)
    content = path.read_bytes() if path.exists() else None
    heads = (copied.ledger / "ledger.heads.jsonl").read_text()
    left = 2 if lost is one_less else 0
    for words in (*COMMANDS, ("ledger", "backup", copied.root / "later")):
        told = run(*words, "--workspace", copied.root)
        assert told.code == 2 and told.out == "", (words, told)
        assert "held 3 events" in told.err and f"now {left}" in told.err
        assert "ledger restore" in told.err and "ledger.heads.jsonl" in told.err
    told = run("check", "--workspace", copied.root)
    assert told.code == 2 and "ledger" in told.out
    assert (path.read_bytes() if path.exists() else None) == content
    assert (copied.ledger / "ledger.heads.jsonl").read_text() == heads
    if lost is one_less:
        path.rename(copied.root / "moved-away")
    assert run("ledger", "restore", backup, "--workspace", copied.root).code == 0
    assert len(run("findings", "list", "--workspace", copied.root, "--json").json()) == 3


def test_a_ledger_begun_anew_on_purpose_is_taken_without_the_heads(copied):
    another_ledger(copied.ledger / "ledger.sqlite")
    (copied.ledger / "ledger.heads.jsonl").unlink()
    told = run("findings", "list", "--workspace", copied.root, "--json")
    assert (told.code, told.json()) == (0, [])
