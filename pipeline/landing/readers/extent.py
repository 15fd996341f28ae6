"""How far the sheets of an XLSX workbook reach, counted from its bytes before anything reads it.

One cell at the far end of a sheet makes a reader that keeps the whole rectangle ask for hundreds of
gigabytes; and what a reader gives can be held against what is there.
"""

from __future__ import annotations

import html
import posixpath
import re
import zipfile
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from xml.etree import ElementTree

from pipeline.landing import cells

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
        shown: (row, column) from 1 to the unit that a number's format shows (`` mΩ``).
        worded: numbers whose format shows other words, or a part of the number.
        fills: colour to the numbers of the rows with cells of that colour.
        struck: numbers of the rows with cells that are struck through.
        margins: what is printed above and below each page.
        from_1904: its days are counted from 1904.
    """

    last_row: int
    last_column: int
    cells: int
    unread: int = 0
    hidden_rows: int = 0
    padded: int = 0
    comments: tuple[tuple[str, str], ...] = ()
    shown: Mapping[tuple[int, int], str] = field(default_factory=dict)
    worded: int = 0
    fills: Mapping[str, set[int]] = field(default_factory=dict)
    struck: frozenset[int] = frozenset()
    margins: tuple[str, ...] = ()
    from_1904: bool = False

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
        styles = _styles(archive)
        book = ElementTree.fromstring(archive.read("xl/workbook.xml"))
        from_1904 = any(
            each.tag.endswith("}workbookPr") and each.get("date1904") in ("1", "true")
            for each in book.iter()
        )
        for element in book.iter():
            if element.tag.rpartition("}")[2] != "sheet":
                continue
            target = targets.get(element.get(_RELATIONS) or "") or ""
            member = target.lstrip("/") if target.startswith("/") else f"xl/{target}"
            member = posixpath.normpath(member)
            if member in names and "worksheets/" in member:
                extent = _extent(archive, member, styles)
                found[element.get("name") or ""] = replace(
                    extent, comments=_comments(archive, member, names), from_1904=from_1904
                )
        return found


@dataclass(frozen=True)
class _Styles:
    """Styles of cells by number: those that show leading zeros, the unit that others show
    behind a number (None for other words), colours, and what is struck through."""

    padded: frozenset[bytes] = frozenset()
    shown: Mapping[bytes, str | None] = field(default_factory=dict)
    fills: Mapping[bytes, str] = field(default_factory=dict)
    struck: frozenset[bytes] = frozenset()


def _styles(archive: zipfile.ZipFile) -> _Styles:
    if "xl/styles.xml" not in archive.namelist():
        return _Styles()
    root = ElementTree.fromstring(archive.read("xl/styles.xml"))

    def children(name: str) -> list[ElementTree.Element]:
        return list(next((each for each in root.iter() if each.tag.endswith("}" + name)), ()))

    codes = {each.get("numFmtId"): each.get("formatCode") or "" for each in children("numFmts")}
    colours = [_colour(each) for each in children("fills")]
    strikes = [
        any(e.tag.endswith("}strike") and e.get("val") not in ("0", "false") for e in font)
        for font in children("fonts")
    ]
    padded, struck = set(), set()
    shown: dict[bytes, str | None] = {}
    fills: dict[bytes, str] = {}
    for number, style in enumerate(children("cellXfs")):
        own = str(number).encode()
        code = codes.get(style.get("numFmtId"), "")
        if _DAYS.search(_ASIDE.sub("", code)):
            code = ""  # days and hours are read as such
        if _PADDING.search(code):
            padded.add(own)
        elif (unit := _BEHIND.fullmatch(code)) and _unquoted(unit[1]).strip().lower() in _UNITS:
            shown[own] = _unquoted(unit[1])
        elif _WORDS.search(code) or _SCALED.search(code):
            shown[own] = None
        fill, font = int(style.get("fillId") or 0), int(style.get("fontId") or 0)
        if fill < len(colours) and colours[fill]:
            fills[own] = colours[fill]
        if font < len(strikes) and strikes[font]:
            struck.add(own)
    return _Styles(frozenset(padded), shown, fills, frozenset(struck))


_UNITS = {unit for units in cells.UNIT_FACTORS.values() for unit in units if unit}
_BEHIND = re.compile(r"(?:General|[#0,]*[#0](?:\.[#0]+)?)((?:\"[^\"]*\"|\\.| )*)")
"""Number formats of one number with letters behind it."""

_ASIDE = re.compile(r"\"[^\"]*\"|\[[^\]]*\]|\\.")
_DAYS = re.compile(r"[ymdhs]", re.IGNORECASE)
_WORDS = re.compile(r"\"[^\"]*[^\W\d_][^\"]*\"")
_SCALED = re.compile(r"[#0],+(?![#0])")
"""Number formats that show words, or a thousandth of the number."""


def _unquoted(text: str) -> str:
    return text.replace("\\", "").replace('"', "")


def _colour(fill: ElementTree.Element) -> str:
    """The colour of a fill, "" where there is none."""
    for pattern in fill:
        if pattern.get("patternType") in (None, "none", "gray125"):
            continue
        for colour in pattern:
            if colour.tag.endswith("}fgColor"):
                kind, name = next(iter(colour.items()), ("", ""))
                return name if kind == "rgb" else f"{kind} {name}"
    return ""


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


def _of_styles(styles: Collection[bytes]) -> re.Pattern[bytes] | None:
    """Finds the cells of some styles: column, row, style."""
    if not styles:
        return None
    listed = b"|".join(sorted(styles))
    return re.compile(
        rb"<(?:\w+:)?c r=\"([A-Z]{1,3})([0-9]{1,7})\"[^>]*?\bs=\"(" + listed + rb")\"[^>]*[^/>]>"
    )


def _extent(archive: zipfile.ZipFile, member: str, styles: _Styles) -> Extent:
    last_row = last_column = with_value = unread = hidden = padded = worded = 0
    held = b""
    shown: dict[tuple[int, int], str] = {}
    fills: dict[str, set[int]] = {}
    struck: set[int] = set()
    margins: list[str] = []
    telling = _of_styles({*styles.shown, *styles.fills, *styles.struck})

    def told(text: bytes) -> None:
        nonlocal unread, hidden, padded, worded
        unread += len(_UNREAD.findall(text))
        hidden += len(_HIDDEN_ROW.findall(text))
        margins.extend(
            html.unescape(found.decode("utf-8", "replace")) for found in _MARGIN.findall(text)
        )
        if styles.padded:
            padded += sum(
                style in styles.padded and not _TEXT_CELL.search(tag)
                for tag, style in _STYLED.findall(text)
            )
        for cell in telling.finditer(text) if telling else ():
            letters, number, style = cell.groups()
            row = int(number)
            if style in styles.fills:
                fills.setdefault(styles.fills[style], set()).add(row)
            if style in styles.struck:
                struck.add(row)
            if style in styles.shown and not _TEXT_CELL.search(cell[0]):
                unit = styles.shown[style]
                if unit is None:
                    worded += 1
                else:
                    shown[row, _column(letters)] = unit

    with archive.open(member) as stream:
        while chunk := stream.read(CHUNK):
            text = held + chunk
            cut = text.rfind(b"row>") + 4  # a row that goes on is looked at with its rest
            whole, held = (text[:cut], text[cut:]) if cut > 3 else (b"", text)
            row, column, filled = _counted(whole)
            last_row, last_column = max(last_row, row), max(last_column, column)
            with_value += filled
            told(whole)
    row, column, filled = _counted(held)
    told(held)
    return Extent(
        max(last_row, row),
        max(last_column, column),
        with_value + filled,
        unread,
        hidden,
        padded,
        shown=shown,
        worded=worded,
        fills=fills,
        struck=frozenset(struck),
        margins=tuple(margins),
    )


_MARGIN = re.compile(rb"<(?:\w+:)?(?:odd|even|first)(?:Header|Footer)>([^<]+)</", re.DOTALL)


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
