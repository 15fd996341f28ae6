"""What every block of buildings is computed with, beside the buildings themselves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.evidence.kinds import RATES, SLOTS, Array, Kinds, build_kinds
from pipeline.evidence.portfolio import selection_weights
from pipeline.evidence.priors import Priors, mean_kinds
from shared.rule_book import RuleBook
from shared.vocabulary import CONDITIONS, danger


@dataclass(frozen=True)
class Model:
    """Everything that a block needs beside its buildings; build one with ``build_model``.

    Attributes:
        kinds: the kinds of opening.
        priors: priors by era, as learned.
        selection: odds of being picked, shape (5, K).
        typical_kinds: probability of each kind where nothing is known, shape (K,).
        harm_unprotected, harm_protected: harm of each kind per person and year, shape (K,).
        severity: harm per person, opening and year, shape (3 slots, C conditions, 2 protected).
        danger: probability of being dangerous, same shape.
        repair_doubt: chance that a proven repair is not what it was proven to be.
        interval: probability held by intervals.
        draws: draws of harm per building.
        seed: seed of all points and draws.
    """

    kinds: Kinds
    priors: Priors
    selection: Array
    typical_kinds: Array
    harm_unprotected: Array
    harm_protected: Array
    severity: Array
    danger: Array
    repair_doubt: float
    interval: float
    draws: int
    seed: int


def build_model(rule_book: RuleBook, priors: Priors, severity: Array) -> Model:
    """Assemble a model.

    Args:
        rule_book: the rule book.
        priors: priors by era.
        severity: harm per person, opening and year, shape (3 slots, C conditions, 2 protected).
        danger: probability of being dangerous, same shape.
    """
    kinds = build_kinds(rule_book)
    return Model(
        kinds=kinds,
        priors=priors,
        selection=selection_weights(rule_book, kinds),
        typical_kinds=priors.shares @ mean_kinds(kinds, priors, np.zeros((1, len(RATES))))[0],
        harm_unprotected=severity[kinds.slots, kinds.conditions, 0],
        harm_protected=severity[kinds.slots, kinds.conditions, 1],
        severity=severity,
        danger=np.array(
            [[[danger(c, s, guard) for guard in (0.0, 1.0)] for c in CONDITIONS] for s in SLOTS]
        ),
        repair_doubt=float(rule_book.evidence.repair_doubt),
        interval=float(rule_book.scoring.interval),
        draws=int(float(rule_book.scoring.draws)),
        seed=int(float(rule_book.scoring.seed)),
    )
