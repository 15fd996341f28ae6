"""The posterior of every opening and every building, by weighted points.

For each building, points of its five rates are weighted by prior × likelihood ÷ proposal density
(see ``proposal``); given the rates, openings are independent, so every expectation is a matrix
product over kinds. The simulation error is carried as the effective number of points and shown.

The same points serve the counterfactuals behind the score's explanation: the building with the
era unknown, with the slots hidden, with the readings hidden.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np
from scipy import special
from threadpoolctl import threadpool_limits

from pipeline.evidence import counts
from pipeline.evidence.kinds import RATES, SLOTS, Array, Kinds, build_kinds, rate_features
from pipeline.evidence.portfolio import (
    Block,
    Ints,
    Portfolio,
    blocks,
    selection_weights,
)
from pipeline.evidence.priors import Priors, mean_kinds, prior_points, shifted_features
from pipeline.evidence.proposal import Proposal, fit_proposal, refine
from shared.rule_book import RuleBook
from shared.vocabulary import CONDITIONS, danger

SHARED_POINTS = 256
FIRST_POINTS = 64
SECOND_POINTS = 128
"""Points of a building: from the priors, from its first and from its refined proposal."""

POOL_SETS = 256
"""Sets of prior points that buildings take theirs from."""

COUNT_POINTS = 64
"""Points behind the distribution of the number of dangerous openings."""

FEW_EFFECTIVE = 60
"""Effective points below which a building is computed again with more."""

MORE = 8
SMALL_PORTFOLIO, SMALL_FACTOR = 5_000, 4
"""A small portfolio can afford more points from the start."""


@dataclass(frozen=True)
class Model:
    """Everything that a block needs beside its buildings; build one with ``build_model``.

    Attributes:
        kinds: the kinds of opening.
        priors: priors by era, as learned.
        selection: odds of being picked, shape (5, K).
        typical_kinds: probability of each kind where nothing is known, shape (K,).
        harm_unprotected, harm_protected: harm of each kind per person and year, shape (K,).
        severity: harm per person, opening and year, shape (3 slots, 9 conditions, 2 protected).
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
    repair_doubt: float
    interval: float
    draws: int
    seed: int


