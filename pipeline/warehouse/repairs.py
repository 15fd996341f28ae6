"""Repairs in the warehouse: proven ones change an opening, unproven ones are only announced."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass

import duckdb
import pandas as pd

from pipeline.landing import Workspace
from pipeline.ledger import open_ledger
from pipeline.ledger.database import FILE_NAME, URL_VARIABLE, ledger_file
from pipeline.ledger.effects import recurred_fixes, unproven_fixes, verified_fixes
from pipeline.ledger.families import FAMILY
from pipeline.ledger.held import check_held
from pipeline.ledger.landed_looks import proofs_in_doubt
from shared.in_words import plural
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
_PROVEN = {**_COLUMNS, "verified_on": "DATE", "family": "VARCHAR"}


@dataclass(frozen=True)
class KnownRepairs:
    """What the ledger says of repairs.

    Attributes:
        proven: the latest proven one of each opening and family of defects, columns as in
            ``_PROVEN``.
        recurred: the same of those after which the defect came back.
        unproven: columns as in ``_COLUMNS``, one row an opening.
    """

    proven: pd.DataFrame
    recurred: pd.DataFrame
    unproven: pd.DataFrame

    @property
    def digest(self) -> str:
        """Hash of all that a warehouse takes from the ledger."""
        text = "".join(
            frame.to_csv(index=False) for frame in (self.proven, self.recurred, self.unproven)
        )
        return hashlib.sha256(text.encode()).hexdigest()


def known_repairs(workspace: Workspace, rule_book: RuleBook) -> KnownRepairs:
    """Read the repairs of a workspace's ledger; none where no ledger was begun.

    Raises:
        CoverplateError: the ledger is damaged, or holds fewer events than it did.
    """
    check_held(ledger_file(None, workspace.root))
    begun = os.environ.get(URL_VARIABLE) or (workspace.ledger / FILE_NAME).is_file()
    if not begun:
        none = pd.DataFrame(columns=[*_PROVEN])
        return KnownRepairs(none, none, none[[*_COLUMNS]])
    ledger = open_ledger(workspace=workspace.root, rule_book=rule_book)
    try:
        ledger.check_states()
        return KnownRepairs(
            verified_fixes(ledger)[[*_PROVEN]],
            recurred_fixes(ledger)[[*_PROVEN]],
            unproven_fixes(ledger)[[*_COLUMNS]],
        )
    finally:
        ledger.close()


def that_stand(
    con: duckdb.DuckDBPyConnection, repairs: KnownRepairs, workspace: Workspace, book: RuleBook
) -> tuple[KnownRepairs, tuple[str, ...]]:
    """Repairs without the proofs that are in doubt (``landed_looks.proofs_in_doubt``).

    They count as reported only, so that what was seen before stands again.

    Args:
        con: a connection with observations and buildings.
        repairs: what the ledger says.
        workspace: whose ledger.
        book: the rule book.

    Returns:
        The repairs, and what is to be told.
    """
    if repairs.proven.empty:
        return repairs, ()
    ledger = open_ledger(workspace=workspace.root, rule_book=book)
    try:
        doubts = proofs_in_doubt(con, ledger)
    finally:
        ledger.close()
    gone = repairs.proven["finding_id"].isin([*doubts])
    if not gone.any():
        return repairs, ()
    of_opening = ["building_id", "unit_id", "opening_id"]
    unproven = pd.concat([repairs.unproven, repairs.proven[gone][[*_COLUMNS]]])
    unproven = unproven.sort_values([*of_opening, "fixed_on"]).drop_duplicates(
        of_opening, keep="last"
    )
    told = (
        f"{plural(int(gone.sum()), 'proof')} in doubt, not counted here. `coverplate findings "
        "list` says which and why.",
    )
    return KnownRepairs(repairs.proven[~gone], repairs.recurred, unproven), told


def write_families(con: duckdb.DuckDBPyConnection) -> None:
    """Write the ledger's families of defects as temporary table families (condition, family)."""
    pairs = [(condition.value, family.value) for condition, family in FAMILY.items()]
    con.execute("CREATE TEMP TABLE families (condition VARCHAR, family VARCHAR)")
    con.executemany("INSERT INTO families VALUES (?, ?)", pairs)


def write_repairs(con: duckdb.DuckDBPyConnection, repairs: KnownRepairs) -> None:
    """Write what is known of repairs, keyed by building number.

    Tables: proven_families (the latest proven repair of each opening and family of defects),
    proven_fixes (the latest of each opening), recurred_families (as proven_families, of those
    after which the defect came back) and reported_fixes.
    """
    write_families(con)
    tables = (
        ("proven_families", repairs.proven, _PROVEN),
        ("recurred_families", repairs.recurred, _PROVEN),
        ("reported_fixes", repairs.unproven, _COLUMNS),
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
    con.execute(
        "CREATE TABLE proven_fixes AS SELECT * EXCLUDE (family) FROM proven_families QUALIFY "
        "row_number() OVER (PARTITION BY building_no, unit_id, opening_id "
        "ORDER BY fixed_on DESC, finding_id) = 1 ORDER BY ALL"
    )
