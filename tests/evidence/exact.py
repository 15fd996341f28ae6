"""The posterior by enumeration, for buildings small enough: no points, no approximation.

The probability of a list of kinds is the mean of a product of rates and their complements. Rates
are independent betas, so that mean is a product of ratios of beta functions, in closed form.
"""

from __future__ import annotations

from itertools import product

import numpy as np
from pipeline.evidence.kinds import Kinds
from scipy import special

from pipeline.evidence.priors import Priors
from shared.vocabulary import CONDITIONS


def enumerate_building(
    kinds: Kinds, priors: Priors, era: np.ndarray, weights: np.ndarray, danger: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Posterior of a building without shift.

    Args:
        kinds: the kinds.
        priors: the priors.
        era: probability of each era, shape (E,).
        weights: likelihood of each opening's evidence under each kind, shape (N, K).
        danger: probability of being dangerous by kind, shape (N, K).

    Returns:
        Probability of each condition by opening (N, C) and of each number of dangerous openings
        (N + 1,).
    """
    n = len(weights)
    # Kinds that share factors, condition and danger are one: that keeps the enumeration small.
    key = np.concatenate([kinds.design, kinds.conditions[:, None], danger.T], axis=1)
    _, group = np.unique(key, axis=0, return_inverse=True)
    size = group.max() + 1
    first = np.array([np.flatnonzero(group == g)[0] for g in range(size)])
    likelihood = np.zeros((n, size))
    np.add.at(likelihood.T, group, (weights * np.exp(kinds.constant)).T)
    design = kinds.design[first]
    condition = np.zeros((n, len(CONDITIONS)))
    number = np.zeros(n + 1)
    lists = np.array(list(product(range(size), repeat=n)))
    powers = design[lists].sum(axis=1)
    hits, misses = powers[:, 0::2], powers[:, 1::2]
    mass = np.zeros(len(lists))
    for index, share in enumerate(era):
        a, b = priors.a[index], priors.b[index]
        log = special.betaln(a + hits, b + misses) - special.betaln(a, b)
        mass += share * np.exp(log.sum(axis=1))
    for opening in range(n):
        mass = mass * likelihood[opening, lists[:, opening]]
    mass /= mass.sum()
    for opening in range(n):
        np.add.at(condition[opening], kinds.conditions[first][lists[:, opening]], mass)
    chance = np.stack([danger[i, first][lists[:, i]] for i in range(n)], axis=1)
    pmf = np.zeros((len(lists), n + 1))
    pmf[:, 0] = 1.0
    for opening in range(n):
        p = chance[:, opening : opening + 1]
        moved = np.pad(pmf[:, :-1], ((0, 0), (1, 0)))
        pmf = pmf * (1 - p) + moved * p
    number = mass @ pmf
    return condition, number
