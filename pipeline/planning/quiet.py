"""Silence on stdout while a solver runs."""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager

_SILENCE = threading.Lock()


@contextmanager
def quiet() -> Iterator[None]:
    """HiGHS now and then prints a line past its own options; stdout is for the answer.

    One at a time: of two plans at once the later would keep the earlier's silence as stdout.
    """
    with _SILENCE:
        sys.stdout.flush()
        kept, nowhere = os.dup(1), os.open(os.devnull, os.O_WRONLY)
        try:
            os.dup2(nowhere, 1)
            yield
        finally:
            os.dup2(kept, 1)
            os.close(kept)
            os.close(nowhere)
