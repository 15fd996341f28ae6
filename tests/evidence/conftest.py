"""Small portfolios in arrays, for tests of the posterior."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pytest

from pipeline.evidence.kinds import Kinds, build_kinds
from pipeline.evidence.model import Model, build_model
from pipeline.evidence.portfolio import SELECTIONS, UNKNOWN_SLOTS, Portfolio, Signatures
from pipeline.evidence.priors import Priors, default_priors
from pipeline.scoring.severity import severity_array
from shared.rule_book import RuleBook, load_rule_book
from shared.vocabulary import CONDITIONS, Selection


@dataclass(frozen=True)
class Opening:
    """One opening: what its looks weigh (None if nobody looked), slots, protection, selection."""

    weights: Sequence[float] | None = None
    slots: int = UNKNOWN_SLOTS
    protection: float = 0.1
    repaired: int = -1
    selection: Selection = Selection.RANDOM


@pytest.fixture(scope="session")
def rule_book() -> RuleBook:
    return load_rule_book()


@pytest.fixture(scope="session")
def kinds(rule_book: RuleBook) -> Kinds:
    return build_kinds(rule_book)


@pytest.fixture(scope="session")
def priors(rule_book: RuleBook) -> Priors:
    return default_priors(rule_book)


@pytest.fixture(scope="session")
def model(rule_book: RuleBook, priors: Priors) -> Model:
    return build_model(rule_book, priors, severity_array(rule_book))


@pytest.fixture(scope="session")
def portfolio_of() -> Callable[..., Portfolio]:
    def make(
        buildings: Sequence[Sequence[tuple[Opening, int]]],
        eras: np.ndarray,
        shift: np.ndarray | None = None,
    ) -> Portfolio:
        listed = [row for building in buildings for row in building]
        opening = [o for o, _ in listed]
        return Portfolio(
            era_weights=np.asarray(eras, dtype=float),
            shift=np.zeros((len(buildings), 5)) if shift is None else shift,
            row_start=np.concatenate([[0], np.cumsum([len(b) for b in buildings])]),
            row_signature=np.arange(len(listed)),
            row_count=np.array([count for _, count in listed], dtype=float),
            signatures=Signatures(
                condition_weights=np.array(
                    [
                        np.ones(len(CONDITIONS)) if o.weights is None else np.asarray(o.weights)
                        for o in opening
                    ]
                ).reshape(-1, len(CONDITIONS)),
                slots=np.array([o.slots for o in opening], dtype=np.int64),
                selection=np.array([SELECTIONS.index(o.selection) for o in opening]),
                protection=np.array([o.protection for o in opening]),
                location=np.ones(len(opening)),
                looked=np.array([o.weights is not None for o in opening]),
                repaired=np.array([o.repaired for o in opening]),
                repaired_slots=np.full(len(opening), 1),
                repaired_protection=np.zeros(len(opening)),
            ),
            seed=np.arange(len(buildings), dtype=np.uint64),
        )

    return make
