"""Rows set aside: list them, write them out for correction, and take the corrected file in again.

The written file has the source's own columns, so that a person corrects what they know, and three
columns that lead back: ``coverplate_source`` (file name, first digits of its SHA-256, sheet),
``coverplate_row`` and ``coverplate_reasons``. When it comes in again every row is read the way its
source was read, date order and all, and the row it answers is marked as resolved.
"""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict

from pipeline.landing.conform import CORRECTION_ROW, REASONS_TYPE
from pipeline.landing.current import PartOfFile, empty_select, parts_of, row_number
from pipeline.landing.raw import EXTRA_COLUMNS, RawTable
from pipeline.landing.workspace import HEADING, Corrects, Manifest, Workspace
from pipeline.offline import connect
from shared.records import literal
from shared.shown import for_spreadsheet, from_spreadsheet, from_spreadsheet_sql
from shared.vocabulary import RecordKind

SOURCE, ROW, REASONS = "coverplate_source", "coverplate_row", "coverplate_reasons"

EXTRA_PREFIX = "coverplate_extra_"

QUARANTINE_COLUMNS: dict[str, str] = {
    "path": "VARCHAR",
    "sheet": "VARCHAR",
    "row": "BIGINT",
    "level": "VARCHAR",
    "record_kind": "VARCHAR",
    "cells": "VARCHAR",
    "reasons": REASONS_TYPE,
    "resolved": "BOOLEAN",
    "sha256": "VARCHAR",
    "_part": "INTEGER",
    "root_sha256": "VARCHAR",
    "root_sheet": "VARCHAR",
    "root_row": "BIGINT",
}
"""Columns of the view ``quarantine``; ``cells`` is a JSON object of the original cells; ``level``
is ``row`` (set aside), ``cell`` (the row stands without the cells that the reasons name) or
``rules`` (the row landed, and the ledger refuses what it says; the warehouse knows of none)."""


class Reason(BaseModel):
    """Why a row was set aside.

    Attributes:
        column: canonical column, or ``(whole row)``.
        found: the original text.
        expected: what would have been accepted.
    """

    model_config = ConfigDict(frozen=True)

    column: str
    found: str
    expected: str


class Refusal(BaseModel):
    """A landed row that the ledger refuses.

    Attributes:
        part, row: where it landed.
        reasons: every reason.
    """

    model_config = ConfigDict(frozen=True)

    part: int
    row: int
    reasons: tuple[Reason, ...]


class QuarantinedRow(BaseModel):
    """One row set aside.

    Attributes:
        path, sheet, row: where it stands, the row as a person sees it.
        level: ``row``; ``cell`` where the row stands and only the cells named were left blank;
            ``rules`` where it landed and the ledger refuses it.
        sha256: of the file.
        record_kind: what it was to be.
        cells: its original cells by source column.
        reasons: every reason.
        resolved: whether a corrected row has taken its place.
    """

    model_config = ConfigDict(frozen=True)

    path: str
    sheet: str
    row: int
    level: Literal["row", "cell", "rules"] = "row"
    sha256: str
    record_kind: RecordKind
    cells: dict[str, str | None]
    reasons: tuple[Reason, ...]
    resolved: bool

    @property
    def where(self) -> str:
        """The row, and the column where every row of the sheet holds several looks."""
        under = self.cells.get(HEADING)
        return f"{self.row}, {under}" if under else str(self.row)


