"""A damaged, emptied, cut or read-only ledger: told in words, never a traceback, never sound."""

import json
import os
import random
import re
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner
from ledger_samples import WHO, fix, look, raised
from test_ledger_commands import Typed

from pipeline.cli.ledger import ledger as ledger_commands
from pipeline.ledger import open_ledger
from pipeline.ledger.events import Commented
from pipeline.ledger.held import held_path
from shared.faults import CoverplateError

pytestmark = pytest.mark.slow


ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    """A ledger of several pages, closed, with the head beside it."""
    folder = tmp_path_factory.mktemp("sound")
    path = folder / "ledger.sqlite"
    ledger = open_ledger(path)
    events = ledger.raise_many([raised(f"K{n}") for n in range(40)], **WHO)
    for event in events[:20]:
        ledger.append(event.finding_id, Commented(text="seen the box " * 9), **WHO)
    for event in events[:5]:
        ledger.append(event.finding_id, fix(), **WHO)
        ledger.record_look(event.finding_id, look(), **WHO)
    ledger.close()
    Typed(str(path), folder)("ledger seal", folder / "seal.json")
    assert held_path(path).exists()
    return folder


@pytest.fixture
def copied(sound, tmp_path):
    folder = tmp_path / "copy"
    shutil.copytree(sound, folder)
    return folder / "ledger.sqlite"


def typed_at(path):
    return Typed(str(path), path.parent)


def run(*words, cwd):
    """The program itself: what a person sees."""
    script = "from pipeline.cli.main import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", script, *map(str, words)], cwd=cwd, text=True, capture_output=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)}, timeout=120,
    )  # fmt: skip
    assert "Traceback" not in done.stderr and "A fault in Coverplate" not in done.stderr
    return done


def verdict(path):
    """Exit code and words of ``ledger verify``, in this process; anything but words fails."""
    result = CliRunner().invoke(
        ledger_commands, ["verify", "--ledger", str(path), "--workspace", str(path.parent)],
        standalone_mode=False,
    )  # fmt: skip
    if isinstance(result.exception, CoverplateError):
        assert result.exception.to_do
        return 2, str(result.exception)
    assert result.exception is None, repr(result.exception)
    return result.return_value, result.output


def test_the_ledger_itself_is_sound(copied):
    assert verdict(copied) == (0, "40 findings, 70 events: all chains hold.\n")


@pytest.mark.parametrize("seed", range(120))
def test_damage_anywhere_is_told_or_has_touched_no_event(copied, seed):
    chance = random.Random(seed)
    content = bytearray(copied.read_bytes())
    for _ in range(chance.choice([1, 1, 3, 40])):
        place = chance.randrange(len(content))
        width = chance.choice([1, 1, 16, 600])
        content[place : place + width] = chance.randbytes(len(content[place : place + width]))
    copied.write_bytes(content)
    code, words = verdict(copied)
    if code == 0:
        assert words == "40 findings, 70 events: all chains hold.\n"
    else:
        assert code == 2 and words.strip()
    held_path(copied).unlink()
    assert verdict(copied)[0] in (0, 2)


@pytest.mark.parametrize("share", [0.0, 0.05, 0.3, 0.5, 0.9, 0.999])
def test_a_file_cut_short_is_told(copied, share):
    content = copied.read_bytes()
    copied.write_bytes(content[: int(len(content) * share)])
    code, words = verdict(copied)
    assert code == 2
    assert "is empty" in words if share == 0 else "damaged" in words


