"""The logbook holds what was done, in a chain that shows where it was touched."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.landing import Workspace, logbook
from pipeline.landing.integrity import check, check_logbook
from shared.canonical import canonical
from tests.cli.running import run
from tests.landing.landed import CSV, HEADER, ROWS, land


def lines_of(workspace):
    return logbook.logbook_path(workspace).read_bytes().splitlines(keepends=True)


def write(workspace, lines):
    logbook.logbook_path(workspace).write_bytes(b"".join(lines))


def filled(workspace, count=4):
    workspace.create()
    for number in range(count):
        logbook.append(workspace, "withdrawn", {"files": [{"sha256": "x", "name": str(number)}]})
    return workspace


def test_every_line_names_the_one_before_it(workspace):
    book = logbook.read(filled(workspace))
    assert [line.what for line in book.lines] == ["begun", *["withdrawn"] * 4]
    assert [line.content["before"] for line in book.lines[1:]] == [e.hash for e in book.lines[:-1]]
    assert (book.breaks, book.torn, book.head) == ((), b"", book.lines[-1].hash)


def altered(lines):
    lines[2] = lines[2].replace(b'"name":"1"', b'"name":"7"')


def taken_out(lines):
    del lines[2]


def slipped_in(lines):
    lines.insert(2, lines[2])


def rehashed(lines):
    """Altered by someone who knows how a line is hashed."""
    content = json.loads(lines[2]) | {"at": "1999"}
    del content["hash"]
    content["hash"] = logbook._hash(content)
    lines[2] = canonical(content).encode() + b"\n"


def unreadable(lines):
    lines[2] = b"\0" * 40 + b"\n"


@pytest.mark.parametrize("harm", [altered, taken_out, slipped_in, rehashed, unreadable])
def test_whatever_is_done_to_a_line_shows_near_it(workspace, harm):
    lines = lines_of(filled(workspace))
    harm(lines)
    write(workspace, lines)
    book = logbook.read(workspace)
    assert {number for number, _ in book.breaks} <= {3, 4} and book.breaks
    assert check_logbook(workspace).verdict == "altered"
    logbook.append(workspace, "repaired", {"files": []})  # and the workspace goes on
    assert logbook.read(workspace).breaks == book.breaks


@pytest.mark.parametrize("left", [1, 30, -1], ids=["a byte", "some", "all but the newline"])
def test_a_line_that_was_cut_off_is_mended_and_told_of(workspace, left):
    lines = lines_of(filled(workspace))
    whole = logbook.read(workspace).lines[:-1]
    write(workspace, [*lines[:-1], lines[-1][:left]])
    assert logbook.read(workspace).lines == whole
    checked = check_logbook(workspace)
    assert checked.verdict == "whole" and "cut off" in checked.found
    (told,) = logbook.append(workspace, "repaired", {"files": []})
    assert "cut off" in told
    book = logbook.read(workspace)
    assert [line.what for line in book.lines[len(whole) :]] == ["mended", "repaired"]
    assert book.lines[-2].content["cut"] == lines[-1][:left].decode()
    assert (book.breaks, book.torn) == ((), b"")


def test_a_first_line_that_was_cut_off_is_mended(workspace):
    workspace.create()
    write(workspace, [b'{"at":'])
    logbook.append(workspace, "repaired", {"files": []})
    book = logbook.read(workspace)
    assert [line.what for line in book.lines] == ["begun", "mended", "repaired"]
    assert not book.breaks


ADDS = """
import sys
from pathlib import Path
from pipeline.landing import Workspace, logbook

for number in range(int(sys.argv[2])):
    logbook.append(Workspace(Path(sys.argv[1])), "repaired", {"files": [], "by": sys.argv[3]})
