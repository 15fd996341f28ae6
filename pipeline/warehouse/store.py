"""Where warehouses lie, how a new one takes over, and how readers open the current one.

A warehouse file is named by its version: the hash of what it was built from. ``CURRENT`` holds that
version; replacing it is the swap. Readers hold an open file and are never disturbed; a killed build
leaves only a file that nobody points at. One earlier warehouse is kept to show what changed.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Iterator
from pathlib import Path

import duckdb

from pipeline.landing import Workspace
from shared.faults import CoverplateError

POINTER = "CURRENT"
EARLIER = "EARLIER"
_STALE_SECONDS = 6 * 3600


def warehouse_path(workspace: Workspace, version: str) -> Path:
    """Path of the warehouse of a version."""
    return workspace.warehouse / f"warehouse-{version}.duckdb"


def _version(workspace: Workspace, pointer: str) -> str | None:
    try:
        version = (workspace.warehouse / pointer).read_text(encoding="ascii").strip()
    except OSError:
        return None
    return version if version and warehouse_path(workspace, version).is_file() else None


def current_version(workspace: Workspace) -> str | None:
    """Version of the current warehouse, or None where nothing was built."""
    return _version(workspace, POINTER)


def earlier_version(workspace: Workspace) -> str | None:
    """Version of the warehouse before the current one, if it is still there."""
    return _version(workspace, EARLIER)


def _point(workspace: Workspace, pointer: str, version: str) -> None:
    temporary = workspace.warehouse / f".{pointer}-{os.getpid()}"
    temporary.write_text(version + "\n", encoding="ascii")
    temporary.replace(workspace.warehouse / pointer)


def swap_in(workspace: Workspace, built: Path, version: str) -> Path:
    """Make a finished warehouse the current one, atomically.

    Args:
        workspace: the workspace.
        built: the finished file, in the warehouse folder.
        version: its version.

    Returns:
        Where it is now.
    """
    target = warehouse_path(workspace, version)
    before = current_version(workspace)
    built.replace(target)
    if before is not None and before != version:
        _point(workspace, EARLIER, before)
    _point(workspace, POINTER, version)
    keep = {target.name}
    earlier = earlier_version(workspace)
    if earlier is not None:
        keep.add(warehouse_path(workspace, earlier).name)
    for file in workspace.warehouse.glob("warehouse-*.duckdb"):
        if file.name not in keep:
            file.unlink(missing_ok=True)
    return target


def clear_abandoned(workspace: Workspace) -> None:
    """Remove what killed builds left behind long ago."""
    for file in workspace.warehouse.glob(".building-*"):
        with contextlib.suppress(OSError):
            if time.time() - file.stat().st_mtime > _STALE_SECONDS:
                file.unlink()


def open_reader(path: Path) -> duckdb.DuckDBPyConnection:
    """Open a warehouse read-only, with no way out to files, network or extensions."""
    con = duckdb.connect(
        str(path),
        read_only=True,
        config={
            "autoinstall_known_extensions": "false",
            "autoload_known_extensions": "false",
        },
    )
    con.execute("SET enable_external_access = false")
    con.execute("SET lock_configuration = true")
    return con


@contextlib.contextmanager
def reading(workspace: Workspace) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open the current warehouse for reading.

    Raises:
        CoverplateError: where nothing was built yet.
    """
    version = current_version(workspace)
    if version is None:
        raise CoverplateError(
            f"there is no warehouse in {workspace.root} yet",
            to_do="take exports in with `coverplate intake FILE…`, then run `coverplate build`",
        )
    con = open_reader(warehouse_path(workspace, version))
    try:
        yield con
    finally:
        con.close()
