"""The warehouse is a pure function of what was landed, and is swapped in whole."""

import os
import shutil
import signal
import subprocess
import sys
import threading
import time

import duckdb
import pytest

from pipeline.landing import Workspace
from pipeline.warehouse import store
from pipeline.warehouse.build import build
from pipeline.warehouse.comparison import compare_rule_books
from pipeline.warehouse.inputs import inputs_version, workspace_rule_book
from shared.faults import CoverplateError
from shared.rule_book import default_rule_book_text, load_rule_book, parse_rule_book
from tests.warehouse.small_portfolio import REGISTER, contents, land, observations, rows


@pytest.fixture
def copy(small, tmp_path):
    """The small portfolio, landed and built, to do with as one likes."""
    root = tmp_path / "workspace"
    shutil.copytree(small[0].root, root)
    return Workspace(root)


@pytest.fixture
def tiny(tmp_path):
    """One landed building, never built."""
    workspace = Workspace(tmp_path / "workspace")
    land(workspace, tmp_path, "register.csv", "building_id,year_built\nA,1950\n")
    return workspace


def fake_warehouse(path, content):
    con = duckdb.connect(str(path))
    con.execute("CREATE TABLE said AS SELECT ? AS text", [content])
    con.execute("CREATE TABLE build_facts AS SELECT ? AS model_version", [store.MODEL_VERSION])
    con.close()
    return path


@pytest.mark.slow
def test_the_same_inputs_give_the_same_tables_down_to_the_last_bit(small, copy):
    first = contents(small[1].path)
    shutil.rmtree(copy.warehouse)
    again = build(copy)
    assert again.version == small[1].version and not again.reused
    second = contents(again.path)
    assert second.keys() == first.keys()
    for table, content in first.items():
        assert second[table] == content, table
    assert len(first["opening_facts"]) > 100


def test_an_up_to_date_warehouse_is_not_built_again(small):
    before = small[1].path.stat().st_mtime_ns
    again = build(small[0])
    assert again.reused and again.path == small[1].path and again.buildings == small[1].buildings
    assert small[1].path.stat().st_mtime_ns == before


def test_the_version_is_that_of_the_inputs(tiny, tmp_path):
    book = load_rule_book()
    first = inputs_version(tiny, book)
    assert inputs_version(Workspace(tiny.root), load_rule_book()) == first
    other = parse_rule_book(
        default_rule_book_text().replace(
            "body_ohms = { value = 1000.0", "body_ohms = { value = 900"
        )
    )
    assert other.hash != book.hash
    assert inputs_version(tiny, other) != first
    land(tiny, tmp_path, "later.csv", "building_id,year_built\nA,1950\nB,1960\n")
    assert inputs_version(tiny, book) != first


def test_a_workspace_may_have_its_own_rule_book(tiny):
    text = default_rule_book_text().replace(
        "wet_factor = { value = 3.0", "wet_factor = { value = 4"
    )
    tiny.rule_book.write_text(text, encoding="utf-8")
    own = workspace_rule_book(tiny)
    assert own.hash == parse_rule_book(text).hash != load_rule_book().hash
    tiny.rule_book.write_text("[circuit", encoding="utf-8")
    with pytest.raises(CoverplateError, match="not valid TOML"):
        build(tiny)


def test_nothing_to_read_before_the_first_build(tiny):
    with pytest.raises(CoverplateError, match="no warehouse") as refused, store.reading(tiny):
        pass
    assert "coverplate build" in refused.value.to_do


def test_a_reader_keeps_what_it_opened_while_a_new_one_is_swapped_in(tiny):
    folder = tiny.warehouse
    store.swap_in(tiny, fake_warehouse(folder / ".building-1-a.duckdb", "old"), "a")
    with store.reading(tiny) as reader:
        for version in ("b", "c"):  # two swaps later even the file is gone
            built = fake_warehouse(folder / f".building-1-{version}.duckdb", version)
            store.swap_in(tiny, built, version)
            assert reader.execute("SELECT text FROM said").fetchall() == [("old",)]
        assert not store.warehouse_path(tiny, "a").exists()
    with store.reading(tiny) as reader:
        assert reader.execute("SELECT text FROM said").fetchall() == [("c",)]
    assert store.earlier_version(tiny) == "b"
    assert sorted(file.name for file in folder.glob("*.duckdb")) == [
        "warehouse-b.duckdb",
        "warehouse-c.duckdb",
    ]


