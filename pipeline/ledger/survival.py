"""Time to an event when not everybody had it yet, and shares with honest intervals.

Product-limit estimator of Kaplan and Meier (1958) with Greenwood's variance and limits on the
log(-log) scale; Clopper and Pearson (1934) limits of a binomial share. Formulas from memory; tests
check them against a general-purpose library and published worked examples.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import beta, norm

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Survival:
    """A survival curve: the share that has not had the event yet.

    Attributes:
        times: distinct times of events, ascending.
        at_risk: those still without it and still watched just before each time.
        events: how many had it at each time.
        survival: share without it after each time.
        low, high: limits of that share; missing where the curve has come down to 0.
        number, happened: all who were ever watched, and those who had it.
    """

    times: Floats
    at_risk: Floats
    events: Floats
    survival: Floats
    low: Floats
    high: Floats
    number: int
    happened: int

    def at(self, time: float) -> float:
        """Return the share without the event after a time."""
        place = int(np.searchsorted(self.times, time, side="right"))
        return 1.0 if place == 0 else float(self.survival[place - 1])

    def quantile(self, share: float) -> float | None:
        """Return the first time by which at least a share has had the event; None if not yet."""
        # the limit of 1e-12 lets a share that is met exactly count in spite of rounding
        reached = np.nonzero(self.survival <= 1.0 - share + 1e-12)[0]
        return float(self.times[reached[0]]) if len(reached) else None

    @property
    def median(self) -> float | None:
        """Time by which half have had it, or None if that was not reached."""
        return self.quantile(0.5)

    def frame(self) -> pd.DataFrame:
        """Return the curve as columns days, at_risk, events, survival, low, high."""
        return pd.DataFrame(
            {
                "days": self.times,
                "at_risk": self.at_risk.astype(np.int64),
                "events": self.events.astype(np.int64),
                "survival": self.survival,
                "low": self.low,
                "high": self.high,
            }
        )


def kaplan_meier(
    times: npt.ArrayLike,
    happened: npt.ArrayLike,
    interval: float = 0.95,
    *,
    entry: npt.ArrayLike | None = None,
) -> Survival:
    """Return the product-limit estimate, with delayed entry where entries are given.

    Those who leave at the same time as somebody has the event are counted as still watched then.
    Whoever comes under watch late counts only from then on: that nothing had happened before is why
    it can be watched at all (left truncation). Few are watched at early times then, and steps are
    large: read ``at_risk`` beside the shares.

    Args:
        times: time of the event, or of leaving without it (censored), 0 or more.
        happened: whether the event happened at that time.
        interval: probability held by the limits.
        entry: time after which each is watched; from the beginning where not given. Those whose
            time is not after their entry were never watched and are left out.
    """
    when = np.asarray(times, dtype=np.float64)
    had = np.asarray(happened, dtype=bool)
    since = np.full(len(when), -np.inf) if entry is None else np.asarray(entry, dtype=np.float64)
    watched = since < when
    when, had, since = when[watched], had[watched], since[watched]
    distinct, events = np.unique(when[had], return_counts=True)
    entered = np.searchsorted(np.sort(since), distinct, side="left")
    at_risk = entered - np.searchsorted(np.sort(when), distinct, side="left")
    survival: Floats = np.cumprod(1.0 - events / at_risk, dtype=np.float64)
    # the last step down to exactly 0 has no finite variance, nor limits
    with np.errstate(divide="ignore", invalid="ignore"):
        variance = np.cumsum(events / (at_risk * (at_risk - events).astype(np.float64)))
        spread = norm.ppf(0.5 + interval / 2.0) * np.sqrt(variance) / np.log(survival)
        low, high = survival ** np.exp(-spread), survival ** np.exp(spread)
    return Survival(
        distinct,
        at_risk.astype(np.float64),
        events.astype(np.float64),
        survival,
        np.asarray(low, dtype=np.float64),
        np.asarray(high, dtype=np.float64),
        len(when),
        int(had.sum()),
    )


def survival_bounds(
    earliest: npt.ArrayLike, latest: npt.ArrayLike, happened: npt.ArrayLike, days: npt.ArrayLike
) -> tuple[Floats, Floats]:
    """Return the lowest and highest product-limit estimate that times known by bounds allow.

    Each event happened somewhere between its two times. With others leaving in between, moving all
    events to one end does not bound the curve: an event counts for more the fewer are still
    watched. At each day the lowest estimate therefore has every event that may have happened by
    then, as late as it may; the highest has only those that must have, as early as they may. A
    test holds this against all placements on small examples.

    Args:
        earliest, latest: bounds of each event's time; where nothing happened, ``latest`` is the
            time of leaving.
        happened: whether the event happened.
        days: where to evaluate.

    Returns:
        Lowest and highest share without the event after each day.
    """
    first, last = np.asarray(earliest, dtype=np.float64), np.asarray(latest, dtype=np.float64)
    had = np.asarray(happened, dtype=bool)
    where = np.asarray(days, dtype=np.float64)
    low, high = np.ones(len(where)), np.ones(len(where))
    for place, day in enumerate(where):
        may = had & (first <= day)
        low[place] = kaplan_meier(np.where(may, np.minimum(last, day), last), had).at(day)
        must = had & (last <= day)
        high[place] = kaplan_meier(np.where(must, first, last), had).at(day)
    return low, high


def clopper_pearson(count: int, number: int, interval: float = 0.95) -> tuple[float, float]:
    """Return the limits of a binomial share that hold at least the stated probability.

    Args:
        count: how many, of ``number``; 0 of 0 gives the whole range.
    """
    outside = 1.0 - interval
    low = 0.0 if count == 0 else float(beta.ppf(outside / 2, count, number - count + 1))
    high = 1.0 if count == number else float(beta.ppf(1 - outside / 2, count + 1, number - count))
    return low, high
