"""``python -m tests.benchmarks.targeting``: dangerous openings found against crew hours."""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import pandas as pd

from tests.benchmarks.targeting import orders
from tests.benchmarks.targeting.attainable import by_exact_posterior
from tests.evidence.gate.generate import generate
from tests.evidence.gate.worlds import WORLDS

TOLD = (1, 2, 5, 10)
"""Days after which the share found is printed."""
PLAN, KNOWING = "this plan, day by day", "knows the truth"
ATTAINABLE = "knows the world's rules, look by look"


def found_by(curve: orders.Curve, minutes: float) -> int:
    """How many were found by then."""
    return max((found for spent, found in curve if spent <= minutes + 1e-6), default=0)


def area(curve: orders.Curve, minutes: float) -> float:
    """Openings found so far, added up over all minutes."""
    ends = [spent for spent, _ in curve[1:]] + [minutes]
    return sum(
        found * (min(end, minutes) - min(spent, minutes))
        for (spent, found), end in zip(curve, ends, strict=True)
    )


def run(name: str, seed: int, days: int) -> pd.DataFrame:
    """One row an order: shares found after some days, and the area against the knowing order."""
    portfolio, minutes = generate(WORLDS[name], seed), days * 60 * orders.HOURS
    curves: dict[str, orders.Curve] = {}

    def fresh() -> orders.Field:
        return orders.Field(portfolio, seed)

    with tempfile.TemporaryDirectory() as folder:
        curves[PLAN] = orders.by_plan(
            fresh(), Path(folder), days, lambda line: sys.stderr.write(f"{name}, {line}\n") and None
        )
    for order, buildings in orders.simple_orders(portfolio, seed).items():
        curves[order] = orders.by_buildings(fresh(), buildings, minutes, lambda _: True)
    curves[ATTAINABLE] = by_exact_posterior(fresh(), minutes)
    field = fresh()
    bad = set(field.truth.index[field.truth["dangerous"]])
    curves[KNOWING] = orders.by_buildings(
        field, orders.knowing_order(field), minutes, bad.__contains__
    )
    best = area(curves[KNOWING], minutes)
    return pd.DataFrame(
        [
            {
                "world": name, "seed": seed, "order": order,
                **{
                    f"day {day}": found_by(curve, day * 60 * orders.HOURS) / fresh().to_find
                    for day in TOLD if day <= days
                },
                "area": area(curve, minutes) / best,
            }
            for order, curve in curves.items()
        ]
    )  # fmt: skip


def table(results: pd.DataFrame) -> str:
    """Means over seeds as Markdown."""
    means = results.drop(columns="seed").groupby(["world", "order"], sort=False).mean()
    heads = ["world", "order", *means.columns]
    lines = ["| " + " | ".join(heads) + " |", "| --- | --- |" + " ---: |" * len(means.columns)]
    for place, row in means.iterrows():
        lines.append("| " + " | ".join([*place, *(f"{100 * cell:.0f} %" for cell in row)]) + " |")
    return "\n".join(lines)


def main() -> None:
    """Run the worlds asked for and print the table."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.targeting", description=__doc__
    )
    parser.add_argument("--worlds", default=",".join(WORLDS), help="names with commas between")
    parser.add_argument("--seed", type=int, default=1, help="the first seed")
    parser.add_argument("--seeds", type=int, default=1, help="seeds a world")
    parser.add_argument("--days", type=int, default=10, help="days of one crew")
    options = parser.parse_args()
    parts = [
        run(name, seed, options.days)
        for name in options.worlds.split(",")
        for seed in range(options.seed, options.seed + options.seeds)
    ]
    sys.stdout.write(
        "Share of dangerous openings not known of before that are found; one crew, "
        f"{orders.HOURS:g} hours a day; area: all days, against the order that knows the truth.\n\n"
        + table(pd.concat(parts)) + "\n"
    )  # fmt: skip


if __name__ == "__main__":
    main()
