"""A file whose reader eats memory, never ends or breaks down is refused by name; nothing else is
touched."""

import io
import json
import os
import stat
import subprocess
import sys
import threading
import zipfile

import pytest

from pipeline.landing import intake
from pipeline.landing.readers import apart
from pipeline.landing.sources import find_sources
from pipeline.landing.workspace import Workspace
from shared.faults import CoverplateError
from tests.cli.running import run
from tests.landing.landed import CSV, HEADER, ROWS, TODAY, land, query

OBJECTS = [dict(zip(HEADER.split(","), row.split(","), strict=True)) for row in ROWS]
GOOD = json.dumps(OBJECTS)

SERVE = "import os, socket, subprocess, time; from pipeline.landing.readers import child; "


@pytest.fixture
def reader(monkeypatch):
    """Let the next children run other words than ``serve()``, or the usual ones again."""
    apart.end_idle()
    usual = apart.PROGRAM

    def become(words):
        monkeypatch.setattr(apart, "PROGRAM", ("-P", "-c", SERVE + words) if words else usual)

    yield become
    apart.end_idle()


def serving(reading):
    """The words of a child whose reader does something else."""
    return f"child.serve(lambda arrival, work, is_known: {reading})"


def refused(workspace, path):
    """What the command says, having left nothing behind."""
    outcome = run("intake", path, "--workspace", workspace)
    assert outcome.code == 2
    assert path.name in outcome.err
    assert "What to do" in outcome.err
    assert "A fault in Coverplate" not in outcome.err
    place = Workspace(workspace)
    assert list(place.scratch.iterdir()) == []
    return outcome.err


HOSTILE = {
    "breaks down": (serving("os.abort()"), "broke down (SIGABRT)"),
    "is killed": (serving("os.kill(os.getpid(), 9)"), "was killed"),
    "leaves": (serving("os._exit(5)"), "exit code 5"),
    "raises": (serving("{}['cell']"), "could not read it (KeyError: 'cell')"),
    "fills the disk": (serving("open('/dev/full', 'wb', 0).write(b'x')"), "disk of the workspace"),
    "sleeps": (serving("time.sleep(600)"), "had not come to an end after 4 seconds"),
    "calls out": (serving("socket.socket()"), "may not do this: socket"),
    "starts a program": (serving("subprocess.run(['true'])"), "may not do this: subprocess"),
    "asks for 16 GiB": (serving("bytearray(1 << 34)"), "ran out of memory"),
    "talks nonsense": ("os.write(1, b'nonsense'); time.sleep(1)", "ended without an answer"),
}


@pytest.mark.slow
@pytest.mark.parametrize(("words", "told"), HOSTILE.values(), ids=HOSTILE)
def test_a_reader_that_comes_to_grief_costs_its_own_file_only(
    workspace, inbox, reader, monkeypatch, words, told
):
    monkeypatch.setattr(apart, "LEAST_SECONDS", 4.0 if "sleep(600)" in words else 60.0)
    path = inbox / "bad.json"
    path.write_text(GOOD)
    reader(words)
    assert told in refused(workspace.root, path)
    assert workspace.manifests() == []
    reader(None)
    (report,) = land(workspace, inbox, GOOD, "good.json")
    assert report.accepted == 2


@pytest.mark.slow
def test_a_document_that_needs_more_memory_than_there_is(workspace, inbox, reader):
    path = inbox / "lists.json"
    path.write_text('[{"a": [' + "[],\n" * 1_500_000 + "[]]}]")
    reader("child.MEMORY = 80 << 20; child.serve()")
    assert "ran out of memory" in refused(workspace.root, path)
    good = inbox / "good.json"
    good.write_text(GOOD)
    assert run("intake", good, "--workspace", workspace.root).code == 0


@pytest.mark.long
def test_a_small_workbook_that_unpacks_to_more_than_there_is(workspace, inbox):
    path = inbox / "small.xlsx"
    head = '<?xml version="1.0"?><sst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/'
    from tests.landing.test_formats import CELLS, workbook

    whole = zipfile.ZipFile(io.BytesIO(workbook({"S": CELLS})))
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for name in whole.namelist():
            if name != "xl/sharedStrings.xml":
                archive.writestr(name, whole.read(name))
        with archive.open("xl/sharedStrings.xml", "w", force_zip64=True) as member:
            member.write(f'{head}main"><si><t>'.encode())
            for _ in range(6 * 64):
                member.write(b"x" * (1 << 24))
            member.write(b"</t></si></sst>")
    assert path.stat().st_size < 64 << 20
    assert "ran out of memory" in refused(workspace.root, path)
    assert run("intake", inbox / "none.xlsx", "--workspace", workspace.root).code == 2


@pytest.mark.slow
def test_a_child_is_started_once_and_only_where_it_is_needed(workspace, inbox, reader, monkeypatch):
    started = []
    begin = apart._Child.__init__
    monkeypatch.setattr(apart._Child, "__init__", lambda self: (started.append(1), begin(self))[1])
    land(workspace, inbox, CSV)
    assert started == []
    paths = []
    for number in range(3):
        paths.append(inbox / f"{number}.json")
        paths[-1].write_text(GOOD.replace("B007", f"B00{number}"))
    assert sum(r.accepted for r in intake(workspace, paths, today=TODAY)) == 6
    assert started == [1]


