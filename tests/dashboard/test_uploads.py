"""Uploads lie on disk only while they are used, whatever becomes of who sent them."""

from __future__ import annotations

import io
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

from dashboard.components import uploads
from shared.faults import CoverplateError


class Upload(io.BytesIO):
    """What Streamlit hands over."""

    def __init__(self, name, content=b"a,b\n", size=None):
        super().__init__(content)
        self.name, self.file_id = name, name
        self.size = len(content) if size is None else size


@pytest.fixture(autouse=True)
def own_place(tmp_path, monkeypatch):
    uploads.forget_all()  # of earlier tests in this process
    shelf = uploads.Shelf()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    monkeypatch.setattr(uploads, "_shelf", lambda: shelf)
    yield tmp_path
    uploads.done("files")
    uploads.forget_all()
    assert not list(tmp_path.glob(f"{uploads.PREFIX}*"))


def files(place):
    return sorted(p.name for p in place.rglob("*") if p.is_file() and p.name != uploads.LOCK)


def test_copied_once_and_removed_when_taken_back_or_used(own_place):
    first, second = Upload("a.csv"), Upload("b.csv")
    paths = uploads.kept("files", [first, second])
    assert [p.read_bytes() for p in paths] == [b"a,b\n"] * 2
    assert uploads.kept("files", [first, second]) == paths
    assert uploads.kept("files", [second]) == paths[1:]
    assert files(own_place) == ["b.csv"]
    uploads.done("files")
    assert files(own_place) == []


def test_lent_only_while_it_is_used_even_when_that_fails(own_place):
    with pytest.raises(RuntimeError), uploads.lent(Upload("a.csv")) as path:
        assert path.read_bytes() == b"a,b\n"
        raise RuntimeError
    assert files(own_place) == []


def test_a_session_that_breaks_off_leaves_nothing(own_place):
    uploads.kept("files", [Upload("a.csv")])
    uploads.kept("others", [Upload("b.csv")])
    assert files(own_place) == ["a.csv", "b.csv"]
    uploads._shelf().clear()
    assert files(own_place) == []


def test_too_much_at_a_time_is_refused(own_place):
    limit = 200 << 20  # Streamlit's own limit, where no settings are read
    with pytest.raises(CoverplateError, match="MB together"):
        uploads.kept("files", [Upload("a", size=limit), Upload("b", size=limit)])
    assert files(own_place) == []


@pytest.mark.parametrize(
    "sent", ["../../etc/passwd", "..", "", "a/b\\c.csv", "\x00\x1b[31m.csv", "x" * 400, "ž" * 300]
)
def test_a_name_stays_in_its_folder(own_place, sent):
    with uploads.lent(Upload(sent)) as path:
        assert path.is_file() and own_place in path.resolve().parents
        assert path.name.isprintable()


def test_only_what_is_left_behind_is_swept(own_place):
    (in_use,) = uploads.kept("files", [Upload("mine.csv")])
    code = (
        "import sys, tempfile; tempfile.tempdir = sys.argv[1]\n"
        "from dashboard.components import uploads\n"
        "print(uploads._folder(), flush=True); sys.stdin.readline()"
    )
    other = subprocess.Popen(
        [sys.executable, "-c", code, str(own_place)],
        cwd=Path(__file__).parents[2],
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    theirs = Path(other.stdout.readline().strip())
    older, newer = own_place / f"{uploads.PREFIX}older", own_place / f"{uploads.PREFIX}newer"
    older.mkdir(), newer.mkdir()
    os.utime(older, (time.time() - 2 * uploads.STALE_SECONDS,) * 2)
    uploads.sweep()
    assert in_use.is_file() and theirs.is_dir() and newer.is_dir() and not older.exists()
    other.kill()
    other.wait()
    uploads.sweep()
    assert in_use.is_file() and not theirs.exists()
    newer.rmdir()
