"""Hashes of the files that were derived from a landed one."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping
from pathlib import Path

CHUNK = 1 << 22


def file_hash(path: Path) -> str:
    """Return the SHA-256 of a file, in hexadecimal digits."""
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def derived_files(folder: Path) -> list[str]:
    """Return the names of the files that were derived from a landed one, in order."""
    return sorted(file.name for file in folder.iterdir() if file.suffix == ".parquet")


def seal(folder: Path, known: Mapping[str, str], changed: Collection[str] = ()) -> dict[str, str]:
    """Return the hash of every derived file.

    Args:
        folder: of the landed file.
        known: hashes that were worked out before.
        changed: names of files that were written since.
    """
    return {
        name: known[name] if name in known and name not in changed else file_hash(folder / name)
        for name in derived_files(folder)
    }
