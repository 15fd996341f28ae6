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
from pipeline.evidence.kinds import SLOTS, Array
from pipeline.evidence.model import Model
from pipeline.evidence.picking import Picking, picking
from pipeline.evidence.points import (
    Points,
    log_likelihood,
    normalised,
    place_points,
    pool_points,
    row_rates,
    row_weights,
)
from pipeline.evidence.portfolio import Block, Ints, Portfolio, blocks
from pipeline.evidence.priors import mean_kinds
from pipeline.evidence.repaired import Repairs, repairs
from shared.vocabulary import CONDITIONS

COUNT_POINTS = 64
"""Points behind the distribution of the number of dangerous openings."""

FEW_EFFECTIVE = 60
"""Effective points below which a building is computed again with more."""

MORE = 8
SMALL_PORTFOLIO, SMALL_FACTOR = 5_000, 4
"""A small portfolio can afford more points from the start."""


@dataclass
class Posterior:
    """Results, one entry a building (B) or a portfolio row (R).

    Attributes:
        condition: probability of each condition, shape (R, C).
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
    picks = picking(model, portfolio, block)
    weights = row_weights(model, portfolio, block, picks, slots=True, readings=True)
    points = place_points(model, portfolio, block, picks, weights, pool, factor)
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
    of_era = mean_kinds(model.kinds, model.priors, portfolio.shift[chosen])
    own = np.einsum("ne,nek->nk", portfolio.era_weights[chosen], of_era)
    for era, kind in enumerate((np.broadcast_to(model.typical_kinds, own.shape), own)):
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
            if readings:
                # That it was repaired is a reading too.
                each = mended.kept * each + mended.harm
            value = np.einsum("ng,ngl->nl", each, sized)
            # Without a single look there is nothing to hide: all four cases are the exact one.
            value[unseen] = out.split[chosen[unseen], era, 0, 0]
            out.split[chosen, era, slots, readings] = value
