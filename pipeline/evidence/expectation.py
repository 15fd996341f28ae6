"""What is expected of an opening of which nothing was seen: exact, without points.

Rates are independent and enter each state's chance and each kind of trouble once, so the mean of
the product is the product of the means.
"""

from __future__ import annotations

import numpy as np

from pipeline.evidence.posterior import Model, Portfolio
from pipeline.evidence.priors import Priors, mean_rates
from pipeline.evidence.states import Array, mean_states


def typical_prior_mean(portfolio: Portfolio, model: Model, values: Array) -> float:
    """Expected value of an opening of any building of the portfolio's eras, before it was seen.

    Args:
        portfolio: the portfolio.
        model: the model.
        values: value by state and trouble where nothing is known, shape (S, 3).
    """
    priors: Priors = model.priors
    worth = values * model.weighed.evidence.table[portfolio.classes.flat]
    size = len(portfolio)
    typical_rates = mean_rates(priors, np.zeros((1, 5)))[0]
    typical_poor = float(portfolio.poor.mean()) if size else 0.0
    typical = (mean_states(typical_rates, np.array(typical_poor), model.taught) * worth).sum(
        axis=(-2, -1)
    )
    return float(typical @ priors.shares)


def prior_means(portfolio: Portfolio, model: Model, values: Array) -> Array:
    """The same of each building, by its own group, wiring method and crew, shape (B,).

    It hangs on nothing but the building and the model.
    """
    priors: Priors = model.priors
    worth = values * model.weighed.evidence.table[portfolio.classes.flat]
    size = len(portfolio)
    own = np.empty(size)
    for start in range(0, size, 20_000):
        part = slice(start, start + 20_000)
        rates = mean_rates(priors, portfolio.shift[part])
        each = mean_states(rates, portfolio.poor[part, None], model.taught) * worth
        own[part] = (each.sum(axis=(-2, -1)) * portfolio.group_weights[part]).sum(axis=1)
    return own


def prior_danger(portfolio: Portfolio, model: Model) -> Array:
    """Chance of danger of an opening of which only the slots are known, before anything was seen.

    Returns:
        By building and slots (in the order of SLOTS, then not known), shape (B, 4).
    """
    faces, calm = model.weighed.faces, model.weighed.faces_safe
    size = len(portfolio)
    result = np.empty((size, len(faces)))
    for start in range(0, size, 20_000):
        part = slice(start, start + 20_000)
        rates = mean_rates(model.priors, portfolio.shift[part])
        chances = mean_states(rates, portfolio.poor[part, None], model.taught)
        own = np.einsum("bgst,bg->bst", chances, portfolio.group_weights[part])
        seen = np.einsum("bst,fst->bf", own, faces)
        safe = np.einsum("bst,fst->bf", own, calm)
        result[part] = 1 - safe / seen
    return result
