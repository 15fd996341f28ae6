"""``python -m tests.evidence.gate``: the gate's table, for whoever works on the model."""

from __future__ import annotations

import argparse
import sys

from tests.evidence.gate.trial import first_seed, run, summary, table
from tests.evidence.gate.verdicts import judge
from tests.evidence.gate.worlds import WORLDS


def main() -> None:
    """Run the worlds asked for; print the table as Markdown, and what does not hold."""
    parser = argparse.ArgumentParser(prog="python -m tests.evidence.gate", description=__doc__)
    parser.add_argument("--seeds", type=int, default=1, help="seeds per world")
    parser.add_argument("--seed", type=int, help="the first seed; a fresh one by default")
    parser.add_argument("--worlds", help="names with commas between; all by default")
    options = parser.parse_args()
    names = options.worlds.split(",") if options.worlds else list(WORLDS)
    unknown = sorted(set(names) - set(WORLDS))
    if unknown:
        parser.error(f"no such world: {', '.join(unknown)}; expected some of {', '.join(WORLDS)}")
    seed = first_seed() if options.seed is None else options.seed
    results = run(names, seed, options.seeds, lambda line: sys.stderr.write(line + "\n") and None)
    sys.stdout.write(
        f"First seed {seed}, {options.seeds} a world.\n\n{table(summary(results))}\n\n"
    )
    failed = [f"- {verdict}\n" for verdict in judge(results) if not verdict.holds]
    sys.stdout.write("".join(failed) or "Everything that must hold does.\n")


if __name__ == "__main__":
    main()
