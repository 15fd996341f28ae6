"""Writes what the evidence and scoring code computed into the warehouse."""

from __future__ import annotations

from dataclasses import dataclass

import duckdb
import numpy as np
import numpy.typing as npt
import pandas as pd

from pipeline.evidence.kinds import RATES, SLOTS, Array
from pipeline.evidence.learning import Learned
from pipeline.evidence.likelihood import Likelihoods
from pipeline.evidence.portfolio import Portfolio
from pipeline.evidence.posterior import Posterior
from pipeline.scoring.explanation import INGREDIENTS, occupancy_values, shapley
from pipeline.scoring.ranking import rank_intervals, ranks, score_intervals
from shared.rule_book import RuleBook
from shared.vocabulary import (
    CONDITIONS,
    NO_LOOK_RESULTS,
    URGENT_CONDITIONS,
    Condition,
    Method,
    Result,
    Slots,
)

ROWS_AT_ONCE = 250_000
"""About how many rows of a portfolio are put into tables in one go, so that memory is bounded."""


def _store(
    con: duckdb.DuckDBPyConnection,
    table: str,
    frame: pd.DataFrame,
    order: str,
    *,
    append: bool = False,
) -> None:
    into = f"INSERT INTO {table}" if append else f"CREATE TABLE {table} AS"
    con.register("results_frame", frame)
    con.execute(f"{into} SELECT * FROM results_frame ORDER BY {order}")
    con.unregister("results_frame")


def write_learning(
    con: duckdb.DuckDBPyConnection,
    rule_book: RuleBook,
    learned: Learned,
    buildings: pd.DataFrame,
    crews: dict[str, npt.NDArray[np.int64]],
) -> None:
    """Write tables learned_rates (era, rate, mean, strength, defaults) and crews."""
    rows = []
    for place, (key, era) in enumerate(rule_book.eras.items()):
        for rate, name in enumerate(RATES):
            a, b = learned.priors.a[place, rate], learned.priors.b[place, rate]
            default = getattr(era, name)
            rows.append((key, era.label, name, a / (a + b), a + b, default.mean, default.strength))
    columns = ["era", "era_label", "rate", "mean", "strength", "default_mean", "default_strength"]
    _store(con, "learned_rates", pd.DataFrame(rows, columns=columns), "era, rate")
    frames = [
        pd.DataFrame(
            {
                "factor": pd.Series(dtype=object),
                "name": pd.Series(dtype=object),
                "false_ground_log_odds": pd.Series(dtype=np.float64),
                "p_factor_matters": pd.Series(dtype=np.float64),
            }
        )
    ]
    for factor, index in crews.items():
        names = pd.DataFrame({"name": buildings[factor], "index": index})
        names = names[names["index"] >= 0].drop_duplicates("index")
        effect = learned.crew[factor]
        if len(names):
            frames.append(
                pd.DataFrame(
                    {
                        "factor": factor,
                        "name": names["name"].to_numpy(),
                        "false_ground_log_odds": effect[names["index"].to_numpy()],
                        "p_factor_matters": learned.crew_support[factor],
                    }
                )
            )
    _store(con, "crews", pd.concat([f for f in frames if len(f)] or frames), "factor, name")


@dataclass(frozen=True)
class _CodeFacts:
    """What each of n codes says.

    Attributes:
        detects: defects pointed at, shape (n, 9).
        looks: whether it is a look at all, shape (n,).
        capable: whether it is a look that can see a false ground, shape (n,).
    """

    detects: Array
    looks: Array
    capable: Array