def quarantine_sql(
    workspace: Workspace, manifests: Iterable[Manifest], refused: Sequence[Refusal] = ()
) -> str:
    """Return a SELECT of all rows ever set aside, in ``QUARANTINE_COLUMNS``.

    A row is resolved when a corrected row for it was accepted, or when a later correction was set
    aside in its turn and stands in its place; a cell left blank when a later correction came, of
    which it is told anew if it was blank once more; one that the ledger refuses is not.

    Args:
        workspace: where they landed.
        manifests: of the files there.
        refused: rows that landed and that the ledger refuses as it stands.
    """
    selects = []
    answers = []
    by_part: dict[int, list[Refusal]] = {}
    for each in refused:
        by_part.setdefault(each.part, []).append(each)
    for manifest, part in parts_of(manifests):
        folder = workspace.folder(manifest.sha256)
        root = part.corrects or Corrects(sha256=manifest.sha256, sheet=part.sheet)
        root_row = CORRECTION_ROW if part.corrects else "q.row"
        place = f"{literal(root.sha256)} AS root_sha256, {literal(root.sheet)} AS root_sheet"
        file = folder / f"{part.part}.quarantine.parquet"
        if file.is_file():
            selects.append(
                f"SELECT {literal(manifest.path)} AS path, {literal(part.sheet)} AS sheet, "
                f"row // {part.cells_a_row} AS row, "
                f"{'level' if part.blanked else literal('row')} AS level, "
                f"{literal(part.record_kind)} AS record_kind, cells, reasons, "
                f"{literal(manifest.sha256)} AS sha256, {part.part}::INTEGER AS _part, {place}, "
                f"{root_row} AS root_row FROM read_parquet({literal(str(file))}) AS q"
            )
        if part.part in by_part:
            file = folder / part.file
            told = ", ".join(map(_told, by_part[part.part]))
            selects.append(
                f"SELECT {literal(manifest.path)} AS path, {literal(part.sheet)} AS sheet, "
                f"t.number AS row, 'rules' AS level, {literal(part.record_kind)} AS record_kind, "
                f"t._cells AS cells, r.reasons, {literal(manifest.sha256)} AS sha256, "
                f"{part.part}::INTEGER AS _part, {place}, "
                f"{'t.' + CORRECTION_ROW if part.corrects else 't.number'} AS root_row "
                f"FROM (SELECT *, ({row_number(part)})::BIGINT AS number "
                f"FROM read_parquet({literal(str(file))}, file_row_number = true)) AS t "
                f"JOIN (VALUES {told}) AS r(number, reasons) USING (number)"
            )
        if part.corrects:
            answers.append(
                f"SELECT {place}, {literal(part.record_kind)} AS record_kind, "
                f"{CORRECTION_ROW} AS root_row, {part.part} AS by_part, _reasons IS NULL AS valid "
                f"FROM read_parquet({literal(str(folder / part.file))})"
            )
    if not selects:
        return empty_select(QUARANTINE_COLUMNS)
    rows = "\nUNION ALL\n".join(selects)
    if not answers:
        resolved = "false"
    else:
        resolved = (
            "r.level <> 'rules' AND EXISTS (SELECT 1 FROM answers AS a "
            "WHERE a.root_sha256 = r.root_sha256 AND a.root_sheet = r.root_sheet "
            "AND a.record_kind = r.record_kind AND a.root_row = r.root_row "
            "AND (a.by_part > r._part OR (a.valid AND r.level = 'row')))"
        )
    answered = "\nUNION ALL\n".join(answers) or "SELECT 1"
    names = ", ".join(
        f"{resolved} AS resolved" if name == "resolved" else name for name in QUARANTINE_COLUMNS
    )
    return f"WITH answers AS ({answered}), rows AS ({rows}) SELECT {names} FROM rows AS r"


def _told(refusal: Refusal) -> str:
    reasons = ", ".join(
        f"{{'column': {literal(r.column)}, 'found': {literal(r.found)}, "
        f"'expected': {literal(r.expected)}}}"
        for r in refusal.reasons
    )
    return f"({refusal.row}::BIGINT, [{reasons}]::{REASONS_TYPE})"


def list_quarantine(
    workspace: Workspace,
    *,
    unresolved_only: bool = True,
    limit: int | None = None,
    refused: Sequence[Refusal] = (),
) -> list[QuarantinedRow]:
    """Return quarantined rows in landing order.

    Args:
        workspace: an existing workspace.
        unresolved_only: leave out rows that a corrected row has answered.
        limit: at most so many rows; all by default.
        refused: rows that landed and that the ledger refuses.
    """
    con = connect()
    select = quarantine_sql(workspace, workspace.manifests(), refused)
    where = "WHERE NOT resolved" if unresolved_only else ""
    at_most = f"LIMIT {int(limit)}" if limit is not None else ""
    rows = con.execute(
        f"SELECT path, sheet, row, level, sha256, record_kind, cells, reasons, resolved "
        f"FROM ({select}) {where} ORDER BY _part, row, root_row {at_most}"
    ).fetchall()
    con.close()
    names = (
        *("path", "sheet", "row", "level", "sha256"),
        *("record_kind", "cells", "reasons", "resolved"),
    )
    return [
        QuarantinedRow.model_validate(
            {**dict(zip(names, row, strict=True)), "cells": json.loads(row[6])}
        )
        for row in rows
    ]


def still_aside(workspace: Workspace, files: Collection[str]) -> int:
    """Count the rows of files (their SHA-256) that are in quarantine, cells only or whole, and
    that no corrected row has answered."""
    if not files:
        return 0
    con = connect()
    try:
        ((count,),) = con.execute(
            f"SELECT count(*) FROM ({quarantine_sql(workspace, workspace.manifests())}) "
            "WHERE NOT resolved AND list_contains(?, sha256)",
            [sorted(files)],
        ).fetchall()
    finally:
        con.close()
    return int(count)


@dataclass(frozen=True)
class WrittenOut:
    """One file of rows to correct.

    Attributes:
        path: the file.
        rows: how many it holds.
        sources: names of the files they come from.
    """

    path: Path
    rows: int
    sources: tuple[str, ...]


