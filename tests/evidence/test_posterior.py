"""The posterior against enumeration, against scipy's beta-binomial, and the traps of the trade."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from pipeline.evidence.kinds import Kinds, rate_features
from pipeline.evidence.likelihood import Likelihoods
from pipeline.evidence.model import Model
from pipeline.evidence.portfolio import Portfolio
from pipeline.evidence.posterior import compute_posterior
from pipeline.evidence.priors import Priors, mean_kinds
from shared.rule_book import RuleBook
from shared.vocabulary import CONDITIONS, Condition, Selection
from tests.evidence.conftest import Opening
from tests.evidence.exact import enumerate_building

TWO, THREE = 0, 1
PASS = "three_lamp_tester|correct|usual"
OPEN_GROUND = "three_lamp_tester|open_ground|usual"
BOX_FALSE = "cover_off_inspection|false_ground|usual"
BOX_GROUNDED = "cover_off_inspection|correct|usual"
REVERSED = "three_lamp_tester|hot_neutral_reversed|usual"
Make = Callable[..., Portfolio]


@pytest.fixture(scope="module")
def likelihoods(rule_book: RuleBook) -> Likelihoods:
    return Likelihoods(rule_book)


def _index(condition: Condition) -> int:
    return CONDITIONS.index(condition)


def test_kinds_are_a_whole(kinds: Kinds) -> None:
    log_odds = np.random.default_rng(1).normal(0, 4, size=(50, 5))
    total = np.exp(kinds.log_probability(rate_features(log_odds))).sum(axis=1)
    np.testing.assert_allclose(total, 1.0, rtol=1e-12)


def test_false_grounds_need_ungrounded_origin_and_conversion(kinds: Kinds) -> None:
    false = np.isin(
        kinds.conditions,
        [_index(Condition.FALSE_GROUND), _index(Condition.REVERSED_FALSE_GROUND)],
    )
    assert false.any()
    # Columns 0 and 4 are the factors "ungrounded origin" and "false ground".
    assert np.all(kinds.design[false, 0] == 1)
    assert np.all(kinds.design[false, 4] == 1)
    assert not np.any(kinds.slots[false] == TWO)
    three = false & (kinds.slots == THREE)
    assert np.all(kinds.design[three, 2] == 1)


CASES = {
    "a pass and two unseen": [(PASS, THREE), (None, None), (None, None)],
    "two-slot, pass, open ground": [(PASS, TWO), (PASS, THREE), (OPEN_GROUND, THREE)],
    "a false ground found": [(BOX_FALSE, THREE), (PASS, THREE), (None, None)],
    "a sound box": [(BOX_GROUNDED, THREE), (BOX_GROUNDED, THREE), (None, None)],
    "reversed": [(REVERSED, THREE), (PASS, None), (None, None)],
}


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("era", [1, 3, 5])
def test_agrees_with_enumeration(
    name: str,
    era: int,
    model: Model,
    kinds: Kinds,
    likelihoods: Likelihoods,
    portfolio_of: Make,
) -> None:
    openings = [
        Opening(
            weights=None if code is None else likelihoods.weights(code),
            slots=-1 if slots is None else slots,
        )
        for code, slots in CASES[name]
    ]
    weights = np.array(
        [
            np.ones(len(kinds.slots))
            if o.weights is None
            else np.asarray(o.weights)[kinds.conditions]
            * ((o.slots < 0) | (kinds.slots == o.slots))
            for o in openings
        ]
    )
    danger = np.array(
        [
            o.protection * kinds.danger_protected + (1 - o.protection) * kinds.danger_unprotected
            for o in openings
        ]
    )
    weight_of_era = np.eye(6)[era] * 0.9 + model.priors.shares * 0.1
    condition, number = enumerate_building(kinds, model.priors, weight_of_era, weights, danger)
    found = compute_posterior(
        model, portfolio_of([[(o, 1) for o in openings]], [weight_of_era]), keep_pmf=True
    )
    # The simulation error: a probability's standard deviation over the root of the points.
    error = 4 * 0.5 / np.sqrt(found.effective_points[0])
    np.testing.assert_allclose(found.condition, condition, atol=min(error, 0.06))
    assert found.p_any[0] == pytest.approx(1 - number[0], abs=min(error, 0.06))
    mean = number @ np.arange(len(number))
    assert found.dangerous[0] == pytest.approx(mean, abs=3 * min(error, 0.06))


def test_many_points_come_closer(
    model: Model,
    kinds: Kinds,
    likelihoods: Likelihoods,
    portfolio_of: Make,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """With fifty times the points the estimate is within one per cent of enumeration."""
    for name in ("SHARED_POINTS", "FIRST_POINTS", "SECOND_POINTS"):
        monkeypatch.setattr(f"pipeline.evidence.points.{name}", 4096)
    openings = [
        Opening(likelihoods.weights(PASS), THREE),
        Opening(likelihoods.weights(OPEN_GROUND), THREE),
        Opening(),
    ]
    weights = np.array(
        [
            likelihoods.weights(PASS)[kinds.conditions] * (kinds.slots == THREE),
            likelihoods.weights(OPEN_GROUND)[kinds.conditions] * (kinds.slots == THREE),
            np.ones(len(kinds.slots)),
        ]
    )
    danger = np.tile(0.1 * kinds.danger_protected + 0.9 * kinds.danger_unprotected, (3, 1))
    condition, _ = enumerate_building(kinds, model.priors, np.eye(6)[2], weights, danger)
    found = compute_posterior(model, portfolio_of([[(o, 1) for o in openings]], [np.eye(6)[2]]))
    np.testing.assert_allclose(found.condition, condition, atol=0.01)


def test_reduces_to_the_beta_binomial(model: Model, portfolio_of: Make) -> None:
    """All converted on ungrounded wiring, perfect looks: scipy.stats.betabinom is the answer."""
    sure, never = (5e4, 1e-2), (1e-2, 5e4)
    rates = [sure, sure, (2.0, 5.0), never, never]
    a, b = np.array(rates).T
    sharp = replace(
        model,
        priors=Priors(np.tile(a, (1, 1)), np.tile(b, (1, 1)), np.ones(1)),
        typical_kinds=model.typical_kinds,
    )
    perfect = [np.where(np.arange(len(CONDITIONS)) == i, 1.0, 1e-9) for i in range(len(CONDITIONS))]
    false, plain = perfect[_index(Condition.FALSE_GROUND)], perfect[_index(Condition.UNGROUNDED)]
    # Fully protected, so that of the converted openings only false grounds are dangerous.
    building = [
        (Opening(false, THREE, 1.0), 3),
        (Opening(plain, THREE, 1.0), 9),
        (Opening(None, -1, 1.0), 20),
    ]
    found = compute_posterior(sharp, portfolio_of([building], np.ones((1, 1))), keep_pmf=True)
    reference = stats.betabinom(20, 2 + 3, 5 + 9)
    assert found.dangerous[0] - 3 == pytest.approx(reference.mean(), abs=0.15)
    first, pmf = found.pmf[0]
    expected = reference.pmf(np.arange(first, first + len(pmf)) - 3)
    assert 0.5 * np.abs(pmf - expected).sum() < 0.05
    assert found.p_any[0] == pytest.approx(1.0, abs=1e-6)


def test_a_pass_never_tells_grounded_from_false_ground(
    model: Model, likelihoods: Likelihoods, portfolio_of: Make
) -> None:
    """However many hands pass an opening, the odds of false ground to grounded stay."""
    once = likelihoods.weights(PASS)
    five = once**5
    # Two-slot openings were counted, not tested: they show wiring of ungrounded origin.
    counted = (Opening(np.ones(len(CONDITIONS)), TWO), 6)
    mixed = [counted, (Opening(once, THREE), 6)]
    again = [counted, (Opening(five / five.max(), THREE), 6)]
    found = compute_posterior(model, portfolio_of([mixed, again], np.eye(6)[[1, 1]]))
    odds = (
        found.condition[[1, 3], _index(Condition.FALSE_GROUND)]
        / found.condition[[1, 3], _index(Condition.GROUNDED)]
    )
    assert odds[0] > 0.3, "passes at converted openings of a 1940s house are weak evidence"
    assert odds[1] == pytest.approx(odds[0], rel=0.25)


def test_capable_methods_do_tell(
    model: Model, likelihoods: Likelihoods, portfolio_of: Make
) -> None:
    buildings = [
        [(Opening(likelihoods.weights(code), THREE), 1)] for code in (PASS, BOX_GROUNDED, BOX_FALSE)
    ]
    found = compute_posterior(model, portfolio_of(buildings, np.eye(6)[[1, 1, 1]]))
    false = found.condition[:, _index(Condition.FALSE_GROUND)]
    assert false[1] < 0.2 * false[0]
    assert false[2] > 0.8


def test_modern_wiring_and_two_slots_are_not_falsely_grounded(
    model: Model, likelihoods: Likelihoods, portfolio_of: Make
) -> None:
    passes = likelihoods.weights(PASS)
    found = compute_posterior(
        model,
        portfolio_of(
            [[(Opening(passes, THREE), 10)], [(Opening(passes, TWO), 10)]], np.eye(6)[[5, 1]]
        ),
    )
    false = found.condition[:, _index(Condition.FALSE_GROUND)]
    assert false[0] < 0.005
    assert false[1] == 0.0
    assert found.danger[1] == 0.0


def test_a_missing_year_averages_over_eras(model: Model, portfolio_of: Make) -> None:
    """Without looks the expected harm is exactly the eras' average."""
    share = np.array([0.1, 0.2, 0.3, 0.2, 0.1, 0.1])
    found = compute_posterior(
        model, portfolio_of([[(Opening(), 40)] for _ in range(7)], np.vstack([np.eye(6), share]))
    )
    harm = found.split[:, 1, 1, 1, 0]
    assert harm[6] == pytest.approx(share @ harm[:6], rel=1e-9)
    kind = share @ mean_kinds(model.kinds, model.priors, np.zeros((1, 5)))[0]
    danger = 0.1 * model.kinds.danger_protected + 0.9 * model.kinds.danger_unprotected
    assert found.dangerous[6] == pytest.approx(40 * kind @ danger, rel=0.1)


