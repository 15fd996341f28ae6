"""Repairs in the warehouse: proven ones change an opening, unproven ones are only announced."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass

import duckdb
import pandas as pd

from pipeline.landing import Workspace
from pipeline.ledger import open_ledger
from pipeline.ledger.database import FILE_NAME, URL_VARIABLE
from pipeline.ledger.effects import unproven_fixes, verified_families, verified_fixes
from shared.rule_book import RuleBook

_COLUMNS = {
    "finding_id": "VARCHAR",
    "building_id": "VARCHAR",
    "unit_id": "VARCHAR",
    "opening_id": "VARCHAR",
    "fixed_on": "DATE",
    "leaves_condition": "VARCHAR",
    "leaves_slots": "VARCHAR",
    "leaves_protected": "BOOLEAN",
    "remedy": "VARCHAR",
    "fixed_by": "VARCHAR",
}


@dataclass(frozen=True)
class KnownRepairs:
    """What the ledger says of repairs.

    Attributes:
        proven: the latest proven one of each opening, columns as in ``_COLUMNS`` plus verified_on.
        unproven: columns as in ``_COLUMNS``, one row an opening.
        families: the latest proven one of each opening and family of defects, columns as in
            ``proven`` plus family.
    """

    proven: pd.DataFrame
    unproven: pd.DataFrame
    families: pd.DataFrame

    @property
    def digest(self) -> str:
        """Hash of all that a warehouse takes from the ledger."""
        frames = (self.proven, self.unproven, self.families)
        text = "".join(frame.to_csv(index=False) for frame in frames)
        return hashlib.sha256(text.encode()).hexdigest()


def known_repairs(workspace: Workspace, rule_book: RuleBook) -> KnownRepairs:
    """Read the repairs of a workspace's ledger; none where no ledger was begun."""
    begun = os.environ.get(URL_VARIABLE) or (workspace.ledger / FILE_NAME).is_file()
    if not begun:
        return KnownRepairs(
            pd.DataFrame(columns=[*_COLUMNS, "verified_on"]),
            pd.DataFrame(columns=[*_COLUMNS]),
            pd.DataFrame(columns=[*_COLUMNS, "verified_on", "family"]),
        )
    ledger = open_ledger(workspace=workspace.root, rule_book=rule_book)
    try:
        return KnownRepairs(
            verified_fixes(ledger)[[*_COLUMNS, "verified_on"]],
            unproven_fixes(ledger)[[*_COLUMNS]],
            verified_families(ledger)[[*_COLUMNS, "verified_on", "family"]],
        )
    finally:
        ledger.close()


def write_repairs(con: duckdb.DuckDBPyConnection, repairs: KnownRepairs) -> None:
    """Write tables proven_fixes, reported_fixes and proven_families, keyed by building number."""
    tables = (
        ("proven_fixes", repairs.proven, {**_COLUMNS, "verified_on": "DATE"}),
        ("reported_fixes", repairs.unproven, _COLUMNS),
        (
            "proven_families",
            repairs.families,
            {**_COLUMNS, "verified_on": "DATE", "family": "VARCHAR"},
        ),
    )
    for table, frame, columns in tables:
        con.register("repairs_frame", frame.astype(object).where(frame.notna(), None))
        listed = ", ".join(
            "coalesce(r.unit_id::VARCHAR, '') AS unit_id"
            if name == "unit_id"
            else f"r.{name}::{kind} AS {name}"
            for name, kind in columns.items()
        )
        con.execute(
            f"CREATE TABLE {table} AS SELECT b.building_no, {listed} "
            "FROM repairs_frame AS r JOIN buildings AS b "
            "ON b.building_id = r.building_id::VARCHAR ORDER BY ALL"
        )
        con.unregister("repairs_frame")
