"""Repairs in the warehouse: proven ones change an opening, unproven ones are only announced."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass, replace

import duckdb
import pandas as pd

from pipeline.landing import Workspace
from pipeline.landing.current import typed_columns
from pipeline.ledger import open_ledger
from pipeline.ledger.database import FILE_NAME, URL_VARIABLE, ledger_file
from pipeline.ledger.effects import (
    looks_by_hand,
    recurred_fixes,
    unproven_fixes,
    urgent_by_hand,
    urgent_set_aside,
    verified_fixes,
)
from pipeline.ledger.events import Look
from pipeline.ledger.families import FAMILY
from pipeline.ledger.held import check_held
from pipeline.ledger.landed_looks import proofs_in_doubt
from shared.in_words import plural
from shared.records import OPENING_OBSERVATIONS
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
_PLACE = dict.fromkeys(("finding_id", "building_id", "unit_id", "opening_id"), "VARCHAR")
_LOOKS = {
    **_PLACE,
    **{k: v for k, v in typed_columns(OPENING_OBSERVATIONS).items() if k in Look.model_fields},
}
_SET_ASIDE = {**_PLACE, "family": "VARCHAR", "last_seen_on": "DATE"}
_WRITTEN = {"finding_id": "VARCHAR", "sequence": "BIGINT"}


@dataclass(frozen=True)
class KnownRepairs:
    """What the ledger says of repairs.

    Attributes:
        proven: the latest proven one of each opening and family of defects, columns as in
            ``_PROVEN``.
        recurred: the same of those after which the defect came back.
        unproven: columns as in ``_COLUMNS``, one row an opening.
        looks: written down by hand beside a repair, columns as in ``_LOOKS``.
        set_aside: urgent findings that a person set aside, columns as in ``_SET_ASIDE``.
        written: events by which a person raised what is urgent, columns as in ``_WRITTEN``.
    """

    proven: pd.DataFrame
    recurred: pd.DataFrame
    unproven: pd.DataFrame
    looks: pd.DataFrame
    set_aside: pd.DataFrame
    written: pd.DataFrame

    @property
    def digest(self) -> str:
        """Hash of all that a warehouse takes from the ledger."""
        frames: list[pd.DataFrame] = list(vars(self).values())
        text = "".join(frame.to_csv(index=False) for frame in frames)
        return hashlib.sha256(text.encode()).hexdigest()


def nothing_known() -> KnownRepairs:
    """What an empty ledger says."""
    shapes = (_PROVEN, _PROVEN, _COLUMNS, _LOOKS, _SET_ASIDE, _WRITTEN)
    return KnownRepairs(*(pd.DataFrame(columns=[*shape]) for shape in shapes))


def known_repairs(workspace: Workspace, rule_book: RuleBook) -> KnownRepairs:
    """Read the repairs of a workspace's ledger; none where no ledger was begun.

    Raises:
        CoverplateError: the ledger is damaged, or holds fewer events than it did.
    """
    check_held(ledger_file(None, workspace.root))
    begun = os.environ.get(URL_VARIABLE) or (workspace.ledger / FILE_NAME).is_file()
    if not begun:
        return nothing_known()
    ledger = open_ledger(workspace=workspace.root, rule_book=rule_book)
    try:
        ledger.check_states()
        return KnownRepairs(
            verified_fixes(ledger)[[*_PROVEN]],
            recurred_fixes(ledger)[[*_PROVEN]],
            unproven_fixes(ledger)[[*_COLUMNS]],
            looks_by_hand(ledger)[[*_LOOKS]],
            urgent_set_aside(ledger)[[*_SET_ASIDE]],
            urgent_by_hand(ledger)[[*_WRITTEN]],
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
    return replace(repairs, proven=repairs.proven[~gone], unproven=unproven), told


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
        _write(con, table, frame, columns)
    con.execute(
        "CREATE TABLE proven_fixes AS SELECT * EXCLUDE (family) FROM proven_families QUALIFY "
        "row_number() OVER (PARTITION BY building_no, unit_id, opening_id "
        "ORDER BY fixed_on DESC, finding_id) = 1 ORDER BY ALL"
    )


def write_looks_by_hand(con: duckdb.DuckDBPyConnection, repairs: KnownRepairs) -> None:
    """Write what the ledger holds of danger by hand, keyed by building number.

    Tables: looks_by_hand (a look a row, ``_part`` and ``_row`` as of no landed row),
    dangers_set_aside, and told_by_hand (the events that are known here).
    """
    _write(con, "written_looks", repairs.looks, _LOOKS)
    con.execute(
        "CREATE TABLE looks_by_hand AS SELECT *, -1 AS _part, row_number() OVER () AS _row "
        "FROM (FROM written_looks ORDER BY ALL)"
    )
    con.execute("DROP TABLE written_looks")
    _write(con, "dangers_set_aside", repairs.set_aside, _SET_ASIDE)
    con.register("written_frame", repairs.written.astype(object))
    con.execute(
        "CREATE TABLE told_by_hand AS SELECT finding_id::VARCHAR AS finding_id, "
        "sequence::BIGINT AS sequence FROM written_frame ORDER BY ALL"
    )
    con.unregister("written_frame")


def _write(
    con: duckdb.DuckDBPyConnection, table: str, frame: pd.DataFrame, columns: dict[str, str]
) -> None:
    """Write a frame as a table with the buildings' numbers beside its columns."""
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
