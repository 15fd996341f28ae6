"""The logbook: a chained register of what landed, what was read again and what was built.

One file in the workspace, ``logbook.jsonl``, to which lines are only ever added. A line is a JSON
object with ``n`` (from 1), ``at`` (UTC), ``what``, what belongs to it, ``before`` (the hash of the
line before it) and ``hash`` (of all the rest of the line). So whoever alters a line, takes one out
or slips one in breaks the chain there. Someone who writes the whole file anew can make it hold; a
``head`` (the last line's hash) that was kept elsewhere tells that. ``what`` is one of:

* ``begun``: the first line.
* ``taken in``: one call of an intake, in one line, so that it stands as a whole or not at all;
  ``files`` holds ``sha256``, ``name``, ``sequence``, ``manifest`` (hash of the manifest's bytes)
  and ``how`` (landed, read again, or settled again: which of its rows stand was worked out anew)
  of every file that it changed.
* ``brought up``, ``repaired``, ``recovered``: the same for files that landed before there was a
  logbook or were found without a line, derived anew, or put right after a kill.
* ``withdrawn``: files that a person took out.
* ``built``: a warehouse (``version``, ``size``, ``sha256``, ``learned``) and how far the ledger
  had come (``ledger``); ``ledger``: the latter alone.
* ``mended``: the end of a line that was cut off while it was written, taken away (``cut``).
"""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from pipeline.landing.seals import file_hash
from pipeline.landing.workspace import Workspace, read_manifest
from shared.canonical import START, canonical, utc_text
from shared.faults import CoverplateError
from shared.turns import take_turn
from shared.whole_file import settle_folder

FILE_NAME = "logbook.jsonl"
FORMAT = 1
_CUT_KEPT = 2_000
"""So many characters of a line that was cut off are kept in the line that tells of it."""


@dataclass(frozen=True)
class Line:
    """One line.

    Attributes:
        number: its place in the file, from 1.
        hash: that the line after it must name.
        before: the hash that it names of the line before it.
        content: all of it; {} where it cannot be read.
    """

    number: int
    hash: str
    before: str
    content: dict[str, Any]

    @property
    def what(self) -> str:
        """The kind of line, "" where it cannot be read."""
        return str(self.content.get("what", ""))


@dataclass(frozen=True)
class Entered:
    """What the logbook knows of a landed file.

    Attributes:
        name: of the original.
        manifest: hash of the manifest's bytes when it was last entered.
        line: number of that line.
        withdrawn: whether a person took the file out.
    """

    name: str
    manifest: str
    line: int
    withdrawn: bool = False


@dataclass(frozen=True)
class Logbook:
    """The logbook as it was read.

    Attributes:
        lines: every whole line.
        breaks: where the chain does not hold: line number and what is wrong there.
        torn: bytes after the last whole line.
    """

    lines: tuple[Line, ...] = ()
    breaks: tuple[tuple[int, str], ...] = ()
    torn: bytes = b""

    @property
    def count(self) -> int:
        """Number of lines by the last one's own count."""
        count = self.lines[-1].content.get("n") if self.lines else 0
        return count if isinstance(count, int) else len(self.lines)

    @property
    def head(self) -> str:
        """Hash of the last whole line."""
        return self.lines[-1].hash if self.lines else START

    def files(self) -> dict[str, Entered]:
        """What is known of every file ever entered, by SHA-256."""
        known: dict[str, Entered] = {}
        for line in self.lines:
            for each in line.content.get("files", ()):
                gone = line.what == "withdrawn"
                manifest = "" if gone else str(each.get("manifest", ""))
                known[each["sha256"]] = Entered(each["name"], manifest, line.number, gone)
        return known

    def last_built(self) -> dict[str, Any] | None:
        """The last line that tells of a warehouse."""
        return next((e.content for e in reversed(self.lines) if e.what == "built"), None)

    def line_of(self, head: str) -> Line | None:
        """The line whose hash was kept elsewhere; None where it is not in the chain."""
        return next((line for line in self.lines if line.hash == head), None)


def logbook_path(workspace: Workspace) -> Path:
    """Where a workspace's logbook is."""
    return workspace.root / FILE_NAME


def read(workspace: Workspace) -> Logbook:
    """Read the logbook and follow its chain; empty where there is none. Nothing is written."""
    try:
        with logbook_path(workspace).open("rb") as handle, _held(handle, alone=False):
            content = handle.read()
    except FileNotFoundError:
        return Logbook()
    return _followed(content)


def built_lines(workspace: Workspace, version: str | None = None) -> list[dict[str, Any]]:
    """What is written of the warehouses of a version, or of all, without following the chain:
    opening a warehouse must not wait for that."""
    try:
        content = logbook_path(workspace).read_bytes()
    except OSError:
        return []
    wanted = b"" if version is None else f'"version":"{version}"'.encode()
    found = []
    for raw in content.split(b"\n"):
        if wanted in raw and b'"what":"built"' in raw:
            with contextlib.suppress(ValueError):
                found.append(json.loads(raw))
    return found


