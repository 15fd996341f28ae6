"""Taking turns over a file, with locks that go with the process, however it ends."""

from __future__ import annotations

from typing import IO, Any

try:
    import fcntl
except ImportError:  # pragma: no cover - not on this platform
    fcntl = None  # type: ignore[assignment]

HAS_LOCKS = fcntl is not None
"""Whether this system has such locks; single disks may lack them still."""


def take_turn(handle: IO[Any], *, alone: bool, wait: bool) -> bool | None:
    """Lock a file until its handle is closed.

    Args:
        handle: an open file.
        alone: nobody else holds it meanwhile; otherwise others may share it.
        wait: until it is free.

    Returns:
        Whether it is held; None where the system or the disk has no locks.
    """
    if fcntl is None:  # pragma: no cover - not on this platform
        return None
    kind = fcntl.LOCK_EX if alone else fcntl.LOCK_SH
    try:
        fcntl.flock(handle, kind if wait else kind | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return None
    return True
