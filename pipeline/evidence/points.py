"""Weighted points that stand for a building's posterior, and the likelihood of its looks there.

Points are placed in two rounds (see ``proposal``) and weighted by prior ÷ density of the mixture
that they came from. Given the rates, openings are independent, so the likelihood of a row of like
openings is a matrix product over kinds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from pipeline.evidence.kinds import Array, rate_features
from pipeline.evidence.model import Model
from pipeline.evidence.picking import Picking
from pipeline.evidence.portfolio import Block, Portfolio
from pipeline.evidence.priors import prior_points, shifted_features
from pipeline.evidence.proposal import Proposal, fit_proposal, refine

SHARED_POINTS = 256
FIRST_POINTS = 64
SECOND_POINTS = 128
"""Points of a building: from the priors, from its first and from its refined proposal."""

POOL_SETS = 256
"""Sets of prior points that buildings take theirs from."""


@dataclass(frozen=True)
class Points:
    """Weighted points of a block of n buildings (M points each).

    Attributes:
        log_odds: shape (n, M, 5).
        log_weight: log prior minus log proposal density, shape (n, M); add a log likelihood.
        log_reference: the same with the reference prior (era unknown, no shift), shape (n, M).
        log_proposal: log proposal density, shape (n, M).
        probability: probability of each kind at each point, shape (n, M, K).
    """

    log_odds: Array
    log_weight: Array
    log_reference: Array
    log_proposal: Array
    probability: Array


def row_weights(
    model: Model,
    portfolio: Portfolio,
    block: Block,
    picks: Picking,
    *,
    slots: bool,
    readings: bool,
) -> Array:
    """Likelihood of each row under each kind, shape (n, G, K): picked, seen to have those slots,
    read as it was; or not picked."""
    signatures, kinds, index = portfolio.signatures, model.kinds, block.signature
    n = np.arange(len(block.buildings))[:, None]
    weights = picks.picked[n, signatures.selection[index]]
    if readings:
        weights *= signatures.condition_weights[index][..., kinds.conditions]
    if slots:
        known = signatures.slots[index][..., None]
        weights *= (known < 0) | (known == kinds.slots)
    looked = signatures.looked[index][..., None]
    result: Array = np.where(looked, weights, picks.left[:, None, :])
    return result


def place_points(
    model: Model,
    portfolio: Portfolio,
    block: Block,
    picks: Picking,
    weights: Array,
    pool: Array,
    factor: int,
) -> Points:
    """Place and weigh the points of a block (see ``Points``).

    Args:
        model: the model.
        portfolio: the portfolio.
        block: the buildings.
        picks: how their openings were picked.
        weights: ``row_weights`` with all that is known.
        pool: from ``pool_points``.
        factor: how many times the usual number of points.
    """
    priors = model.priors
    era = portfolio.era_weights[block.buildings]
    shift = portfolio.shift[block.buildings]
    looked = portfolio.signatures.looked[block.signature]
    moved = np.exp(shift)
    mean_a, mean_b = era @ priors.a, era @ priors.b
    total = mean_a + mean_b
    share = mean_a * moved / (mean_a * moved + mean_b)
    proposal = fit_proposal(
        model.kinds, weights, block.count * looked, total * share, total * (1 - share)
    )
    seeds = portfolio.seed[block.buildings]
    spread = pool[seeds % np.uint64(len(pool))]
    first = proposal.points(seeds, FIRST_POINTS * factor)
    log_odds = np.concatenate([spread, first], axis=1)
    sources: list[tuple[int, Proposal | None]] = [
        (spread.shape[1], None),
        (first.shape[1], proposal),
    ]
    trial = _weigh(model, portfolio, block, log_odds, sources)
    likelihood = log_likelihood(portfolio, block, picks, trial, row_rates(trial, weights))
    refined = refine(proposal, log_odds, normalised(trial.log_weight + likelihood))
    second = refined.points(seeds + np.uint64(1), SECOND_POINTS * factor)
    log_odds = np.concatenate([log_odds, second], axis=1)
    return _weigh(model, portfolio, block, log_odds, [*sources, (second.shape[1], refined)])


def pool_points(model: Model, factor: int) -> Array:
    """Prior points for buildings to take a set from, shape (sets, points, 5).

    Every set is an aligned stretch of one low-discrepancy sequence, so it covers the prior evenly
    by itself; that buildings use different sets keeps them from sharing one set's chance error.
    """
    sets = max(1, POOL_SETS // factor)
    points = prior_points(model.priors, sets * SHARED_POINTS * factor, model.seed)
    return points.reshape(sets, SHARED_POINTS * factor, -1)


def _weigh(
    model: Model,
    portfolio: Portfolio,
    block: Block,
    log_odds: Array,
    sources: list[tuple[int, Proposal | None]],
) -> Points:
    """Weigh points against the mixture of their sources; None is the reference prior."""
    priors = model.priors
    shift = portfolio.shift[block.buildings]
    features = rate_features(log_odds)
    log_reference = special.logsumexp(priors.log_density(features) + np.log(priors.shares), axis=2)
    total = sum(count for count, _ in sources)
    log_proposal = special.logsumexp(
        [
            np.log(count / total)
            + (log_reference if source is None else source.log_density(log_odds))
            for count, source in sources
        ],
        axis=0,
    )
    with np.errstate(divide="ignore"):
        log_era = np.log(portfolio.era_weights[block.buildings])[:, None, :]
    log_prior = special.logsumexp(
        priors.log_density(shifted_features(log_odds, shift)) + log_era, axis=2
    )
    return Points(
        log_odds=log_odds,
        log_weight=log_prior - log_proposal,
        log_reference=log_reference - log_proposal,
        log_proposal=log_proposal,
        probability=np.exp(model.kinds.log_probability(features)),
    )


def row_rates(points: Points, weights: Array) -> Array:
    """Probability of each row's evidence at each point, shape (n, G, M)."""
    result: Array = weights @ points.probability.transpose(0, 2, 1)
    return np.maximum(result, 1e-300)


def log_likelihood(
    portfolio: Portfolio, block: Block, picks: Picking, points: Points, rates: Array
) -> Array:
    """Log likelihood of a block's evidence at each point, shape (n, M).

    Dividing by the chance that an opening is picked (which depends on the building's rates) takes
    out of what a look says about the rest of the building that it was made for a reason. Openings
    that nobody picked then say nothing about the rates.
    """
    looked = portfolio.signatures.looked[block.signature]
    count = block.count * looked
    result: Array = np.einsum("ng,ngm->nm", count, np.log(rates))
    chosen = portfolio.signatures.selection[block.signature]
    for index in range(picks.picked.shape[1]):
        picked = (count * (chosen == index)).sum(axis=1)
        if picked.any():
            chance = np.einsum("nmk,nk->nm", points.probability, picks.picked[:, index])
            result -= picked[:, None] * np.log(np.maximum(chance, 1e-300))
    return result


def normalised(log_weight: Array) -> Array:
    """Turn log weights into weights that sum to 1 over the last axis."""
    weight = np.exp(log_weight - log_weight.max(axis=-1, keepdims=True))
    result: Array = weight / weight.sum(axis=-1, keepdims=True)
    return result
