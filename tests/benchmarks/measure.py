"""Runs the stages one after the other and judges what they cost."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
BYTES_A_ROW = 700
"""Disk that a run needs at its peak for each observation: CSV, stored copy, Parquet, warehouse."""

ORDER = ("generate", "floor", "intake", "floor again", "build", "ranking")
"""The copy is timed on both sides of intake: other work on the machine comes and goes."""


@dataclass(frozen=True)
class Stage:
    """What one stage cost.

    Attributes:
        name: of the stage.
        seconds: on the clock.
        cpu_seconds: of all its threads; hardly moved by other work on the machine.
        peak_mib: most memory held.
        load: one-minute load average when it began; other people's work included.
        found: what else the stage said.
    """

    name: str
    seconds: float
    cpu_seconds: float
    peak_mib: float
    load: float
    found: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Run:
    """One size, measured.

    Attributes:
        observations, buildings: the size.
        stages: in order.
    """

    observations: int
    buildings: int
    stages: tuple[Stage, ...]

    def stage(self, name: str) -> Stage:
        """The stage of that name."""
        return next(stage for stage in self.stages if stage.name == name)

    @property
    def floor_seconds(self) -> float:
        """Mean of the two copies, seconds."""
        return (self.stage("floor").seconds + self.stage("floor again").seconds) / 2

    @property
    def floor_cpu_seconds(self) -> float:
        """Mean of the two copies, processor seconds."""
        return (self.stage("floor").cpu_seconds + self.stage("floor again").cpu_seconds) / 2

    @property
    def job(self) -> tuple[Stage, ...]:
        """The stages of the job itself: intake to ranking."""
        return tuple(self.stage(name) for name in ("intake", "build", "ranking"))

    @property
    def intake_ratio(self) -> float:
        """Intake over bare copy: the lower of clock and processor time.

        Either is spoiled by other work on the machine; neither is made too small by it.
        """
        intake = self.stage("intake")
        return min(intake.seconds / self.floor_seconds, intake.cpu_seconds / self.floor_cpu_seconds)

    @property
    def build_ratio(self) -> float:
        """Processor time of the build over that of the bare copy."""
        return self.stage("build").cpu_seconds / self.floor_cpu_seconds

    @property
    def peak_mib(self) -> float:
        """Most memory that any stage of the job held, MiB."""
        return max(stage.peak_mib for stage in self.job)

    def as_json(self) -> dict[str, Any]:
        """Every measure, for ``--json``."""
        return {
            "observations": self.observations,
            "buildings": self.buildings,
            "intake_over_floor": self.intake_ratio,
            "build_over_floor": self.build_ratio,
            "peak_mib": self.peak_mib,
            "stages": [asdict(stage) for stage in self.stages],
        }


def measure(
    observations: int,
    buildings: int,
    folder: Path | None = None,
    tell: Callable[[str], None] | None = None,
) -> Run:
    """Measure one size, in a folder that is removed afterwards.

    Args:
        observations, buildings: the size.
        folder: where to make that folder; the system's place for temporary files by default.
        tell: called with the name of each stage as it begins.
    """
    place = Path(folder or tempfile.gettempdir())
    free = shutil.disk_usage(place).free
    if free < observations * BYTES_A_ROW:
        raise SystemExit(
            f"{place} has {free / 2**30:.1f} GiB free; "
            f"this run may need {observations * BYTES_A_ROW / 2**30:.1f} GiB. "
            "Name another folder with --folder."
        )
    with tempfile.TemporaryDirectory(prefix="coverplate-benchmark-", dir=place) as work:
        stages = []
        for name in ORDER:
            if tell is not None:
                tell(name)
            stages.append(_run(name, Path(work), observations, buildings))
    return Run(observations, buildings, tuple(stages))


def _run(name: str, folder: Path, observations: int, buildings: int) -> Stage:
    load = os.getloadavg()[0]
    stage = name.split()[0]
    done = subprocess.run(
        [
            *(sys.executable, "-m", "tests.benchmarks.stages", stage),
            *(str(folder), str(observations), str(buildings)),
        ],
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        text=True,
        check=False,
    )
    if done.returncode:
        raise SystemExit(f"stage {name} failed with exit code {done.returncode}")
    found = json.loads(done.stdout.splitlines()[-1])
    cost = {key: found.pop(key) for key in ("seconds", "cpu_seconds", "peak_mib")}
    return Stage(name, **cost, load=load, found=found)


def cost_growth(small: Run, large: Run) -> dict[str, float]:
    """Processor time for each row in the larger run over that in the smaller; 1 is exactly linear.

    By stage, for the steps of the build, and for the whole job. Learning looks at a limited number
    of buildings: its cost for each row falls, and the whole job's with it.
    """

    def per_row(run: Run) -> dict[str, float]:
        spent = {
            "bare copy": run.floor_cpu_seconds,
            "intake": run.stage("intake").cpu_seconds,
            "build": run.stage("build").cpu_seconds,
            **{
                f"build: {name}": step["cpu_seconds"]
                for name, step in run.stage("build").found["steps"].items()
            },
            "intake to ranking": sum(stage.cpu_seconds for stage in run.job),
        }
        return {name: seconds / run.observations for name, seconds in spent.items()}

    before, after = per_row(small), per_row(large)
    return {name: after[name] / before[name] for name in before}
