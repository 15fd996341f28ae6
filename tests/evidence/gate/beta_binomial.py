"""An afternoon's baseline: shares by era × rewired, beta-binomial from building to building.

Three shares, each fitted in the same way: of openings looked at, those that show themselves
dangerous to any look (a three-slot opening without a ground and without protection; a ground
contact that is hot); of the rest, those with two slots only; of three-slot openings that show
nothing to lamps, those that a voltmeter under load or an opened cover finds bonded. A pass of the
lamps counts for nothing in the third share: that is how weak a pass is.

No circuits, no dwellings, no readers, no misreading.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import betaln, gammaln

from tests.evidence.gate.answers import Answers
from tests.evidence.gate.generate import OPENING, Portfolio
from tests.evidence.gate.hierarchy import Floats

ERAS = (1940, 1955, 1965, 1975, 1990)
"""First years of the later eras; six in all."""

_MEANS = np.concatenate([[0.002, 0.005], np.linspace(0.01, 0.99, 99), [0.995]])
_STRENGTHS = np.geomspace(0.3, 100, 24)
_LENT = 2.0
"""Openings' worth of the whole portfolio's share that each group is lent."""
_DRAWS = 4000


def log_chance(successes: Floats, trials: Floats, a: Floats, b: Floats) -> Floats:
    """Logarithm of the beta-binomial probability."""
    ways = gammaln(trials + 1) - gammaln(successes + 1) - gammaln(trials - successes + 1)
    return np.asarray(ways + betaln(successes + a, trials - successes + b) - betaln(a, b))


@dataclass(frozen=True)
class Fit:
    """Beta priors by group: mean by group, one strength for all."""

    mean: Floats
    strength: float

    def posterior(
        self, group: NDArray[np.intp], successes: Floats, trials: Floats
    ) -> tuple[Floats, Floats]:
        """A building's beta distribution (a, b) once its own counts are in."""
        mean = self.mean[group]
        a = mean * self.strength + successes
        return a, (1 - mean) * self.strength + trials - successes


def fit(group: NDArray[np.intp], successes: Floats, trials: Floats, groups: int) -> Fit:
    """Most likely means and strength; each group is lent a little of the whole's share."""
    whole = (successes.sum() + 0.5) / (trials.sum() + 1.0)
    a = _MEANS[:, None] * _STRENGTHS
    b = (1 - _MEANS)[:, None] * _STRENGTHS
    lent = _LENT * (whole * np.log(_MEANS) + (1 - whole) * np.log(1 - _MEANS))
    total = np.tile(lent[None, :, None], (groups, 1, len(_STRENGTHS)))
    for number in range(groups):
        here = (group == number) & (trials > 0)
        each = log_chance(successes[here, None, None], trials[here, None, None], a, b)
        total[number] += each.sum(axis=0)
    strength = int(total.max(axis=1).sum(axis=0).argmax())
    return Fit(_MEANS[total[:, :, strength].argmax(axis=1)], float(_STRENGTHS[strength]))


def answers(portfolio: Portfolio, seed: int = 0) -> Answers:
    """The baseline's answers about a portfolio."""
    openings = seen(portfolio.looks)
    register = portfolio.register.sort_values("building_id").reset_index(drop=True)
    era = np.searchsorted(ERAS, register["year_built"].to_numpy(), side="right")
    group = era * 2 + register["year_rewired"].notna().to_numpy()
    groups = 2 * (len(ERAS) + 1)
    names = register["building_id"]

    def count(chosen: pd.Series) -> Floats:
        by_building = openings[chosen].groupby("building_id").size()
        return by_building.reindex(names, fill_value=0).to_numpy(float)

    shown, two_slot = openings["shown"], openings["two_slot"]
    rest = ~shown & ~two_slot
    told = rest & openings["capable"]
    shares = [
        (count(shown), count(shown | ~shown)),
        (count(~shown & two_slot), count(~shown)),
        (count(told & openings["bonded"]), count(told)),
    ]
    beliefs = [fit(group, s, n, groups).posterior(group, s, n) for s, n in shares]
    means = [a / (a + b) for a, b in beliefs]

    # What is known of openings that were looked at, then what is not looked at, by simulation.
    rng = np.random.default_rng(seed)
    draws = [rng.beta(a, b, size=(_DRAWS, len(names))) for a, b in beliefs]
    unseen = np.maximum(register["receptacle_count"].to_numpy() - shares[0][1], 0).astype(int)
    each = draws[0] + (1 - draws[0]) * (1 - draws[1]) * draws[2]
    sure = count(shown | (told & openings["bonded"]))
    passed = count(rest & ~openings["capable"]).astype(int)
    total = sure + rng.binomial(passed, draws[2]) + rng.binomial(unseen, each)
    expected = (
        sure + passed * means[2] + unseen * (means[0] + (1 - means[0]) * (1 - means[1]) * means[2])
    )
    low, high = np.quantile(total, [0.05, 0.95], axis=0, method="inverted_cdf").astype(int)
    frame = pd.DataFrame({"building_id": names, "expected": expected, "low": low, "high": high})
    frame["place"] = frame["expected"].rank(ascending=False, method="first")

    hidden = openings["building_id"].map(dict(zip(names, means[2], strict=True))).to_numpy(float)
    known = np.where(shown, 0.97, np.where(two_slot, 0.01, hidden))
    known = np.where(told, np.where(openings["bonded"], 0.97, 0.02), known)
    return Answers(frame, openings[OPENING].assign(p_dangerous=known, p_live=np.nan))


def seen(looks: pd.DataFrame) -> pd.DataFrame:
    """What was seen of each opening looked at.

    Returns:
        Columns building_id, opening_id and, yes or no: shown (dangerous at sight), two_slot,
        capable (looked at by a method able to see a bond), bonded (it saw one).
    """
    no_ground = looks["result"].eq("open_ground") & looks["slots"].eq("three_slot")
    hot = looks["result"].eq("hot_ground_reversed")
    bonded = looks["result"].isin(["false_ground", "reversed_false_ground"])
    rows = looks[OPENING].assign(
        no_ground=no_ground,
        hot=hot,
        two_slot=looks["slots"].eq("two_slot"),
        capable=looks["method"].isin(["voltmeter_under_load", "cover_off_inspection"]),
        bonded=bonded,
        protected=looks["gfci_protected"].eq("yes"),
    )
    found = rows.groupby(OPENING, as_index=False).any()
    found["shown"] = found["hot"] | (found["no_ground"] & ~found["protected"] & ~found["bonded"])
    return found[[*OPENING, "shown", "two_slot", "capable", "bonded"]]
