"""Characters that are not to be seen but do something: where they stand, text says so.

Control characters move a terminal's cursor, colour it or make links; marks of writing direction
turn what is read around; zero-width ones make two names look like one. None of them is ever
printed or shown raw: ``visible`` puts their code in their place.
"""

from __future__ import annotations

import re

_RANGES = (
    *((0x00, 0x08), (0x0B, 0x1F), (0x7F, 0x9F), (0xAD, 0xAD), (0x61C, 0x61C), (0x70F, 0x70F)),
    *((0x180E, 0x180E), (0x200B, 0x200F), (0x2028, 0x202E), (0x2060, 0x206F), (0xD800, 0xDFFF)),
    *((0xFEFF, 0xFEFF), (0xFFF9, 0xFFFB), (0x13430, 0x1345F), (0x1BCA0, 0x1BCA3)),
    *((0x1D173, 0x1D17A), (0xE0000, 0xE007F)),
)
"""Unicode's control and formatting characters, line separators and lone surrogates; tab and line
feed are not among them, nor the few Arabic and Kaithi signs of that class that are drawn."""

_UNSEEN = re.compile("[" + "".join(f"{chr(a)}-{chr(b)}" for a, b in _RANGES) + "]")
_NOT_IN_A_NAME = (
    r"[\x00-\x1f"
    + "".join(f"\\x{{{a:x}}}-\\x{{{b:x}}}" for a, b in _RANGES if a > 0x1F and a != 0xD800)
    + "]"
)


def visible(text: str) -> str:
    """Return a text with every character that is not to be seen as its code: ``⟨U+202E⟩``.

    Tab and line feed stay.
    """
    if text.isprintable():
        return text
    return _UNSEEN.sub(lambda found: f"⟨U+{ord(found[0]):04X}⟩", text)


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
    """Whether a text holds a character that has no place in a name; tab and line feed have none."""
    return not text.isprintable() and bool(_UNSEEN.search(text) or "\t" in text or "\n" in text)


def hides_something_sql(text: str) -> str:
    """Return SQL for ``hides_something``."""
    return f"regexp_matches({text}, '{_NOT_IN_A_NAME}')"
