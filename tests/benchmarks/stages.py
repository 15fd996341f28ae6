"""The stages of a benchmark. Each runs in a process of its own, so that its peak memory is its own.

``python -m tests.benchmarks.stages NAME FOLDER OBSERVATIONS BUILDINGS`` runs one stage and writes
one line of JSON: seconds, cpu_seconds, peak_mib, and what else the stage has to say.
"""

from __future__ import annotations

import json
import resource
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

SEED = 20250101
FIRST_USE = 200
"""Looks of a delivery that is taken in before the clock starts, so that what is timed is the work
and not the loading of the program; its bare copy is made as well."""
DUPLICATE_SHARE, BAD_SHARE = 0.01, 0.001


def generate(folder: Path, observations: int, buildings: int) -> dict[str, Any]:
    """Write the exports: default layout, 1 % repeated rows, 0.1 % rows with an unknown method."""
    from tests.benchmarks.scale import write_scale_csv

    files = write_scale_csv(
        folder / "exports",
        buildings,
        observations,
        SEED,
        duplicates=int(observations * DUPLICATE_SHARE),
        bad_rows=int(observations * BAD_SHARE),
    )
    size = files.register.stat().st_size + files.observations.stat().st_size
    return {"csv_mib": size / 2**20, "duplicates": files.duplicates, "bad_rows": files.bad_rows}


def floor(folder: Path, observations: int, buildings: int) -> dict[str, Any]:
    """Copy the same CSV to zstd Parquet, all as text: the least that landing anything can cost."""
    with _ready(folder, "floor") as small:
        _copy(small, FIRST_USE + 1)
    return {"rows": _copy(folder, observations + buildings)}


@contextmanager
def _ready(folder: Path, name: str) -> Iterator[Path]:
    """A folder with a delivery of a few rows, for the first use; not timed (see ``main``)."""
    begun = _clock()
    with tempfile.TemporaryDirectory(prefix=f"first-{name}-", dir=folder) as small:
        generate(Path(small), FIRST_USE, 1)
        yield Path(small)
    UNTIMED[:] = [after - before for before, after in zip(begun, _clock(), strict=True)]


UNTIMED = [0.0, 0.0]
"""Seconds on the clock and of the processor that a stage spent before its work began."""


def _clock() -> tuple[float, float]:
    return time.perf_counter(), time.process_time()


def _copy(folder: Path, rows_expected: int) -> int:
    import duckdb

    from shared.records import LAYOUTS
    from shared.vocabulary import RecordKind

    written = 0
    for name, kind in (
        ("register", RecordKind.BUILDING_REGISTER),
        ("observations", RecordKind.OPENING_OBSERVATIONS),
    ):
        columns = ", ".join(f"'{field.name}': 'VARCHAR'" for field in LAYOUTS[kind].fields)
        target = folder / f"floor-{name}.parquet"
        with duckdb.connect() as connection:
            ((rows,),) = connection.execute(
                f"COPY (SELECT * FROM read_csv('{folder}/exports/{name}.csv', header = true, "
                f"auto_detect = false, delim = ',', quote = '\"', columns = {{{columns}}})) "
                f"TO '{target}' (FORMAT parquet, COMPRESSION zstd)"
            ).fetchall()
        written += rows
        target.unlink()
    if written != rows_expected:
        raise SystemExit(f"the copy holds {written} rows, not {rows_expected}")
    return int(written)