def export_quarantine(
    workspace: Workspace,
    path: Path | str,
    *,
    refused: Sequence[Refusal] = (),
    kind: RecordKind | None = None,
) -> list[WrittenOut]:
    """Write the unresolved rows for a person to correct and take in again.

    Rows of sources with the same columns go into one CSV; where there are several such groups,
    each goes into a file of its own beside ``path``, so that nobody fills in another's columns.

    Args:
        workspace: an existing workspace.
        path: the CSV to write (UTF-8 with mark, so that spreadsheet programs show it right).
        refused: rows that landed and that the ledger refuses.
        kind: only rows of this record kind.

    Returns:
        What was written, in landing order; nothing where no row is open. A row set aside as two
        record kinds is written once.
    """
    manifests = workspace.manifests()
    headers = _headers(parts_of(manifests))
    con = connect()
    select = quarantine_sql(workspace, manifests, refused)
    of_kind = f" AND record_kind = {literal(kind)}" if kind else ""
    rows = con.execute(
        f"SELECT root_sha256, root_sheet, root_row, max(_part), "
        f"arg_max(cells, _part), list(reasons ORDER BY _part) "
        f"FROM ({select}) WHERE NOT resolved{of_kind} GROUP BY root_sha256, root_sheet, root_row "
        f"ORDER BY min(_part), root_row"
    ).fetchall()
    con.close()
    names = {manifest.sha256: manifest.name for manifest in manifests}
    groups: dict[tuple[str, ...], list[tuple[Any, ...]]] = {}
    for row in rows:
        groups.setdefault(headers.get((row[0], row[1]), ()), []).append(row)
    target = Path(path)
    written = []
    for number, (header, members) in enumerate(groups.items(), 1):
        own = target
        if len(groups) > 1:
            first = re.sub(r"[^A-Za-z0-9_\-]+", "_", Path(names[members[0][0]]).stem)
            own = target.with_name(f"{target.stem}-{number}-{first}{target.suffix or '.csv'}")
        _write_out(own, header, members, names)
        sources = tuple(dict.fromkeys(names[row[0]] for row in members))
        written.append(WrittenOut(own, len(members), sources))
    return written


def _write_out(
    path: Path, header: tuple[str, ...], rows: list[tuple[Any, ...]], names: dict[str, str]
) -> None:
    parsed = [json.loads(row[4]) for row in rows]
    extras = sorted(
        {key for cells in parsed for key in cells if key.startswith(EXTRA_PREFIX)},
        key=lambda key: int(key.removeprefix(EXTRA_PREFIX)),
    )
    with rows_to_correct(path, (*header, *extras)) as write:
        for (sha, sheet, number, _, _, reasons), cells in zip(rows, parsed, strict=True):
            said = "; ".join(dict.fromkeys(_said(r) for group in reasons for r in group))
            own = [cells.get(name) or "" for name in (*header, *extras)]
            write(source_text(names[sha], sha, sheet), number, said, own)


@contextmanager
def rows_to_correct(
    path: Path, header: Sequence[str]
) -> Iterator[Callable[[str, int, str, Sequence[str]], None]]:
    """Open a CSV of rows to correct, that a spreadsheet program may open without running anything.

    Args:
        path: the file (UTF-8 with mark, so that such programs show every letter right).
        header: the rows' own columns, behind the three that lead back.

    Yields:
        A function that writes a row: where it comes from, its number there, why, its cells.
    """
    with path.open("w", encoding="utf-8-sig", newline="") as handle:
        writer = csv.writer(handle)

        def write(source: str, number: int, reasons: str, cells: Sequence[str]) -> None:
            first, third, *own = map(for_spreadsheet, (source, reasons, *cells))
            writer.writerow([first, number, third, *own])

        writer.writerow([SOURCE, ROW, REASONS, *map(for_spreadsheet, header)])
        yield write


def taken_back(table: RawTable) -> RawTable:
    """Return a table of corrected rows with what its cells and headers held when written out."""
    cells = ", ".join(f"{from_spreadsheet_sql(cell)} AS {cell}" for cell in table.cells)
    return replace(
        table,
        header=tuple(map(from_spreadsheet, table.header)),
        relation=f"(SELECT * REPLACE ({cells}) FROM {table.relation})",
    )


def _said(reason: dict[str, Any]) -> str:
    return f"{reason['column']}: found {reason['found']!r}, expected {reason['expected']}"


def _headers(parts: list[PartOfFile]) -> dict[tuple[str, str], tuple[str, ...]]:
    return {
        (manifest.sha256, part.sheet): part.header
        for manifest, part in parts
        if part.corrects is None
    }


_SOURCE_TEXT = re.compile(r".*\[([0-9a-f]{16})\](?: sheet (.*))?", re.DOTALL)


def source_text(name: str, sha256: str, sheet: str) -> str:
    """Return what ``coverplate_source`` says of a row's origin."""
    return f"{name} [{sha256[:16]}]" + (f" sheet {sheet}" if sheet else "")


def parse_source(text: str, manifests: Iterable[Manifest]) -> Corrects | None:
    """Return the table that ``coverplate_source`` names, or None if none landed here is meant."""
    match = _SOURCE_TEXT.fullmatch(text.strip())
    if not match:
        return None
    for manifest in manifests:
        if manifest.sha256.startswith(match[1]):
            sheet = match[2] or ""
            if any(part.sheet == sheet for part in manifest.parts):
                return Corrects(sha256=manifest.sha256, sheet=sheet)
    return None


def is_correction(header: Iterable[str]) -> bool:
    """Say whether a table is a written-out quarantine on its way back."""
    return {SOURCE, ROW} <= set(header)


def extra_columns() -> list[str]:
    """Return the names under which cells beyond the header are written out."""
    return [f"{EXTRA_PREFIX}{number + 1}" for number in range(EXTRA_COLUMNS)]
