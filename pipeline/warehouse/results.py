"""Writes what the evidence and scoring code computed into the warehouse."""

from __future__ import annotations

import duckdb
import numpy as np
import numpy.typing as npt
import pandas as pd

from pipeline.evidence.learning import Learned
from pipeline.evidence.priors import group_keys
from pipeline.evidence.states import RATES, STATES
from pipeline.scoring.burden import burden
from pipeline.scoring.explanation import INGREDIENTS, steps
from pipeline.scoring.first_buildings import first_buildings
from pipeline.scoring.ranking import ranked, ranks
from pipeline.warehouse.frames import store_frame
from pipeline.warehouse.openings import BuildingResults
from shared.rule_book import RuleBook

Ints = npt.NDArray[np.int64]

UNSURE = (0.05, 0.95)
"""Quantiles of what is likely of a learned rate, as they are told."""


def write_learning(
    con: duckdb.DuckDBPyConnection,
    rule_book: RuleBook,
    learned: Learned,
    buildings: pd.DataFrame,
    crews: dict[str, Ints],
) -> None:
    """Write tables learned_rates, learned_shares, learned_protection and crews.

    learned_rates: era, era_label, rate, mean, strength, mean_low and mean_high (which hold 90 % of
    what is likely of the mean), default_mean, default_strength. learned_shares: share, mean,
    mean_low and mean_high (over the draws that carry its uncertainty; NaN where none do),
    default_mean, default_strength.
    learned_protection: state, location, share.
    """
    labels = [*(era.label for era in rule_book.eras.values()), "rewired"]
    groups = [*rule_book.eras.values(), rule_book.rewired]
    centre, draws = learned.centre, learned.priors
    rows = []
    for place, key in enumerate(group_keys(rule_book)):
        for rate, name in enumerate(RATES):
            a, b = centre.a[place, 0, rate], centre.b[place, 0, rate]
            drawn = draws.a[place, :, rate] / (draws.a[place, :, rate] + draws.b[place, :, rate])
            default = getattr(groups[place], name)
            rows.append(
                (
                    key,
                    labels[place],
                    name,
                    a / (a + b),
                    a + b,
                    *np.quantile(drawn, UNSURE),
                    default.mean,
                    default.strength,
                )
            )
    columns = [
        "era",
        "era_label",
        "rate",
        "mean",
        "strength",
        "mean_low",
        "mean_high",
        "default_mean",
        "default_strength",
    ]
    store_frame(con, "learned_rates", pd.DataFrame(rows, columns=columns), "era, rate")
    hierarchy, taught = rule_book.hierarchy, learned.taught
    shares = [
        ("circuit_follows", taught.circuit_follows, hierarchy.circuit_follows),
        ("origin_follows", taught.origin_follows, hierarchy.origin_follows),
        ("opening_follows", taught.opening_follows, hierarchy.opening_follows),
        ("opening_own", taught.opening_own, hierarchy.opening_own),
        ("careful", taught.careful, hierarchy.careful),
        ("head_jumpered", taught.head, hierarchy.head_jumpered),
        ("live_false_ground", taught.live, hierarchy.live_false_ground),
    ]
    drawn_shares = {
        "careful": [each.careful for each in learned.share_draws],
        "live_false_ground": [each.live for each in learned.share_draws],
    }
    told = []
    for name, value, prior in shares:
        values = drawn_shares.get(name, [])
        low, high = min(values, default=np.nan), max(values, default=np.nan)
        told.append((name, value, low, high, prior.mean, prior.strength))
    frame = pd.DataFrame(
        told,
        columns=["share", "mean", "mean_low", "mean_high", "default_mean", "default_strength"],
    )
    store_frame(con, "learned_shares", frame, "share")
    frame = pd.DataFrame(
        [
            (state, location, float(taught.gfci[index, place]))
            for index, state in enumerate(STATES)
            for place, location in enumerate(("dry", "wet"))
        ],
        columns=["state", "location", "share"],
    )
    store_frame(con, "learned_protection", frame, "state, location")
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
    store_frame(con, "crews", pd.concat([f for f in frames if len(f)] or frames), "factor, name")


