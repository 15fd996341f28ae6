"""Matches the headers that a mapping names with those that a file has: padded, cut short, in any
case."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from pipeline.landing.row_kinds import normalised
from pipeline.landing.synonyms import HEADER_SYNONYMS
from shared.records import LAYOUTS

KNOWN_NAMES = frozenset(
    {name for layout in LAYOUTS.values() for name in layout.columns}
    | {normalised(word) for words in HEADER_SYNONYMS.values() for word in words}
)
"""Normalised names of columns that layouts and synonyms know, whatever mappings are saved."""

TRUNCATED_LENGTH = 6
"""A header cut shorter than this is not taken for the beginning of another."""


def is_cut(cell: str, name: str) -> bool:
    """Say whether a normalised header is another one cut short: it ends within a word of it.

    ``appliance`` is a word of its own and no ``appliance_case_volts``.
    """
    return (
        len(cell) >= TRUNCATED_LENGTH
        and name.startswith(cell)
        and name[len(cell) : len(cell) + 1] not in ("", "_")
    )


EXACT, TRUNCATED = 1.0, 0.7
"""Confidence of a header that is the same but for case and punctuation, and of one cut short."""


def find_column(names: Iterable[str], header: Sequence[str]) -> tuple[int, float] | None:
    """Return (index, confidence) of the first of the names that a header has, or None.

    A header that is the beginning of a name counts with a lower confidence, provided that no other
    header could be meant.
    """
    plain = [normalised(cell) for cell in header]
    wanted = [normalised(name) for name in names]
    for name in wanted:
        if name in plain:
            return plain.index(name), EXACT
    for name in wanted:
        begun = [index for index, cell in enumerate(plain) if is_cut(cell, name)]
        if len(begun) == 1:
            return begun[0], TRUNCATED
    return None


def recognition(recognised_by: Sequence[str], header: Sequence[str]) -> float:
    """Return how surely a file is of the source that a mapping names, 0 to 1.

    All of ``recognised_by`` must be found; headers cut short lower the figure.
    """
    if not recognised_by:
        return 0.0
    found = [find_column([name], header) for name in recognised_by]
    if any(match is None for match in found):
        return 0.0
    return sum(match[1] for match in found if match) / len(found)
