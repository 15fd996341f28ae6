"""How good answers are, given the truth. ``test_measures`` works each of them out by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import betaln, gammaln

from tests.evidence.gate.answers import Answers
from tests.evidence.gate.generate import OPENING, Portfolio
from tests.evidence.gate.hierarchy import Floats

FIRST_SHARES = (0.1, 0.2, 0.3)
"""Shares of the buildings that are visited first."""
_FLOOR = 1e-6
"""A certainty is no better than this in a log score, so that one slip does not decide all."""


def gain(true: Floats, place: Floats) -> float:
    """Dangerous openings found by going in this order, as a share of the all-knowing order's.

    Found in the first 10, 20 and 30 % of the buildings, and averaged over the three.

    Args:
        true: dangerous openings by building.
        place: where each building stands in the order; the smallest is visited first.
    """
    order = np.argsort(place, kind="stable")
    reached = [max(1, round(share * len(true))) for share in FIRST_SHARES]
    found, best = np.cumsum(true[order]), np.cumsum(np.sort(true)[::-1])
    return float(sum(found[n - 1] for n in reached) / sum(best[n - 1] for n in reached))


def random_gain(true: Floats) -> float:
    """What visits in no order find on the mean, on the scale of ``gain``."""
    reached = [max(1, round(share * len(true))) for share in FIRST_SHARES]
    best = np.cumsum(np.sort(true)[::-1])
    return float(sum(reached) * true.mean() / sum(best[n - 1] for n in reached))


def cover(true: Floats, low: Floats, high: Floats) -> float:
    """Share of buildings whose true number lies in the interval, ends included."""
    return float(np.mean((low <= true) & (true <= high)))


def crps(
    true: Floats, expected: Floats, low: Floats, high: Floats, size: NDArray[np.int_]
) -> float:
    """Mean continuous ranked probability score of the number of dangerous openings; 0 is best.

    Contenders answer with a mean and an interval only, so every one of them, the exact posterior
    too, is scored by the same ``stand_in``. The score of a distribution F of whole numbers is the
    sum over k of (F(k) − [true ≤ k])².
    """
    scores = []
    for t, mean, left, right, n in zip(true, expected, low, high, size, strict=True):
        below = np.cumsum(stand_in(float(mean), int(left), int(right), int(max(n, t, right))))
        scores.append(float(np.sum((below - (np.arange(len(below)) >= t)) ** 2)))
    return float(np.mean(scores))


def stand_in(mean: float, low: int, high: int, size: int) -> Floats:
    """Chances of 0..size that go with a mean and a 90 % interval.

    The beta-binomial of that mean whose own interval has the nearest ends; of several as near the
    middle one; or all on the nearest whole number, if that is nearer still.
    """
    steps = np.arange(size + 1)
    certain = np.asarray(steps == min(round(mean), size), dtype=np.float64)
    share = min(max(mean / size, 1e-4), 1 - 1e-4) if size else 0.5
    strengths = np.geomspace(1e5, 0.05, 60)[:, None]
    a, b = share * strengths, (1 - share) * strengths
    ways = gammaln(size + 1) - gammaln(steps + 1) - gammaln(size - steps + 1)
    spread = np.exp(ways + betaln(steps + a, size - steps + b) - betaln(a, b))
    chances = np.vstack([spread / spread.sum(axis=1, keepdims=True), certain])
    below = np.cumsum(chances, axis=1)
    ends = (below < 0.05).sum(axis=1), (below < 0.95 - 1e-9).sum(axis=1)
    away = abs(ends[0] - low) + abs(ends[1] - high)
    nearest = np.flatnonzero(away[:-1] == away.min())
    return np.asarray(chances[nearest[len(nearest) // 2] if len(nearest) else -1])


def log_score(dangerous: NDArray[np.bool_], p: Floats) -> float:
    """Mean natural logarithm of the chance given to what was true; 0 is best."""
    p = np.clip(p, _FLOOR, 1 - _FLOOR)
    return float(np.mean(np.where(dangerous, np.log(p), np.log1p(-p))))


def pairs_within(
    building: NDArray[np.object_], dangerous: NDArray[np.bool_], p: Floats
) -> tuple[float, float]:
    """Pairs, one dangerous and one not in one building: how many p orders rightly, of how many.

    A tie is half right. The first by the second is the area under the curve within buildings; they
    are kept apart because pairs are few, and are summed over seeds before they are divided.
    """
    right = pairs = 0.0
    for _, rows in pd.DataFrame({"b": building, "d": dangerous, "p": p}).groupby("b"):
        bad = rows.loc[rows["d"], "p"].to_numpy()[:, None]
        sound = rows.loc[~rows["d"], "p"].to_numpy()
        right += float(np.sum(bad > sound) + 0.5 * np.sum(bad == sound))
        pairs += bad.shape[0] * len(sound)
    return right, pairs


def ratio(expected: float, true: float) -> float:
    """Expected ÷ true; missing where there is nothing true."""
    return expected / true if true else float("nan")


def merely_passed(portfolio: Portfolio) -> pd.DataFrame:
    """Three-slot openings whose every look was with three lamps and read "correct"."""
    looks = portfolio.looks
    good = (
        looks["method"].eq("three_lamp_tester")
        & looks["result"].eq("correct")
        & looks["slots"].eq("three_slot")
    )
    found = looks[OPENING].assign(good=good).groupby(OPENING, as_index=False)["good"].all()
    return found.loc[found["good"], OPENING]


def measure(portfolio: Portfolio, answers: Answers) -> dict[str, float]:
    """Every measure of one contender's answers about one portfolio."""
    openings = portfolio.truth.groupby("building_id")["dangerous"]
    truth = pd.DataFrame({"true": openings.sum().astype(float), "size": openings.size()})
    truth["visited"] = truth.index.isin(portfolio.looks["building_id"])
    b = truth.join(answers.buildings.set_index("building_id"), validate="1:1")
    assert len(answers.buildings) == len(truth) and b["expected"].notna().all()
    true, expected, low, high = (
        b[name].to_numpy(float) for name in ("true", "expected", "low", "high")
    )
    visited = b["visited"].to_numpy(bool)
    o = portfolio.truth.merge(answers.openings, on=OPENING, validate="1:1")
    looked = portfolio.looks[OPENING].drop_duplicates()
    assert len(o) == len(looked), "answers are about openings that were looked at, all of them"
    passed = o.merge(merely_passed(portfolio), on=OPENING)
    right, pairs = pairs_within(
        passed["building_id"].to_numpy(object),
        passed["dangerous"].to_numpy(bool),
        passed["p_dangerous"].to_numpy(float),
    )
    return {
        "gain": gain(true, b["place"].to_numpy(float)),
        "gain_by_rank": (
            gain(true, b["rank"].to_numpy(float)) if "rank" in b.columns else float("nan")
        ),
        "gain_at_random": random_gain(true),
        "cover": cover(true, low, high),
        "width": float(np.mean(high - low)),
        "crps": crps(true, expected, low, high, b["size"].to_numpy()),
        "log_score": log_score(o["dangerous"].to_numpy(bool), o["p_dangerous"].to_numpy(float)),
        "log_score_passed": log_score(
            passed["dangerous"].to_numpy(bool), passed["p_dangerous"].to_numpy(float)
        ),
        "pairs_right": right,
        "pairs": pairs,
        "expected_visited": float(expected[visited].sum()),
        "true_visited": float(true[visited].sum()),
        "expected_unvisited": float(expected[~visited].sum()),
        "true_unvisited": float(true[~visited].sum()),
        "expected_live": float(o["p_live"].sum(min_count=1)),
        "true_live": float(o["live"].sum()),
    }