def test_missing_protection_is_integrated_over(
    model: Model, likelihoods: Likelihoods, portfolio_of: Make
) -> None:
    weights = likelihoods.weights(OPEN_GROUND)
    found = compute_posterior(
        model,
        portfolio_of(
            [[(Opening(weights, THREE, p), 1)] for p in (0.02, 0.3, 0.98)], np.eye(6)[[1, 1, 1]]
        ),
    )
    no, unknown, yes = found.danger
    assert yes < unknown < no
    assert unknown == pytest.approx(no + (yes - no) * (0.3 - 0.02) / 0.96, abs=0.02)


def test_a_targeted_look_says_less_of_the_rest(
    model: Model, likelihoods: Likelihoods, portfolio_of: Make
) -> None:
    def building(selection: Selection) -> list[tuple[Opening, int]]:
        return [
            (Opening(likelihoods.weights(BOX_FALSE), THREE, selection=selection), 4),
            (Opening(), 40),
        ]

    found = compute_posterior(
        model,
        portfolio_of(
            [building(Selection.RANDOM), building(Selection.TARGETED), [(Opening(), 44)]],
            np.eye(6)[[2, 2, 2]],
        ),
    )
    seen = found.danger[[0, 2]]
    rest = found.danger[[1, 3]]
    assert seen[1] == pytest.approx(seen[0], abs=0.03), "it counts fully for the opening seen"
    assert rest[1] < rest[0] - 0.03, "its effect on the rest is discounted"
    assert found.danger[4] < rest[1], "but not ignored"
    assert found.slots[3, THREE] < found.slots[1, THREE], "slot mix included"


