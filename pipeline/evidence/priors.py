"""Priors of the building-level rates, by construction era, and how a building shifts them.

Each rate has a beta distribution in each era. What is known of a building beside its era (wiring
method, the crew that worked on it, a grade given on a visit) multiplies the odds of a rate: on the
log-odds scale it is added. Densities here are on that scale, where a beta density
``p^a (1-p)^b / B(a, b)`` is log-concave whatever its parameters.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special, stats

from pipeline.evidence.kinds import RATES, Array, Kinds, interleave, rate_features
from shared.rule_book import RuleBook


@dataclass(frozen=True)
class Priors:
    """Beta parameters of every rate in every era.

    Attributes:
        a, b: shape (E, 5).
        shares: probability of each era where no year is known, shape (E,).
    """

    a: Array
    b: Array
    shares: Array

    @property
    def coefficients(self) -> Array:
        """Coefficients of ``rate_features`` in the log density, shape (E, 10)."""
        return interleave(self.a, self.b)

    def log_density(self, features: Array) -> Array:
        """Log density of unshifted log odds in each era.

        Args:
            features: ``rate_features`` of the log odds less the building's shift, (..., 10).

        Returns:
            Shape (..., E).
        """
        constant = -special.betaln(self.a, self.b).sum(axis=1)
        result: Array = features @ self.coefficients.T + constant
        return result


def default_priors(rule_book: RuleBook) -> Priors:
    """The rule book's priors, before a portfolio has said anything."""
    eras = list(rule_book.eras.values())
    beta = np.array([[getattr(era, rate).beta for rate in RATES] for era in eras])
    shares = np.array([float(era.share) for era in eras])
    return Priors(beta[..., 0], beta[..., 1], shares / shares.sum())


def beta_log_odds(a: Array, b: Array, u: Array) -> Array:
    """Quantile of a beta distribution on the log-odds scale, exact in both tails."""
    low = np.maximum(special.betaincinv(a, b, u), 1e-300)
    high = np.maximum(special.betaincinv(b, a, 1 - u), 1e-300)
    result: Array = np.where(
        low < 0.5,
        np.log(low) - np.log1p(-low.clip(max=0.9)),
        np.log1p(-high.clip(max=0.9)) - np.log(high),
    )
    return result


def prior_points(priors: Priors, count: int, seed: int) -> Array:
    """Low-discrepancy points from the mixture of all eras by share.

    Returns:
        Log odds, shape (count, 5); their density is
        ``logsumexp(priors.log_density(...) + log(shares))``.
    """
    uniform = stats.qmc.Sobol(d=6, scramble=True, seed=seed).random(count)
    era = np.searchsorted(np.cumsum(priors.shares), uniform[:, 0]).clip(max=len(priors.shares) - 1)
    return beta_log_odds(priors.a[era], priors.b[era], uniform[:, 1:].clip(1e-12, 1 - 1e-12))


def mean_rates(priors: Priors, shift: Array) -> Array:
    """Mean of each rate in each era after a building's shift, by Gauss-Jacobi quadrature.

    Args:
        priors: the priors.
        shift: shape (n, 5).

    Returns:
        Shape (n, E, 5).
    """
    eras, rates = priors.a.shape
    result = np.broadcast_to(priors.a / (priors.a + priors.b), (len(shift), eras, rates)).copy()
    for rate in range(rates):
        moved = np.flatnonzero(shift[:, rate])
        if not len(moved):
            continue
        values, inverse = np.unique(shift[moved, rate], return_inverse=True)
        for era in range(eras):
            a, b = priors.a[era, rate], priors.b[era, rate]
            node, weight = special.roots_jacobi(60, b - 1, a - 1)
            share = (node + 1) / 2
            odds = np.exp(values)[:, None]
            mean = (share * odds / (1 - share + share * odds)) @ weight / weight.sum()
            result[moved, era, rate] = mean[inverse]
    return result


def mean_kinds(kinds: Kinds, priors: Priors, shift: Array) -> Array:
    """Probability of each kind in each era where nothing was seen, exact: (n, 5) to (n, E, K).

    The mean of a product of independent rates is the product of their means.
    """
    rate = mean_rates(priors, shift)
    result: Array = np.exp(kinds.log_probability(interleave(np.log(rate), np.log1p(-rate))))
    return result


def shifted_features(log_odds: Array, shift: Array) -> Array:
    """Features of log odds less a building's shift: (n, M, 5) and (n, 5) to (n, M, 10)."""
    return rate_features(log_odds - shift[:, None, :])
