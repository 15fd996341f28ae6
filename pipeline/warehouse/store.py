"""Where warehouses lie, how a new one takes over, and how readers open the current one.

A warehouse file is named by its version: the hash of what it was built from. ``CURRENT`` holds that
version; replacing it is the swap. Readers hold an open file and are never disturbed; a killed build
leaves only files that nobody points at, which the next build removes. One earlier warehouse is kept
to show what changed.

Builds that swap take turns (``building_alone``), so that an older result never replaces a newer
one. Size and hash of every warehouse stand in the logbook before it takes over: its size is asked
whenever it is opened, its hash by `coverplate check`, by a build, and where reading it fails.
"""

from __future__ import annotations

import contextlib
import shutil
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import duckdb

from pipeline.landing import Workspace, logbook
from pipeline.landing.seals import file_hash
from pipeline.offline import connect
from shared.faults import CoverplateError
from shared.records import literal
from shared.turns import HAS_LOCKS, take_turn
from shared.whole_file import appearing_whole

MODEL_VERSION = "24"
"""Raised whenever the same inputs would give other numbers or tables, so that warehouses are built
anew."""

POINTER = "CURRENT"
EARLIER = "EARLIER"
_STALE_SECONDS = 6 * 3600

_TRIES = 5
"""Builds may take over while a reader is between the pointer and the file that it names."""


def warehouse_path(workspace: Workspace, version: str) -> Path:
    """Path of the warehouse of a version."""
    return workspace.warehouse / f"warehouse-{version}.duckdb"


def draws_path(warehouse: Path) -> Path:
    """Where a warehouse's draws lie: beside it; only the current one's are kept."""
    return warehouse.with_suffix(".draws")


def _version(workspace: Workspace, pointer: str) -> str | None:
    for _ in range(_TRIES):
        try:
            version = (workspace.warehouse / pointer).read_text(encoding="ascii").strip()
        except (OSError, UnicodeDecodeError):
            return None
        if version and warehouse_path(workspace, version).is_file():
            return version
    return None


def current_version(workspace: Workspace) -> str | None:
    """Version of the current warehouse, or None where nothing was built."""
    return _version(workspace, POINTER)


def earlier_version(workspace: Workspace) -> str | None:
    """Version of the warehouse before the current one, if it is still there."""
    return _version(workspace, EARLIER)


def _point(workspace: Workspace, pointer: str, version: str) -> None:
    with appearing_whole(workspace.warehouse / pointer) as partial:
        partial.write_text(version + "\n", encoding="ascii")


class DamagedWarehouseError(CoverplateError):
    """The current warehouse is not what was built."""


def damaged(path: Path, found: str) -> DamagedWarehouseError:
    """What to say of a warehouse that is not what was built."""
    return DamagedWarehouseError(
        f"the warehouse {path} is damaged: {found}",
        to_do="run `coverplate build`, which makes it anew; nothing that was taken in is lost",
    )


def damage(workspace: Workspace, version: str, *, whole: bool = True) -> str:
    """Say how a warehouse is not what was built; "" where it is, or where nobody knows.

    Args:
        workspace: the workspace.
        version: of the warehouse.
        whole: whether to hash all of it, or to look at its size alone.
    """
    built = logbook.built_lines(workspace, version)
    if not built:
        return ""
    path = warehouse_path(workspace, version)
    try:
        size = path.stat().st_size
        if size not in {each.get("size") for each in built}:
            return f"it has {size:,} bytes; {built[-1].get('size'):,} were built"
        if whole and file_hash(path) not in {each.get("sha256") for each in built}:
            return "its bytes are not those that were built"
    except OSError as trouble:
        return str(trouble)
    return ""


def enter_built(
    workspace: Workspace, file: Path, version: str, more: Mapping[str, Any]
) -> list[str]:
    """Write a warehouse's size and hash into the logbook; return what is to be told of it."""
    seal = {"version": version, "size": file.stat().st_size, "sha256": file_hash(file)}
    return logbook.append(workspace, "built", {**more, **seal})


def swap_in(
    workspace: Workspace, built: Path, version: str, more: Mapping[str, Any] | None = None
) -> Path:
    """Make a finished warehouse the current one, atomically.

    Args:
        workspace: the workspace.
        built: the finished file, in the warehouse folder.
        version: its version.
        more: what else is to stand in the logbook of this build.

    Returns:
        Where it is now.
    """
    enter_built(workspace, built, version, more or {})
    target = warehouse_path(workspace, version)
    before = current_version(workspace)
    # Its draws first: a build that finds the warehouse finds them too.
    draws = draws_path(built)
    if draws.is_file():
        draws.replace(draws_path(target))
    else:
        draws_path(target).unlink(missing_ok=True)
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
    for file in workspace.warehouse.glob("warehouse-*.draws"):
        if file != draws_path(target):
            file.unlink(missing_ok=True)
    return target


@contextlib.contextmanager
def building_alone(workspace: Workspace, wait: Callable[[], None]) -> Iterator[None]:
    """Keep other builds that swap out for the time of the block; readers are not disturbed.

    Args:
        workspace: the workspace.
        wait: called where another build is running, before waiting for it.
    """
    workspace.warehouse.mkdir(parents=True, exist_ok=True)
    with (workspace.warehouse / ".swap.lock").open("a") as handle:
        # on a disk without locks builds at once are on the user
        if take_turn(handle, alone=True, wait=False) is False:
            wait()
            take_turn(handle, alone=True, wait=True)
        yield


