"""How far the sheets of an XLSX workbook reach, counted from its bytes before anything reads it.

One cell at the far end of a sheet makes a reader that keeps the whole rectangle ask for hundreds of
gigabytes; and what a reader gives can be held against what is there.
"""

from __future__ import annotations

import posixpath
import re
import zipfile
from dataclasses import dataclass, replace
from pathlib import Path
from xml.etree import ElementTree

CHUNK = 1 << 20

_COLUMN = re.compile(rb"c r=\"([A-Z]{1,3})[0-9]")
_PLACE = re.compile(rb"r=\"([A-Z]{1,3})([0-9]{1,7})\"")
_VALUE = re.compile(rb"<(?:\w+:)?(?:v|is)>")

_UNREAD = re.compile(
    rb"<(?:\w+:)?c\s[^>]*\bt=\"e\"|<(?:\w+:)?f(?:\s[^>]*)?(?:/>|>[^<]*</(?:\w+:)?f>)"
    rb"(?:<(?:\w+:)?v\s*/>|<(?:\w+:)?v></(?:\w+:)?v>)?</(?:\w+:)?c>"
)

_HIDDEN_ROW = re.compile(rb"<(?:\w+:)?row\s[^>]*\bhidden=\"(?:1|true)\"")
_STYLED = re.compile(rb"(<(?:\w+:)?c\s[^>]*\bs=\"([0-9]+)\"[^>]*>)\s*<(?:\w+:)?v>")
_TEXT_CELL = re.compile(rb"\bt=\"(?:s|str|inlineStr|b|e)\"")
_PADDING = re.compile(r"^(\\?[^0#?.%]|\"[^\"]*\")*0{2,}(?![.0-9#]*\.)")
"""Number formats that begin with several zeros and have no decimals."""

_RELATIONS = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"


@dataclass(frozen=True)
class Extent:
    """How far one sheet reaches.

    Attributes:
        last_row: number of the last row with a value, 0 for an empty sheet.
        last_column: number of the last column with a cell.
        cells: cells that hold a value.
        unread: cells that hold an error, or a formula that was never worked out: they read as
            blank.
        hidden_rows: rows that the program does not show.
        padded: numbers whose format shows leading zeros, which are read without.
        comments: what is written beside cells, with the cell.
    """

    last_row: int
    last_column: int
    cells: int
    unread: int = 0
    hidden_rows: int = 0
    padded: int = 0
    comments: tuple[tuple[str, str], ...] = ()

    @property
    def area(self) -> int:
        """Cells of the rectangle from the first cell to the last."""
        return self.last_row * self.last_column


def extents(path: Path) -> dict[str, Extent]:
    """Return the extent of each worksheet by name; {} where the file is no XLSX.

    Raises:
        zipfile.BadZipFile, ElementTree.ParseError: the workbook is damaged.
    """
    if not zipfile.is_zipfile(path):
        return {}
    with zipfile.ZipFile(path) as archive:
        names = set(archive.namelist())
        if "xl/workbook.xml" not in names or "xl/_rels/workbook.xml.rels" not in names:
            return {}
        targets = {
            relation.get("Id"): relation.get("Target", "")
            for relation in ElementTree.fromstring(archive.read("xl/_rels/workbook.xml.rels"))
        }
        found = {}
        padded = _padding_styles(archive)
        for element in ElementTree.fromstring(archive.read("xl/workbook.xml")).iter():
            if element.tag.rpartition("}")[2] != "sheet":
                continue
            target = targets.get(element.get(_RELATIONS) or "") or ""
            member = target.lstrip("/") if target.startswith("/") else f"xl/{target}"
            member = posixpath.normpath(member)
            if member in names and "worksheets/" in member:
                extent = _extent(archive, member, padded)
                found[element.get("name") or ""] = replace(
                    extent, comments=_comments(archive, member, names)
                )
        return found


def _padding_styles(archive: zipfile.ZipFile) -> frozenset[bytes]:
    """The styles of cells whose number format shows leading zeros (``0000``)."""
    if "xl/styles.xml" not in archive.namelist():
        return frozenset()
    root = ElementTree.fromstring(archive.read("xl/styles.xml"))
    formats = {
        each.get("numFmtId")
        for each in root.iter()
        if each.tag.endswith("}numFmt") and _PADDING.search(each.get("formatCode") or "")
    }
    styles = next((each for each in root.iter() if each.tag.endswith("}cellXfs")), ())
    return frozenset(
        str(number).encode()
        for number, style in enumerate(styles)
        if style.get("numFmtId") in formats
    )


def _comments(
    archive: zipfile.ZipFile, member: str, names: set[str]
) -> tuple[tuple[str, str], ...]:
    """What is written beside the cells of a sheet."""
    folder, file = posixpath.split(member)
    relations = f"{folder}/_rels/{file}.rels"
    if relations not in names:
        return ()
    told = []
    for relation in ElementTree.fromstring(archive.read(relations)):
        target = relation.get("Target", "")
        if not relation.get("Type", "").endswith("/comments"):
            continue
        part = target.lstrip("/") if target.startswith("/") else f"{folder}/{target}"
        part = posixpath.normpath(part)
        if part not in names:
            continue
        for each in ElementTree.fromstring(archive.read(part)).iter():
            if each.tag.endswith("}comment"):
                text = " ".join("".join(t.text or "" for t in each.iter()).split())
                told.append((each.get("ref") or "", text))
    return tuple(told)


def _extent(archive: zipfile.ZipFile, member: str, padded_styles: frozenset[bytes]) -> Extent:
    last_row = last_column = cells = unread = hidden = padded = 0
    held = b""

    def told(text: bytes) -> None:
        nonlocal unread, hidden, padded
        unread += len(_UNREAD.findall(text))
        hidden += len(_HIDDEN_ROW.findall(text))
        if padded_styles:
            padded += sum(
                style in padded_styles and not _TEXT_CELL.search(tag)
                for tag, style in _STYLED.findall(text)
            )

    with archive.open(member) as stream:
        while chunk := stream.read(CHUNK):
            text = held + chunk
            cut = text.rfind(b"row>") + 4  # a row that goes on is looked at with its rest
            whole, held = (text[:cut], text[cut:]) if cut > 3 else (b"", text)
            row, column, filled = _counted(whole)
            last_row, last_column = max(last_row, row), max(last_column, column)
            cells += filled
            told(whole)
    row, column, filled = _counted(held)
    told(held)
    return Extent(
        max(last_row, row), max(last_column, column), cells + filled, unread, hidden, padded
    )


def _counted(text: bytes) -> tuple[int, int, int]:
    """Last row with a value, last column with a cell, and cells with a value."""
    values = [match.start() for match in _VALUE.finditer(text)]
    if not values:
        return 0, 0, 0
    columns = set(_COLUMN.findall(text))
    row = 0
    for place in reversed(values):  # rows stand in order, so the last value tells
        start = text.rfind(b'c r="', 0, place)
        found = _PLACE.match(text, start + 2) if start >= 0 else None
        if found:
            row = int(found[2])
            break
    return row, max(map(_column, columns), default=0), len(values)


def _column(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = 26 * number + letter - 64
    return number
