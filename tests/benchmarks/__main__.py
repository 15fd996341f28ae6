"""``python -m tests.benchmarks``: measures intake to ranking beside a bare copy of the same CSV."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from tests.benchmarks.measure import Run, cost_growth, measure
from tests.benchmarks.table import growth, machine, markdown

SHORT, SHORT_STEP = (480_000, 12_000), 2
"""Size of --short, and how many times smaller the size is that it is compared with."""

LINEAR_STEP = 10
"""The same for --linear."""

# Loose on purpose: they are met on a busy machine, and missed by a loop over rows in Python, by a
# table held in memory, or by a cost that grows with the square of the size.
MOST_INTAKE, MOST_BUILD, MOST_MIB, MOST_GROWTH = 4.0, 250.0, 2_048, 1.6


def main() -> int:
    """Measure, print, and with --short judge."""
    options = _options()
    sizes = [SHORT if options.short else (options.observations, options.buildings)]
    if options.short or options.linear:
        step = SHORT_STEP if options.short else LINEAR_STEP
        sizes.insert(0, (sizes[0][0] // step, sizes[0][1] // step))
    _say(machine() + "\n")
    runs: list[Run] = []
    for size in sizes:
        runs.append(
            measure(*size, options.folder, lambda stage: sys.stderr.write(f"{stage} …\n") and None)
        )
        _say(markdown(runs[-1]) + "\n")
    found: dict[str, object] = {
        "machine": machine(),
        "runs": [run.as_json() for run in runs],
    }
    ratios: dict[str, float] = {}
    if len(runs) > 1:
        ratios = cost_growth(runs[0], runs[-1])
        found["growth"] = ratios
        _say(growth(runs[0], runs[-1], ratios) + "\n")
    if options.json:
        options.json.write_text(json.dumps(found, indent=2) + "\n", encoding="utf-8")
    return _judge(runs[-1], ratios) if options.short else 0


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("--observations", type=int, default=1_000_000)
    parser.add_argument("--buildings", type=int, default=20_000)
    parser.add_argument(
        "--linear",
        action="store_true",
        help=f"measure 1/{LINEAR_STEP} of the size first, and say how the cost of a row grows",
    )
    parser.add_argument(
        "--short",
        action="store_true",
        help=f"{SHORT[0]:,} observations over {SHORT[1]:,} buildings, and half of that; "
        "fails where something costs far too much",
    )
    parser.add_argument("--folder", type=Path, help="where to put the files, removed at the end")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write every measure there")
    return parser.parse_args()


def _judge(run: Run, ratios: dict[str, float]) -> int:
    bounds = [
        ("intake over bare copy", run.intake_ratio, MOST_INTAKE),
        ("build over bare copy, processor time", run.build_ratio, MOST_BUILD),
        ("peak MiB", run.peak_mib, MOST_MIB),
        ("growth of the cost of a row, worst step", max(ratios.values()), MOST_GROWTH),
    ]
    for name, value, most in bounds:
        verdict = "within" if value <= most else "TOO MUCH, more than"
        _say(f"{name}: {value:,.2f}, {verdict} {most:,}")
    return int(any(value > most for _, value, most in bounds))


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
