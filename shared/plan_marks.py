"""The mark of a plan of looks, at the end of the names of its sheets.

What comes back on sheets of two plans is no correction of one by the other, even where both come in
files of one name.
"""

from __future__ import annotations

import hashlib
import re

PLAN_MARK = " #[0-9a-f]{6}$"
"""The mark as a regular expression; blank, number sign, six hexadecimal digits."""


def marked(name: str, content: object, longest: int) -> str:
    """Return a sheet's name, shortened to so many letters, with the mark of what is planned."""
    mark = f" #{hashlib.sha256(repr(content).encode()).hexdigest()[:6]}"
    return name[: longest - len(mark)] + mark


def plan_mark(name: str) -> str:
    """Return the mark at the end of a sheet's name, or ""."""
    found = re.search(PLAN_MARK, name)
    return found[0] if found else ""