def build_model(rule_book: RuleBook, priors: Priors, severity: Array) -> Model:
    """Assemble a model.

    Args:
        rule_book: the rule book.
        priors: priors by era.
        severity: harm per person, opening and year, shape (3 slots, 9 conditions, 2 protected).
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
        repair_doubt=float(rule_book.evidence.repair_doubt),
        interval=float(rule_book.scoring.interval),
        draws=int(float(rule_book.scoring.draws)),
        seed=int(float(rule_book.scoring.seed)),
    )


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


@dataclass
class Posterior:
    """Results, one entry a building (B) or a portfolio row (R).

    Attributes:
        condition: probability of each condition, shape (R, 9).
        slots: probability of each face, shape (R, 3).
        danger: probability of being dangerous, shape (R,).
        harm: expected harm of one opening per person and year, shape (R,).
        p_any: probability of at least one dangerous opening, shape (B,).
        dangerous: expected number of dangerous openings, shape (B,).
        dangerous_low, dangerous_high: shortest interval of that number, shape (B,).
        split: expected harm per person and year in each counterfactual, shape (B, 2, 2, 2, 2),
            axes era, slots, readings, location: 0 hidden, 1 known.
        harm_draws: draws of harm per person and year, shape (B, draws).
        effective_points: effective number of points, shape (B,); the simulation error of a
            posterior mean is the posterior standard deviation over its square root.
        rates: posterior mean of each building-level rate, shape (B, 5).
    """

    condition: Array
    slots: Array
    danger: Array
    harm: Array
    p_any: Array
    dangerous: Array
    dangerous_low: Ints
    dangerous_high: Ints
    split: Array
    harm_draws: np.ndarray
    effective_points: Array
    rates: Array
    pmf: dict[int, tuple[int, Array]] = field(default_factory=dict)


@dataclass(frozen=True)
class Picking:
    """Chance of being picked, up to a factor, in each building of a block.

    An opening of kind k is picked for reason s with odds c_s W_sk, W being the declared odds and
    c_s set so that a typical building would see as many picked as were. What nobody picked is
    therefore less likely of the kinds that people look for.

    Attributes:
        picked: c W / (1 + c W), shape (n, 5, K).
        left: chance of being picked for no reason at all, shape (n, K).
    """

    picked: Array
    left: Array


def picking(model: Model, portfolio: Portfolio, block: Block) -> Picking:
    """How openings were picked in a block (see ``Picking``)."""
    looked = portfolio.signatures.looked[block.signature]
    chosen = portfolio.signatures.selection[block.signature]
    total = np.maximum(block.count.sum(axis=1), 1.0)
    share = np.stack(
        [
            (block.count * (looked & (chosen == index))).sum(axis=1) / total
            for index in range(len(model.selection))
        ],
        axis=1,
    ).clip(0.0, 0.98)
    typical = model.selection @ model.typical_kinds
    odds = (share / (1 - share) / typical)[:, :, None] * model.selection
    return Picking(odds / (1 + odds), (1 / (1 + odds)).prod(axis=1))


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
    model: Model, portfolio: Portfolio, block: Block, pool: Array, factor: int
) -> Points:
    """Place and weigh the points of a block (see ``Points``)."""
    priors = model.priors
    era = portfolio.era_weights[block.buildings]
    shift = portfolio.shift[block.buildings]
    picks = picking(model, portfolio, block)
    weights = row_weights(model, portfolio, block, picks, slots=True, readings=True)
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


@dataclass(frozen=True)
class Repairs:
    """Proven repairs in a block: what is so where the proof holds.

    Attributes:
        kept: share of the evidence-based result that stays, 1 where nothing was repaired, (n, G).
        condition, slots: what the repair left, indicator times its probability, (n, G, 9 or 3).
        danger, harm: likewise, (n, G).
    """

    kept: Array
    condition: Array
    slots: Array
    danger: Array
    harm: Array


def repairs(model: Model, portfolio: Portfolio, block: Block) -> Repairs:
    """The proven repairs of a block (see ``Repairs``)."""
    known, index = portfolio.signatures, block.signature
    left = known.repaired[index]
    done = left >= 0
    sure = np.where(done, 1 - model.repair_doubt, 0.0)
    face, guard = known.repaired_slots[index].clip(min=0), known.repaired_protection[index]
    condition = left.clip(min=0)
    danger_table = np.array(
        [[[danger(c, s, g) for g in (0.0, 1.0)] for c in CONDITIONS] for s in SLOTS]
    )
    both = np.stack([1 - guard, guard], axis=-1)
    return Repairs(
        kept=1 - sure,
        condition=sure[..., None] * np.eye(len(CONDITIONS))[condition],
        slots=sure[..., None] * np.eye(len(SLOTS))[face],
        danger=sure * (danger_table[face, condition] * both).sum(axis=-1),
        harm=sure * (model.severity[face, condition] * both).sum(axis=-1),
    )


def compute_posterior(
    model: Model,
    portfolio: Portfolio,
    progress: Callable[[float], None] | None = None,
    keep_pmf: bool = False,
) -> Posterior:
    """Compute the posterior of every opening and building.

    Args:
        model: the model.
        portfolio: the portfolio.
        progress: called with the fraction done.
        keep_pmf: whether to keep each building's distribution of the number of dangerous openings
            (first count, probabilities), for calibration checks.
    """
    size, rows = len(portfolio), len(portfolio.row_signature)
    result = Posterior(
        condition=np.zeros((rows, len(CONDITIONS))),
        slots=np.zeros((rows, len(SLOTS))),
        danger=np.zeros(rows),
        harm=np.zeros(rows),
        p_any=np.zeros(size),
        dangerous=np.zeros(size),
        dangerous_low=np.zeros(size, dtype=np.int64),
        dangerous_high=np.zeros(size, dtype=np.int64),
        split=np.zeros((size, 2, 2, 2, 2)),
        harm_draws=np.zeros((size, model.draws), dtype=np.float32),
        effective_points=np.zeros(size),
        rates=np.zeros((size, 5)),
    )
    factor = SMALL_FACTOR if size <= SMALL_PORTFOLIO else 1
    poor = np.arange(size)
    for stage in (factor, factor * MORE):
        pool_of_points = pool_points(model, stage)
        pending = blocks(portfolio, poor, cells=max(1, 1500 // stage))
        done = 0

        def solve(block: Block, points: Array = pool_of_points, stage: int = stage) -> int:
            _solve_block(model, portfolio, block, points, stage, result, keep_pmf)
            return len(block.buildings)

        # Matrices here are small: BLAS threads would only wait for one another (five times slower).
        with (
            threadpool_limits(limits=1, user_api="blas"),
            ThreadPoolExecutor(max_workers=2) as pool,
        ):
            for solved in pool.map(solve, pending):
                done += solved
                if progress is not None:
                    progress(done / len(poor))
        poor = np.flatnonzero(result.effective_points < FEW_EFFECTIVE)
        if not len(poor):
            break
    return result


def _solve_block(
    model: Model,
    portfolio: Portfolio,
    block: Block,
    pool: Array,
    factor: int,
    out: Posterior,
    keep_pmf: bool,
) -> None:
    signatures, kinds = portfolio.signatures, model.kinds
    points = place_points(model, portfolio, block, pool, factor)
    picks = picking(model, portfolio, block)
    weights = row_weights(model, portfolio, block, picks, slots=True, readings=True)
    rates = row_rates(points, weights)
    likelihood = log_likelihood(portfolio, block, picks, points, rates)
    weight = normalised(points.log_weight + likelihood)
    chosen = block.buildings
    out.effective_points[chosen] = 1 / (weight**2).sum(axis=1)
    out.rates[chosen] = np.einsum(
        "nm,nmr->nr", weight, np.exp(-np.logaddexp(0.0, -points.log_odds))
    )

    protection = signatures.protection[block.signature][..., None]
    dangerous = protection * kinds.danger_protected + (1 - protection) * kinds.danger_unprotected
    harm = protection * model.harm_protected + (1 - protection) * model.harm_unprotected

    real = block.count > 0
    kind_share = weights * ((weight[:, None, :] / rates) @ points.probability)
    into = block.rows[real]
    mended = repairs(model, portfolio, block)
    kept = mended.kept
    out.condition[into] = (
        kept[..., None] * (kind_share @ kinds.condition_of_kind) + mended.condition
    )[real]
    out.slots[into] = (kept[..., None] * (kind_share @ kinds.slots_of_kind) + mended.slots)[real]
    out.danger[into] = (kept * (kind_share * dangerous).sum(axis=2) + mended.danger)[real]
    out.harm[into] = (kept * (kind_share * harm).sum(axis=2) + mended.harm)[real]

    transposed = points.probability.transpose(0, 2, 1)
    danger_rate = (
        kept[..., None] * ((weights * dangerous) @ transposed / rates) + mended.danger[..., None]
    ).clip(0.0, 1.0)
    sums = counts.parts(block.count, danger_rate)
    nothing = np.einsum("ng,ngm->nm", block.count, np.log1p(-danger_rate.clip(max=1 - 1e-12)))
    out.p_any[chosen] = -np.expm1(special.logsumexp(nothing, b=weight, axis=1))
    out.dangerous[chosen] = (weight * sums.mean).sum(axis=1)
    generator = np.random.default_rng([model.seed, int(chosen[0])])
    picked = counts.resample(weight, model.draws, generator)
    few = counts.resample(weight, COUNT_POINTS * min(factor, SMALL_FACTOR), generator)
    low, high, pmf = counts.intervals(sums.at(few), block.count.sum(axis=1), model.interval)
    out.dangerous_low[chosen], out.dangerous_high[chosen] = low, high
    if keep_pmf:
        out.pmf.update(zip(chosen.tolist(), pmf, strict=True))

    location = signatures.location[block.signature]
    placed = harm * location[..., None]
    placed_after = (mended.harm * location)[..., None]
    harm_mean_rate = kept[..., None] * ((weights * placed) @ transposed / rates) + placed_after
    harm_square_rate = (
        kept[..., None] * ((weights * placed**2) @ transposed / rates)
        + placed_after**2 / np.maximum(1 - kept, 1e-12)[..., None]
    )
    harm_mean = np.einsum("ng,ngm->nm", block.count, harm_mean_rate)
    harm_variance = np.einsum(
        "ng,ngm->nm", block.count, (harm_square_rate - harm_mean_rate**2).clip(min=0.0)
    )
    out.harm_draws[chosen] = counts.draw_positive(
        counts.take(harm_mean, picked), counts.take(harm_variance, picked), generator
    )
    _split_block(
        model, portfolio, block, points, picks, mended, (weights, rates, likelihood), harm, out
    )


def _split_block(
    model: Model,
    portfolio: Portfolio,
    block: Block,
    points: Points,
    picks: Picking,
    mended: Repairs,
    full: tuple[Array, Array, Array],
    harm: Array,
    out: Posterior,
) -> None:
    """Expected harm in each counterfactual (see ``Posterior.split``)."""
    signatures, chosen = portfolio.signatures, block.buildings
    location = signatures.location[block.signature]
    looked = signatures.looked[block.signature]
    sized = np.stack([block.count, block.count * location], axis=-1)

    # Nothing known of any opening: exact, the mean of a product of independent rates.
    for era, (prior_weight, shift) in enumerate(
        (
            (np.broadcast_to(model.priors.shares, portfolio.era_weights[chosen].shape), None),
            (portfolio.era_weights[chosen], portfolio.shift[chosen]),
        )
    ):
        shift = np.zeros((len(chosen), 5)) if shift is None else shift
        kind = np.einsum("ne,nek->nk", prior_weight, mean_kinds(model.kinds, model.priors, shift))
        each = np.einsum("nk,ngk->ng", kind, harm)
        out.split[chosen, era, 0, 0] = np.einsum("ng,ngl->nl", each, sized)

    unseen = ~(looked & (block.count > 0)).any(axis=1)
    for slots, readings in ((1, 0), (0, 1), (1, 1)):
        if slots and readings:
            weights, rates, likelihood = full
        else:
            weights = row_weights(
                model, portfolio, block, picks, slots=bool(slots), readings=bool(readings)
            )
            rates = row_rates(points, weights)
            likelihood = log_likelihood(portfolio, block, picks, points, rates)
        for era, log_weight in enumerate((points.log_reference, points.log_weight)):
            weight = normalised(log_weight + likelihood)
            kind = weights * ((weight[:, None, :] / rates) @ points.probability)
            each = (kind * harm).sum(axis=2)
            if slots and readings:
                each = mended.kept * each + mended.harm
            value = np.einsum("ng,ngl->nl", each, sized)
            # Without a single look there is nothing to hide: all four cases are the exact one.
            value[unseen] = out.split[chosen[unseen], era, 0, 0]
            out.split[chosen, era, slots, readings] = value
