"""Compiles the sums ahead of their first use, so that the first build does not wait for them.

Compiled code is kept beside the modules (or in the user's cache folder), for this machine and
version. Where it is not there yet, a process of its own makes it while exports are read.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np

from pipeline.evidence import kernel
from pipeline.evidence.classes import NOT_REPAIRED, Classes, stakes, weigh_classes
from pipeline.evidence.learning import learn
from pipeline.evidence.likelihood import likelihoods_of
from pipeline.evidence.next_look import next_looks
from pipeline.evidence.posterior import Model, Portfolio, row_results, row_times, weigh_all
from pipeline.evidence.priors import group_weights
from pipeline.evidence.tree import Rows, grow
from pipeline.evidence.unsure_shares import multiples, unsure_classes
from pipeline.scoring.severity import severity_array
from shared.rule_book import load_rule_book
from shared.turns import take_turn
from shared.vocabulary import CONDITIONS

_started: list[subprocess.Popen[bytes]] = []


def compiled() -> bool:
    """Whether compiled code lies ready for the modules as they are."""
    folder = Path(str(kernel.weigh_block.stats.cache_path))
    for name in (
        "kernel.weigh_block",
        "classes._add_up",
        "fitting.marginal",
        "fitting.shifted_marginals",
        "posterior.tell_rows",
        "unsure_shares._add_up",
        "next_look.spread_left",
    ):
        source = Path(__file__).with_name(name.partition(".")[0] + ".py")
        made = folder.glob(f"{name}-*.nbi")
        if not any(index.stat().st_mtime >= source.stat().st_mtime for index in made):
            return False
    return True


def begin() -> None:
    """Start compiling in a process of its own, if that is still to be done."""
    if not _started and not compiled():
        _started.append(
            subprocess.Popen(
                [sys.executable, "-P", "-W", "ignore", "-m", "pipeline.evidence.warm"],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
        )


def ready() -> None:
    """Wait for what ``begin`` started; should it have failed, compilation happens on first use."""
    while _started:
        _started.pop().wait()


def main() -> None:
    """Compile everything, unless another process has done so by the time that it is our turn."""
    folder = Path(str(kernel.weigh_block.stats.cache_path))
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / ".compiling").open("a") as turn:
        # one at a time: every command begins one while nothing is compiled yet
        take_turn(turn, alone=True, wait=True)
        if compiled():
            return
        _compile()


def _compile() -> None:
    """Weigh a portfolio of two small buildings, which compiles everything."""
    rule_book = load_rule_book()
    classes = Classes(
        condition_weights=np.ones((2, len(CONDITIONS))),
        slots=np.array([1, -1]),
        selection=np.zeros(2, dtype=np.int64),
        gfci_weights=np.ones((2, 2)),
        wet=np.zeros(2),
        location=np.ones(2),
        looked=np.array([True, False]),
        repaired=np.full(2, NOT_REPAIRED),
        repaired_slots=np.full(2, -1),
        repaired_protection=np.zeros(2),
    )
    rows = Rows(
        building=np.array([0, 1]),
        dwelling=np.ones(2, dtype=np.uint64),
        circuit=np.ones(2, dtype=np.uint64),
        evidence=np.zeros(2, dtype=np.int64),
        count=np.ones(2, dtype=np.int64),
    )
    one_each = np.ones(2, dtype=np.int64)
    tree, _ = grow(rows, 2, one_each, one_each, classes.flat, 5)
    portfolio = Portfolio(
        tree=tree,
        group_weights=group_weights(rule_book, np.full(2, 1950.0), np.full(2, np.nan)),
        shift=np.zeros((2, 5)),
        poor=np.zeros(2) + 0.01,
        picked=np.zeros((2, 5)),
        seed=np.arange(2, dtype=np.uint64),
        classes=classes,
    )
    at_stake = stakes(rule_book, severity_array(rule_book))
    learned = learn(rule_book, portfolio, at_stake, {"owner": np.arange(2)}, seed=1)
    weighed = weigh_classes(rule_book, classes, at_stake, learned.taught)
    model = Model(learned.priors, learned.taught, weighed, 8, 0.9, 1)
    unsure = unsure_classes(rule_book, classes, at_stake, learned.taught, learned.share_draws)
    for part in weigh_all(portfolio, model):
        multiples(unsure, portfolio, part, row_times(portfolio, part).astype(np.float64))
        found = row_results(portfolio, model, part)
        next_looks(
            likelihoods_of(rule_book), found.condition, found.danger, found.protected, found.danger
        )


if __name__ == "__main__":
    main()
