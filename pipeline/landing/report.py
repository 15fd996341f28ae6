"""What an intake says afterwards: one report per file, table and record kind.

In every report ``accepted + duplicate + superseded + quarantined == rows_read``: no row is lost and
none is counted twice. ``superseded`` counts rows that a later row *of the same file* replaced;
rows that a later file replaces are shown by the views of ``pipeline.landing.current``.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

from pydantic import BaseModel, ConfigDict

from pipeline.landing.certificate import Stretch
from shared.vocabulary import RecordKind


class Finding(BaseModel):
    """Something worth a person's attention that does not stop a row.

    Attributes:
        kind: stable slug, such as ``short_rows`` or ``duplicate_header``.
        message: one sentence for people.
        count: how many rows or columns it concerns.
        rows: the first few row numbers, as a person sees them in the file.
    """

    model_config = ConfigDict(frozen=True)

    kind: str
    message: str
    count: int = 1
    rows: tuple[int, ...] = ()


class IntakeReport(BaseModel):
    """What became of the rows of one table of one file, read as one record kind.

    Attributes:
        path: the file as the caller named it; ``archive.zip!/member.csv`` inside a ZIP.
        sheet: the worksheet or table within the file, "" where there is only one.
        sha256: of the file's bytes, or of the member's inside a ZIP.
        record_kind: how the rows were read; None for a file that holds no table.
        mapping: name of the mapping used, or ``default layout``.
        mapping_confidence: 0 to 1; 1 for the default layout and for mappings that people saved.
        rows_read: rows below the header that hold anything at all.
        accepted: rows now in force.
        duplicate: rows that say exactly what is already known.
        superseded: rows that a later row of this file replaced.
        quarantined: rows set aside with their reasons.
        blanked: rows that stand although some cells of theirs could not be read.
        already_landed: True where these very bytes were taken in before; nothing was changed then.
        findings: what is worth a look although no row was stopped by it.
        certificate: what every row of the whole file is (the same in every report of a file).
        as_of: the day that the file's facts are as of, where something tells.
    """

    model_config = ConfigDict(frozen=True)

    path: str
    sheet: str = ""
    sha256: str
    record_kind: RecordKind | None
    mapping: str
    mapping_confidence: float
    rows_read: int
    accepted: int
    duplicate: int
    superseded: int
    quarantined: int
    blanked: int = 0
    already_landed: bool = False
    findings: tuple[Finding, ...] = ()
    certificate: tuple[Stretch, ...] = ()
    as_of: dt.date | None = None

    def as_json(self) -> dict[str, Any]:
        """Return the report as plain JSON values, in the declared order."""
        return self.model_dump(mode="json")