def test_damage_names_how_much_is_left_and_what_to_do(copied):
    con = sqlite3.connect(copied)
    page = con.execute("PRAGMA page_size").fetchone()[0]
    root = con.execute("SELECT rootpage FROM sqlite_master WHERE name = 'events'").fetchone()[0]
    con.close()
    content = bytearray(copied.read_bytes())
    leaf = int.from_bytes(content[(root - 1) * page + 8 :][:4], "big")  # the right-most leaf
    content[(leaf - 1) * page : leaf * page] = bytes(page)
    copied.write_bytes(content)
    done = run("ledger", "verify", "--ledger", copied, cwd=copied.parent)
    assert done.returncode == 2 and done.stdout == ""
    left, lost = map(int, re.search(r"(\d+) events can still be read, (\d+)", done.stderr).groups())
    assert left + lost == 70 and 0 < lost < 70
    assert re.search("findings touched: F-[0-9a-f]{16}", done.stderr)
    assert "ledger restore" in done.stderr and "ledger salvage" in done.stderr
    saved = copied.with_name("saved.jsonl")
    done = run("ledger", "salvage", saved, "--ledger", copied, cwd=copied.parent)
    assert done.returncode == 2 and "are missing" in done.stderr
    new = typed_at(copied.with_name("new.sqlite"))
    (told,) = new.json("ledger import", saved)
    assert told["set_aside"] == 0 and 0 < told["events"] <= left
    assert new.json("ledger verify") == []
    # other commands say it in words too
    done = run("findings", "list", "--ledger", copied, cwd=copied.parent)
    assert done.returncode == 2 and "damaged" in done.stderr


def test_what_is_salvaged_of_a_sound_ledger_is_all_of_it(copied):
    typed = typed_at(copied)
    (told,) = typed.json("ledger salvage", copied.with_name("saved.jsonl"))
    assert (told["events"], told["missing"]) == (70, 0)
    new = typed_at(copied.with_name("new.sqlite"))
    assert new.json("ledger import", copied.with_name("saved.jsonl"))[0]["events"] == 70
    assert new("ledger verify --seal", copied.with_name("seal.json")).count("as sealed") == 1


@pytest.mark.parametrize(
    ("content", "said"),
    [(b"", "has no bytes at all"), (b"finding_id,remedy\n" * 50, "no SQLite file"),
     (b"SQLite format 3\0", "damaged"), (b"SQLite format 3\0" + bytes(9000), "damaged")],
)  # fmt: skip
def test_what_is_no_ledger_is_said_in_words(tmp_path, content, said):
    path = tmp_path / "ledger.sqlite"
    path.write_bytes(content)
    done = run("ledger", "verify", "--ledger", path, cwd=tmp_path)
    assert done.returncode == 2 and said in done.stderr
    assert path.read_bytes() == content


def test_a_database_of_something_else_is_said_in_words(tmp_path):
    path = tmp_path / "ledger.sqlite"
    con = sqlite3.connect(path)
    con.execute("CREATE TABLE recipes (name)")
    con.commit()
    con.close()
    code, words = verdict(path)
    assert code == 2 and "without the ledger's table" in words
    code, words = verdict(tmp_path / "nowhere.sqlite")
    assert code == 2 and "there is no ledger" in words
    assert not (tmp_path / "nowhere.sqlite").exists()
    folder = tmp_path / "folder"
    folder.mkdir()
    assert "is no file" in verdict(folder)[1]


def listing(folder):
    return {p: (p.stat().st_mtime_ns, p.stat().st_size) for p in folder.rglob("*")}


def test_verify_writes_nothing_and_works_where_nothing_can_be_written(copied):
    before = listing(copied.parent)
    shut = copied.parent
    for path in (copied, shut):
        path.chmod(0o555 if path.is_dir() else 0o444)
    try:
        assert verdict(copied)[0] == 0
        if not os.geteuid():  # root may write anywhere: ask as somebody who may not
            done = subprocess.run(
                ["setpriv", "--reuid=65534", "--clear-groups", "touch", shut / "x"],
                capture_output=True, check=False,
            )  # fmt: skip
            assert done.returncode
    finally:
        shut.chmod(0o755)
        copied.chmod(0o644)
    assert listing(shut) == before


def test_a_log_that_a_killed_writer_left_belongs_to_the_ledger(copied):
    ledger = open_ledger(copied)
    kept = sqlite3.connect(copied)
    kept.execute("SELECT count(*) FROM events").fetchall()
    ledger.raise_finding(raised("K99"), **WHO)
    assert copied.with_name("ledger.sqlite-wal").stat().st_size
    before = listing(copied.parent)
    assert verdict(copied)[1].startswith("41 findings, 71 events")
    assert listing(copied.parent) == before
    kept.close()
    ledger.close()