def _code_facts(likelihoods: Likelihoods, codes: list[str]) -> _CodeFacts:
    detects = np.zeros((len(codes), len(CONDITIONS)))
    looks, capable = np.zeros((2, len(codes)))
    for position, code in enumerate(codes):
        for condition in likelihoods.code_detects(code):
            detects[position, CONDITIONS.index(condition)] = 1.0
        method, result = code.split("|")[:2]
        looks[position] = float(
            Result(result) not in NO_LOOK_RESULTS or not likelihoods.uninformative(code)
        )
        sees = likelihoods.separable(Method(method), Condition.GROUNDED, Condition.FALSE_GROUND)
        capable[position] = float(sees and looks[position])
    return _CodeFacts(detects, looks, capable)


@dataclass(frozen=True)
class _SignatureFacts:
    """What the looks of each signature say, one more for openings that nobody recorded (S + 1).

    Attributes:
        detected: defects pointed at, shape (S + 1, 9).
        looked, able: as in ``_CodeFacts``, of any of its looks, shape (S + 1,).
        two_slot: whether it is known to have two slots, shape (S + 1,).
    """

    detected: Array
    looked: Array
    able: Array
    two_slot: npt.NDArray[np.bool_]


def write_posterior(
    con: duckdb.DuckDBPyConnection,
    likelihoods: Likelihoods,
    portfolio: Portfolio,
    posterior: Posterior,
) -> None:
    """Write table building_signatures: one row per building and signature, with probabilities.

    The signature one past the last of table signatures stands for openings nobody recorded.
    """
    table = con.execute("SELECT codes FROM signatures ORDER BY signature_no").fetchdf()["codes"]
    size = len(table)
    exploded = table.explode().dropna()
    codes, which = np.unique(exploded.to_numpy(dtype=str), return_inverse=True)
    facts = _code_facts(likelihoods, codes.tolist())
    of = exploded.index.to_numpy(dtype=np.int64)
    detected = np.zeros((size + 1, len(CONDITIONS)))
    looked, able = np.zeros((2, size + 1))
    if len(of):
        np.maximum.at(detected, of, facts.detects[which])
        np.maximum.at(looked, of, facts.looks[which])
        np.maximum.at(able, of, facts.capable[which])
    # A two-slot opening without a ground is as originally wired: no defect.
    two_slot = portfolio.signatures.slots == SLOTS.index(Slots.TWO_SLOT)
    detected[np.ix_(two_slot, [CONDITIONS.index(Condition.UNGROUNDED)])] = 0.0

    # A proven repair was seen by a capable method, and what was there before is there no more.
    mended = portfolio.signatures.repaired >= 0
    detected[mended] = 0.0
    looked[mended], able[mended] = 1.0, 1.0

    signature_facts = _SignatureFacts(detected, looked, able, two_slot)
    buildings = len(portfolio)
    stretch = max(1, buildings * ROWS_AT_ONCE // max(1, len(portfolio.row_signature)))
    for first in range(0, max(1, buildings), stretch):
        last = min(first + stretch, buildings)
        frame = _signature_rows(portfolio, posterior, signature_facts, first, last)
        order = "building_no, signature_no"
        _store(con, "building_signatures", frame, order, append=first > 0)


def _signature_rows(
    portfolio: Portfolio, posterior: Posterior, facts: _SignatureFacts, first: int, last: int
) -> pd.DataFrame:
    """Rows of table building_signatures of the buildings from ``first`` up to ``last``."""
    part = slice(portfolio.row_start[first], portfolio.row_start[last])
    row = portfolio.row_signature[part]
    condition = posterior.condition[part]
    detected = facts.detected[row]
    urgent = np.isin(np.array(CONDITIONS, dtype=object), URGENT_CONDITIONS).astype(np.float64)
    p_detected = (condition * detected).sum(axis=1)
    suspect = condition.copy()
    suspect[:, CONDITIONS.index(Condition.GROUNDED)] = 0.0
    plain = facts.two_slot[row]
    suspect[plain, CONDITIONS.index(Condition.UNGROUNDED)] = 0.0
    names = np.array([condition.value for condition in CONDITIONS], dtype=object)
    seen_defect = np.where(detected > 0, condition, 0.0)
    has_seen = seen_defect.max(axis=1) > 0
    defect = np.where(has_seen, names[seen_defect.argmax(axis=1)], names[suspect.argmax(axis=1)])
    return pd.DataFrame(
        {
            "building_no": np.repeat(
                np.arange(first, last, dtype=np.int32),
                np.diff(portfolio.row_start[first : last + 1]),
            ),
            "signature_no": row.astype(np.int32),
            "openings": portfolio.row_count[part].astype(np.int64),
            "recorded": portfolio.signatures.looked[row],
            "looked": facts.looked[row] > 0,
            "sees_false_ground": facts.able[row] > 0,
            **{f"p_{name.value}": condition[:, index] for index, name in enumerate(CONDITIONS)},
            **{f"p_{slot.value}": posterior.slots[part, i] for i, slot in enumerate(SLOTS)},
            "p_dangerous": posterior.danger[part],
            "p_detected": p_detected,
            "p_live_metal": condition @ urgent,
            "defect": defect,
            "protection": portfolio.signatures.protection[row],
            "location_factor": portfolio.signatures.location[row],
            "harm": posterior.harm[part],
        }
    )


def write_scores(
    con: duckdb.DuckDBPyConnection,
    rule_book: RuleBook,
    portfolio: Portfolio,
    posterior: Posterior,
    factors: dict[str, float],
) -> None:
    """Write table building_scores: one row a building, with intervals, ranks and contributions."""
    sizes = con.execute(
        "SELECT exposed_per_dwelling, dwellings, openings FROM building_sizes ORDER BY building_no"
    ).fetchdf()
    exposed = sizes["exposed_per_dwelling"].to_numpy(dtype=np.float64)
    counting, scoring = rule_book.counting, rule_book.scoring
    typical = float(counting.occupants_per_dwelling) * (
        1 + (float(rule_book.exposure.vulnerable_weight) - 1) * float(counting.vulnerable_share)
    )
    years = float(scoring.score_unit_years)
    values = years * occupancy_values(posterior.split, exposed, typical, factors["unknown"])
    parts = shapley(values)
    score = values[:, 1, 1, 1, 1]
    draws = posterior.harm_draws
    draws *= (years * exposed[:, None]).astype(np.float32)
    mass = float(scoring.interval)
    low, high = score_intervals(draws, mass)
    top = int(float(scoring.top))
    rank_low, rank_high, in_top = rank_intervals(draws, mass, top)
    rank = ranks(score)
    dwellings = sizes["dwellings"].to_numpy(dtype=np.float64)
    per_dwelling = score / dwellings
    draws /= dwellings[:, None].astype(np.float32)
    rank_each = ranks(per_dwelling)
    each_low, each_high, _ = rank_intervals(draws, mass, top)
    frame = pd.DataFrame(
        {
            "building_no": np.arange(len(portfolio), dtype=np.int32),
            "rank": rank,
            "score": score,
            "score_per_dwelling": per_dwelling,
            "score_low": np.minimum(low, score),
            "score_high": np.maximum(high, score),
            "rank_low": np.minimum(rank_low, rank),
            "rank_high": np.maximum(rank_high, rank),
            "rank_per_dwelling": rank_each,
            "rank_per_dwelling_low": np.minimum(each_low, rank_each),
            "rank_per_dwelling_high": np.maximum(each_high, rank_each),
            "p_top": in_top,
            "expected_dangerous_openings": posterior.dangerous,
            "dangerous_low": posterior.dangerous_low,
            "dangerous_high": posterior.dangerous_high,
            "p_any_dangerous": posterior.p_any,
            "baseline": parts[:, 0],
            **{name: parts[:, 1 + index] for index, name in enumerate(INGREDIENTS)},
            "effective_points": posterior.effective_points,
            **{f"rate_{name}": posterior.rates[:, i] for i, name in enumerate(RATES)},
        }
    )
    _store(con, "building_scores", frame, "building_no")
