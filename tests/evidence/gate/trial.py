"""All contenders on all worlds over several seeds, and the table that says how they did."""

from __future__ import annotations

import os
import secrets
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from tests.evidence.gate import beta_binomial, coverplate_run, exact
from tests.evidence.gate.answers import Answers
from tests.evidence.gate.generate import Portfolio, generate
from tests.evidence.gate.measures import measure, ratio
from tests.evidence.gate.worlds import WORLDS

COVERPLATE, BETA_BINOMIAL, EXACT = "Coverplate", "beta-binomial", "exact"
SEED_VARIABLE = "COVERPLATE_GATE_SEED"

Say = Callable[[str], None]


def first_seed() -> int:
    """A fresh seed, or the one in the environment variable ``COVERPLATE_GATE_SEED``."""
    given = os.environ.get(SEED_VARIABLE)
    return int(given) if given else secrets.randbelow(1_000_000)


def _coverplate(portfolio: Portfolio) -> Answers:
    with tempfile.TemporaryDirectory() as folder:
        return coverplate_run.answers(portfolio, Path(folder))


CONTENDERS: dict[str, Callable[[Portfolio], Answers]] = {
    COVERPLATE: _coverplate,
    BETA_BINOMIAL: beta_binomial.answers,
    EXACT: exact.answers,
}


def run(names: Sequence[str], seed: int, seeds: int, say: Say) -> pd.DataFrame:
    """Run every contender on every world.

    Returns:
        One row a world, seed and contender: world, seed, contender, and every measure.
    """
    rows = []
    for name in names:
        for number in range(seed, seed + seeds):
            portfolio = generate(WORLDS[name], number)
            for contender, answer in CONTENDERS.items():
                begun = time.monotonic()
                found = measure(portfolio, answer(portfolio))
                say(f"{name}, seed {number}, {contender}: {time.monotonic() - begun:.1f} s")
                rows.append({"world": name, "seed": number, "contender": contender, **found})
    return pd.DataFrame(rows)


def summary(results: pd.DataFrame) -> pd.DataFrame:
    """Means over the seeds, indexed by world and contender, in the order they were run.

    Expected ÷ true and the area under the curve are ratios of sums over the seeds; ``width`` is
    also given relative to the exact posterior's (``width_ratio``).
    """
    grouped = results.groupby(["world", "contender"], sort=False)
    means = grouped.mean(numeric_only=True).drop(columns="seed")
    for part in ("visited", "unvisited", "live"):
        means[f"ratio_{part}"] = [
            ratio(float(e), float(t))
            for e, t in zip(means[f"expected_{part}"], means[f"true_{part}"], strict=True)
        ]
    means["ratio"] = (means["expected_visited"] + means["expected_unvisited"]) / (
        means["true_visited"] + means["true_unvisited"]
    )
    means["auc_passed"] = means["pairs_right"] / means["pairs"]
    best = means["width"].xs(EXACT, level="contender")
    worlds = means.index.get_level_values("world")
    means["width_ratio"] = means["width"].to_numpy() / best.loc[worlds].to_numpy()
    return means


_COLUMNS = {
    "gain": "gain",
    "gain_by_rank": "gain by rank",
    "gain_at_random": "at random",
    "cover": "cover 90 %",
    "width_ratio": "width ÷ exact",
    "crps": "CRPS",
    "log_score": "log score",
    "log_score_passed": "log score, passed",
    "auc_passed": "AUC within, passed",
    "ratio": "expected ÷ true",
    "ratio_visited": "visited",
    "ratio_unvisited": "unvisited",
    "ratio_live": "live metal",
}


def table(means: pd.DataFrame) -> str:
    """A summary as Markdown."""
    lines = [
        "| world | contender | " + " | ".join(_COLUMNS.values()) + " |",
        "|---|---|" + "---:|" * len(_COLUMNS),
    ]
    for (world, contender), row in means.iterrows():  # type: ignore[misc]
        cells = ["" if np.isnan(row[name]) else f"{row[name]:.3f}" for name in _COLUMNS]
        lines.append(f"| {world} | {contender} | " + " | ".join(cells) + " |")
    return "\n".join(lines)
