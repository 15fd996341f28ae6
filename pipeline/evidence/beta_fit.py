"""Beta distributions from averages of ln p and ln(1-p): maximum likelihood, many at once."""

from __future__ import annotations

import numpy as np
from scipy import special

from pipeline.evidence.kinds import Array

_SMALLEST, _LARGEST = 0.02, 5e4


def fit_beta(mean_log: Array, mean_log_complement: Array, rounds: int = 25) -> tuple[Array, Array]:
    """Solve psi(a) - psi(a+b) = E ln p and psi(b) - psi(a+b) = E ln(1-p), elementwise.

    Args:
        mean_log, mean_log_complement: averages of ln p and ln(1-p), any shape.
        rounds: Newton steps on (ln a, ln b).

    Returns:
        a and b, bounded to 0.02 to 50,000 (an average on the boundary has no finite solution).
    """
    share = np.exp(mean_log) / (np.exp(mean_log) + np.exp(mean_log_complement))
    share = share.clip(1e-4, 1 - 1e-4)
    a, b = share * 1.0, (1 - share) * 1.0
    for _ in range(rounds):
        together = special.digamma(a + b)
        first = special.digamma(a) - together - mean_log
        second = special.digamma(b) - together - mean_log_complement
        curve = special.polygamma(1, a + b)
        # Hessian of the log likelihood in (ln a, ln b), with the gradient term kept out: it is the
        # Fisher information and always definite.
        aa, bb = (
            a * a * (special.polygamma(1, a) - curve),
            b * b * (special.polygamma(1, b) - curve),
        )
        ab = -a * b * curve
        determinant = np.maximum(aa * bb - ab * ab, 1e-300)
        step_a = -(bb * a * first - ab * b * second) / determinant
        step_b = -(aa * b * second - ab * a * first) / determinant
        a = (a * np.exp(step_a.clip(-1, 1))).clip(_SMALLEST, _LARGEST)
        b = (b * np.exp(step_b.clip(-1, 1))).clip(_SMALLEST, _LARGEST)
    return a, b
