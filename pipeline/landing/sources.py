"""Finds the files to read in what the caller named: files, folders, ZIPs, and ZIPs within ZIPs."""

from __future__ import annotations

import lzma
import shutil
import stat
import zipfile
import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from shared.faults import CoverplateError

MAX_MEMBER_BYTES = 64 * 2**30
MAX_NESTING = 5

DAMAGED = (
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    EOFError,
    RuntimeError,
    NotImplementedError,
)
"""What is raised by ZIPs that are damaged, locked or packed in a way that is not known."""


@dataclass(frozen=True)
class Source:
    """One file to read.

    Attributes:
        label: how people know it: its path, or ``archive.zip!/folder/member.csv``.
        name: its file name.
        path: where its bytes can be read now (a scratch copy for a member of a ZIP).
    """

    label: str
    name: str
    path: Path


def find_sources(
    paths: Sequence[Path | str], scratch: Path, say: Callable[[str], None] | None = None
) -> Iterator[Source]:
    """Yield every file below the given paths, in the order given, folders sorted by name.

    Args:
        paths: files and folders.
        scratch: an existing folder for members of ZIPs; a member is removed once the caller asks
            for the next one.
        say: called with what is passed over in a folder or ZIP: hidden files.

    Raises:
        CoverplateError: a path does not exist, or a ZIP is damaged or locked.
    """
    missing = [str(path) for path in paths if not Path(path).exists()]
    if missing:
        raise CoverplateError(
            f"no such file or folder: {', '.join(missing)}",
            expected="files or folders that exist",
            to_do="check the spelling; quote names that hold spaces",
        )
    for path in map(Path, paths):
        yield from _expand(Source(str(path), path.name, path), scratch, 0, say or _silent)


def _silent(_: str) -> None:
    """Nobody asks what is passed over."""


_OF_THE_SYSTEM = frozenset({"thumbs.db", "ehthumbs.db", "desktop.ini", "icon\r"})
"""Files that systems leave in folders for themselves."""


def _passed_over(name: str) -> str:
    """Why a file in a folder or ZIP is not read; "" where it is."""
    if name.casefold() in _OF_THE_SYSTEM or name.startswith("~$"):
        return "a file that the system or an open program keeps there for itself, not read"
    if name.startswith("."):
        return "a hidden file, not read; name it by itself if it is an export"
    return ""


def not_regular(label: str) -> CoverplateError:
    """The refusal of what is neither a file nor a folder: a pipe, a device, a link to nothing."""
    return CoverplateError(
        f"{label}: not a regular file",
        expected="a file with a beginning and an end",
        to_do="save what it gives as a file and name that",
    )


def _expand(
    source: Source,
    scratch: Path,
    depth: int,
    say: Callable[[str], None],
    inside: frozenset[Path] = frozenset(),
) -> Iterator[Source]:
    if source.path.is_dir():
        if source.path.resolve() in inside:
            raise CoverplateError(
                f"{source.label}: a link to a folder that it stands in itself",
                expected="a folder that ends somewhere",
                to_do="take the link away, or name the folders that hold the files",
            )
        within = inside | {source.path.resolve()}
        for child in sorted(source.path.iterdir()):
            if why := _passed_over(child.name):
                say(f"{child}: {why}")
                continue
            inner = Source(str(child), child.name, child)
            yield from _expand(inner, scratch, depth, say, within)
    elif not source.path.is_file():
        raise not_regular(source.label)
    elif is_archive(source.path):
        yield from _members(source, scratch, depth + 1, say)
    else:
        yield source


def is_archive(path: Path) -> bool:
    """Say whether a file is a ZIP of files, not a workbook that merely uses the ZIP format."""
    if not zipfile.is_zipfile(path):
        return False
    with path.open("rb") as handle:
        if handle.read(4) != b"PK\x03\x04":
            return False
    try:
        with zipfile.ZipFile(path) as archive:
            names = set(archive.namelist())
    except zipfile.BadZipFile:
        return False
    return "[Content_Types].xml" not in names and "mimetype" not in names


def _members(
    source: Source, scratch: Path, depth: int, say: Callable[[str], None]
) -> Iterator[Source]:
    if depth > MAX_NESTING:
        raise CoverplateError(
            f"{source.label}: ZIPs nested more than {MAX_NESTING} deep",
            to_do="unpack it and name the folder instead",
        )
    reached = ""
    try:
        with zipfile.ZipFile(source.path) as archive:
            for number, member in enumerate(archive.infolist()):
                label = f"{source.label}!/{member.filename}"
                reached = f" at {member.filename}"
                name = Path(member.filename).name
                if member.is_dir():
                    continue
                why = _passed_over("." if member.filename.startswith("__MACOSX/") else name)
                if why:
                    say(f"{label}: {why}")
                    continue
                if member.file_size > MAX_MEMBER_BYTES:
                    raise CoverplateError(
                        f"{label}: {member.file_size:,} bytes unpacked",
                        expected=f"at most {MAX_MEMBER_BYTES:,} bytes",
                        to_do="split the file",
                    )
                kind = stat.S_IFMT(member.external_attr >> 16)
                if kind not in (0, stat.S_IFREG):
                    raise not_regular(label)
                free = shutil.disk_usage(scratch).free
                if member.file_size > free:
                    raise CoverplateError(
                        f"{label}: {member.file_size:,} bytes unpacked",
                        expected=f"at most {free:,} bytes, which is what the disk has room for",
                        to_do="make room on the workspace's disk, or unpack the ZIP elsewhere",
                    )
                # the name on disk is ours: a member's own name may try to leave the folder
                unpacked = scratch / f"member-{depth}-{number}"
                try:
                    with archive.open(member) as packed, unpacked.open("wb") as plain:
                        shutil.copyfileobj(packed, plain, 1 << 20)
                    inner = Source(label, name, unpacked)
                    yield from _expand(inner, scratch, depth, say)
                finally:
                    unpacked.unlink(missing_ok=True)
    except DAMAGED as fault:
        raise CoverplateError(
            f"{source.label}: the ZIP cannot be read{reached} ({fault})",
            expected="a whole ZIP without a password",
            to_do="fetch it again, or unpack it and name the folder instead",
        ) from fault
