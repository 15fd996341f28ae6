"""Looks at a file's bytes: SHA-256, format, text encoding; and keeps them unchanged.

One pass measures, so that a file of gigabytes is read once before DuckDB reads it; the copy that is
kept is made meanwhile. Text in any other encoding than UTF-8 is rewritten as UTF-8 in the scratch
folder; the kept bytes stay as they came.
"""

from __future__ import annotations

import codecs
import hashlib
import json
import shutil
import threading
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from pipeline.landing.encodings import ASSUMED, ask_encoding, is_utf8_with_halves, strange_words
from pipeline.landing.readers.boundary import refusing
from pipeline.landing.sources import not_regular
from shared.faults import CoverplateError

Format = Literal["delimited", "spreadsheet", "json", "json_lines", "parquet", "none"]

CHUNK = 1 << 22

DOCUMENTS = (
    *(".md", ".rst", ".html", ".htm", ".xml", ".pdf", ".rtf", ".docx", ".toml", ".yaml"),
    *(".jpg", ".jpeg", ".png", ".gif", ".bmp", ".tif", ".tiff", ".heic", ".heif", ".webp", ".svg"),
    *(".mp4", ".mov", ".avi", ".mp3", ".m4a", ".wav", ".ogg"),
)
"""Names of files that lie beside exports and are not tables."""


@dataclass(frozen=True)
class Arrival:
    """A file that has been measured.

    Attributes:
        original: where its bytes are.
        name: its file name.
        sha256, size: of its bytes.
        format: what it holds, judged by its content; ``none`` when it is no table.
        encoding: of the text (``utf-8``, ``utf-8-sig``, ``utf-16``, ``cp1252``), "" for binary.
        text: the same text as UTF-8 (the original itself where that is UTF-8), or the original.
        lines: lines of text, a last line without an end included; 0 for binary. \\r\\n, \\n and
            \\r all end one.
        quotes: double quotes in the text.
        lone_returns: ends of line that are a single \\r.
        ascii: whether the text holds nothing but ASCII.
    """

    original: Path
    name: str
    sha256: str
    size: int
    format: Format
    encoding: str
    text: Path
    lines: int
    quotes: int
    lone_returns: int
    ascii: bool


def receive(source: Path, name: str, scratch: Path, known: str | None = None) -> Arrival:
    """Read a file once and say what it is.

    Args:
        source: the file.
        name: its name, as people know it.
        scratch: an existing folder for a UTF-8 version where one is needed.
        known: the encoding of a text that is not UTF-8, where a person has said it.

    Raises:
        OpenQuestionError: a text is in a code page that must be asked for.
        CoverplateError: the file is damaged, or no file.
    """
    if not source.is_file():
        raise not_regular(name)
    with refusing(name, "files"):
        return _received(source, name, scratch, known)


def _received(source: Path, name: str, scratch: Path, known: str | None) -> Arrival:
    with source.open("rb") as handle:
        head = handle.read(1 << 16)
    kind: Format | None = "none" if name.lower().endswith(DOCUMENTS) else None
    kind = kind or _binary_format(source, head)
    encoding = "" if kind else _encoding_by_mark(head)
    digest = hashlib.sha256()
    measure = _Measure()
    decoder = codecs.getincrementaldecoder("utf-8")()
    is_utf8 = not kind and encoding in ("", "utf-8-sig")
    is_ascii = is_utf8
    size = 0
    with source.open("rb", buffering=0) as incoming:
        while chunk := incoming.read(CHUNK):
            digest.update(chunk)
            size += len(chunk)
            if is_utf8:
                measure.add(chunk)
                # isascii is far quicker than decoding, and most exports are nearly all ASCII
                if not chunk.isascii() or decoder.getstate()[0]:
                    is_ascii = False
                    try:
                        decoder.decode(chunk)
                    except UnicodeDecodeError:
                        is_utf8 = False
    if is_utf8 and decoder.getstate()[0]:
        is_utf8 = False  # the file ends within a character
    text = source
    if not kind:
        if is_utf8:
            encoding = encoding or "utf-8"
        else:
            if not encoding.startswith("utf-16"):
                encoding = known or _code_page(source, name)
            text = scratch / f"{digest.hexdigest()}.utf8"
            measure = _rewrite(source, encoding, text)
        kind = _text_format(text)
    binary = kind in ("spreadsheet", "parquet", "none")
    lines = 0 if binary else measure.lines
    return Arrival(
        source,
        name,
        digest.hexdigest(),
        size,
        kind,
        encoding,
        text,
        lines,
        measure.quotes,
        measure.lone_returns,
        is_ascii and text is source,
    )


def _code_page(source: Path, name: str) -> str:
    """The code page of a text that is not UTF-8.

    Raises:
        OpenQuestionError: it holds words that the usual one cannot mean.
    """
    if is_utf8_with_halves(source):
        return "utf-8"
    with source.open("r", encoding=ASSUMED, errors="coverplate_keep", newline="") as handle:
        while chunk := handle.read(CHUNK):
            if words := strange_words(chunk):
                raise ask_encoding(name, source, words)
    return ASSUMED


