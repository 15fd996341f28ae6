"""Finds the header row of a table and gives every column one clean, unique name."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Sequence

from pipeline.landing.report import Finding

Cells = Sequence[str | None]
"""One row of text cells."""

LOOK_AT_ROWS = 60
"""Rows in which a header is sought; what stands above it is preamble."""

_NUMBER_OR_DATE = re.compile(r"[\s\d.,:/+\-eE]*\d[\s\d.,:/+\-eE]*")


def normalised(name: str) -> str:
    """Return a header in the form that is compared: lower case, words joined by one ``_``."""
    return re.sub(r"[^0-9a-zà-öø-ÿ#]+", "_", name.casefold().replace("№", "#")).strip("_")


def find_header(rows: Sequence[Cells], is_known: Callable[[str], bool]) -> int | None:
    """Return the index of the header row among the first rows of a table, or None.

    The row with the most names that are known wins; where fewer than two are known anywhere, the
    first row that is nearly as wide as the table and holds words only.

    Args:
        rows: the first rows, preamble included.
        is_known: says whether a normalised name is a header that some layout or mapping knows.
    """
    looked_at = rows[:LOOK_AT_ROWS]
    known = [
        sum(is_known(normalised(cell)) for cell in row if cell and cell.strip())
        for row in looked_at
    ]
    if known and max(known) >= 2:
        return known.index(max(known))
    widths = [_filled(row) for row in looked_at]
    usual = Counter(width for width in widths if width > 1)
    if not usual:
        return None
    width = max(usual, key=lambda value: (usual[value], value))
    for index, row in enumerate(looked_at):
        filled = [cell.strip() for cell in row if cell and cell.strip()]
        words = not any(_NUMBER_OR_DATE.fullmatch(cell) for cell in filled)
        if len(filled) >= max(2, 0.6 * width) and words and len(set(filled)) > 1:
            return index
    return None


def clean_header(cells: Cells) -> tuple[tuple[str, ...], list[Finding]]:
    """Give every column a unique name and report what had to be changed.

    Padding is cut; a repeated name (in any case) becomes ``name_2``, an empty one ``column_3``.
    """
    width = max((index + 1 for index, cell in enumerate(cells) if cell and cell.strip()), default=0)
    names: list[str] = []
    repeated: list[str] = []
    taken: set[str] = set()
    for index, cell in enumerate(cells[:width]):
        plain = " ".join((cell or "").replace("\u00a0", " ").replace("\ufeff", "").split())
        name = plain or f"column_{index + 1}"
        number = 1
        while name.casefold() in taken:
            number += 1
            name = f"{plain or 'column'}_{number}"
        if number > 1:
            repeated.append(name)
        taken.add(name.casefold())
        names.append(name)
    findings = []
    if repeated:
        findings.append(
            Finding(
                kind="duplicate_header",
                message="column names that stand twice in the header were numbered: "
                + ", ".join(repeated),
                count=len(repeated),
            )
        )
    return tuple(names), findings


def _filled(row: Cells) -> int:
    return sum(1 for cell in row if cell and cell.strip())
