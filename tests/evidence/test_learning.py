"""What the portfolio teaches: against scipy's beta-binomial likelihood, and the crews."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize, special, stats

from pipeline.evidence.beta_fit import fit_beta
from pipeline.evidence.inspectors import classify_inspectors
from pipeline.evidence.learning import crew_shift, learn
from pipeline.evidence.model import Model, build_model
from pipeline.evidence.portfolio import Portfolio
from pipeline.evidence.priors import (
    Priors,
    beta_log_odds,
    default_priors,
    mean_rates,
    prior_points,
)
from pipeline.scoring.severity import severity_array
from shared.rule_book import RuleBook
from shared.vocabulary import CONDITIONS, Condition
from tests.evidence.conftest import Opening
from tests.evidence.simulation import simulate

Make = Callable[..., Portfolio]

# Tumours in 71 groups of rats: Tarone (1982), as table 5.1 of Gelman et al., Bayesian Data
# Analysis; from memory. The counts are the input of both sides of the check; no published estimate
# is relied on.
RATS_Y = [
    *[0] * 14,
    *[1] * 8,
    *[2] * 9,
    *[1, 5, 2, 5, 3, 2, 7, 7, 3, 3, 2, 9, 10],
    *[4] * 7,
    *[10, 4, 4, 4, 5, 11, 12, 5, 5, 6, 5, 6, 6, 6, 6, 16, 15, 15, 9, 4],
]
RATS_N = [
    *[20, 20, 20, 20, 20, 20, 20, 19, 19, 19, 19, 18, 18, 17],
    *[20, 20, 20, 20, 19, 19, 18, 18],
    *[25, 24, 23, 20, 20, 20, 20, 20, 20],
    *[10, 49, 19, 46, 27, 17, 49, 47, 20, 20, 13, 48, 50],
    *[20] * 7,
    *[48, 19, 19, 19, 22, 46, 49, 20, 20, 23, 19, 22, 20, 20, 20, 52, 46, 47, 24, 14],
]


def _beta_binomial_fit(hits: np.ndarray, tries: np.ndarray) -> tuple[float, float]:
    found = optimize.minimize(
        lambda logs: -stats.betabinom.logpmf(hits, tries, *np.exp(logs)).sum(),
        np.zeros(2),
        method="Nelder-Mead",
        options={"xatol": 1e-6, "fatol": 1e-8},
    )
    a, b = np.exp(found.x)
    return float(a), float(b)


def test_learning_is_beta_binomial_maximum_likelihood_where_looks_are_perfect(
    rule_book: RuleBook, model: Model, portfolio_of: Make
) -> None:
    assert len(RATS_Y) == len(RATS_N) == 71
    hits, tries = np.array(RATS_Y), np.array(RATS_N)
    a, b = _beta_binomial_fit(hits, tries)
    sure, never, start = (5e3, 0.05), (0.05, 5e3), (1.0, 5.0)
    alpha, beta = np.array([sure, sure, start, never, never]).T
    sharp = replace(model, priors=Priors(alpha[None], beta[None], np.ones(1)))
    perfect = np.eye(len(CONDITIONS)) + 1e-9
    buildings = [
        [
            (Opening(perfect[CONDITIONS.index(Condition.FALSE_GROUND)], 1), int(y)),
            (Opening(perfect[CONDITIONS.index(Condition.UNGROUNDED)], 1), int(n - y)),
        ]
        for y, n in zip(hits, tries, strict=True)
    ]
    light = rule_book.model_copy(
        update={
            "learning": rule_book.learning.model_copy(
                update={
                    "default_buildings": rule_book.learning.default_buildings.model_copy(
                        update={"value": 1e-3}
                    )
                }
            )
        }
    )
    learned = learn(light, sharp, portfolio_of(buildings, np.ones((71, 1))), {})
    mean = learned.priors.a[0, 2] / (learned.priors.a[0, 2] + learned.priors.b[0, 2])
    assert mean == pytest.approx(a / (a + b), rel=0.03)
    assert learned.priors.a[0, 2] + learned.priors.b[0, 2] == pytest.approx(a + b, rel=0.15)


def test_an_empty_portfolio_keeps_the_defaults(
    rule_book: RuleBook, model: Model, portfolio_of: Make
) -> None:
    nothing = portfolio_of([[(Opening(), 20)], [(Opening(), 9)]], np.eye(6)[[1, 2]])
    learned = learn(rule_book, model, nothing, {"owner": np.array([0, 1])})
    assert learned.buildings == 0
    np.testing.assert_array_equal(learned.priors.a, model.priors.a)
    assert not learned.crew["owner"].any()


@pytest.fixture(scope="module")
def truth(rule_book: RuleBook) -> Priors:
    """Hyperparameters unlike the defaults: more conversions and more false grounds."""
    default = default_priors(rule_book)
    a, b = default.a.copy(), default.b.copy()
    for rate, mean, strength in ((1, 0.65, 3.0), (2, 0.3, 1.2)):
        a[:, rate], b[:, rate] = mean * strength, (1 - mean) * strength
    return Priors(a, b, default.shares)


def test_a_large_portfolio_corrects_the_defaults(
    rule_book: RuleBook, model: Model, truth: Priors
) -> None:
    simulated = simulate(rule_book, truth, 600, seed=5)
    learned = learn(rule_book, model, simulated.portfolio, {})
    found = learned.priors.a / (learned.priors.a + learned.priors.b)
    default = model.priors.a / (model.priors.a + model.priors.b)
    wanted = truth.a / (truth.a + truth.b)
    for rate in (1, 2):
        early = slice(0, 3)
        off = np.abs(found[early, rate] - wanted[early, rate]).mean()
        assert off < 0.5 * np.abs(default[early, rate] - wanted[early, rate]).mean()


def test_a_crew_with_an_excess_is_found_and_none_is_shrunk_away(
    rule_book: RuleBook, model: Model, truth: Priors
) -> None:
    for effect in (0.0, 2.5):
        simulated = simulate(rule_book, truth, 500, seed=11, crew_effect=effect, crews=10)
        crews = {"owner": simulated.crew.astype(np.int64)}
        learned = learn(rule_book, model, simulated.portfolio, crews)
        others = np.abs(learned.crew["owner"][1:]).max()
        if effect:
            assert learned.crew_support["owner"] > 0.95
            assert learned.crew["owner"][0] > 1.0
            assert learned.crew["owner"][0] > 2 * others
            shift = crew_shift(learned, crews, 500)
            np.testing.assert_allclose(
                shift[simulated.crew == 0], learned.crew["owner"][0], rtol=1e-12
            )
        else:
            assert learned.crew_support["owner"] < 0.5
            assert np.abs(learned.crew["owner"]).max() < 0.3


def test_beta_fit_solves_its_equations() -> None:
    """Against scipy.stats.beta.fit on a large sample, and exactly on the moments themselves."""
    a, b = np.array([0.3, 2.0, 40.0]), np.array([5.0, 0.4, 60.0])
    both = special.digamma(a + b)
    found = fit_beta(special.digamma(a) - both, special.digamma(b) - both)
    np.testing.assert_allclose(found, [a, b], rtol=1e-4)
    sample = stats.beta(2.0, 5.0).rvs(4000, random_state=3)
    reference = stats.beta.fit(sample, floc=0, fscale=1)[:2]
    found = fit_beta(np.log(sample).mean(), np.log1p(-sample).mean())
    np.testing.assert_allclose([float(x) for x in found], reference, rtol=1e-3)


def test_quantiles_in_both_tails() -> None:
    u = np.array([1e-9, 0.3, 1 - 1e-9])
    a, b = np.full(3, 0.2), np.full(3, 9.0)
    p = special.betaincinv(a, b, u)
    np.testing.assert_allclose(beta_log_odds(a, b, u), special.logit(p), rtol=1e-6)
    np.testing.assert_allclose(beta_log_odds(b, a, 1 - u), -special.logit(p), rtol=1e-5)


def test_shifted_means_against_simulation(rule_book: RuleBook) -> None:
    priors = default_priors(rule_book)
    shift = np.zeros((1, 5))
    shift[0, 2] = 1.3
    rate = stats.beta(priors.a[1, 2], priors.b[1, 2]).rvs(200_000, random_state=1)
    moved = special.expit(special.logit(rate.clip(1e-300, 1 - 1e-16)) + 1.3)
    assert mean_rates(priors, shift)[0, 1, 2] == pytest.approx(moved.mean(), abs=0.004)
    assert mean_rates(priors, shift)[0, 1, 1] == pytest.approx(
        priors.a[1, 1] / (priors.a[1, 1] + priors.b[1, 1])
    )


def test_prior_points_have_the_priors_means(rule_book: RuleBook) -> None:
    priors = default_priors(rule_book)
    points = special.expit(prior_points(priors, 8192, 1)).mean(axis=0)
    wanted = priors.shares @ (priors.a / (priors.a + priors.b))
    np.testing.assert_allclose(points, wanted, rtol=0.03)


def _results(rows: list[tuple[str, str, str, int, int]]) -> object:
    import pandas as pd

    columns = ["inspector", "era", "result", "looks", "in_buildings"]
    frame = pd.DataFrame(rows, columns=columns)
    return frame.assign(slots="three_slot", method="three_lamp_tester")


def test_an_inspector_unlike_others_on_like_openings_is_a_reader_of_another_kind(
    rule_book: RuleBook,
) -> None:
    rows = []
    for index in range(8):
        rows += [
            (f"usual {index}", "e", "correct", 120, 40),
            (f"usual {index}", "e", "open_ground", 80, 40),
        ]
    rows += [("passes", "e", "correct", 195, 40), ("passes", "e", "open_ground", 5, 40)]
    rows += [
        ("scatters", "e", word, 25, 40)
        for word in (
            "correct",
            "open_ground",
            "open_hot",
            "open_neutral",
            "hot_neutral_reversed",
            "hot_ground_reversed",
            "false_ground",
            "reversed_false_ground",
        )
    ]
    judged = classify_inspectors(rule_book, _results(rows)).set_index("inspector")["reader"]  # type: ignore[arg-type]
    assert judged["passes"] == "passes_most"
    assert judged["scatters"] == "scattered"
    assert all(judged[f"usual {index}"] == "usual" for index in range(8))


def test_few_buildings_do_not_condemn_an_inspector(rule_book: RuleBook) -> None:
    """The same passes, all from one building that may just be sound."""
    rows = []
    for index in range(8):
        rows += [
            (f"usual {index}", "e", "correct", 120, 40),
            (f"usual {index}", "e", "open_ground", 80, 40),
        ]
    rows += [("one house", "e", "correct", 50, 1)]
    judged = classify_inspectors(rule_book, _results(rows)).set_index("inspector")["reader"]  # type: ignore[arg-type]
    assert judged["one house"] == "usual"


def test_a_model_needs_no_portfolio(rule_book: RuleBook) -> None:
    built = build_model(rule_book, default_priors(rule_book), severity_array(rule_book))
    assert built.typical_kinds.sum() == pytest.approx(1.0)