def write_scores(
    con: duckdb.DuckDBPyConnection,
    rule_book: RuleBook,
    found: BuildingResults,
    typical_harm: float,
    has_looks: npt.NDArray[np.bool_],
    typical_location: float,
) -> None:
    """Write tables building_scores and first_buildings.

    building_scores has one row a building, with burden (see ``scoring.burden``), ranks by it and
    their intervals, score with its interval and contributions (score_median: half of what is drawn
    lies below it; score_tail: share of the score that the draws above score_high carry;
    score_error: standard error of the score by simulation, as a share of it; none where nobody
    looked, for there the score is a sum);
    first_buildings says what the first of them hold together (see
    ``scoring.first_buildings``).

    Args:
        con: the warehouse under construction.
        rule_book: the rule book.
        found: what each building comes to.
        typical_harm: expected harm of one opening of which nothing is known, in any building of
            the portfolio, per person and year.
        has_looks: whether there is any evidence on its openings, shape (B,).
        typical_location: mean exposure factor of rooms.
    """
    sizes = con.execute(
        "SELECT exposed_per_dwelling, dwellings, openings FROM building_sizes ORDER BY building_no"
    ).fetchdf()
    exposed = sizes["exposed_per_dwelling"].to_numpy(dtype=np.float64)
    openings = sizes["openings"].to_numpy(dtype=np.float64)
    counting, scoring = rule_book.counting, rule_book.scoring
    typical = float(counting.occupants_per_dwelling) * (
        1 + (float(rule_book.exposure.vulnerable_weight) - 1) * float(counting.vulnerable_share)
    )
    years = float(scoring.score_unit_years)
    hidden = years * typical_location * typical
    any_era, own_era = openings * typical_harm, openings * found.prior_harm
    score = years * exposed * found.placed_harm
    values = np.stack(
        [
            hidden * any_era,
            hidden * own_era,
            hidden * np.where(has_looks, found.slots_harm, own_era),
            hidden * np.where(has_looks, found.harm, own_era),
            np.where(has_looks, score, years * exposed * typical_location * own_era),
        ],
        axis=1,
    )
    score = values[:, 4]
    parts = steps(values)
    low, middle, high = (
        years * exposed * each for each in (found.harm_low, found.harm_middle, found.harm_high)
    )
    mass, top, draws = float(scoring.interval), int(float(scoring.top)), found.dangerous_draws
    expected = burden(found.dangerous, exposed)
    whole = ranked(expected, draws, mass, top, exposed)
    sets = first_buildings(whole.rank, draws, exposed, mass)
    store_frame(con, "first_buildings", sets, "first")
    dwellings = sizes["dwellings"].to_numpy(dtype=np.float64)
    each = ranked(expected / dwellings, draws, mass, top, exposed / dwellings)
    frame = pd.DataFrame(
        {
            "building_no": np.arange(len(score), dtype=np.int32),
            "rank": whole.rank,
            "rank_low": whole.low,
            "rank_high": whole.high,
            "p_top": whole.in_top,
            "rank_per_dwelling": each.rank,
            "rank_per_dwelling_low": each.low,
            "rank_per_dwelling_high": each.high,
            "burden": expected,
            "burden_per_dwelling": expected / dwellings,
            "score": score,
            "score_per_dwelling": score / dwellings,
            "score_low": low,
            "score_high": high,
            "score_median": middle,
            "score_tail": found.harm_tail,
            "rank_by_score": ranks(score),
            "rank_by_score_per_dwelling": ranks(score / dwellings),
            "expected_dangerous_openings": found.dangerous,
            "dangerous_low": found.dangerous_low,
            "dangerous_high": found.dangerous_high,
            "p_any_dangerous": found.p_any,
            "p_live_metal": found.p_live,
            "baseline": parts[:, 0],
            **{name: parts[:, 1 + index] for index, name in enumerate(INGREDIENTS)},
            "effective_points": found.effective,
            "score_error": np.where(
                has_looks, found.harm_error / np.maximum(found.placed_harm, 1e-300), 0.0
            ),
            **{f"rate_{name}": found.rates[:, i] for i, name in enumerate(RATES)},
        }
    )
    store_frame(con, "building_scores", frame, "building_no")
