"""Compiled curves behind the priors: a mixture of betas, and a cubic by its slopes."""

from __future__ import annotations

from typing import cast

import numpy as np
import numpy.typing as npt
from numba import njit

from pipeline.evidence.states import Array

Ints = npt.NDArray[np.int64]


@njit(cache=True, nogil=True)
def mixture(a: Array, b: Array, constant: Array, low: Array, high: Array, out: Array) -> None:
    """Log density of log odds over K equally likely betas, and its slope.

    Args:
        a, b: their parameters, shape (K,).
        constant: log normalising constants, shape (K,).
        low, high: ln of the rate and of its complement at each of the log odds, shape (n,).
        out: filled: log density and slope, shape (2, n).
    """
    count = len(a)
    each = np.empty(count)
    for i in range(len(low)):
        top = -1e300
        for k in range(count):
            each[k] = a[k] * low[i] + b[k] * high[i] - constant[k]
            top = max(top, each[k])
        total, rising, falling = 0.0, 0.0, 0.0
        for k in range(count):
            # What is smaller than the largest by e^-40 leaves no trace in the sum.
            if each[k] > top - 40.0:
                weight = np.exp(each[k] - top)
                total += weight
                rising += weight * a[k]
                falling += weight * b[k]
        out[0, i] = top + np.log(total / count)
        out[1, i] = (np.exp(high[i]) * rising - np.exp(low[i]) * falling) / total


@njit(cache=True, nogil=True)
def _cubic(x: Array, y: Array, slope: Array, order: Ints, wanted: Array, out: Array) -> None:
    """See ``cubic``; walks along both."""
    right, last = 1, len(x) - 1
    for place in range(len(order)):
        own = order[place]
        at = min(max(wanted[own], x[0]), x[last])
        while right < last and x[right] < at:
            right += 1
        left = right - 1
        step = x[right] - x[left]
        t = (at - x[left]) / step
        rise = y[right] - y[left]
        bend_left, bend_right = slope[left] * step - rise, rise - slope[right] * step
        out[own] = y[left] + t * (rise + (1 - t) * (bend_left * (1 - t) + bend_right * t))


def cubic(x: Array, y: Array, slope: Array, order: Ints, wanted: Array) -> Array:
    """Values at ``wanted`` (m,): cubic between the nodes by their slopes (Hermite), at the ends as
    far as the nodes go.

    Args:
        x, y, slope: the nodes, x rising, shape (n,).
        order: the order in which ``wanted`` rises, shape (m,).
        wanted: where, shape (m,).
    """
    out = np.empty(len(wanted))
    _cubic(x, y, slope, order, wanted, out)
    return cast("Array", out)
