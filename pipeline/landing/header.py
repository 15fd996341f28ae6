"""Finds the header row of a table and gives every column one clean, unique name."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from pipeline.landing import row_kinds
from pipeline.landing.report import Finding
from pipeline.landing.row_kinds import Cells, IsKnown

LOOK_AT_ROWS = 60
"""Rows in which a header is sought; what stands above it is preamble."""


def find_header(rows: Sequence[Cells], is_known: IsKnown) -> int | None:
    """Return the index of the first header among the first rows of a file, or None.

    The first row of names that are known is it; where no row has two that are, the first row that
    is nearly as wide as the table and holds words only.

    Args:
        rows: the first rows, preamble included.
        is_known: says whether a normalised name is a header that some layout or mapping knows.
    """
    looked_at = rows[:LOOK_AT_ROWS]
    for index, row in enumerate(looked_at):
        if row_kinds.is_heading(row, is_known):
            return index
    # a header with a figure among its names, or with few known ones
    known = [row_kinds.count_known(row, is_known) for row in looked_at]
    if known and max(known) >= 2:
        return known.index(max(known))
    widths = [len(row_kinds.filled(row)) for row in looked_at]
    usual = Counter(width for width in widths if width > 1)
    if not usual:
        return None
    width = max(usual, key=lambda value: (usual[value], value))
    for index, row in enumerate(looked_at):
        texts = [cell.strip() for cell in row if cell and cell.strip()]
        words = row_kinds.all_words(row)
        if len(texts) >= max(2, 0.6 * width) and words and len(set(texts)) > 1:
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
