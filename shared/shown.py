"""Text out of data on its way to where it is shown: terminal, JSON, HTML, Markdown, spreadsheet.

Names, notes, file names and headers were written by others. Whatever they hold is shown as the
text that it is: it steers no terminal, loads nothing, links nowhere and is no formula. Characters
that nobody sees but that do something (control characters, marks of writing direction, zero-width
ones) are shown by their code.
"""

from __future__ import annotations

import html
import re

_RANGES = (
    *((0x00, 0x08), (0x0B, 0x1F), (0x7F, 0x9F), (0xAD, 0xAD), (0x61C, 0x61C), (0x70F, 0x70F)),
    *((0x180E, 0x180E), (0x200B, 0x200F), (0x2028, 0x202E), (0x2060, 0x206F), (0xD800, 0xDFFF)),
    *((0xFEFF, 0xFEFF), (0xFFF9, 0xFFFB), (0x13430, 0x1345F), (0x1BCA0, 0x1BCA3)),
    *((0x1D173, 0x1D17A), (0xE0000, 0xE007F)),
)
"""Unicode's control and formatting characters, line separators and lone surrogates; tab and line
feed are not among them, nor the few Arabic and Kaithi signs of that class that are drawn."""

LOOK_ALIKES = {
    **dict(zip("авекмнорстухіјѕ", "abekmhopctyxijs", strict=True)),
    **dict(zip("αβεικνορτυχ", "abeikvoptux", strict=True)),
}
"""Cyrillic and Greek letters to the Latin ones that they look like, in lower or upper case."""

LOST = "\ufffd"
"""What a program writes where it could not read a letter."""

_UNSEEN = re.compile("[" + "".join(f"{chr(a)}-{chr(b)}" for a, b in _RANGES) + "]")
_NOT_IN_A_NAME = (
    r"[\x00-\x1f"
    + "".join(f"\\x{{{a:x}}}-\\x{{{b:x}}}" for a, b in _RANGES if a > 0x1F and a != 0xD800)
    + "\\x{fffd}]"
)


def visible(text: str) -> str:
    """Return a text with every character that is not to be seen as its code: ``⟨U+202E⟩``.

    Tab and line feed stay; the end of a line is a line feed.
    """
    if text.isprintable():
        return text
    lines = text.replace("\r\n", "\n")
    return _UNSEEN.sub(lambda found: f"⟨U+{ord(found[0]):04X}⟩", lines)


def escaped_in_json(text: str) -> str:
    r"""Return JSON text with such characters as ``\u202e``: the same value to whoever parses it."""
    if text.isprintable():
        return text
    return _UNSEEN.sub(lambda found: _as_utf16(found[0]), text)


def _as_utf16(character: str) -> str:
    units = character.encode("utf-16-be", "surrogatepass")
    pairs = (units[at : at + 2].hex() for at in range(0, len(units), 2))
    return "".join(f"\\u{pair}" for pair in pairs)


def hides_something(text: str) -> bool:
    """Whether a text holds a character that has no place in a name; tab and line feed have none,
    nor has U+FFFD, which stands where a letter was lost."""
    if text.isprintable():
        return LOST in text
    return bool(_UNSEEN.search(text)) or any(each in text for each in ("\t", "\n", LOST))


def hides_something_sql(text: str) -> str:
    """Return SQL for ``hides_something``."""
    return f"regexp_matches({text}, '{_NOT_IN_A_NAME}')"


def as_html(text: str) -> str:
    """Return a text as HTML, in an element or a quoted attribute."""
    return html.escape(visible(text), quote=True)


_MARKUP = re.compile(r"[!#$&(-+\-./:<=>@\[-`{-~]")
_JOINED = re.compile(r"(?<=[:@])(?=\S)|(?<=www)(?=\.)|(?<=[-<>=~!])(?=[-<>=~!])", re.IGNORECASE)
_WORD_JOINER = "\u2060"


def as_markdown(text: str) -> str:
    """Return a text as Markdown that shows it as it is, in one line.

    A backslash before what could be markup keeps it from being any. Links, emoji and icons are made
    later, of the finished text: there a character that nobody sees (and that intake cuts from
    every cell) parts what would be taken for one.
    """
    line = _JOINED.sub(_WORD_JOINER, " ".join(visible(text).split()))
    return _MARKUP.sub(lambda found: "\\" + found[0], line)


FORMULA = r"^'*([\t\r\n]|\s*[=+\-@＝＋－＠])"
"""Texts that a spreadsheet program may take for a formula, or that were put right before."""
_FORMULA = re.compile(FORMULA)
_PLAIN = re.compile(r"[+-]?[\d.,]*(e[+-]?\d+)?", re.IGNORECASE)


def for_spreadsheet(text: str) -> str:
    """Return a text as a cell that no spreadsheet program takes for a formula.

    An apostrophe stands before what could be one; plain numbers stay. ``from_spreadsheet`` takes
    it back.
    """
    return f"'{text}" if _FORMULA.match(text) and not _PLAIN.fullmatch(text) else text


def from_spreadsheet(cell: str) -> str:
    """Return the text that ``for_spreadsheet`` made a cell of."""
    return cell[1:] if cell.startswith("'") and _FORMULA.match(cell) else cell


def from_spreadsheet_sql(cell: str) -> str:
    """Return SQL for ``from_spreadsheet``."""
    quoted = FORMULA.replace("'", "''")
    return (
        f"CASE WHEN starts_with({cell}, '''') AND regexp_matches({cell}, '{quoted}') "
        f"THEN substr({cell}, 2) ELSE {cell} END"
    )