def test_wiring_method_moves_the_odds(model: Model, portfolio_of: Make) -> None:
    shift = np.zeros((3, 5))
    shift[1, 0], shift[2, 0] = np.log(12.0), np.log(0.08)
    found = compute_posterior(
        model, portfolio_of([[(Opening(), 30)]] * 3, np.eye(6)[[2, 2, 2]], shift)
    )
    assert found.dangerous[2] < found.dangerous[0] < found.dangerous[1]


def test_same_input_same_output_whoever_else_is_there(
    model: Model, likelihoods: Likelihoods, portfolio_of: Make
) -> None:
    building = [(Opening(likelihoods.weights(PASS), THREE), 8), (Opening(), 20)]
    other = [(Opening(likelihoods.weights(OPEN_GROUND), THREE), 3)]
    alone = compute_posterior(model, portfolio_of([building], np.eye(6)[[1]]))
    among = compute_posterior(model, portfolio_of([building, other, other], np.eye(6)[[1, 2, 3]]))
    np.testing.assert_allclose(among.condition[:2], alone.condition, rtol=1e-9)
    assert among.dangerous[0] == pytest.approx(alone.dangerous[0], rel=1e-9)


def test_a_proven_repair_mends_its_opening_and_nothing_else(
    model: Model, likelihoods: Likelihoods, portfolio_of: Make
) -> None:
    found_false = likelihoods.weights(BOX_FALSE)

    def building(repaired: int) -> list[tuple[Opening, int]]:
        return [(Opening(found_false, THREE, repaired=repaired), 3), (Opening(), 30)]

    grounded = _index(Condition.GROUNDED)
    result = compute_posterior(
        model, portfolio_of([building(-1), building(grounded)], np.eye(6)[[1, 1]])
    )
    before, after = result.danger[0], result.danger[2]
    assert before > 0.9
    assert after == pytest.approx(model.repair_doubt * before, rel=0.05)
    assert result.condition[2].sum() == pytest.approx(1.0)
    assert result.condition[2, grounded] > 0.9
    assert result.danger[3] == pytest.approx(result.danger[1], rel=0.1), "the hand stays the hand"
    assert result.dangerous[1] == pytest.approx(
        result.dangerous[0] - 3 * (before - after), rel=0.05
    )
    assert result.split[1, 1, 1, 1, 0] < result.split[0, 1, 1, 1, 0]
    np.testing.assert_allclose(result.split[1, :, 0], result.split[0, :, 0], rtol=0.2)
