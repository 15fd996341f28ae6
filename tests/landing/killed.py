"""Kill a process, hard, before one of its steps on disk, at each step in turn.

A step is a call that changes what is on disk. The process that counts them is a fork of a driver
that has imported everything once and opened no database, so that each kill costs little.
"""

from __future__ import annotations

import os
import shutil
import signal
from collections.abc import Callable
from pathlib import Path

STEPS = (
    (Path, "rename"),
    (Path, "replace"),
    (Path, "unlink"),
    (Path, "touch"),
    (Path, "mkdir"),
    (os, "fsync"),
    (shutil, "rmtree"),
)


def _counted(kill_at: int, within: Path) -> Callable[[], int]:
    """Count the steps from here on, and die before the one of that number."""
    count = 0

    def before(function: Callable) -> Callable:
        def wrapped(*arguments, **named):
            nonlocal count
            if isinstance(arguments[0], int) or within in Path(arguments[0]).parents:
                count += 1
                if count == kill_at:
                    os.kill(os.getpid(), signal.SIGKILL)
            return function(*arguments, **named)

        return wrapped

    for owner, name in STEPS:
        setattr(owner, name, before(getattr(owner, name)))
    return lambda: count


def steps_of(work: Callable[[], object], within: Path, kill_at: int = 0) -> int | None:
    """Run ``work`` in a fork; return how many steps it took, None if it was killed.

    Args:
        work: what to run.
        within: steps on paths elsewhere are not counted.
        kill_at: number of the step, from 1, before which it is killed; 0 for never.
    """
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            counted = _counted(kill_at, within)
            work()
            os.write(writing, str(counted()).encode())
            os._exit(0)
        except BaseException as fault:
            os.write(writing, repr(fault).encode())
            os._exit(1)
    os.close(writing)
    with os.fdopen(reading, "rb") as handle:
        told = handle.read().decode()
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        assert os.WTERMSIG(status) == signal.SIGKILL
        return None
    assert os.WEXITSTATUS(status) == 0, told
    return int(told)
