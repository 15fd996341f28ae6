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


def damage(folder: Path, known: Mapping[str, str], parts: Collection[str]) -> list[str]:
    """Return what is wrong with the derived files of a landed one, [] where they are whole.

    Args:
        folder: of the landed file.
        known: the hash that each is to have; {} where hashes were not kept yet.
        parts: names of files that must be there in any case.
    """
    wrong = []
    for name, expected in known.items():
        file = folder / name
        if not file.is_file():
            wrong.append(f"{name} is gone")
        elif file_hash(file) != expected:
            wrong.append(f"{name} was changed")
    for name in parts:
        if name not in known and not (folder / name).is_file():
            wrong.append(f"{name} is gone")
    if known:  # what another reading left would be read with this one
        strange = sorted(set(derived_files(folder)) - known.keys())
        wrong += [f"{name} is not of this reading" for name in strange]
    return wrong
