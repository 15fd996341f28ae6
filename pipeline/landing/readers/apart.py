"""Has files read in a process of their own, so that none can take this one with it.

Workbooks, JSON and Parquet are read by parsers that are not Coverplate's or that hold what they
read; a few kilobytes can ask them for hundreds of gigabytes. They run in ``child`` with limits of
memory and time. A child is started when the first such file comes and serves the following ones; it
ends with a file that went wrong, and after a large one, so that no file is read in what another one
left behind.
"""

from __future__ import annotations

import atexit
import os
import pickle
import signal
import subprocess
import sys
import tempfile
import threading
from pathlib import Path

from pipeline.landing.arrival import Arrival, Format
from pipeline.landing.dividing import Division
from pipeline.landing.readers.boundary import NAMES
from pipeline.landing.readers.child import MEMORY, Answer, Request
from pipeline.landing.row_kinds import IsKnown
from shared.faults import CoverplateError

PROGRAM = ("-P", "-m", "pipeline.landing.readers.child")
"""What Python runs in the child."""

SPARING = {
    "OPENBLAS_NUM_THREADS": "1",
    "ARROW_DEFAULT_MEMORY_POOL": "system",
    "MALLOC_ARENA_MAX": "2",
}
"""Settings under which libraries reserve little more address space than they use, which is what is
limited; and start no threads for sums that no reader makes."""

LEAST_SECONDS = 60.0
"""Time that any file may take; judgement."""

SECONDS_A_MEGABYTE: dict[Format, float] = {"spreadsheet": 20.0, "parquet": 20.0}
"""More of it, by format. Measured on two busy cores: workbooks 2.3 s, JSON 0.2 s."""

OTHER_SECONDS_A_MEGABYTE = 2.0

SMALL = 1 << 20
"""A file of so many bytes leaves little behind in the process that read it."""

_idle: list[_Child] = []
_turn = threading.Lock()


def read_apart(arrival: Arrival, work: Path, is_known: IsKnown) -> Division:
    """Read a file in a child.

    Args:
        arrival: the file as it was measured.
        work: a scratch folder; the rows are stored there.
        is_known: says whether a normalised name is a header somebody knows; can be pickled.

    Raises:
        CoverplateError: the file must be refused, or its reader came to grief.
    """
    with _turn:
        child = _idle.pop() if _idle else None
    child = child or _Child()
    keep = False
    try:
        try:
            division = child.read(arrival, work, is_known)
        except CoverplateError:
            keep = child.lives
            raise
        keep = True
    finally:
        with _turn:
            keep = keep and arrival.size <= SMALL and not _idle
            if keep:
                _idle.append(child)
        if not keep:
            child.end()
    return division


def end_idle() -> None:
    """End the child that waits for a file."""
    with _turn:
        waiting, _idle[:] = list(_idle), []
    for child in waiting:
        child.end()


atexit.register(end_idle)
if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_idle.clear)  # it is the parent's


def seconds_for(arrival: Arrival) -> float:
    """Time that the reading of a file may take."""
    each = SECONDS_A_MEGABYTE.get(arrival.format, OTHER_SECONDS_A_MEGABYTE)
    return LEAST_SECONDS + each * arrival.size / 1e6


class _Child:
    """A process that reads files, and the two ways to it."""

    def __init__(self) -> None:
        self._said = tempfile.TemporaryFile()  # noqa: SIM115 - open as long as the child
        places = os.pathsep.join(place or str(Path.cwd()) for place in sys.path)
        self._process = subprocess.Popen(
            [sys.executable, *PROGRAM],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._said,
            env={**os.environ, "PYTHONPATH": places, **SPARING},
        )
        self.lives = True

    def read(self, arrival: Arrival, work: Path, is_known: IsKnown) -> Division:
        """Have a file read.

        Raises:
            CoverplateError: it must be refused; ``lives`` says whether another may be asked for.
        """
        seconds = seconds_for(arrival)
        late = threading.Event()

        def stop() -> None:
            late.set()
            self._process.kill()

        watch = threading.Timer(seconds, stop)
        watch.daemon = True
        watch.start()
        try:
            kind, content = self._asked((arrival, work, is_known, seconds * (os.cpu_count() or 1)))
        finally:
            watch.cancel()
        if kind == "read" and isinstance(content, Division):
            return content
        if kind == "refused":
            raise content
        self.lives = False
        if late.is_set():
            raise _too_long(arrival, seconds)
        if kind == "memory":
            raise _too_large(arrival)
        if kind == "fault":
            raise content
        raise self._died(arrival)

    def _asked(self, request: Request) -> Answer:
        """The answer to a request; ``died`` where there is none."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        try:
            pickle.dump(request, self._process.stdin)
            self._process.stdin.flush()
            kind, content = pickle.load(self._process.stdout)
        except Exception:  # half an answer, or none, fails to load in many ways
            return "died", None
        return kind, content

    def _died(self, arrival: Arrival) -> CoverplateError:
        try:
            code = self._process.wait(timeout=5)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
            code = 0
        self._said.seek(0)
        said = self._said.read(1 << 16)
        if any(words in said for words in (b"memory allocation of", b"bad_alloc", b"MemoryError")):
            return _too_large(arrival)
        if code == -signal.SIGKILL:
            how = "was killed, perhaps because the machine ran out of memory"
        elif code < 0:
            how = f"broke down ({signal.Signals(-code).name})"
        else:
            how = f"ended without an answer (exit code {code})"
        return CoverplateError(
            f"{arrival.name}: the reader of {NAMES[arrival.format]} {how}",
            expected="a file that its reader comes to the end of",
            to_do=_INSTEAD,
        )

    def end(self) -> None:
        """End the process."""
        self.lives = False
        self._process.kill()
        self._process.wait()
        for way in (self._process.stdin, self._process.stdout):
            if way is not None:
                try:
                    way.close()
                except OSError:
                    continue  # what was still to be sent has nobody left to read it
        self._said.close()


_INSTEAD = (
    "open it and save its table as CSV, which is read piece by piece, or split it; a file from "
    "somebody you do not know may have been made to do this"
)


def _too_large(arrival: Arrival) -> CoverplateError:
    return CoverplateError(
        f"{arrival.name}: the reader of {NAMES[arrival.format]} ran out of memory",
        expected=f"a file that can be read within {MEMORY >> 30} GiB",
        to_do=_INSTEAD,
    )


def _too_long(arrival: Arrival, seconds: float) -> CoverplateError:
    return CoverplateError(
        f"{arrival.name}: the reader of {NAMES[arrival.format]} had not come to an end after "
        f"{seconds:,.0f} seconds",
        expected=f"that time for {arrival.size:,} bytes",
        to_do=_INSTEAD,
    )