@pytest.mark.slow
def test_a_refused_file_leaves_its_reader_to_the_next_one(workspace, inbox, reader):
    with pytest.raises(CoverplateError, match="not valid JSON"):
        land(workspace, inbox, GOOD[:-5], "cut.json")
    (waiting,) = apart._idle
    (report,) = land(workspace, inbox, GOOD, "good.json")
    assert report.accepted == 2
    assert apart._idle == [waiting]


@pytest.mark.slow
def test_the_reader_ends_with_the_process_that_started_it(tmp_path):
    script = (
        "from pathlib import Path; from pipeline.landing.arrival import receive; "
        "from pipeline.landing.readers import apart; import os; "
        f"p = Path({str(tmp_path / 'a.json')!r}); p.write_text({GOOD!r}); "
        "apart.read_apart(receive(p, 'a.json', p.parent), p.parent, frozenset().__contains__); "
        "print(apart._idle[0]._process.pid, flush=True); os._exit(0)"
    )
    ran = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    process = f"/proc/{int(ran.stdout)}/stat"
    for _ in range(200):
        if not os.path.exists(process):  # noqa: PTH110
            return
        with open(process) as handle:  # noqa: PTH123
            if handle.read().rpartition(")")[2].split()[0] == "Z":
                return
        threading.Event().wait(0.05)
    raise AssertionError("the reader is still there")


def test_a_pipe_is_refused_and_not_waited_for(workspace, inbox):
    path = inbox / "pipe.csv"
    os.mkfifo(path)
    assert "not a regular file" in refused(workspace.root, path)
    assert "not a regular file" in refused(workspace.root, inbox / "pipe.csv")
    path.unlink()
    (report,) = land(workspace, inbox, CSV)
    assert report.accepted == 2


@pytest.mark.parametrize("target", [".", "nothing", "loop.csv", "/dev/zero"])
def test_links_that_lead_nowhere_or_back_are_refused(workspace, inbox, target):
    folder = inbox / "exports"
    folder.mkdir()
    (folder / "loop.csv").symlink_to(target)
    with pytest.raises(CoverplateError, match=r"loop\.csv: (a link to a folder|not a regular)"):
        intake(workspace, [folder], today=TODAY)
    assert list(workspace.scratch.iterdir()) == []


def test_a_folder_that_is_linked_twice_is_read_twice(inbox, tmp_path):
    (inbox / "real").mkdir()
    (inbox / "real" / "a.csv").write_text(CSV)
    (inbox / "link").symlink_to(inbox / "real")
    assert [source.name for source in find_sources([inbox], tmp_path)] == ["a.csv", "a.csv"]


def test_a_link_in_a_zip_is_no_file(workspace, inbox):
    member = zipfile.ZipInfo("inside.csv")
    member.external_attr = (stat.S_IFLNK | 0o777) << 16
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr(member, "/etc/hosts")
    with pytest.raises(CoverplateError, match=r"a\.zip!/inside\.csv: not a regular file"):
        land(workspace, inbox, out.getvalue(), "a.zip")


def test_a_damaged_member_of_a_zip_is_refused_by_name(workspace, inbox):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.csv", CSV * 50)
    content = bytearray(out.getvalue())
    content[40:60] = b"\xff" * 20
    with pytest.raises(CoverplateError, match=r"a\.zip: the ZIP cannot be read"):
        land(workspace, inbox, bytes(content), "a.zip")


def test_deep_nesting_is_no_fault_of_ours(workspace, inbox):
    deep = '{"a": ' * 20_000 + "1" + "}" * 20_000
    for content in (deep, deep + "\n" + deep, f'[{{"a": {deep}}}]'):
        path = inbox / "deep.json"
        path.write_text(content)
        refused(workspace.root, path)


def test_damaged_pages_of_parquet_are_refused_by_name(workspace, inbox):
    from tests.landing.test_formats import parquet

    content = bytearray(parquet(OBJECTS * 500))
    content[8:200] = b"\xff" * 192
    with pytest.raises(CoverplateError, match=r"looks\.parquet: the Parquet file cannot be read"):
        land(workspace, inbox, bytes(content), "looks.parquet")


def test_small_parquet_files_land_together(workspace, inbox):
    from tests.landing.test_formats import parquet

    paths = []
    for number in range(5):
        paths.append(inbox / f"{number}.parquet")
        rows = [{**row, "building_id": f"B{number}"} for row in OBJECTS]
        paths[-1].write_bytes(parquet(rows))
    reports = intake(workspace, paths, today=TODAY)
    assert [report.accepted for report in reports] == [2] * 5
    told = "SELECT DISTINCT building_id FROM opening_observations_current ORDER BY 1"
    assert query(workspace, told) == [(f"B{number}",) for number in range(5)]
