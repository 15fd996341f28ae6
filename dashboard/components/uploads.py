"""Files that people upload: on disk only while they are used.

They lie in one folder of this server, locked while it runs. A session's files go when they are
taken in or taken back, and when the session breaks off; the folder goes when the server ends. A
server that was killed leaves its folder behind unlocked: the next one to start removes it.
"""

from __future__ import annotations

import shutil
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

import streamlit as st

from shared.faults import CoverplateError
from shared.shown import visible
from shared.turns import HAS_LOCKS, take_turn

PREFIX = "coverplate-upload-"
LOCK = "in-use"
STALE_SECONDS = 24 * 3600.0
"""A folder that has no lock at all is taken for left behind after so long."""
COPY_BYTES = 1 << 22
LONGEST_NAME = 120

_opening = threading.Lock()
_home: list[tuple[Path, IO[str]]] = []
"""This server's folder and its lock, once there was an upload."""


def sweep() -> None:
    """Remove what servers that are gone left behind."""
    for folder in Path(tempfile.gettempdir()).glob(f"{PREFIX}*"):
        if folder.is_symlink() or not folder.is_dir() or _in_use(folder):
            continue
        shutil.rmtree(folder, ignore_errors=True)


def _in_use(folder: Path) -> bool:
    try:
        with (folder / LOCK).open() as lock:
            if not HAS_LOCKS:  # pragma: no cover - not on this platform
                return time.time() - folder.stat().st_mtime < STALE_SECONDS
            return take_turn(lock, alone=True, wait=False) is not True
    except FileNotFoundError:
        return time.time() - folder.lstat().st_mtime < STALE_SECONDS
    except OSError:
        return True


def forget_all() -> None:
    """Remove this server's folder with everything in it."""
    with _opening:
        for folder, lock in _home:
            shutil.rmtree(folder, ignore_errors=True)
            lock.close()
        _home.clear()


def _folder() -> Path:
    """A new folder of this server's."""
    with _opening:
        if not _home:
            home = Path(tempfile.mkdtemp(prefix=PREFIX))
            lock = (home / f"{LOCK}-soon").open("w")
            take_turn(lock, alone=True, wait=True)
            # under its name only once it is locked, so that nobody sees it free
            (home / f"{LOCK}-soon").rename(home / LOCK)
            _home.append((home, lock))
        return Path(tempfile.mkdtemp(dir=_home[0][0]))


class Shelf:
    """The files that one session has uploaded and not yet taken in, by the uploader's name."""

    def __init__(self) -> None:
        self.files: dict[str, dict[str, Path]] = {}

    def clear(self, uploader: str | None = None) -> None:
        """Remove the files of one uploader, or all."""
        for name in [uploader] if uploader else list(self.files):
            for path in self.files.pop(name, {}).values():
                shutil.rmtree(path.parent, ignore_errors=True)


@st.cache_resource(scope="session", on_release=Shelf.clear, show_spinner=False)
def _shelf() -> Shelf:
    return Shelf()


def kept(uploader: str, given: Sequence[Any]) -> list[Path]:
    """Uploads as files, copied once; what was taken back from the uploader is removed.

    Args:
        uploader: the name under which they lie together.
        given: all of its files (Streamlit's uploaded files).

    Raises:
        CoverplateError: together they are larger than one file may be.
    """
    limit = int(st.get_option("server.maxUploadSize")) << 20
    size = sum(upload.size for upload in given)
    if size > limit:
        raise CoverplateError(
            f"the files have {size >> 20:,} MB together",
            expected=f"at most {limit >> 20:,} MB at a time",
            to_do="take them in a few at a time, or by `coverplate intake` on the machine itself",
        )
    files = _shelf().files.setdefault(uploader, {})
    for gone in files.keys() - {upload.file_id for upload in given}:
        shutil.rmtree(files.pop(gone).parent, ignore_errors=True)
    for upload in given:
        if upload.file_id not in files:
            files[upload.file_id] = _written(upload)
    return [files[upload.file_id] for upload in given]


def done(uploader: str) -> None:
    """Remove the files of an uploader: they have been used."""
    _shelf().clear(uploader)


@contextmanager
def lent(upload: Any) -> Iterator[Path]:  # noqa: ANN401 - Streamlit's uploaded file
    """An upload as a file, for as long as it is used."""
    path = _written(upload)
    try:
        yield path
    finally:
        shutil.rmtree(path.parent, ignore_errors=True)


def _written(upload: Any) -> Path:  # noqa: ANN401 - Streamlit's uploaded file
    target = _folder() / _file_name(str(upload.name))
    upload.seek(0)
    with target.open("wb") as handle:
        shutil.copyfileobj(upload, handle, COPY_BYTES)
    return target


def _file_name(name: str) -> str:
    """A name that a file can have, close to the one that was sent."""
    last = visible(name.replace("\\", "/").rsplit("/", 1)[-1]).replace("\n", " ")
    return last[-LONGEST_NAME:].strip(". \t") or "upload"
