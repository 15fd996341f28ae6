"""Where to put the points that stand for a building's posterior.

Each building gets two sets: points from the mixture of all priors (they
cover what the building's evidence leaves open) and points of its own, from beta distributions
fitted to its evidence (they resolve what the evidence pins down). Weighting by the density of the
mixture of both keeps every weight bounded.

The fit runs in the order in which looks reveal things, not in the order in which wiring happens:
first the share of two-slot openings, then of three-slot ones that read open ground, then of false
grounds among the rest. In that order the posterior is close to independent betas, while rates in
the order of wiring are tied together by every pass of a lamp tester. The centre comes from
expectation-maximisation; how much each share is pinned down comes from Louis's missing-information
formula (Louis 1982, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from pipeline.evidence.beta_fit import fit_beta
from pipeline.evidence.kinds import Array, Kinds, interleave, rate_features
from shared.vocabulary import CONDITIONS, Condition, Slots

_ROUNDS = 15
_WIDTHS = (1.0, 0.25)
"""Two proposals: one as narrow as the evidence says, one with a quarter of its weight."""

_TWO, _OPEN, _FALSE, _GROUNDED = range(4)


@dataclass(frozen=True)
class Proposal:
    """Beta parameters of each building's shares: two-slot, open ground, false ground, rates 4, 5.

    Attributes:
        a, b: shape (widths, n, 5).
    """

    a: Array
    b: Array

    def points(self, seeds: npt.NDArray[np.uint64], count: int) -> Array:
        """Draw ``count`` points a building, the same for the same seed.

        Args:
            seeds: one seed a building, shape (n,).
            count: points a building, split evenly over the widths.

        Returns:
            Log odds of the rates, shape (n, count, 5).
        """
        widths, n, size = self.a.shape
        each = count // widths
        log_gamma = np.empty((2, widths, n, each, size))
        shapes = np.stack([self.a, self.b])
        for building, seed in enumerate(seeds.tolist()):
            generator = np.random.Generator(np.random.Philox(key=seed))
            shape = shapes[:, :, building, None, :]
            # ln of a gamma variate, exact for small shapes: G(s) = G(s + 1) U^(1/s).
            draw = generator.standard_gamma(np.broadcast_to(shape + 1, (2, widths, each, size)))
            lift = generator.standard_exponential((2, widths, each, size)) / shape
            log_gamma[:, :, building] = np.log(draw) - lift
        share = (log_gamma[0] - log_gamma[1]).transpose(1, 0, 2, 3).reshape(n, widths * each, size)
        return _to_rates(share)

    def log_density(self, log_odds: Array) -> Array:
        """Log density of the mixture of widths on the log-odds scale: (n, M, 5) to (n, M)."""
        log_share, log_jacobian = _to_shares(log_odds)
        coefficients = interleave(self.a - 1, self.b - 1)
        constant = -special.betaln(self.a, self.b).sum(axis=2)
        each = np.einsum("nmf,wnf->nmw", log_share, coefficients) + constant.T[:, None, :]
        result: Array = special.logsumexp(each, axis=2) - np.log(len(self.a)) + log_jacobian
        return result


def _to_rates(share: Array) -> Array:
    """Log odds of shares in the order of looks to log odds of rates in the order of wiring."""
    log = rate_features(share)
    two = log[..., 0]
    opened = log[..., 1] + log[..., 2]
    false = log[..., 1] + log[..., 3] + log[..., 4]
    grounded = log[..., 1] + log[..., 3] + log[..., 5]
    converted = np.logaddexp(opened, false)
    result: Array = np.stack(
        [
            np.logaddexp(two, converted) - grounded,
            converted - two,
            false - opened,
            share[..., 3],
            share[..., 4],
        ],
        axis=-1,
    )
    return result


def _to_shares(log_odds: Array) -> tuple[Array, Array]:
    """Rates to [ln s, ln(1-s)] pairs of the shares, with ln |d shares / d log odds|."""
    log = rate_features(log_odds)
    two = log[..., 0] + log[..., 3]
    converted = log[..., 0] + log[..., 2]
    opened, false, grounded = converted + log[..., 5], converted + log[..., 4], log[..., 1]
    three = np.logaddexp(converted, grounded)
    passed = np.logaddexp(false, grounded)
    pairs = np.stack(
        [
            two,
            three,
            opened - three,
            passed - three,
            false - passed,
            grounded - passed,
            log[..., 6],
            log[..., 7],
            log[..., 8],
            log[..., 9],
        ],
        axis=-1,
    )
    # d(kinds)/d(rates) over d(kinds)/d(shares), times d(rates)/d(log odds).
    jacobian = log.sum(axis=-1) + 2 * log[..., 0] + log[..., 2] - three - passed
    return pairs, jacobian


def fit_proposal(kinds: Kinds, weights: Array, count: Array, a: Array, b: Array) -> Proposal:
    """Fit a proposal to each building of a block.

    Args:
        kinds: the kinds.
        weights: likelihood of each row under each kind, shape (n, G, K).
        count: openings in each row that bear on the rates, shape (n, G).
        a, b: beta parameters averaged over the building's eras, shape (n, 5).
    """
    success = kinds.design[:, 0::2]
    tries = success + kinds.design[:, 1::2]
    rate = a / (a + b)
    for _ in range(_ROUNDS):
        share = _responsibilities(kinds, weights, rate)
        expected = np.einsum("ng,ngk->nk", count, share)
        rate = (a + expected @ success) / (a + b + expected @ tries)
        rate = rate.clip(1e-9, 1 - 1e-9)
    share = _responsibilities(kinds, weights, rate)

    origin, converted, false = rate[:, 0], rate[:, 1], rate[:, 2]
    leaf = np.stack(
        [
            origin * (1 - converted),
            origin * converted * (1 - false),
            origin * converted * false,
            1 - origin,
        ],
        axis=1,
    )
    belongs = share @ _leaves(kinds)
    alpha, beta = np.empty((len(_WIDTHS), len(a), 5)), np.empty((len(_WIDTHS), len(a), 5))
    later = (leaf[:, _FALSE] + leaf[:, _GROUNDED]).clip(min=1e-12)
    centre = [
        leaf[:, _TWO],
        leaf[:, _OPEN] / (1 - leaf[:, _TWO]).clip(min=1e-12),
        leaf[:, _FALSE] / later,
        rate[:, 3],
        rate[:, 4],
    ]
    hits = [
        belongs[..., 0],
        belongs[..., 1],
        belongs[..., 2],
        share @ success[:, 3],
        share @ success[:, 4],
    ]
    looks = [
        belongs.sum(axis=2),
        belongs[..., 1:].sum(axis=2),
        belongs[..., 2:].sum(axis=2),
        share @ tries[:, 3],
        share @ tries[:, 4],
    ]
    for index in range(5):
        middle = centre[index].clip(1e-4, 1 - 1e-4)
        pinned = _pinned(count, hits[index], looks[index], middle)
        # The share among the openings seen, without the prior, which is counted by itself.
        seen = (count * looks[index]).sum(axis=1)
        raw = (count * hits[index]).sum(axis=1) / np.maximum(seen, 1e-12)
        for width, fraction in enumerate(_WIDTHS):
            if index < 3:
                base_a, base_b = 0.2 + 0.4 * middle, 0.6 - 0.4 * middle
            else:
                base_a, base_b = a[:, index], b[:, index]
                base_b = np.minimum(base_b, 1 + base_b * fraction)
            alpha[width, :, index] = base_a + fraction * pinned * raw
            beta[width, :, index] = base_b + fraction * pinned * (1 - raw)
    return Proposal(alpha, beta)


def refine(first: Proposal, log_odds: Array, weight: Array) -> Proposal:
    """A proposal fitted to weighted points: least cross-entropy among independent betas.

    Args:
        first: the proposal behind part of the points; it steadies the fit where few points carry
            the weight.
        log_odds: shape (n, M, 5).
        weight: normalised, shape (n, M).
    """
    pairs, _ = _to_shares(log_odds)
    mean = np.einsum("nm,nmf->nf", weight, pairs)
    effective = 1 / (weight**2).sum(axis=1)
    trust = (effective / (effective + 4.0))[:, None]
    together = special.digamma(first.a[0] + first.b[0])
    mean_log = trust * mean[:, 0::2] + (1 - trust) * (special.digamma(first.a[0]) - together)
    mean_rest = trust * mean[:, 1::2] + (1 - trust) * (special.digamma(first.b[0]) - together)
    a, b = fit_beta(mean_log, mean_rest)
    return Proposal(a[None], b[None])


def _leaves(kinds: Kinds) -> Array:
    """Which kinds are two-slot, open ground, false ground, grounded (K, 4); faults are none."""
    result = np.zeros((len(kinds.conditions), 4))
    origin, fault = kinds.design[:, 0] == 1, kinds.design[:, 8] == 1
    two = kinds.slots == list(Slots).index(Slots.TWO_SLOT)
    jumpered = np.isin(
        kinds.conditions,
        [
            CONDITIONS.index(Condition.FALSE_GROUND),
            CONDITIONS.index(Condition.REVERSED_FALSE_GROUND),
        ],
    )
    result[origin & two & ~fault, _TWO] = 1
    result[origin & ~two & ~jumpered & ~fault, _OPEN] = 1
    result[origin & jumpered & ~fault, _FALSE] = 1
    result[~origin & ~fault, _GROUNDED] = 1
    return result


def _pinned(count: Array, hits: Array, looks: Array, middle: Array) -> Array:
    """Openings' worth of information about a share: all of them less what their looks hide."""
    spread = middle * (1 - middle)
    within = hits * (looks - hits) / np.maximum(looks, 1e-12)
    information = (count * (looks * spread[:, None] - within)).sum(axis=1) / spread
    result: Array = information.clip(0.0, (count * looks).sum(axis=1))
    return result


def _responsibilities(kinds: Kinds, weights: Array, rate: Array) -> Array:
    features = rate_features(np.log(rate) - np.log1p(-rate))
    probability = np.exp(kinds.log_probability(features))
    joint = weights * probability[:, None, :]
    total = joint.sum(axis=2, keepdims=True)
    result: Array = joint / np.maximum(total, 1e-300)
    return result
