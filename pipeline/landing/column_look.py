"""A look at the values of every column of a table, before it is decided what they mean."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

import duckdb

from pipeline.landing import cells
from pipeline.landing.raw import SAMPLE_ROWS, RawTable

MOST_WORDS = 1_000
"""Different values of a column that are kept; the most frequent ones."""


@dataclass(frozen=True)
class ColumnLook:
    """The values of one column.

    Attributes:
        header: its name.
        words: value (edges cut) to how often it stands there; at most ``MOST_WORDS``.
        others: how often any other value stands there.
    """

    header: str
    words: dict[str, int] = field(default_factory=dict)
    others: int = 0

    @property
    def filled(self) -> int:
        """Cells that hold anything."""
        return sum(self.words.values()) + self.others

    def told(self, most: int = 4) -> str:
        """The most frequent values with their counts, in words."""
        listed = [f"{word} ×{count}" for word, count in list(self.words.items())[:most]]
        return ", ".join(listed) + (" …" if len(self.words) > most else "") or "nothing"


def look_at_rows(header: Sequence[str], rows: Sequence[Sequence[str | None]]) -> list[ColumnLook]:
    """Look at the columns of some rows."""
    looks = []
    for place, name in enumerate(header):
        texts = [(row[place] or "").strip(cells.EDGES) for row in rows if place < len(row)]
        found = Counter(text for text in texts if text)
        counted = sorted(found.items(), key=lambda each: (-each[1], each[0]))
        kept = dict(counted[:MOST_WORDS])
        looks.append(ColumnLook(name, kept, sum(n for _, n in counted[MOST_WORDS:])))
    return looks


def look_at(con: duckdb.DuckDBPyConnection, table: RawTable) -> list[ColumnLook]:
    """Look at every row of a table."""
    if table.stored is not None and not table.constants and len(table.sample) < SAMPLE_ROWS:
        return look_at_rows(table.header, table.sample)  # the sample is the whole of it
    looks = []
    for name, cell in zip(table.header, table.cells, strict=True):
        text = cells.trimmed(cell)
        rows = con.execute(
            f"SELECT t, n, sum(n) OVER () FROM (SELECT {text} AS t, count(*) AS n "
            f"FROM {table.relation} WHERE {text} <> '' GROUP BY 1) "
            f"ORDER BY n DESC, t LIMIT {MOST_WORDS}"
        ).fetchall()
        words = {word: int(count) for word, count, _ in rows}
        total = int(rows[0][2]) if rows else 0
        looks.append(ColumnLook(name, words, total - sum(words.values())))
    return looks
