"""A copy of an SQLite file that nobody writes to meanwhile."""

from __future__ import annotations

import contextlib
import shutil
from pathlib import Path

_COPIES = 5
"""A ledger may be written to while it is copied; so often it is tried again."""


def at_rest(file: Path, folder: Path, *, always: bool = False) -> Path:
    """Return the file where nothing is written beside it, else (or always) a copy of both."""
    log = file.with_name(file.name + "-wal")
    for _ in range(_COPIES):
        before = _stamps(file, log)
        if not before[1] and not always:
            return file
        for each in (file, log):
            with contextlib.suppress(FileNotFoundError):
                shutil.copyfile(each, folder / each.name)
        if _stamps(file, log) == before:
            break
    return folder / file.name


def _stamps(*files: Path) -> list[tuple[int, int] | None]:
    """Size and time of each file; None where there is none or it is empty."""
    found: list[tuple[int, int] | None] = []
    for file in files:
        try:
            stat = file.stat()
        except FileNotFoundError:
            found.append(None)
        else:
            found.append((stat.st_size, stat.st_mtime_ns) if stat.st_size else None)
    return found