def test_there_is_a_whole_current_warehouse_at_every_moment_of_a_swap(tiny):
    folder = tiny.warehouse
    store.swap_in(tiny, fake_warehouse(folder / ".building-1-0.duckdb", "0"), "0")
    built = [fake_warehouse(folder / f".building-1-{n}.duckdb", str(n)) for n in range(1, 15)]
    missing, stop = [], threading.Event()

    def watch():
        while not stop.is_set():
            version = store.current_version(tiny)
            if version is None:
                missing.append(time.time())

    watcher = threading.Thread(target=watch)
    watcher.start()
    for number, file in enumerate(built, start=1):
        store.swap_in(tiny, file, str(number))
    stop.set()
    watcher.join()
    assert missing == []
    assert store.current_version(tiny) == "14"


def test_two_readers_in_one_process_and_no_way_out(small):
    with store.reading(small[0]) as first, store.reading(small[0]) as second:
        assert (
            first.execute("SELECT count(*) FROM buildings").fetchall()
            == second.execute("SELECT count(*) FROM buildings").fetchall()
        )
        for statement in (
            "COPY buildings TO 'out.csv'",
            "SELECT * FROM read_csv('/etc/passwd')",
            "SET enable_external_access = true",
            "DELETE FROM buildings",
            "INSTALL httpfs",
        ):
            with pytest.raises(duckdb.Error):
                first.execute(statement)


STOPS_AT = """
import os, signal, sys
from pathlib import Path
from pipeline.landing import Workspace
from pipeline.warehouse.build import build

def progress(step, fraction):
    if step == sys.argv[2]:
        print("there", flush=True)
        signal.pause()

build(Workspace(Path(sys.argv[1])), progress=progress)
"""


def killed_build(workspace, step):
    """Kill a build, hard, as soon as it reaches a step."""
    process = subprocess.Popen(
        [sys.executable, "-c", STOPS_AT, str(workspace.root), step],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "OMP_NUM_THREADS": "1"},
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "there\n"
    unfinished = list(workspace.warehouse.glob(".building-*"))
    process.send_signal(signal.SIGKILL)
    assert process.wait(60) == -signal.SIGKILL
    process.stdout.close()
    return unfinished


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no SIGKILL on this platform")
def test_a_killed_build_leaves_the_old_one_and_the_next_build_clears_up(copy, small, tmp_path):
    old = store.current_version(copy)
    with store.reading(copy) as reader:
        land(copy, tmp_path, "register.csv", REGISTER + "NEWCOMER,,1950,1,4,2,0,Birch\n")
        unfinished = killed_build(copy, "scores and ranks")
        assert unfinished and all(file.exists() for file in unfinished)
        assert store.current_version(copy) == old
        with store.reading(copy) as other:
            assert other.execute("SELECT count(*) FROM buildings").fetchall() == [
                (small[1].buildings,)
            ]
        built = build(copy)
        assert reader.execute("SELECT count(*) FROM buildings").fetchall() == [
            (small[1].buildings,)
        ]
    assert built.buildings == small[1].buildings + 1
    assert store.current_version(copy) == built.version != old
    assert store.earlier_version(copy) == old
    assert [file.name for file in copy.warehouse.glob(".building-*")] == []
    assert rows(built.path, "SELECT count(*) FROM buildings WHERE building_id = 'NEWCOMER'") == [
        (1,)
    ]


def test_unfinished_files_of_a_build_that_goes_on_are_left_alone(tiny):
    unfinished = tiny.warehouse / ".building-1-going.duckdb"
    with store.building_beside(tiny):
        unfinished.write_bytes(b"")
        with store.building_beside(tiny):
            assert unfinished.exists()
    spill = tiny.warehouse / ".building-2-x.tmp"
    spill.mkdir()
    (spill / "block").write_bytes(b"x")
    with store.building_beside(tiny):
        assert not unfinished.exists()
        assert not spill.exists()


@pytest.mark.slow
def test_a_build_that_fails_leaves_nothing_and_changes_nothing(copy, tmp_path):
    old = store.current_version(copy)
    land(copy, tmp_path, "more.csv", "building_id,year_built\nMORE,1950\n")

    def fail(step, fraction):
        if step == "scores and ranks":
            raise RuntimeError("the disk is full")

    with pytest.raises(RuntimeError, match="disk is full"):
        build(copy, progress=fail)
    assert store.current_version(copy) == old
    assert list(copy.warehouse.glob(".building-*")) == []