class Keeping:
    """Copies a file unchanged while something else reads it.

    Args:
        arrival: the file as it was measured.
        target: where the copy goes.
    """

    def __init__(self, arrival: Arrival, target: Path) -> None:
        self._arrival = arrival
        self._target = target
        self._before = _state(arrival.original)
        self._fault: OSError | None = None
        self._thread = threading.Thread(target=self._copy)
        self._thread.start()

    def _copy(self) -> None:
        try:
            shutil.copyfile(self._arrival.original, self._target)
        except OSError as fault:
            self._fault = fault

    def finish(self) -> None:
        """Wait until the copy is whole.

        Raises:
            CoverplateError: the disk refused it, or somebody wrote to the file meanwhile.
        """
        self._thread.join()
        if self._fault is not None:
            raise CoverplateError(
                f"{self._arrival.name}: the copy could not be written ({self._fault})",
                to_do="see that the disk of the workspace has room and may be written to",
            ) from self._fault
        copied = self._target.stat().st_size
        if _state(self._arrival.original) != self._before or copied != self._arrival.size:
            raise CoverplateError(
                f"{self._arrival.name}: the file changed while it was read",
                to_do="wait until it is written to the end and take it in again",
            )


def _state(path: Path) -> tuple[int, int]:
    found = path.stat()
    return found.st_size, found.st_mtime_ns


class _Measure:
    """Counts lines and double quotes of UTF-8 text, chunk by chunk."""

    def __init__(self) -> None:
        self._feeds = 0
        self._returns = 0
        self._pairs = 0
        self._last = b"\n"
        self.quotes = 0

    def add(self, chunk: bytes) -> None:
        # numpy counts a byte several times as fast as bytes.count
        numbers = np.frombuffer(chunk, np.uint8)
        self._feeds += int(np.count_nonzero(numbers == ord("\n")))
        self.quotes += int(np.count_nonzero(numbers == ord('"')))
        if b"\r" in chunk:
            self._returns += int(np.count_nonzero(numbers == ord("\r")))
            self._pairs += chunk.count(b"\r\n")
        if self._last == b"\r" and chunk.startswith(b"\n"):
            self._pairs += 1
        self._last = chunk[-1:]

    @property
    def lone_returns(self) -> int:
        return self._returns - self._pairs

    @property
    def lines(self) -> int:
        return self._feeds + self.lone_returns + (self._last not in (b"\n", b"\r"))


def _binary_format(path: Path, head: bytes) -> Format | None:
    if head.startswith(b"PAR1"):
        return "parquet"
    if head.startswith(b"\xd0\xcf\x11\xe0"):  # OLE container: the workbooks of before 2007
        return "spreadsheet"
    if head.startswith(b"PK\x03\x04"):
        try:
            with zipfile.ZipFile(path) as archive:
                names = archive.namelist()
        except zipfile.BadZipFile as damaged:
            raise CoverplateError(
                f"{path.name}: a workbook or ZIP that is damaged ({damaged})",
                expected="a whole file",
                to_do="fetch it again; it may have been cut short",
            ) from damaged
        workbook = any(name.startswith("xl/") for name in names) or "content.xml" in names
        return "spreadsheet" if workbook else "none"
    if b"\0" in head and not _encoding_by_mark(head).startswith("utf-16"):
        return "none"
    return "none" if head.startswith((b"%PDF", b"\x89PNG", b"\xff\xd8\xff", b"GIF8")) else None


def _encoding_by_mark(head: bytes) -> str:
    if head.startswith(codecs.BOM_UTF8):
        return "utf-8-sig"
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    # UTF-16 without a mark: in western text every second byte is zero
    sample = head[: len(head) // 2 * 2]
    if sample:
        even, odd = sample[0::2].count(0), sample[1::2].count(0)
        half = len(sample) // 2
        if odd > 0.6 * half and even < 0.1 * half:
            return "utf-16-le"
        if even > 0.6 * half and odd < 0.1 * half:
            return "utf-16-be"
    return ""


def _undefined_as_control(fault: UnicodeError) -> tuple[str, int]:
    # five bytes have no meaning in Windows-1252; keeping them as the control characters of the
    # same number loses nothing
    assert isinstance(fault, UnicodeDecodeError)
    return "".join(chr(byte) for byte in fault.object[fault.start : fault.end]), fault.end


codecs.register_error("coverplate_keep", _undefined_as_control)


def _rewrite(original: Path, encoding: str, text: Path) -> _Measure:
    measure = _Measure()
    errors = "replace" if encoding.startswith("utf") else "coverplate_keep"
    with (
        original.open("r", encoding=encoding, errors=errors, newline="") as incoming,
        text.open("wb") as outgoing,
    ):
        while chunk := incoming.read(CHUNK):
            plain = chunk.encode("utf-8")
            outgoing.write(plain)
            measure.add(plain)
    return measure


def _text_format(text: Path) -> Format:
    with text.open("r", encoding="utf-8-sig", errors="replace", newline="") as handle:
        head = handle.read(1 << 16)
        rest = head.lstrip()
        while head and not rest:
            head = handle.read(1 << 16)
            rest = head.lstrip()
    if not rest:
        return "none"
    if rest.startswith("["):
        after = rest[1:].lstrip()
        return "json" if after.startswith(("{", "]")) else "delimited"
    if rest.startswith("{"):
        return "json_lines" if _is_json_lines(rest) else "json"
    return "delimited"


def _is_json_lines(head: str) -> bool:
    lines = [line for line in head.splitlines() if line.strip()]
    try:
        first = json.loads(lines[0])
    except (ValueError, RecursionError):
        return False
    if len(lines) == 1:
        # one whole object on one line: a document when it carries a list of objects
        return not any(
            isinstance(value, list) and value and isinstance(value[0], dict)
            for value in first.values()
        )
    return isinstance(first, dict)
