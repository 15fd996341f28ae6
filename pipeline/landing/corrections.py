"""Splits a written-out quarantine that comes back into the tables whose rows it corrects."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import duckdb

from pipeline.landing.choose import Choice
from pipeline.landing.conform import CORRECTION_ROW, Habits
from pipeline.landing.mapping import RecordMapping
from pipeline.landing.quarantine import ROW, SOURCE, extra_columns, parse_source, taken_back
from pipeline.landing.raw import EXTRAS, RawTable
from pipeline.landing.workspace import Corrects, Manifest, Part
from shared.faults import CoverplateError
from shared.records import literal


@dataclass(frozen=True)
class Correction:
    """Corrected rows of one table of an earlier file, and how that was read.

    Attributes:
        table: the rows, with the earlier file's columns.
        corrects: the earlier table.
        parts: as what it was read, one a record kind.
    """

    table: RawTable
    corrects: Corrects
    parts: tuple[Part, ...]

    def readings(self) -> list[tuple[Choice, RecordMapping, Habits, str]]:
        """Return choice, record section, habits and source name for each record kind."""
        return [
            (
                Choice(part.reading, part.mapping, part.mapping_confidence),
                next(r for r in part.reading.records if r.kind is part.record_kind),
                Habits(part.date_orders, part.decimal_marks),
                part.source,
            )
            for part in self.parts
        ]


def correction_tables(
    con: duckdb.DuckDBPyConnection, table: RawTable, manifests: Iterable[Manifest]
) -> list[Correction]:
    """Return one table per earlier table that rows are corrected of.

    Raises:
        CoverplateError: a row does not say which landed row it corrects.
    """
    landed = list(manifests)
    table = taken_back(table)
    columns = {name: f"c{index}" for index, name in enumerate(table.header)}
    groups = con.execute(
        f"SELECT {columns[SOURCE]}, list(_row ORDER BY _row), "
        f"count(*) FILTER (TRY_CAST({columns[ROW]} AS BIGINT) IS NULL) "
        f"FROM {table.relation} GROUP BY 1 ORDER BY min(_row)"
    ).fetchall()
    corrections = []
    lost: list[int] = []
    for text, rows, unnumbered in groups:
        corrects = parse_source(text or "", landed)
        if corrects is None or unnumbered:
            lost += rows
        else:
            corrections.append(_correction(table, columns, text, corrects, landed))
    if lost:
        raise CoverplateError(
            f"{len(lost)} row(s) do not say which landed row they correct, such as row {min(lost)}",
            expected=f"the columns {SOURCE} and {ROW} as they were written out",
            to_do="leave these two columns as they are, or remove both and take the file in "
            "as a new one",
        )
    return corrections


def _correction(
    table: RawTable, columns: dict[str, str], text: str, corrects: Corrects, landed: list[Manifest]
) -> Correction:
    manifest = next(m for m in landed if m.sha256 == corrects.sha256)
    parts = tuple(p for p in manifest.parts if p.sheet == corrects.sheet and p.corrects is None)
    header = parts[0].header
    cells = [
        f"coalesce({columns[name]}, '') AS c{index}" if name in columns else f"'' AS c{index}"
        for index, name in enumerate(header)
    ]
    extras = [
        f"nullif({columns[name]}, '') AS {x}" if name in columns else f"NULL::VARCHAR AS {x}"
        for name, x in zip(extra_columns(), EXTRAS, strict=True)
    ]
    relation = (
        f"(SELECT {', '.join(cells + extras)}, _row, _problem, "
        f"{columns[ROW]}::BIGINT AS {CORRECTION_ROW} FROM {table.relation} "
        f"WHERE {columns[SOURCE]} = {literal(text)})"
    )
    rows = RawTable(corrects.sheet, header, relation, None, ())
    return Correction(rows, corrects, parts)
