"""What is costly to make is made once for all processes that run tests, not once in each."""

import fcntl
import os
import pickle
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import pytest

T = TypeVar("T")


def once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], T]) -> T:
    """Make something in a folder of its own, or take what another process of this run made.

    Args:
        factory: pytest's.
        name: of the folder; the same name is the same thing.
        make: makes it and returns what can be pickled. Tests read it and leave it as it is.
    """
    root = factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        root = root.parent  # which the processes of one run share
    folder, made = root / f"once-{name}", root / f"once-{name}.pickle"
    with (root / f"once-{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not made.exists():
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir()
            made.write_bytes(pickle.dumps(make(folder)))
    found: T = pickle.loads(made.read_bytes())
    return found
