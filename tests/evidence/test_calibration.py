"""Does it know what it knows? Against simulated portfolios with known truth.

The truth's hyperparameters are not the rule book's, so the portfolio has to teach them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from pipeline.evidence.model import Model, build_model
from pipeline.evidence.portfolio import Portfolio
from scipy import stats
from sklearn.calibration import calibration_curve
from sklearn.metrics import brier_score_loss

from pipeline.evidence.learning import learn
from pipeline.evidence.posterior import Posterior, compute_posterior
from pipeline.evidence.priors import Priors, default_priors
from pipeline.scoring.severity import severity_array
from shared.rule_book import RuleBook
from shared.vocabulary import Selection
from tests.evidence.simulation import Simulated, simulate

BUILDINGS = 2200


def _truth(rule_book: RuleBook) -> Priors:
    default = default_priors(rule_book)
    a, b = default.a.copy(), default.b.copy()
    for rate, mean, strength in ((1, 0.6, 3.0), (2, 0.3, 1.2), (3, 0.04, 6.0)):
        a[:, rate], b[:, rate] = mean * strength, (1 - mean) * strength
    return Priors(a, b, default.shares)


@pytest.fixture(scope="module", params=[Selection.RANDOM, Selection.TARGETED])
def known(
    request: pytest.FixtureRequest, rule_book: RuleBook, model: Model
) -> Iterator[tuple[Simulated, Posterior, Posterior]]:
    """Truth, posterior, and the posterior of a model that knows only the era."""
    simulated = simulate(rule_book, _truth(rule_book), BUILDINGS, 7, selection=request.param)
    learned = learn(rule_book, model, simulated.portfolio, {})
    taught = build_model(rule_book, learned.priors, severity_array(rule_book))
    blind = _blind(simulated.portfolio)
    yield (
        simulated,
        compute_posterior(taught, simulated.portfolio, keep_pmf=True),
        compute_posterior(taught, blind),
    )


def _blind(portfolio: Portfolio) -> Portfolio:
    known = portfolio.signatures
    return replace(
        portfolio,
        signatures=replace(
            known,
            condition_weights=np.ones_like(known.condition_weights),
            slots=np.full_like(known.slots, -1),
            looked=np.zeros_like(known.looked),
        ),
    )


def _interval_score(posterior: Posterior, truth: np.ndarray, alpha: float = 0.1) -> float:
    """Gneiting and Raftery (2007), from memory: width plus 2/alpha times what lies outside."""
    low, high = posterior.dangerous_low, posterior.dangerous_high
    outside = np.maximum(low - truth, 0) + np.maximum(truth - high, 0)
    return float((high - low + 2 / alpha * outside).mean())


def _randomised_pit(posterior: Posterior, truth: np.ndarray) -> np.ndarray:
    generator = np.random.default_rng(3)
    result = []
    for building, count in enumerate(truth):
        first, pmf = posterior.pmf[building]
        cumulative = np.concatenate([[0.0], np.cumsum(pmf)])
        place = int(np.clip(count - first, -1, len(pmf)))
        below = cumulative[max(0, min(place, len(pmf)))]
        here = pmf[place] if 0 <= place < len(pmf) else 0.0
        result.append(below + generator.random() * here)
    return np.array(result)


@pytest.mark.long
def test_counts_are_calibrated(known: tuple[Simulated, Posterior, Posterior]) -> None:
    simulated, found, era_only = known
    truth = simulated.dangerous
    inside = (truth >= found.dangerous_low) & (truth <= found.dangerous_high)
    assert inside.mean() >= 0.87
    # Uniform but for chance: a systematic bias of 0.05 would be seen with 2,200 buildings.
    assert stats.kstest(_randomised_pit(found, truth), "uniform").statistic < 0.04
    assert found.dangerous.sum() == pytest.approx(truth.sum(), rel=0.04)
    assert _interval_score(found, truth) < 0.6 * _interval_score(era_only, truth)


@pytest.mark.long
def test_opening_probabilities_are_calibrated(
    known: tuple[Simulated, Posterior, Posterior],
) -> None:
    """Reliability and Brier score, by scikit-learn."""
    simulated, found, era_only = known
    count = simulated.portfolio.row_count.astype(int)
    outcome = np.concatenate(
        [
            np.repeat([1, 0], [yes, total - yes])
            for yes, total in zip(simulated.row_dangerous, count, strict=True)
        ]
    )
    chance = np.repeat(found.danger, count)
    observed, said = calibration_curve(outcome, chance, n_bins=10, strategy="quantile")
    np.testing.assert_allclose(observed, said, atol=0.04)
    brier = brier_score_loss(outcome, chance)
    base = outcome.mean()
    assert brier < 0.6 * base * (1 - base), "against the base rate"
    assert brier < 0.8 * brier_score_loss(outcome, np.repeat(era_only.danger, count))
