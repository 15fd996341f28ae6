"""Compiled sums behind learning: how well priors explain the points of many buildings."""

from __future__ import annotations

import numpy as np
from numba import njit

from pipeline.evidence.states import Array

FAINT = -12.0
"""Log weight below which a group is left out of a building's sum."""


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
        low, high: ln r and ln(1 - r) of the rates at each point, less shifts, shape (n, 5, M).
        log_rest: log likelihood less log proposal density, shape (n, M).
        score: filled, by building: expected membership of each group, then expected ln r and
            ln(1 - r) within it, shape (n, G, 11).
        out: filled: log marginal likelihood up to a constant, shape (n,).
    """
    buildings, rates, count = low.shape
    groups = a.shape[0]
    joint = np.empty((groups, count))
    for n in range(buildings):
        top = -1e300
        for g in range(groups):
            if log_group[n, g] < FAINT:
                continue
            own, start = joint[g], log_group[n, g] + constant[g]
            for m in range(count):
                own[m] = start + log_rest[n, m]
            for r in range(rates):
                x, y = a[g, r], b[g, r]
                for m in range(count):
                    own[m] += x * low[n, r, m] + y * high[n, r, m]
            for m in range(count):
                top = max(top, own[m])
        total = 0.0
        for g in range(groups):
            for i in range(11):
                score[n, g, i] = 0.0
            if log_group[n, g] < FAINT:
                continue
            own, held = joint[g], 0.0
            for m in range(count):
                own[m] = np.exp(own[m] - top)
                held += own[m]
            total += held
            score[n, g, 0] = held
            for r in range(rates):
                x, y = 0.0, 0.0
                for m in range(count):
                    x += own[m] * low[n, r, m]
                    y += own[m] * high[n, r, m]
                score[n, g, 1 + r], score[n, g, 6 + r] = x, y
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
    joint = np.empty((groups, count))
    low, high = np.empty(count), np.empty(count)
    for n in range(buildings):
        # What the other rates say does not depend on the shift.
        for g in range(groups):
            for m in range(count):
                joint[g, m] = log_group[n, g] + constant[g] + log_rest[n, m]
        for r in range(rates):
            if r == rate:
                continue
            _log_shares(log_odds[n, r], shift[n, r], low, high)
            for g in range(groups):
                if log_group[n, g] < FAINT:
                    continue
                x, y = a[g, r], b[g, r]
                for m in range(count):
                    joint[g, m] += x * low[m] + y * high[m]
        for e in range(effects.shape[0]):
            _log_shares(log_odds[n, rate], shift[n, rate] + effects[e], low, high)
            top, total = -1e300, 0.0
            for g in range(groups):
                if log_group[n, g] < FAINT:
                    continue
                x, y = a[g, rate], b[g, rate]
                for m in range(count):
                    top = max(top, joint[g, m] + x * low[m] + y * high[m])
            for g in range(groups):
                if log_group[n, g] < FAINT:
                    continue
                x, y = a[g, rate], b[g, rate]
                for m in range(count):
                    total += np.exp(joint[g, m] + x * low[m] + y * high[m] - top)
            out[e, n] = top + np.log(total)


@njit(cache=True, fastmath=True, nogil=True)
def _log_shares(log_odds: Array, shift: float, low: Array, high: Array) -> None:
    """Logarithms of a rate and of its complement, from its log odds less a shift, all (M,)."""
    for m in range(log_odds.shape[0]):
        value = log_odds[m] - shift
        rest = np.log1p(np.exp(-abs(value)))
        low[m] = min(value, 0.0) - rest
        high[m] = min(-value, 0.0) - rest
