"""What must hold of Coverplate's answers, world by world and on the mean of worlds.

What is judged on a few seeds is judged with the noise of a few seeds: the exact posterior itself,
which is right by construction, expects 0.9 to 1.1 times what is true on a few seeds of one world,
covers 93 to 97 % (its intervals are whole numbers, ends included), and its lead in gain over the
beta-binomial differs by .04 from seed to seed. So a single world is held to its bound with so many
standard errors of its mean in hand that chance alone carries a model on the bound past it once in a
thousand (``CHANCE``, by Student's t). The errors come from differences within a seed wherever two
contenders are compared, and are pooled over worlds, for a few seeds say little of their own spread.
All worlds together are held to the bound with that of their mean: less by the root of their number.

With three seeds of three worlds a spread is known to a third of itself only. Three standard errors
taken for certain then stopped a sound model: the area under the curve in the world ``circuits`` is
.021 below the exact posterior's on the mean of fourteen seeds (standard error .006), and was .077
below on the mean of three others.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import t as student

from tests.evidence.gate.trial import BETA_BINOMIAL, COVERPLATE, EXACT, summary
from tests.evidence.gate.worlds import WORLDS

CHANCE = 0.001
"""Of one verdict failing by chance where the truth lies on the bound itself: some fifty things are
judged at once, and at one in twenty a sound model would be stopped in most runs."""

MEAN_OF_WORLDS = "mean of worlds"
BETTER_WHEN_HIGHER = {"gain": 1, "log_score": 1, "log_score_passed": 1, "crps": -1}
"""What Coverplate is compared with the beta-binomial on, and which way is better."""


@dataclass(frozen=True)
class Verdict:
    """Whether one thing holds in one world.

    Attributes:
        rule: what must hold.
        world: a world's name, or ``MEAN_OF_WORLDS``.
        found: the number found.
        least, most: bounds, noise included.
    """

    rule: str
    world: str
    found: float
    least: float = -np.inf
    most: float = np.inf

    @property
    def holds(self) -> bool:
        """Whether it does; a number that could not be worked out never does."""
        return self.least <= self.found <= self.most

    def __str__(self) -> str:
        return (
            f"{self.world}: {self.rule}: {self.found:.3f}, "
            f"wanted {self.least:.3f} to {self.most:.3f}"
        )


def noise(by_seed: pd.DataFrame) -> float:
    """Band of a mean that chance leaves once in ``1 / CHANCE`` times; worlds down, seeds across.

    The variance is pooled over worlds, and Student's t takes into account from how few seeds. With
    one seed nothing is known of it, and none is allowed.
    """
    worlds, seeds = by_seed.shape
    if seeds < 2:
        return 0.0
    error = float(np.sqrt(by_seed.var(axis=1, ddof=1).mean() / seeds))
    return error * float(student.isf(CHANCE, worlds * (seeds - 1)))


def judge(results: pd.DataFrame) -> list[Verdict]:
    """Everything that must hold, for the worlds that were run (see ``trial.run``)."""
    ran = [str(name) for name in results["world"].unique()]
    held = [name for name in ran if WORLDS[name].assumptions_hold]
    means = summary(results)
    return [
        *_not_below_the_beta_binomial(results, ran),
        *(_gain_near_exact(results, held) if held else ()),
        *_cover(results, ran),
        *(_width(results, held) if held else ()),
        *(_as_many_as_there_are(results, held) if held else ()),
        *(_place_tells(results, means, held) if held else ()),
    ]


def _by_seed(results: pd.DataFrame, measure: str, contender: str) -> pd.DataFrame:
    """A measure of a contender, worlds down and seeds across."""
    rows = results[results["contender"] == contender]
    return rows.pivot(index="world", columns="seed", values=measure)


def _lead(results: pd.DataFrame, measure: str, over: str) -> pd.DataFrame:
    """By how much Coverplate is better, worlds down and seeds across."""
    ours, theirs = (_by_seed(results, measure, who) for who in (COVERPLATE, over))
    return (ours - theirs) * BETTER_WHEN_HIGHER[measure]


def _not_below_the_beta_binomial(results: pd.DataFrame, ran: list[str]) -> Iterator[Verdict]:
    for measure in BETTER_WHEN_HIGHER:
        lead = _lead(results, measure, BETA_BINOMIAL)
        for world in ran:
            found = float(lead.loc[world].mean())
            yield Verdict(
                f"{measure} not below the beta-binomial", world, found, least=-noise(lead)
            )


def _gain_near_exact(results: pd.DataFrame, held: list[str]) -> Iterator[Verdict]:
    rule = "gain within .03 of the exact posterior"
    lead = _lead(results, "gain", EXACT).loc[held]
    for world in held:
        found = float(lead.loc[world].mean())
        yield Verdict(rule, world, found, least=-0.03 - noise(lead))
    band = noise(lead) / len(held) ** 0.5
    yield Verdict(rule, MEAN_OF_WORLDS, float(lead.to_numpy().mean()), least=-0.03 - band)


def _cover(results: pd.DataFrame, ran: list[str]) -> Iterator[Verdict]:
    rule = "90 % intervals cover .87 to .97"
    found = _by_seed(results, "cover", COVERPLATE)
    band = noise(found)
    for world in ran:
        yield Verdict(rule, world, float(found.loc[world].mean()), 0.87 - band, 0.97 + band)
    band /= len(ran) ** 0.5
    yield Verdict(rule, MEAN_OF_WORLDS, float(found.to_numpy().mean()), 0.87 - band, 0.97 + band)


def _width(results: pd.DataFrame, held: list[str]) -> Iterator[Verdict]:
    """Only where assumptions hold: elsewhere the exact posterior was told what nobody can know."""
    rule = "intervals no more than 1.3 times the exact posterior's"
    ours, best = (_by_seed(results, "width", who).loc[held] for who in (COVERPLATE, EXACT))
    found = ours / best
    for world in held:
        yield Verdict(rule, world, float(found.loc[world].mean()), most=1.3 + noise(found))
    band = noise(found) / len(held) ** 0.5
    yield Verdict(rule, MEAN_OF_WORLDS, float(found.to_numpy().mean()), most=1.3 + band)


def _as_many_as_there_are(results: pd.DataFrame, held: list[str]) -> Iterator[Verdict]:
    rule = "expected ÷ true within .9 to 1.15"
    expected, true = (
        _by_seed(results, f"{what}_visited", COVERPLATE).loc[held]
        + _by_seed(results, f"{what}_unvisited", COVERPLATE).loc[held]
        for what in ("expected", "true")
    )
    band = noise(expected / true)
    for world in held:
        found = float(expected.loc[world].sum() / true.loc[world].sum())
        yield Verdict(rule, world, found, 0.9 - band, 1.15 + band)
    whole = float(expected.to_numpy().sum() / true.to_numpy().sum())
    band /= len(held) ** 0.5
    yield Verdict(rule, MEAN_OF_WORLDS, whole, 0.9 - band, 1.15 + band)


def _place_tells(results: pd.DataFrame, means: pd.DataFrame, held: list[str]) -> Iterator[Verdict]:
    """Openings that merely passed three lamps: which of a building's are dangerous all the same.

    At least .9 is asked only where the exact posterior itself reaches .9: it cannot in every world
    (circuit by circuit hands, bonds upstream). Elsewhere only the distance from it counts.
    """
    rule = "AUC within buildings within .03 of the exact posterior, and .9 where that has it"
    each = {
        who: _by_seed(results, "pairs_right", who) / _by_seed(results, "pairs", who)
        for who in (COVERPLATE, EXACT)
    }
    band = noise((each[COVERPLATE] - each[EXACT]).loc[held])
    found, best = (
        means["auc_passed"].xs(who, level="contender").loc[held] for who in (COVERPLATE, EXACT)
    )
    for world in held:
        least = max(best[world] - 0.03, 0.9 if best[world] >= 0.9 else 0.0)
        yield Verdict(rule, world, float(found[world]), least=least - band)
    band /= len(held) ** 0.5
    yield Verdict(rule, MEAN_OF_WORLDS, float(found.mean()), least=float(best.mean()) - 0.03 - band)