@pytest.mark.slow
def test_a_damaged_warehouse_is_refused_by_readers_and_made_anew_by_a_build(tiny):
    built = build(tiny)
    built.path.write_bytes(b"not a database, but long enough to be looked at" * 1000)
    with pytest.raises(CoverplateError, match="is damaged") as refused, store.reading(tiny):
        pass
    assert "coverplate build" in refused.value.to_do
    again = build(tiny)
    assert not again.reused
    assert rows(again.path, "SELECT building_id FROM buildings") == [("A",)]


@pytest.mark.slow
def test_superseded_observations_stay_visible_in_history(tiny, tmp_path):
    def look(result):
        return f"A,1,hall,7,2024-05-01,Ada,three_lamp_tester,random,three_slot,{result},,"

    land(tiny, tmp_path / "one", "looks.csv", observations(look("open_ground")))
    land(tiny, tmp_path / "two", "looks.csv", observations(look("correct")))
    built = build(tiny)
    assert rows(built.path, "SELECT result FROM observations") == [("correct",)]
    assert rows(built.path, "SELECT result, status, opening_id FROM observation_history") == [
        ("open_ground", "superseded", "7")
    ]
    assert rows(built.path, "SELECT sum(superseded), count(*) FROM files") == [(0, 3)]


def naive_tau(first, second):
    """Kendall's tau of two orders without ties: concordant less discordant pairs, by all pairs."""
    agree = 0
    pairs = [(i, j) for i in range(len(first)) for j in range(i)]
    for i, j in pairs:
        agree += 1 if (first[i] - first[j]) * (second[i] - second[j]) > 0 else -1
    return agree / len(pairs)


def test_naive_tau_by_hand():
    # Of six pairs, (1, 2) and (3, 4) are swapped: (4 - 2) / 6.
    assert naive_tau([1, 2, 3, 4], [2, 1, 4, 3]) == pytest.approx(1 / 3)


@pytest.mark.slow
def test_two_rule_books_are_compared_building_by_building(copy):
    text = default_rule_book_text()
    for old, new in (
        ("vulnerable_weight = { value = 2.0", "vulnerable_weight = { value = 40"),
        (
            "false_ground = { mean = 0.18, strength = 0.8",
            "false_ground = { mean = 0.5, strength = 9",
        ),
    ):
        assert old in text
        text = text.replace(old, new)
    other = parse_rule_book(text)
    before = store.current_version(copy)
    found = compare_rule_books(copy, other)
    assert store.current_version(copy) == before
    assert list(copy.warehouse.glob(".building-*")) == []
    assert (found.hash, found.other_hash) == (load_rule_book().hash, other.hash)
    frame = found.frame
    assert frame["rank"].tolist() == list(range(1, len(frame) + 1))
    assert sorted(frame["other_rank"]) == frame["rank"].tolist()
    assert frame.sort_values("other_rank")["other_burden"].is_monotonic_decreasing
    assert (frame["move"] == frame["rank"] - frame["other_rank"]).all()
    assert found.moved == (frame["move"] != 0).sum() > 2
    assert found.kendall_tau == pytest.approx(
        naive_tau(frame["rank"].tolist(), frame["other_rank"].tolist())
    )
    assert found.kendall_tau < 1


def test_no_comparison_while_more_than_the_rules_would_differ(copy, tmp_path):
    land(copy, tmp_path, "more.csv", "building_id,year_built\nMORE,1950\n")
    with pytest.raises(CoverplateError, match="changed since the last build"):
        compare_rule_books(copy, load_rule_book())


@pytest.mark.slow
def test_a_warehouse_damaged_inside_is_told_to_readers_as_such(tiny):
    build(tiny)
    found = duckdb.IOException("Corrupt database file: computed checksum 1 does not match 0")
    with pytest.raises(CoverplateError, match="is damaged") as refused, store.reading(tiny):
        raise found
    assert str(tiny.warehouse) in refused.value.to_do
    with pytest.raises(duckdb.IOException), store.reading(tiny):
        raise duckdb.IOException("something else")