def append(workspace: Workspace, what: str, content: Mapping[str, Any]) -> list[str]:
    """Add a line, on the disk when this returns; processes that add lines take turns.

    Returns:
        What is to be told of it: that a line which was cut off was mended.
    """
    path = logbook_path(workspace)
    fresh = not path.exists()
    with path.open("a+b") as handle, _held(handle, alone=True):
        handle.seek(0)
        book = _followed(handle.read())
        told, written = [], b""
        number, before = book.count, book.head

        def add(kind: str, more: Mapping[str, Any]) -> None:
            nonlocal number, before, written
            number += 1
            line, before = _line(number, kind, more, before)
            written += line

        if not book.lines:
            add("begun", {"format": FORMAT})
        if book.torn:
            handle.truncate(handle.seek(0, os.SEEK_END) - len(book.torn))
            cut = book.torn.decode("utf-8", errors="replace")[:_CUT_KEPT]
            add("mended", {"cut": cut})
            told.append(
                f"The last line of {path} was cut off while it was written; it was taken away, and "
                "a line tells of it. Nothing that was acknowledged is lost."
            )
        add(what, content)
        handle.write(written)
        handle.flush()
        os.fsync(handle.fileno())
    if fresh:
        settle_folder(path.parent)
    return told


def enter_files(workspace: Workspace, what: str, how: Mapping[str, str]) -> list[str]:
    """Add a line with those of some landed files whose manifest is not the one last entered.

    The caller holds the workspace's lock.

    Args:
        workspace: the workspace.
        what: kind of line.
        how: SHA-256 to what was done with the file.

    Returns:
        What is to be told of it.
    """
    known = read(workspace).files()
    files = []
    for sha, done in how.items():
        digest = manifest_hash(workspace, sha)
        if digest is None or (sha in known and known[sha].manifest == digest):
            continue
        entry: dict[str, Any] = {"sha256": sha, "manifest": digest, "how": done, "name": sha}
        with contextlib.suppress(CoverplateError):
            manifest = read_manifest(workspace.folder(sha) / "manifest.json")
            entry |= {"name": manifest.name, "sequence": manifest.sequence}
        files.append(entry)
    return append(workspace, what, {"files": files}) if files else []


def manifest_hash(workspace: Workspace, sha256: str) -> str | None:
    """Hash of the bytes of a landed file's manifest; None where there is none."""
    path = workspace.folder(sha256) / "manifest.json"
    return file_hash(path) if path.is_file() else None


def _line(number: int, what: str, content: Mapping[str, Any], before: str) -> tuple[bytes, str]:
    plain = {"n": number, "at": utc_text(dt.datetime.now(dt.UTC)), "what": what, "before": before}
    plain |= content
    digest = _hash(plain)
    return canonical({**plain, "hash": digest}).encode() + b"\n", digest


def _hash(plain: Mapping[str, Any]) -> str:
    return hashlib.sha256(canonical(plain).encode()).hexdigest()


def _followed(content: bytes) -> Logbook:
    *whole, torn = content.split(b"\n")
    lines: list[Line] = []
    breaks: list[tuple[int, str]] = []
    before, count = START, 0
    for number, raw in enumerate(whole, 1):
        line, wrong = _parsed(number, raw)
        counted = line.content.get("n")
        if wrong:
            breaks.append((number, wrong))
        elif line.before != before or counted != count + 1:
            breaks.append((number, "does not follow from the line before it"))
        lines.append(line)
        before, count = line.hash, counted if isinstance(counted, int) else count + 1
    return Logbook(tuple(lines), tuple(breaks), torn)


def _parsed(number: int, raw: bytes) -> tuple[Line, str]:
    """A line, and what is wrong with it by itself."""
    try:
        content = json.loads(raw)
        digest = content["hash"]
        plain = {name: value for name, value in content.items() if name != "hash"}
        line = Line(number, str(digest), str(content["before"]), content)
        for each in content.get("files", ()):
            if not {"sha256", "name"} <= each.keys():
                raise KeyError("files")
        if canonical(content).encode() != raw or _hash(plain) != digest:
            return line, "was altered after it was written"
    except (ValueError, KeyError, TypeError, AttributeError):
        unread = hashlib.sha256(raw).hexdigest()
        return Line(number, unread, "", {}), "cannot be read"
    return line, ""


@contextlib.contextmanager
def _held(handle: BinaryIO, *, alone: bool) -> Iterator[None]:
    """Take turns with others that read or write the file; a disk without locks goes without."""
    take_turn(handle, alone=alone, wait=True)
    yield  # the lock goes with the handle
