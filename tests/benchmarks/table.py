"""Writes measures as Markdown tables."""

from __future__ import annotations

import os
import platform
from collections.abc import Sequence

import duckdb

from tests.benchmarks.measure import Run

_NAMES = {"generate": "make the exports", "floor": "bare copy", "floor again": "bare copy again"}


def markdown(run: Run) -> str:
    """One run as a table, with the steps of each stage below it, and a line of verdicts."""
    rows = []
    for stage in run.stages:
        rows.append(
            [
                _NAMES.get(stage.name, stage.name),
                f"{stage.seconds:.1f}",
                f"{stage.cpu_seconds:.1f}",
                f"{run.observations / stage.seconds:,.0f}",
                f"{stage.seconds / run.floor_seconds:.2f}",
                f"{stage.cpu_seconds / run.floor_cpu_seconds:.2f}",
                f"{stage.peak_mib:,.0f}",
                f"{stage.load:.1f}",
            ]
        )
        for step, spent in stage.found.get("steps", {}).items():
            rows.append(
                [f"· {step}", f"{spent['seconds']:.1f}", f"{spent['cpu_seconds']:.1f}", *[""] * 5]
            )
    seconds = sum(stage.seconds for stage in run.job)
    cpu = sum(stage.cpu_seconds for stage in run.job)
    rows.append(
        [
            "**intake to ranking**",
            f"**{seconds:.1f}**",
            f"**{cpu:.1f}**",
            f"**{run.observations / seconds:,.0f}**",
            *("", ""),
            f"**{run.peak_mib:,.0f}**",
            "",
        ]
    )
    head = [
        *("stage", "seconds", "processor s", "rows/s", "× copy"),
        *("× copy (processor)", "peak MiB", "load"),
    ]
    made = run.stage("generate").found
    return "\n".join(
        [
            f"{run.observations:,} observations, {run.buildings:,} buildings, "
            f"{made['csv_mib']:,.0f} MiB of CSV",
            "",
            *_table(head, rows),
        ]
    )


def growth(small: Run, large: Run, ratios: dict[str, float]) -> str:
    """How the cost of a row grows from one run to the other."""
    rows = [[name, f"{ratio:.2f}"] for name, ratio in ratios.items()]
    return "\n".join(
        [
            f"Processor time for each row at {large.observations:,} observations over that at "
            f"{small.observations:,} (1 is exactly linear)",
            "",
            *_table(["stage", "ratio"], rows),
        ]
    )


def machine() -> str:
    """What it ran on."""
    return (
        f"{os.cpu_count()} cores, {platform.system()} {platform.machine()}, "
        f"Python {platform.python_version()}, DuckDB {duckdb.__version__}"
    )


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    rule = ["---", *["---:"] * (len(head) - 1)]
    return ["| " + " | ".join(cells) + " |" for cells in (head, rule, *rows)]
