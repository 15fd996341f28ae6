"""Small random trees and classes, for tests of the compiled sums."""

from __future__ import annotations

import numpy as np

from pipeline.evidence import kernel
from pipeline.evidence.classes import NOT_REPAIRED, UNKNOWN_SLOTS, Classes, Weighed
from pipeline.evidence.picking import Odds
from pipeline.evidence.posterior import Model, Portfolio
from pipeline.evidence.priors import Priors
from pipeline.evidence.states import STATE_COUNT, Taught
from shared.vocabulary import CONDITIONS
from tests.evidence.exact import Numbers

CLASSES = 5
FLAT = CLASSES - 1


def random_tree(rng: np.random.Generator, buildings: int = 1) -> kernel.Tree:
    """One to three dwellings a building, up to three circuits each: some told once for several."""
    dwelling_start, circuit_start, row_start = [0], [0], [0]
    dwelling_times, circuit_times, row_class, row_count = [], [], [], []
    circuit_flat, dwelling_flat = [], []
    for _ in range(buildings):
        for _ in range(rng.integers(1, 4)):
            times = [int(n) for n in rng.permutation([1, 2])][: rng.integers(1, 3)]
            empty_dwelling = rng.random() < 0.2
            home_flat = True
            for number in times:
                empty = empty_dwelling or rng.random() < 0.25
                kinds = [FLAT] if empty else rng.choice(CLASSES, rng.integers(1, 4), replace=False)
                for kind in kinds:
                    row_class.append(int(kind))
                    row_count.append(int(rng.integers(1, 4)))
                row_start.append(len(row_class))
                circuit_times.append(number)
                circuit_flat.append(all(kind == FLAT for kind in kinds))
                home_flat &= circuit_flat[-1]
            circuit_start.append(len(circuit_times))
            dwelling_times.append(int(rng.integers(1, 3)))
            dwelling_flat.append(home_flat)
        dwelling_start.append(len(dwelling_times))

    def ints(values):
        return np.array(values, dtype=np.int64)

    return kernel.Tree(
        ints(dwelling_start),
        ints(dwelling_times),
        ints(circuit_start),
        ints(circuit_times),
        ints(row_start),
        ints(row_class),
        ints(row_count),
        np.array(circuit_flat),
        np.array(dwelling_flat),
    )


def random_numbers(rng: np.random.Generator) -> Numbers:
    """Shares and classes at random; the last class says nothing."""
    shape = (CLASSES, STATE_COUNT, 3)
    # Some evidence nearly rules states out: likelihoods run over several powers of ten.
    table = 10.0 ** rng.uniform(-5, 0, shape)
    table[FLAT] = 1.0
    shares, face = rng.uniform(0.05, 0.95, 7), rng.uniform(0, 1, shape)
    return Numbers(
        *(float(share) for share in shares),
        table=table,
        safe=table * rng.uniform(0, 1, shape),
        dead=table * rng.uniform(0.3, 1, shape),
        harm=rng.uniform(0, 2, shape),
        face=face,
        face_safe=face * rng.uniform(0, 1, shape),
    )


def shares_of(numbers: Numbers) -> kernel.Shares:
    return kernel.Shares(
        numbers.circuit_follows,
        numbers.origin_follows,
        numbers.opening_follows,
        numbers.opening_own,
        numbers.careful,
        numbers.head,
        numbers.live,
    )


def evidence_of(numbers: Numbers) -> kernel.Evidence:
    return kernel.Evidence(
        numbers.table,
        numbers.safe,
        numbers.dead,
        numbers.harm,
        numbers.face,
        numbers.face_safe,
        np.full(len(numbers.table), kernel.NOT_PICKED),
    )


def nothing_picked(buildings: int = 1) -> kernel.Picking:
    """No opening of any building was picked for a reason."""
    return kernel.Picking(
        np.zeros(buildings, dtype=np.bool_),
        np.ones((buildings, 1, STATE_COUNT, 3)),
        np.ones((buildings, 1, STATE_COUNT, 3)),
        np.ones((buildings, STATE_COUNT, 3)),
    )


def empty_found(rows: int, buildings: int, draws: int) -> kernel.Found:
    return kernel.Found(
        np.zeros((rows, STATE_COUNT, 3)),
        np.zeros((rows, 3)),
        np.zeros(buildings),
        np.zeros(buildings),
        np.zeros((buildings, 5)),
        np.zeros(buildings),
        np.zeros(buildings),
        np.zeros((buildings, draws)),
        np.zeros((buildings, draws)),
        np.zeros((buildings, kernel.TAUGHT)),
        np.zeros((buildings, draws)),
        np.zeros((buildings, draws)),
    )


def plain_classes(size: int) -> Classes:
    """Classes that only number the evidence: their tables are given elsewhere."""
    return Classes(
        condition_weights=np.ones((size, len(CONDITIONS))),
        slots=np.full(size, UNKNOWN_SLOTS),
        selection=np.zeros(size, dtype=np.int64),
        gfci_weights=np.ones((size, 2)),
        wet=np.full(size, 0.3),
        location=np.ones(size),
        looked=np.arange(size) < size - 1,
        repaired=np.full(size, NOT_REPAIRED),
        repaired_slots=np.full(size, UNKNOWN_SLOTS),
        repaired_protection=np.zeros(size),
    )


def portfolio_of(
    tree: kernel.Tree, groups: int = 1, classes: int = CLASSES, poor: float = 0.05
) -> Portfolio:
    """A portfolio of these trees, in the first group, nothing picked for a reason."""
    buildings = len(tree.dwelling_start) - 1
    return Portfolio(
        tree=tree,
        group_weights=np.tile(np.eye(groups)[0], (buildings, 1)),
        shift=np.zeros((buildings, 5)),
        poor=np.full(buildings, poor),
        picked=np.zeros((buildings, 5)),
        seed=np.random.default_rng(17).integers(0, 2**63, buildings).astype(np.uint64),
        classes=plain_classes(classes),
    )


def model_of(priors: Priors, numbers: Numbers, draws: int = 400) -> Model:
    """A model with these shares and tables."""
    ways = len(numbers.table), 3 * STATE_COUNT
    return Model(
        priors,
        Taught(
            numbers.circuit_follows,
            numbers.origin_follows,
            numbers.opening_follows,
            numbers.opening_own,
            numbers.careful,
            numbers.head,
            numbers.live,
            np.full((STATE_COUNT, 2), 0.1),
        ),
        Weighed(
            evidence_of(numbers),
            np.full((*ways, len(CONDITIONS)), 1 / len(CONDITIONS), dtype=np.float32),
            np.full((*ways, 3), 1 / 3, dtype=np.float32),
            np.full(ways, 0.1),
            Odds(np.zeros(0, dtype=np.int64), np.zeros((0, 0)), np.zeros((0, STATE_COUNT, 3, 0))),
            np.ones((4, STATE_COUNT, 3)),
            np.ones((4, STATE_COUNT, 3)),
        ),
        draws,
        0.9,
        4,
    )


def priors_of(means: list[float], strengths: list[float]) -> Priors:
    """One group with these means and strengths of the five rates."""
    mean, strength = np.array(means), np.array(strengths)
    return Priors((mean * strength)[None, None], ((1 - mean) * strength)[None, None], np.ones(1))
