"""A warehouse opened for screens: read-only, closed to files and network, the listing ready.

What every screen asks for (one row a building) is joined once when a warehouse is opened and then
held in memory, so that a filter is one scan of a small table. The warehouse before it is read once
for its ranks, and closed again.
"""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import duckdb

from pipeline.landing import Workspace
from pipeline.offline import connect
from pipeline.warehouse import store
from shared.faults import CoverplateError
from shared.records import literal


class ScreenReader:
    """One version of the warehouse, open for reading.

    Args:
        workspace: the workspace.
        version: of the warehouse to open.

    Attributes:
        version: that version.
        earlier: version of the warehouse before it, or None.

    Raises:
        CoverplateError: if that warehouse is gone, is damaged or was built by another Coverplate.
    """

    def __init__(self, workspace: Workspace, version: str) -> None:
        self.version = version
        store.check_size(workspace, version)
        before = store.earlier_version(workspace)
        self.earlier = before if before != version else None
        self._con = connect()
        try:
            self._open(workspace)
        except duckdb.Error as trouble:
            self._con.close()
            raise store.as_damage(workspace, version, trouble) or CoverplateError(
                f"the warehouse {version} cannot be read: {trouble}",
                to_do="run `coverplate build`",
            ) from trouble

    def _open(self, workspace: Workspace) -> None:
        con = self._con
        path = store.warehouse_path(workspace, self.version)
        con.execute(f"ATTACH {literal(str(path))} AS warehouse (READ_ONLY)")
        con.execute("CREATE TABLE memory.earlier (building_id VARCHAR, rank BIGINT, score DOUBLE)")
        if self.earlier is not None:
            try:
                self._ranks_before(store.warehouse_path(workspace, self.earlier))
            except duckdb.Error:  # damaged or gone: then nothing is known of what changed
                self.earlier = None
        con.execute("SET enable_external_access = false")
        con.execute("SET lock_configuration = true")
        con.execute("USE warehouse")
        store.check_model(con)
        listing = resources.files("pipeline.screens").joinpath("sql", "listing.sql")
        con.execute(listing.read_text(encoding="utf-8"))

    def _ranks_before(self, before: Path) -> None:
        con = self._con
        con.execute(f"ATTACH {literal(str(before))} AS before (READ_ONLY)")
        con.execute(
            "INSERT INTO memory.earlier SELECT b.building_id, s.rank, s.score "
            "FROM before.building_scores AS s JOIN before.buildings AS b USING (building_no)"
        )
        con.execute("DETACH before")

    def cursor(self) -> duckdb.DuckDBPyConnection:
        """A connection of its own for one question: the warehouse's tables and memory.listing."""
        cursor = self._con.cursor()
        cursor.execute("USE warehouse")
        return cursor