@contextlib.contextmanager
def building_beside(workspace: Workspace) -> Iterator[None]:
    """Say that a build is going on, and first clear away what killed builds left behind.

    Builds hold a shared lock, so that several may go on at once; whoever can have it alone knows
    that nobody is building, and that every unfinished file is abandoned. The lock goes with the
    process, however that ends.
    """
    workspace.warehouse.mkdir(parents=True, exist_ok=True)
    with (workspace.warehouse / ".building.lock").open("a") as handle:
        if not HAS_LOCKS:  # pragma: no cover - not on this platform
            _clear_unfinished(workspace, older_than=_STALE_SECONDS)
        elif take_turn(handle, alone=True, wait=False):
            _clear_unfinished(workspace, older_than=0.0)
        take_turn(handle, alone=False, wait=True)
        yield


def _clear_unfinished(workspace: Workspace, older_than: float) -> None:
    """Remove unfinished files, write-ahead logs and spill folders of at least that age, seconds."""
    for left in workspace.warehouse.glob(".building-*"):
        with contextlib.suppress(OSError):
            if time.time() - left.stat().st_mtime < older_than:
                continue
            if left.is_dir():
                shutil.rmtree(left, ignore_errors=True)
            else:
                left.unlink()


def open_reader(path: Path) -> duckdb.DuckDBPyConnection:
    """Open a warehouse read-only, with no way out to files, network or extensions.

    Raises:
        CoverplateError: if the file is no warehouse that can be read.
    """
    try:
        # Given here, not set later, so that one process can open the file several times.
        return connect(
            path, read_only=True, enable_external_access="false", lock_configuration="true"
        )
    except duckdb.Error as damaged:
        raise DamagedWarehouseError(
            f"the warehouse {path} cannot be opened: {str(damaged).splitlines()[0]}",
            expected="a file made by `coverplate build`",
            to_do="run `coverplate build`, which makes it anew; nothing that was taken in is lost",
        ) from damaged


def _open_current(workspace: Workspace, version: str) -> duckdb.DuckDBPyConnection:
    for _ in range(_TRIES):
        try:
            return open_version(workspace, version)
        except CoverplateError:
            newer = current_version(workspace)
            if newer is None or newer == version:
                raise
            version = newer
    return open_version(workspace, version)


def check_size(workspace: Workspace, version: str) -> None:
    """Check cheaply, before a warehouse is opened, that it is what was built.

    Raises:
        DamagedWarehouseError: it is not.
    """
    found = damage(workspace, version, whole=False)
    if found:
        raise damaged(warehouse_path(workspace, version), found)


def open_version(workspace: Workspace, version: str) -> duckdb.DuckDBPyConnection:
    """Open the warehouse of a version as ``open_reader`` does.

    Raises:
        CoverplateError: it is not what was built, or cannot be read.
    """
    check_size(workspace, version)
    return open_reader(warehouse_path(workspace, version))


def as_damage(workspace: Workspace, version: str, trouble: duckdb.Error) -> CoverplateError | None:
    """What reading a warehouse failed of, if that is damage; None if the question was at fault."""
    path = warehouse_path(workspace, version)
    found = damage(workspace, version)
    if found:
        return damaged(path, found)
    if "corrupt" in str(trouble).lower():
        return DamagedWarehouseError(
            f"the warehouse {path} is damaged: {str(trouble).splitlines()[0]}",
            to_do=f"remove the folder {workspace.warehouse} and run `coverplate build`; nothing "
            "that was taken in is lost",
        )
    return None


def check_model(con: duckdb.DuckDBPyConnection) -> None:
    """Refuse a warehouse that another version of the program built: its tables may differ.

    Raises:
        CoverplateError: so it is.
    """
    if con.execute("SELECT model_version FROM build_facts").fetchall() != [(MODEL_VERSION,)]:
        raise _of_another_version()


def _of_another_version() -> CoverplateError:
    return CoverplateError(
        "the warehouse was built by another version of Coverplate",
        expected=f"one of model version {MODEL_VERSION}",
        to_do="run `coverplate build`; nothing has to be taken in again",
    )


@contextlib.contextmanager
def beside_current(workspace: Workspace, built: Path) -> Iterator[duckdb.DuckDBPyConnection | None]:
    """Attach the current warehouse as ``before`` and a finished new one as ``now``.

    Yields None where there is no current one that can be opened. A question that cannot be asked of
    it, because another version of the program built it or it is damaged, ends the block.
    """
    version = current_version(workspace)
    con = connect()
    try:
        there = version is not None
        try:
            if version is not None:
                before = literal(str(warehouse_path(workspace, version)))
                con.execute(f"ATTACH {before} AS before (READ_ONLY)")
                con.execute(f"ATTACH {literal(str(built))} AS now (READ_ONLY)")
        except duckdb.Error:
            there = False
        with contextlib.suppress(duckdb.Error):
            yield con if there else None
    finally:
        con.close()


@contextlib.contextmanager
def reading(workspace: Workspace) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open the current warehouse for reading.

    Raises:
        CoverplateError: where nothing was built yet, or what was built is damaged.
    """
    version = current_version(workspace)
    if version is None:
        raise CoverplateError(
            f"there is no warehouse in {workspace.root} yet",
            to_do="take exports in with `coverplate intake FILE…`, then run `coverplate build`",
        )
    con = _open_current(workspace, version)
    try:
        check_model(con)
    except duckdb.Error as trouble:  # damaged, or older than its version was kept in it
        con.close()
        raise as_damage(workspace, version, trouble) or _of_another_version() from trouble
    except CoverplateError:
        con.close()
        raise
    try:
        yield con
    except duckdb.Error as trouble:
        told = as_damage(workspace, version, trouble)
        if told is None:
            raise
        raise told from trouble
    finally:
        con.close()
