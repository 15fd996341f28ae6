"""A warehouse that is not what was built is never taken for it, and builds take turns."""

import datetime as dt
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import duckdb
import pytest

from pipeline.landing import Workspace, logbook
from pipeline.ledger import open_ledger
from pipeline.ledger.events import Raised
from pipeline.warehouse import store
from pipeline.warehouse.build import WAITING, build
from pipeline.warehouse.soundness import check_ledger, check_warehouse
from shared.faults import CoverplateError
from shared.rule_book import load_rule_book
from tests.cli.running import run
from tests.warehouse.small_portfolio import OBSERVED, contents, land

pytestmark = pytest.mark.slow


LOOKS = f"""{OBSERVED}
TINY,1,,1,2024-05-01,Ada,three_lamp_tester,random,three_slot,correct,,
TINY,1,,2,2024-05-01,Ada,three_lamp_tester,random,three_slot,open_ground,,
"""


@pytest.fixture(scope="module")
def template(tmp_path_factory):
    folder = tmp_path_factory.mktemp("tiny")
    workspace = Workspace(folder / "workspace")
    land(workspace, folder, "register.csv", "building_id,year_built\nTINY,1938\nBARE,1950\n")
    land(workspace, folder, "looks.csv", LOOKS)
    build(workspace)
    return workspace


@pytest.fixture
def tiny(template, tmp_path):
    shutil.copytree(template.root, tmp_path / "workspace")
    return Workspace(tmp_path / "workspace")


def current(workspace):
    return store.warehouse_path(workspace, str(store.current_version(workspace)))


