"""Compiled sums behind learning: how well priors explain the points of many buildings."""

from __future__ import annotations

import numpy as np
from numba import njit

from pipeline.evidence.states import Array


@njit(cache=True, fastmath=True, nogil=True)
def marginal(
    a: Array,
    b: Array,
    constant: Array,
    log_group: Array,
    low: Array,
    high: Array,
    log_rest: Array,
    score: Array,
    out: Array,
) -> None:
    """Log marginal likelihood of buildings, and each one's gradient.

    Args:
        a, b: beta parameters, shape (G, 5).
        constant: minus their log normalising constants, shape (G,).
        log_group: log weight of each group, shape (n, G).
        low, high: ln r and ln(1 - r) of the rates at each point, less shifts, shape (n, M, 5).
        log_rest: log likelihood less log proposal density, shape (n, M).
        score: filled, by building: expected membership of each group, then expected ln r and
            ln(1 - r) within it, shape (n, G, 11).
        out: filled: log marginal likelihood up to a constant, shape (n,).
    """
    buildings, count, rates = low.shape
    groups = a.shape[0]
    joint = np.empty((groups, count))
    for n in range(buildings):
        top = -1e300
        for g in range(groups):
            if log_group[n, g] < -12.0:
                continue
            for m in range(count):
                term = log_group[n, g] + constant[g] + log_rest[n, m]
                for r in range(rates):
                    term += a[g, r] * low[n, m, r] + b[g, r] * high[n, m, r]
                joint[g, m] = term
                if term > top:
                    top = term
        total = 0.0
        for g in range(groups):
            for i in range(11):
                score[n, g, i] = 0.0
            if log_group[n, g] < -12.0:
                continue
            for m in range(count):
                part = np.exp(joint[g, m] - top)
                total += part
                score[n, g, 0] += part
                for r in range(rates):
                    score[n, g, 1 + r] += part * low[n, m, r]
                    score[n, g, 6 + r] += part * high[n, m, r]
        for g in range(groups):
            for i in range(11):
                score[n, g, i] /= total
        out[n] = top + np.log(total)


@njit(cache=True, fastmath=True, nogil=True)
def shifted_marginals(
    a: Array,
    b: Array,
    constant: Array,
    log_group: Array,
    log_odds: Array,
    shift: Array,
    log_rest: Array,
    rate: int,
    effects: Array,
    out: Array,
) -> None:
    """Log marginal likelihood of each building were one rate's log odds shifted further.

    Args:
        a, b, constant, log_group, log_rest: as in ``marginal``.
        log_odds: shape (n, 5, M).
        shift: shape (n, 5).
        rate: the rate.
        effects: further shifts, shape (E,).
        out: filled, shape (E, n).
    """
    buildings, rates, count = log_odds.shape
    groups = a.shape[0]
    terms = np.empty(groups * count)
    for e in range(effects.shape[0]):
        for n in range(buildings):
            top = -1e300
            number = 0
            for g in range(groups):
                if log_group[n, g] < -12.0:
                    continue
                for m in range(count):
                    term = log_group[n, g] + constant[g] + log_rest[n, m]
                    for r in range(rates):
                        value = log_odds[n, r, m] - shift[n, r]
                        if r == rate:
                            value -= effects[e]
                        rest = np.log1p(np.exp(-abs(value)))
                        term += a[g, r] * (min(value, 0.0) - rest)
                        term += b[g, r] * (min(-value, 0.0) - rest)
                    terms[number] = term
                    number += 1
                    if term > top:
                        top = term
            total = 0.0
            for i in range(number):
                total += np.exp(terms[i] - top)
            out[e, n] = top + np.log(total)
