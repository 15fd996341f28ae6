"""Portfolios simulated from the model's own story, with known truth, straight into arrays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.evidence.kinds import RATES, SLOTS, build_kinds, rate_features
from pipeline.evidence.likelihood import RESULTS, Likelihoods
from pipeline.evidence.portfolio import (
    NOT_REPAIRED,
    SELECTIONS,
    UNKNOWN_SLOTS,
    Portfolio,
    Signatures,
    selection_weights,
)
from pipeline.evidence.priors import Priors
from shared.rule_book import RuleBook
from shared.vocabulary import CONDITIONS, NO_LOOK_RESULTS, Method, Selection


@dataclass(frozen=True)
class Simulated:
    """A portfolio and its truth: dangerous openings a building, and by row how many are."""

    portfolio: Portfolio
    dangerous: np.ndarray
    row_dangerous: np.ndarray
    condition: np.ndarray
    crew: np.ndarray


def simulate(
    rule_book: RuleBook,
    truth: Priors,
    buildings: int,
    seed: int,
    *,
    looks: tuple[float, float, float] = (0.35, 0.08, 0.07),
    selection: Selection = Selection.RANDOM,
    crew_effect: float = 0.0,
    crews: int = 20,
) -> Simulated:
    """Simulate buildings whose rates come from ``truth``.

    Args:
        rule_book: likelihoods, selection odds and protection come from here.
        truth: the true hyperparameters.
        buildings: how many.
        seed: seed.
        looks: chance of a look by lamp tester, voltmeter under load and open box, per opening.
        selection: how openings are picked; anything but random prefers some kinds.
        crew_effect: log odds on false grounds of the first of the crews.
        crews: number of crews, spread over the buildings at random.
    """
    rng = np.random.default_rng(seed)
    kinds = build_kinds(rule_book)
    likelihoods = Likelihoods(rule_book)
    eras = len(truth.shares)
    era = rng.choice(eras, size=buildings, p=truth.shares)
    crew = rng.integers(0, crews, size=buildings)
    rate = rng.beta(truth.a[era], truth.b[era]).clip(1e-12, 1 - 1e-12)
    log_odds = np.log(rate) - np.log1p(-rate)
    log_odds[:, RATES.index("false_ground")] += crew_effect * (crew == 0)
    kind_p = np.exp(kinds.log_probability(rate_features(log_odds)))
    sizes = rng.integers(12, 60, size=buildings)
    building = np.repeat(np.arange(buildings), sizes)
    cumulative = np.cumsum(kind_p, axis=1)[building]
    kind = (rng.random(len(building))[:, None] * cumulative[:, -1:] > cumulative).sum(axis=1)
    condition, slots = kinds.conditions[kind], kinds.slots[kind]
    gfci_share = 0.15
    protected = rng.random(len(building)) < gfci_share
    dangerous = np.where(
        protected, kinds.danger_protected[kind], kinds.danger_unprotected[kind]
    ).astype(bool)

    # The declared odds are odds: an opening is picked with chance c W / (1 + c W).
    odds = selection_weights(rule_book, kinds)[SELECTIONS.index(selection)][kind]
    odds = odds / odds.mean() * sum(looks) / (1 - sum(looks))
    methods = (Method.THREE_LAMP_TESTER, Method.VOLTMETER_UNDER_LOAD, Method.COVER_OFF_INSPECTION)
    words = [index for index, result in enumerate(RESULTS) if result not in NO_LOOK_RESULTS]
    log_weight = np.zeros((len(building), len(CONDITIONS)))
    code = np.zeros(len(building), dtype=np.int64)
    # An opening is picked once, with one chance; what is done there varies.
    picked = rng.random(len(building)) < odds / (1 + odds)
    which = rng.choice(len(methods), size=len(building), p=np.array(looks) / sum(looks))
    for index, method in enumerate(methods):
        table = likelihoods.result(method)[:, words]
        table = table / table.sum(axis=1, keepdims=True)
        seen = np.flatnonzero(picked & (which == index))
        steps = np.cumsum(table[condition[seen]], axis=1)
        result = (rng.random(len(seen))[:, None] > steps).sum(axis=1).clip(max=len(words) - 1)
        log_weight[seen] += np.log(table[:, result].T)
        code[seen] = 1 + index * len(words) + result
    # The simulated truth about protection is not shown: it is integrated over.
    key = np.where(picked, code * 4 + slots + 1, 0)
    distinct, first, signature = np.unique(key, return_index=True, return_inverse=True)
    looked = distinct > 0
    signatures = Signatures(
        condition_weights=np.where(looked[:, None], np.exp(log_weight[first]), 1.0),
        slots=np.where(looked, slots[first], UNKNOWN_SLOTS),
        selection=np.full(len(distinct), SELECTIONS.index(selection)),
        protection=np.full(len(distinct), gfci_share),
        location=np.ones(len(distinct)),
        looked=looked,
        repaired=np.full(len(distinct), NOT_REPAIRED),
        repaired_slots=np.full(len(distinct), UNKNOWN_SLOTS),
        repaired_protection=np.zeros(len(distinct)),
    )
    pair, inverse, count = np.unique(
        building * len(distinct) + signature, return_inverse=True, return_counts=True
    )
    row_building = pair // len(distinct)
    return Simulated(
        portfolio=Portfolio(
            era_weights=np.eye(eras)[era] * 0.97 + 0.03 * truth.shares,
            shift=np.zeros((buildings, len(RATES))),
            row_start=np.searchsorted(row_building, np.arange(buildings + 1)),
            row_signature=pair % len(distinct),
            row_count=count.astype(float),
            signatures=signatures,
            seed=np.arange(buildings, dtype=np.uint64),
        ),
        dangerous=np.bincount(building, dangerous, minlength=buildings).astype(int),
        row_dangerous=np.bincount(inverse, dangerous, minlength=len(pair)),
        condition=condition,
        crew=crew,
    )


def slots_index(name: str) -> int:
    """Index of a slots word."""
    return [slot.value for slot in SLOTS].index(name)
