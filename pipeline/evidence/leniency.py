"""How lenient each reader is: the share of looks written "correct" whatever is shown.

Readers are compared only where two or more of them looked by the same method in the same building:
there the openings are alike, and a reader who finds fewer faults than the others may be letting
them pass. Leniency discounts passes and nothing else: a fault that is reported counts in full. It
is averaged over, never a verdict on a person; with little to compare it stays at the rule book's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from pipeline.evidence.look_code import reader_label
from shared.rule_book import RuleBook

Ints = npt.NDArray[np.int64]

_GRID = np.array([0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9])


def _log_prior(rule_book: RuleBook) -> npt.NDArray[np.float64]:
    lenient = float(rule_book.evidence.lenient_share)
    rest = len(_GRID) - 1
    result: npt.NDArray[np.float64] = np.log(np.array([1 - lenient] + [lenient / rest] * rest))
    return result


def _high(belief: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """95th percentile of each reader's leniency."""
    result: npt.NDArray[np.float64] = _GRID[(np.cumsum(belief, axis=1) >= 0.95).argmax(axis=1)]
    return result


def _nobody() -> pd.DataFrame:
    columns = ("inspector", "looks", "compared", "passes", "leniency", "leniency_high", "reader")
    return pd.DataFrame({name: pd.Series(dtype=object) for name in columns})


@dataclass(frozen=True)
class _Compared:
    """Looks of each reader in each cell: building and method.

    Attributes:
        who: readers' names, in order, shape (n,).
        inspector, cell: number of each row's reader and cell, shape (rows,).
        looks, faults: of each row, shape (rows,).
        others, other_faults: of everybody else in its cell, shape (rows,).
    """

    who: npt.NDArray[np.object_]
    inspector: Ints
    cell: Ints
    looks: npt.NDArray[np.float64]
    faults: npt.NDArray[np.float64]
    others: npt.NDArray[np.float64]
    other_faults: npt.NDArray[np.float64]


def _compared(counts: pd.DataFrame) -> _Compared:
    inspector, who = pd.factorize(counts["inspector"].to_numpy(dtype=object), sort=True)
    method, methods = pd.factorize(counts["method"].to_numpy(dtype=object))
    place = counts["building_no"].to_numpy(dtype=np.int64) * max(1, len(methods)) + method
    cell, cells = pd.factorize(place)
    looks = counts["looks"].to_numpy(dtype=np.float64)
    faults = looks - counts["passes"].to_numpy(dtype=np.float64)
    # Whole numbers: their sums are the same in any order.
    all_looks = np.bincount(cell, looks, len(cells))
    all_faults = np.bincount(cell, faults, len(cells))
    return _Compared(
        np.asarray(who, dtype=np.object_),
        inspector.astype(np.int64),
        cell.astype(np.int64),
        looks,
        faults,
        all_looks[cell] - looks,
        all_faults[cell] - faults,
    )


def _judged(
    told: _Compared, leniency: npt.NDArray[np.float64], high: npt.NDArray[np.float64]
) -> pd.DataFrame:
    looks, compared, passes = (
        np.bincount(told.inspector, values, len(told.who)).astype(np.int64)
        for values in (
            told.looks,
            np.where(told.others > 0, told.looks, 0.0),
            told.looks - told.faults,
        )
    )
    return pd.DataFrame(
        {
            "inspector": told.who,
            "looks": looks,
            "compared": compared,
            "passes": passes,
            "leniency": leniency,
            "leniency_high": high,
            "reader": [reader_label(share) for share in leniency.tolist()],
        }
    )


def as_recorded(
    rule_book: RuleBook, counts: pd.DataFrame, recorded: Mapping[str, tuple[float, float]]
) -> pd.DataFrame:
    """Readers counted anew, their leniency as it was learned earlier.

    Args:
        rule_book: the rule book.
        counts: as for ``judge_leniency``.
        recorded: leniency and its 95th percentile by inspector; who is not in it counts as never
            compared with anybody.

    Returns:
        Columns as from ``judge_leniency``.
    """
    if counts.empty:
        return _nobody()
    told = _compared(counts)
    belief = np.exp(_log_prior(rule_book))[None, :]
    unknown = float((belief @ _GRID)[0]), float(_high(belief)[0])
    found = np.array([recorded.get(str(name), unknown) for name in told.who.tolist()])
    return _judged(told, found[:, 0], found[:, 1])


def judge_leniency(rule_book: RuleBook, counts: pd.DataFrame) -> pd.DataFrame:
    """Judge every reader.

    Args:
        rule_book: the rule book: prior and how alike openings within a building are.
        counts: columns inspector, building_no, method, looks, passes; looks that are looks.

    Returns:
        Columns inspector, looks, compared (looks where others looked too), passes, leniency
        (posterior mean), leniency_high (95th percentile), reader (its label in look codes).
    """
    evidence = rule_book.evidence
    usual, pull = float(evidence.usual_faults), float(evidence.usual_faults_looks)
    log_prior = _log_prior(rule_book)
    if counts.empty:
        return _nobody()
    told = _compared(counts)
    who, inspector, cell, shared = told.who, told.inspector, told.cell, told.others > 0
    looks, faults, other_faults = told.looks, told.faults, told.other_faults
    leniency = np.zeros(len(who))
    score = np.zeros((len(who), len(_GRID)))
    # Twice: the others' own leniency is taken out of what they found the second time.
    for _ in range(2):
        strict = np.zeros(cell.max() + 1)
        np.add.at(strict, cell, looks * (1 - leniency[inspector]))
        effective = np.maximum(strict[cell] - looks * (1 - leniency[inspector]), 1e-9)
        # Others' fault rate with a weak pull to what is usual: few looks say little.
        rate = ((other_faults + pull * usual) / (effective + pull)).clip(0.005, 0.98)
        # How sure that rate is bounds how much a reader's looks in the cell can count.
        alike = float(evidence.alike_within_building)
        weight = 1 / (1 + (looks - 1) * alike) * effective / (effective + looks)
        score[:] = log_prior
        for index, share in enumerate(_GRID):
            fault = (rate * (1 - share)).clip(1e-6)
            gain = faults * np.log(fault / rate) + (looks - faults) * np.log(
                (1 - fault) / (1 - rate)
            )
            np.add.at(score[:, index], inspector[shared], (gain * weight)[shared])
        belief = np.exp(score - score.max(axis=1, keepdims=True))
        belief /= belief.sum(axis=1, keepdims=True)
        leniency = belief @ _GRID
    return _judged(told, leniency, _high(belief))