def truncated(file):
    file.write_bytes(file.read_bytes()[: file.stat().st_size // 2])


def bitten(file):
    content = bytearray(file.read_bytes())
    for place in range(len(content) // 2, len(content) // 2 + 64):
        content[place] ^= 0xFF
    file.write_bytes(content)


def bitten_everywhere(file):
    """Every block of the file but its headers, for many hold nothing."""
    content = bytearray(file.read_bytes())
    for place in range(3 * 4096 + 1000, len(content), 1 << 18):
        content[place] ^= 0xFF
    file.write_bytes(content)


def bitten_header(file):
    content = bytearray(file.read_bytes())
    for place in range(4096, 4160):
        content[place] ^= 0xFF
    file.write_bytes(content)


def emptied(file):
    file.write_bytes(b"")


def of_another(file):
    """A sound database of the same size in which nothing is right."""
    size = file.stat().st_size
    file.unlink()
    con = duckdb.connect(str(file))
    con.execute("CREATE TABLE buildings (building_no INTEGER)")
    con.close()
    with file.open("ab") as handle:
        handle.truncate(size)


HARMS = (truncated, bitten, bitten_header, emptied, of_another)


@pytest.mark.parametrize("harm", HARMS)
def test_a_damaged_warehouse_is_built_anew_and_said_to_be(tiny, harm):
    before = contents(current(tiny))
    harm(current(tiny))
    assert check_warehouse(tiny).verdict == "damaged"
    asked = run("rank", "--workspace", tiny.root)
    if asked.code:  # some damage is where nothing is read
        assert asked.code == 2 and "coverplate build" in asked.err
    built = run("build", "--workspace", tiny.root)
    assert built.code == 0 and "up to date" not in built.out and "was damaged" in built.err
    assert contents(current(tiny)) == before
    assert check_warehouse(tiny).verdict == "whole"
    assert build(tiny).reused


def test_size_alone_tells_readers_of_a_file_that_was_cut_short(tiny):
    file = current(tiny)
    with file.open("ab") as handle:
        handle.write(b"\0" * 4096)  # DuckDB would not mind
    with pytest.raises(store.DamagedWarehouseError, match="bytes; "), store.reading(tiny):
        pass


def test_a_question_at_fault_is_not_taken_for_damage(tiny):
    with pytest.raises(duckdb.CatalogException), store.reading(tiny) as con:
        con.execute("SELECT * FROM nothing")
    of_another(current(tiny))
    with pytest.raises(store.DamagedWarehouseError), store.reading(tiny) as con:
        con.execute("SELECT * FROM nothing")


def test_an_older_warehouse_in_the_place_of_the_last_one_is_told(tiny, tmp_path):
    old = str(store.current_version(tiny))
    land(tiny, tmp_path, "more.csv", "building_id,year_built\nMORE,1950\n")
    build(tiny)
    (tiny.warehouse / store.POINTER).write_text(old + "\n", encoding="ascii")
    found = check_warehouse(tiny)
    assert found.verdict == "damaged" and "not the one that was built last" in found.found
    assert not build(tiny).reused
    assert check_warehouse(tiny).verdict == "whole"


def test_a_warehouse_from_before_the_logbook_is_read_through_once(tiny):
    def forget():
        path = logbook.logbook_path(tiny)
        path.unlink()

    forget()
    built = build(tiny)
    assert built.reused and any("from now on" in note for note in built.notes)
    assert check_warehouse(tiny).verdict == "whole"
    assert build(tiny).notes == ()
    forget()
    bitten_everywhere(current(tiny))
    built = build(tiny)
    assert not built.reused and any("was damaged" in note for note in built.notes)


def test_a_damaged_part_is_derived_anew_before_it_is_weighed(tiny):
    before = contents(current(tiny))
    for manifest in tiny.manifests():
        file = tiny.folder(manifest.sha256) / manifest.parts[0].file
        file.write_bytes(file.read_bytes()[:-9])
    current(tiny).unlink()
    built = build(tiny)
    assert sum("derived anew" in note for note in built.notes) == 2
    assert contents(built.path) == before


def test_a_build_refuses_what_cannot_be_derived_anew(tiny):
    (manifest, *_) = tiny.manifests()
    folder = tiny.folder(manifest.sha256)
    (folder / manifest.parts[0].file).unlink()
    (folder / "original" / manifest.name).write_text("other", encoding="utf-8")
    told = run("build", "--workspace", tiny.root)
    assert told.code == 2 and "is gone" in told.err and "fetch the export again" in told.err


def test_check_writes_nothing_at_all(tiny):
    raise_findings(tiny, 2)
    build(tiny)
    (tiny.root / "pending").mkdir()
    (tiny.root / "pending" / "x").touch()  # as a killed intake would leave it
    before = listing(tiny)
    told = run("check", "--workspace", tiny.root)
    assert listing(tiny) == before
    assert "killed half way" in told.out and "2 events" in told.out
    for path in sorted(tiny.root.rglob("*"), reverse=True):
        path.chmod(0o555 if path.is_dir() else 0o444)
    assert run("check", "--workspace", tiny.root).out == told.out


def listing(workspace):
    return {
        path: (path.stat().st_mtime_ns, path.stat().st_size) for path in workspace.root.rglob("*")
    }


def raise_findings(workspace, count, first=0):
    ledger = open_ledger(workspace=workspace.root)
    for number in range(first, first + count):
        ledger.raise_finding(
            Raised(
                building_id="TINY",
                unit_id="1",
                opening_id=f"K{number}",
                family="false_ground",
                grade="confirmed",
                first_seen_on=dt.date(2024, 5, 1),
            ),
            who="Ada",
            origin="cli",
        )
    ledger.close()


def test_a_ledger_shorter_than_it_was_is_told(tiny):
    raise_findings(tiny, 3)
    build(tiny)
    book = load_rule_book()
    raise_findings(tiny, 1, first=3)
    assert check_ledger(tiny, book).verdict == "whole"  # longer it may be
    con = sqlite3.connect(tiny.ledger / "ledger.sqlite")
    con.execute("DROP TRIGGER events_no_delete")
    con.execute("PRAGMA foreign_keys = OFF")
    for finding in [row[0] for row in con.execute("SELECT finding_id FROM findings LIMIT 2")]:
        # The whole finding, head and all: each chain that is left holds.
        con.execute("DELETE FROM events WHERE finding_id = ?", [finding])
        con.execute("DELETE FROM findings WHERE finding_id = ?", [finding])
    con.commit()
    con.close()
    ledger = open_ledger(workspace=tiny.root)
    assert ledger.verify() == []
    ledger.close()
    found = check_ledger(tiny, book)
    assert found.verdict == "altered" and "held 3 events" in found.found
    with pytest.raises(CoverplateError, match="held 3 events"):
        build(tiny, learn_again=True)
    (tiny.ledger / "ledger.heads.jsonl").unlink()  # takes nothing out of the logbook
    with pytest.raises(CoverplateError, match="held 3 events"):
        build(tiny, learn_again=True)
    # what it says, followed by somebody who means it
    backup = tiny.root / "backup.sqlite"
    assert run("ledger", "backup", backup, "--workspace", tiny.root).code == 0
    tiny.ledger.rename(tiny.root / "moved-away")
    restored = run("ledger", "restore", backup, "--workspace", tiny.root)
    assert restored.code == 0, restored.err
    assert any("held 3 events" in note for note in build(tiny, learn_again=True).notes)
    assert "fewer events" in check_ledger(tiny, book).found  # said for ever
    shutil.rmtree(tiny.ledger)
    assert check_ledger(tiny, book).verdict == "lost"


def test_a_ledger_is_read_with_what_stands_beside_it(tiny):
    """A write-ahead log that a killed process left belongs to the ledger."""
    ledger = open_ledger(workspace=tiny.root)
    raise_findings(tiny, 2)
    kept = sqlite3.connect(tiny.ledger / "ledger.sqlite")
    kept.execute("SELECT count(*) FROM events").fetchall()  # keeps the log from being taken in
    raise_findings(tiny, 1, first=2)
    assert (tiny.ledger / "ledger.sqlite-wal").stat().st_size
    before = listing(tiny)
    assert check_ledger(tiny, load_rule_book()).found == "3 events"
    assert listing(tiny) == before
    kept.close()
    ledger.close()


BUILDS = """
import sys
from pathlib import Path
from pipeline.landing import Workspace
from pipeline.warehouse.build import build

def progress(step, fraction):
    if step == sys.argv[2]:
        print("there", flush=True)
        sys.stdin.readline()

built = build(Workspace(Path(sys.argv[1])), progress=progress)
print(built.version, built.reused, flush=True)
"""


def started(workspace, step):
    return subprocess.Popen(
        [sys.executable, "-c", BUILDS, str(workspace.root), step],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        env={
            **os.environ, "OMP_NUM_THREADS": "1", "PYTHONPATH": str(Path(__file__).parents[2])
        },
    )  # fmt: skip


def test_of_two_builds_the_second_waits_and_the_newer_result_stands(tiny, tmp_path):
    old = store.current_version(tiny)
    land(tiny, tmp_path, "more.csv", "building_id,year_built\nMORE,1950\n")
    first = started(tiny, "scores and ranks")
    assert first.stdout.readline() == "there\n"
    land(tiny, tmp_path, "newest.csv", "building_id,year_built\nNEWEST,1950\n")
    second = started(tiny, WAITING)
    assert second.stdout.readline() == "there\n"  # it says that it waits
    second.stdin.write("\n" * 9)
    second.stdin.flush()
    with store.reading(tiny) as con:  # and nobody who reads does
        assert con.execute("SELECT count(*) FROM buildings").fetchall() == [(2,)]
    assert store.current_version(tiny) == old and second.poll() is None
    out, _ = first.communicate("\n" * 9, timeout=300)
    older = out.split()[-2]
    out, _ = second.communicate(timeout=300)
    newer, reused = out.split()[-2:]
    assert (first.returncode, second.returncode, reused) == (0, 0, "False")
    assert newer != older
    assert store.current_version(tiny) == newer and store.earlier_version(tiny) == older
    with store.reading(tiny) as con:
        assert con.execute("SELECT count(*) FROM buildings").fetchall() == [(4,)]
    built = [e.content["version"] for e in logbook.read(tiny).lines if e.what == "built"]
    assert built == [old, older, newer]
    assert check_warehouse(tiny).verdict == "whole"


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no SIGKILL on this platform")
def test_who_waits_for_a_build_that_is_killed_goes_on(tiny, tmp_path):
    land(tiny, tmp_path, "more.csv", "building_id,year_built\nMORE,1950\n")
    first = started(tiny, "scores and ranks")
    assert first.stdout.readline() == "there\n"
    second = started(tiny, WAITING)
    assert second.stdout.readline() == "there\n"
    second.stdin.write("\n" * 9)
    second.stdin.flush()
    time.sleep(0.1)
    first.send_signal(signal.SIGKILL)
    first.communicate()
    out, _ = second.communicate(timeout=300)
    assert out.split()[-2:] == [store.current_version(tiny), "False"]
    assert list(tiny.warehouse.glob(".building-*")) == []


def test_a_warehouse_of_another_version_of_the_program_is_refused_and_built_anew(tiny, monkeypatch):
    monkeypatch.setattr(store, "MODEL_VERSION", store.MODEL_VERSION + " later")
    for command in (("rank",), ("urgent",), ("openings", "TINY"), ("portfolio",)):
        refused = run(*command, "--workspace", tiny.root)
        assert refused.code == 2
        assert "another version of Coverplate" in refused.err
        assert "coverplate build" in refused.err
    assert run("build", "--workspace", tiny.root).code == 0
    assert len(run("rank", "--workspace", tiny.root, "--json").json()) == 2