"""


@pytest.mark.slow
def test_processes_that_add_lines_at_once_lose_none(workspace):
    workspace.create()
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    running = [
        subprocess.Popen(
            [sys.executable, "-c", ADDS, str(workspace.root), "40", name], env=environment
        )
        for name in "abc"
    ]
    assert [process.wait(120) for process in running] == [0, 0, 0]
    book = logbook.read(workspace)
    assert not book.breaks and not book.torn
    by = [line.content["by"] for line in book.lines[1:]]
    assert {name: by.count(name) for name in "abc"} == {"a": 40, "b": 40, "c": 40}


def test_a_call_stands_in_one_line_with_all_its_files(workspace, inbox):
    (inbox / "a.csv").write_text(CSV, encoding="utf-8")
    (inbox / "b.csv").write_text(CSV + ROWS[0].replace("001", "003") + "\n", encoding="utf-8")
    assert run("intake", inbox, "--workspace", workspace.root).code == 0
    book = logbook.read(workspace)
    assert [line.what for line in book.lines] == ["begun", "taken in"]
    files = book.lines[-1].content["files"]
    assert [(f["name"], f["how"], f["sequence"]) for f in files] == [
        ("a.csv", "landed", 1),
        ("b.csv", "landed", 2),
    ]
    run("intake", inbox, "--workspace", workspace.root)  # nothing new: no line
    assert logbook.read(workspace).lines == book.lines


def test_what_the_logbook_knows_and_the_folder_lacks_is_told_until_it_is_explained(
    workspace, inbox, tmp_path
):
    (report,) = land(workspace, inbox, CSV)
    folder = workspace.folder(report.sha256)
    shutil.move(folder, tmp_path / "elsewhere")
    for options in ([], ["--repair"], []):
        told = run("check", *options, "--workspace", workspace.root)
        assert told.code == 2 and "is gone" in " ".join(told.out.split())
    assert run("check", "--withdrawn", "ff" * 32, "--workspace", workspace.root).code == 2
    told = run("check", "--withdrawn", report.sha256[:12], "--workspace", workspace.root)
    assert told.code == 0 and "on purpose" in told.err
    assert run("check", "--workspace", workspace.root).code == 0
    shutil.move(tmp_path / "elsewhere", folder)  # and back in, by hand
    assert [each.verdict for each in check(workspace)] == ["unknown"]
    assert [each.verdict for each in check(workspace, repair=True)] == ["entered"]
    assert [each.verdict for each in check(workspace)] == ["whole"]


def test_a_folder_that_nobody_took_in_is_told(workspace, inbox, tmp_path):
    land(workspace, inbox, CSV)
    other = Workspace(tmp_path / "other")
    (report,) = land(other, inbox, "\n".join([HEADER, ROWS[1]]) + "\n", "more.csv")
    shutil.copytree(other.folder(report.sha256), workspace.folder(report.sha256))
    assert {each.verdict for each in check(workspace)} == {"whole", "unknown"}


def test_an_altered_manifest_is_told_and_never_made_right_by_a_repair(workspace, inbox):
    (report,) = land(workspace, inbox, CSV)
    path = workspace.folder(report.sha256) / "manifest.json"
    path.write_text(path.read_text().replace('"accepted": 2', '"accepted": 3'), encoding="utf-8")
    for repair in (False, True, False):
        (found,) = check(workspace, repair=repair)
        assert found.verdict == "altered" and "line 2" in found.found


def test_a_workspace_from_before_goes_on_and_gets_a_logbook(workspace, inbox):
    land(workspace, inbox, CSV)
    logbook.logbook_path(workspace).unlink()
    told = run("check", "--workspace", workspace.root)
    assert told.code == 0 and "begins it" in told.out
    assert not logbook.logbook_path(workspace).exists()
    told = run("check", "--repair", "--workspace", workspace.root)
    assert told.code == 0 and "1 file(s) landed before a logbook was kept" in told.err
    assert [line.what for line in logbook.read(workspace).lines] == ["begun", "brought up"]
    assert [each.verdict for each in check(workspace)] == ["whole"]
    logbook.logbook_path(workspace).unlink()
    (inbox / "b.csv").write_text(CSV + ROWS[0].replace("001", "003") + "\n", encoding="utf-8")
    told = run("intake", inbox / "b.csv", "--workspace", workspace.root)
    assert told.code == 0 and "landed before a logbook was kept" in told.err
    assert [each.verdict for each in check(workspace)] == ["whole", "whole"]


def test_a_head_kept_elsewhere_tells_a_chain_that_was_made_anew(workspace, inbox):
    land(workspace, inbox, CSV)
    rows = run("check", "--workspace", workspace.root, "--json").json()
    (kept,) = [row["sha256"] for row in rows if row["what"] == "logbook"]
    assert kept == logbook.read(workspace).head
    land(workspace, inbox, CSV + ROWS[0].replace("001", "003") + "\n", "b.csv")
    told = run("check", "--head", kept, "--workspace", workspace.root)
    assert told.code == 0 and "line 2" in told.out and "1 line since" in told.out
    logbook.logbook_path(workspace).unlink()
    assert run("check", "--repair", "--workspace", workspace.root).code == 0
    assert run("check", "--workspace", workspace.root).code == 0  # the new chain holds by itself
    told = run("check", "--head", kept, "--workspace", workspace.root)
    assert told.code == 2 and "written anew or cut" in told.out
