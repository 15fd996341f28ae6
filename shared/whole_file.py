"""A file that appears whole or not at all, whatever happens while it is written."""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def appearing_whole(target: Path, *, durable: bool = False) -> Iterator[Path]:
    """A path beside ``target`` to write to, which takes its place when the block ends well.

    Should the block raise, the target stays as it was and nothing is left beside it. Processes and
    threads that write the same target do not meet; the last one's file stays.

    Args:
        target: the file.
        durable: whether to wait until the disk holds it before it takes its place.
    """
    partial = target.with_name(f".{target.name}.{os.getpid()}-{threading.get_ident()}.partial")
    try:
        yield partial
        if durable:
            with partial.open("rb") as handle:
                os.fsync(handle.fileno())
        partial.replace(target)
    finally:
        partial.unlink(missing_ok=True)


def settle_folder(folder: Path) -> None:
    """Wait until the disk holds the names in a folder, where the platform can say so."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:  # folders cannot be opened on every platform
        return
    try:
        with contextlib.suppress(OSError):
            os.fsync(handle)
    finally:
        os.close(handle)


def settle_files(folder: Path) -> None:
    """Wait until the disk holds every file in a folder and its folders."""
    for file in folder.rglob("*"):
        if file.is_file():
            with file.open("rb") as handle:
                os.fsync(handle.fileno())
