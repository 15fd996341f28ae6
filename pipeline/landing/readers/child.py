"""The program of the process in which files are read that another's parser reads.

It takes requests from its standard input and answers on its standard output, pickled, one file
after the other; what goes over is a table's header, sample and certificate, never its rows. Before
the first one it gives up what it does not need: memory beyond a limit, processor time beyond one,
core dumps, and sockets and other programs as far as Python opens them. Code that is not Python
(the parsers') is not held by the latter; it is by the former.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, BinaryIO

from pipeline.landing.arrival import Arrival
from pipeline.landing.dividing import Division
from pipeline.landing.readers.boundary import unreadable
from pipeline.landing.row_kinds import IsKnown
from shared.faults import CoverplateError

try:  # limits of a process are POSIX only; elsewhere the time limit alone holds
    import resource
except ImportError:  # pragma: no cover - not on this platform
    resource = None  # type: ignore[assignment]

MEMORY = 4 * 2**30
"""Bytes of address space beyond what the process begins with. Measured with a million rows
of ten columns: 1.2 GiB as a workbook of 37 MB, 0.9 as Parquet, 0.1 as JSON."""

FORBIDDEN = ("socket.", "subprocess.", "os.system", "os.exec", "os.posix_spawn", "os.fork")
"""What is refused, by the beginning of the names of Python's audit events."""

Request = tuple[Arrival, Path, IsKnown, float]
"""A measured file, the scratch folder, the names that are known, and seconds of processor."""

Answer = tuple[str, Any]
"""``read`` and the division; ``refused`` and the refusal; ``fault`` and the refusal of what nobody
foresaw; ``memory`` and what was said."""


def read_here(arrival: Arrival, work: Path, is_known: IsKnown) -> Division:
    """Read a file with the reader of its format, in this process.

    Raises:
        CoverplateError: the file must be refused.
    """
    # each reader brings libraries of its own, which take their time to load
    if arrival.format == "spreadsheet":
        from pipeline.landing.readers.spreadsheet import read_spreadsheet

        return read_spreadsheet(arrival, work, is_known)
    if arrival.format == "parquet":
        from pipeline.landing.readers.parquet import read_parquet

        return read_parquet(arrival, work)
    from pipeline.landing.readers.json_text import read_json, read_json_lines

    return (read_json if arrival.format == "json" else read_json_lines)(arrival, work)


def serve(read: Callable[[Arrival, Path, IsKnown], Division] = read_here) -> None:
    """Answer requests until there are none, or until one went wrong.

    Args:
        read: reads a file.
    """
    requests, answers = sys.stdin.buffer, _answers()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # who asked decides when to stop
    give_up()
    while True:
        try:
            arrival, work, is_known, seconds = pickle.load(requests)
        except EOFError:
            return
        _limit_processor(seconds)
        kind, content = _answered(read, arrival, work, is_known)
        answers.write(content)
        answers.flush()
        if kind not in ("read", "refused"):
            return  # what else it broke is not known


def _answered(
    read: Callable[[Arrival, Path, IsKnown], Division],
    arrival: Arrival,
    work: Path,
    is_known: IsKnown,
) -> tuple[str, bytes]:
    answer: Answer
    try:
        return "read", pickle.dumps(("read", read(arrival, work, is_known)))
    except CoverplateError as refusal:
        answer = ("refused", refusal)
    except MemoryError as fault:
        answer = ("memory", str(fault))
    except BaseException as fault:  # a panic of a parser is no Exception
        answer = ("fault", unreadable(arrival.name, arrival.format, fault))
    return answer[0], pickle.dumps(answer)


def _answers() -> BinaryIO:
    """The way back, which nothing that a library prints can get into."""
    own = os.dup(1)
    os.dup2(2, 1)
    return os.fdopen(own, "wb")


def give_up() -> None:
    """Give up memory beyond the limit, core dumps, the network and other programs."""
    sys.addaudithook(_refuse)
    process = Path("/proc/self")
    if resource is None or not (process / "statm").is_file():
        return
    held = int((process / "statm").read_text().split()[0]) * resource.getpagesize()
    _lower(resource.RLIMIT_AS, held + MEMORY)
    _lower(resource.RLIMIT_CORE, 0)
    # where memory runs out for the whole machine, this process is to go first
    with contextlib.suppress(OSError):  # where it may not say so, chance decides
        (process / "oom_score_adj").write_text("1000")


def _lower(which: int, limit: int) -> None:
    _, most = resource.getrlimit(which)
    lowered = limit if most == resource.RLIM_INFINITY else min(limit, most)
    resource.setrlimit(which, (lowered, lowered))


def _limit_processor(seconds: float) -> None:
    """Limit processor time from now on, for where nobody is left to end this process."""
    if resource is None:
        return
    used = resource.getrusage(resource.RUSAGE_SELF)
    _, most = resource.getrlimit(resource.RLIMIT_CPU)
    limit = int(used.ru_utime + used.ru_stime + seconds) + 1
    limit = limit if most == resource.RLIM_INFINITY else min(limit, most)
    resource.setrlimit(resource.RLIMIT_CPU, (limit, most))


def _refuse(event: str, _: tuple[Any, ...]) -> None:
    if event.startswith(FORBIDDEN):
        raise PermissionError(f"a reader of files may not do this: {event}")


if __name__ == "__main__":
    serve()