def emptied(path, findings=None):
    con = sqlite3.connect(path)
    con.execute("DROP TRIGGER events_no_delete")
    for table in ("events", "findings"):
        some = "" if findings is None else f" WHERE finding_id IN ({findings})"
        con.execute(f"DELETE FROM {table}{some}")
    con.commit()
    con.close()


def test_an_emptied_ledger_is_told(copied):
    emptied(copied)
    code, words = verdict(copied)
    assert code == 2 and re.search(r"held 70 events on \d{4}-\d\d-\d\d, now 0", words)
    # what is written afterwards does not hide it
    typed = typed_at(copied)
    open_ledger(copied).raise_finding(raised("K99"), **WHO)
    typed("ledger seal", copied.with_name("later.json"))
    assert "held 70 events" in verdict(copied)[1]
    held_path(copied).unlink()
    assert verdict(copied)[0] == 0  # only a seal kept elsewhere tells it now
    told = typed("ledger verify --seal", copied.with_name("seal.json"), ok=2)
    assert "seal seal.json" in told and "now 1" in told


def test_a_ledger_that_is_gone_is_told(copied):
    copied.unlink()
    code, words = verdict(copied)
    assert code == 2 and "held 70 events" in words and "now 0" in words
    assert not copied.exists()


def test_a_whole_finding_taken_out_is_told_by_the_head_and_by_the_seal(copied):
    open_ledger(copied).raise_finding(raised("K99"), **WHO)  # as many events as before
    one = "'" + sorted(open_ledger(copied).heads())[0] + "'"
    emptied(copied, one)
    code, words = verdict(copied)
    assert code == 2 and "ledger.heads.jsonl" in words
    assert "all chains hold" not in words


def test_a_seal_of_before_is_still_read(copied):
    typed = typed_at(copied)
    heads = json.loads(copied.with_name("seal.json").read_text())["findings"]
    old = copied.with_name("old.json")
    old.write_text(json.dumps(heads))
    assert "as sealed in old.json" in typed("ledger verify --seal", old)
    first = next(iter(heads))
    old.write_text(json.dumps({**heads, first: [1, "0" * 64]}))
    (found,) = typed.json("ledger verify --seal", old, ok=2)
    assert (found["finding_id"], found["what"]) == (first, "is not what the seal says")


def test_a_seal_holds_while_more_is_written(copied):
    typed = typed_at(copied)
    ledger = open_ledger(copied)
    ledger.append(next(iter(ledger.heads())), Commented(text="more"), **WHO)
    ledger.close()
    assert "as sealed" in typed("ledger verify --seal", copied.with_name("seal.json"))


def test_a_ledger_restored_from_an_older_back_up_begins_anew(copied):
    typed = typed_at(copied)
    typed("ledger backup", copied.with_name("backup"))
    open_ledger(copied).raise_finding(raised("K99"), **WHO)
    typed("ledger seal", copied.with_name("later.json"))
    for each in copied.parent.glob("ledger.sqlite*"):
        each.unlink()
    assert "held 71 events" in verdict(copied)[1]
    assert "held 71 events" in typed.told("ledger restore", copied.with_name("backup"))
    assert verdict(copied) == (0, "40 findings, 70 events: all chains hold.\n")
    assert "now 70" in typed("ledger verify --seal", copied.with_name("later.json"), ok=2)


def test_a_damaged_back_up_is_refused_in_words(copied):
    typed = typed_at(copied)
    typed("ledger backup", copied.with_name("backup"))
    backup = copied.with_name("backup")
    content = backup.read_bytes()
    backup.write_bytes(content[: len(content) // 2])
    new = typed_at(copied.with_name("new.sqlite"))
    assert "damaged" in new("ledger restore", backup, ok=None).found


def test_a_ledger_from_before_rule_books_were_kept_is_verified_without_writing(copied):
    con = sqlite3.connect(copied)
    for table in ("rule_books", "imports", "events_set_aside"):
        con.execute(f"DROP TABLE {table}")
    con.commit()
    con.close()
    before = listing(copied.parent)
    assert verdict(copied)[0] == 0
    assert typed_at(copied).json("ledger imports") == []
    assert listing(copied.parent) == before