def intake(folder: Path, observations: int, buildings: int) -> dict[str, Any]:
    """Take both files in; what becomes of the rows must add up."""
    with _ready(folder, "intake") as small:
        from pipeline.landing import Workspace
        from pipeline.landing import intake as take_in

        names = ("register.csv", "observations.csv")
        take_in(Workspace(small / "workspace"), [small / "exports" / name for name in names])
    exports = folder / "exports"
    workspace = Workspace(folder / "workspace").create()
    reports = take_in(workspace, [exports / "register.csv", exports / "observations.csv"])
    report = reports[-1]
    outcome = {
        name: getattr(report, name)
        for name in ("rows_read", "accepted", "duplicate", "superseded", "quarantined")
    }
    parts = outcome["accepted"] + outcome["duplicate"]
    parts += outcome["superseded"] + outcome["quarantined"]
    bad = int(observations * BAD_SHARE)
    if not parts == outcome["rows_read"] == observations or outcome["quarantined"] != bad:
        raise SystemExit(f"the counts do not add up: {outcome}")
    return outcome


class Steps:
    """Clock and processor time between marks, added up by name."""

    def __init__(self) -> None:
        self._name = ""
        self._since = (time.perf_counter(), time.process_time())
        self._spent: dict[str, list[float]] = {}

    def mark(self, name: str) -> None:
        """Count what was spent since the last mark to that one's name; go on under this name."""
        now = (time.perf_counter(), time.process_time())
        spent = self._spent.setdefault(self._name, [0.0, 0.0])
        for index in range(2):
            spent[index] += now[index] - self._since[index]
        self._name, self._since = name, now

    def spent(self) -> dict[str, dict[str, float]]:
        """Seconds and processor seconds by name."""
        self.mark("")
        return {
            name: {"seconds": seconds, "cpu_seconds": cpu}
            for name, (seconds, cpu) in self._spent.items()
            if name
        }


def build(folder: Path, observations: int, buildings: int) -> dict[str, Any]:
    """Build the warehouse; the cost of each step by its own progress reports."""
    from pipeline.landing import Workspace
    from pipeline.warehouse.build import build as build_warehouse

    steps = Steps()
    built = build_warehouse(
        Workspace(folder / "workspace"), progress=lambda step, _fraction: steps.mark(step)
    )
    spent = steps.spent()
    if built.buildings != buildings:
        raise SystemExit(f"the warehouse holds {built.buildings} buildings, not {buildings}")
    return {"steps": spent, "warehouse_mib": built.path.stat().st_size / 2**20}


def ranking(folder: Path, observations: int, buildings: int) -> dict[str, Any]:
    """Read the whole ranking, then its first twenty, as the command line and the screens do."""
    from pipeline.landing import Workspace
    from pipeline.warehouse import queries, store

    steps = Steps()
    with store.reading(Workspace(folder / "workspace")) as connection:
        steps.mark("whole ranking")
        frame = queries.ranking(connection)
        steps.mark("first twenty")
        queries.ranking(connection, top=20)
        steps.mark("")
    if len(frame) != buildings:
        raise SystemExit(f"the ranking holds {len(frame)} buildings, not {buildings}")
    return {"steps": steps.spent()}


STAGES: dict[str, Callable[[Path, int, int], dict[str, Any]]] = {
    stage.__name__: stage for stage in (generate, floor, intake, build, ranking)
}


def peak_mib() -> float:
    """Most memory that this process has held, in MiB."""
    try:
        # The kernel's getrusage figure of a child starts at its parent's; this one does not.
        status = Path("/proc/self/status").read_text(encoding="ascii")
        return int(status.split("VmHWM:")[1].split()[0]) / 1024
    except OSError:
        scale = 2**20 if sys.platform == "darwin" else 1024
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / scale


def main(name: str, folder: str, observations: str, buildings: str) -> None:
    """Run one stage and write its measures."""
    begun = _clock()
    found = STAGES[name](Path(folder), int(observations), int(buildings))
    seconds, cpu_seconds = (
        after - before - untimed
        for before, after, untimed in zip(begun, _clock(), UNTIMED, strict=True)
    )
    measures = {
        "seconds": seconds,
        "cpu_seconds": cpu_seconds,
        "peak_mib": peak_mib(),
        **found,
    }
    sys.stdout.write(json.dumps(measures) + "\n")


if __name__ == "__main__":
    main(*sys.argv[1:])
