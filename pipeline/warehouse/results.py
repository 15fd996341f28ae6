"""Writes what the evidence and scoring code computed into the warehouse."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import duckdb
import numpy as np
import numpy.typing as npt
import pandas as pd

from pipeline.evidence.assemble import Assembled
from pipeline.evidence.expectation import prior_danger
from pipeline.evidence.learning import Learned
from pipeline.evidence.likelihood import Likelihoods
from pipeline.evidence.next_look import BY_EFFORT, next_looks
from pipeline.evidence.posterior import Model, Part, Portfolio, RowResults, row_results
from pipeline.evidence.priors import group_keys
from pipeline.evidence.states import RATES, SLOTS, STATES, Array
from pipeline.evidence.tree import NOT_RECORDED
from pipeline.scoring.explanation import INGREDIENTS, steps
from pipeline.scoring.first_buildings import first_buildings
from pipeline.scoring.ranking import rank_intervals, ranks
from shared.rule_book import RuleBook
from shared.vocabulary import (
    CONDITIONS,
    NO_LOOK_RESULTS,
    Condition,
    Result,
    Slots,
)

Ints = npt.NDArray[np.int64]


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
    crews: dict[str, Ints],
) -> None:
    """Write tables learned_rates, learned_shares, learned_protection and crews.

    learned_rates: era, era_label, rate, mean, strength, mean_low and mean_high (over the draws
    that carry its uncertainty), default_mean, default_strength. learned_shares: share, mean,
    default_mean, default_strength. learned_protection: state, location, share.
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
                    drawn.min(),
                    drawn.max(),
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
    _store(con, "learned_rates", pd.DataFrame(rows, columns=columns), "era, rate")
    hierarchy, taught = rule_book.hierarchy, learned.taught
    shares = [
        ("circuit_follows", taught.circuit_follows, hierarchy.circuit_follows),
        ("opening_follows", taught.opening_follows, hierarchy.opening_follows),
        ("opening_own", taught.opening_own, hierarchy.opening_own),
        ("careful", taught.careful, hierarchy.careful),
        ("head_jumpered", taught.head, hierarchy.head_jumpered),
        ("live_false_ground", taught.live, hierarchy.live_false_ground),
    ]
    frame = pd.DataFrame(
        [(name, value, prior.mean, prior.strength) for name, value, prior in shares],
        columns=["share", "mean", "default_mean", "default_strength"],
    )
    _store(con, "learned_shares", frame, "share")
    frame = pd.DataFrame(
        [
            (state, location, float(taught.gfci[index, place]))
            for index, state in enumerate(STATES)
            for place, location in enumerate(("dry", "wet"))
        ],
        columns=["state", "location", "share"],
    )
    _store(con, "learned_protection", frame, "state, location")
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
        detects: defects pointed at, shape (n, C).
        looks: whether it is a look at all, shape (n,).
        capable: whether this very look could have seen a false ground, shape (n,).
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
        result = code.split("|")[1]
        looks[position] = float(
            Result(result) not in NO_LOOK_RESULTS or not likelihoods.uninformative(code)
        )
        sees = likelihoods.could_see(code, Condition.FALSE_GROUND)
        capable[position] = float(sees and looks[position])
    return _CodeFacts(detects, looks, capable)


@dataclass(frozen=True)
class SignatureFacts:
    """What the looks of each signature say, one more for openings that nobody recorded (S + 1).

    Attributes:
        detected: defects pointed at, shape (S + 1, conditions).
        looked, able: as in ``_CodeFacts``, of any of its looks, shape (S + 1,).
        two_slot: whether it is known to have two slots, shape (S + 1,).
    """

    detected: Array
    looked: Array
    able: Array
    two_slot: npt.NDArray[np.bool_]


def signature_facts(
    con: duckdb.DuckDBPyConnection, likelihoods: Likelihoods, portfolio: Portfolio
) -> SignatureFacts:
    """Read what the looks of each signature say."""
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
    two_slot = portfolio.classes.slots == SLOTS.index(Slots.TWO_SLOT)
    detected[np.ix_(two_slot, [CONDITIONS.index(Condition.UNGROUNDED)])] = 0.0
    # A proven repair was seen by a capable method, and what was there before is there no more.
    mended = portfolio.classes.repaired >= 0
    detected[mended] = 0.0
    looked[mended], able[mended] = 1.0, 1.0
    return SignatureFacts(detected, looked, able, two_slot)


@dataclass(frozen=True)
class BuildingResults:
    """What the parts add up to, one entry a building.

    Attributes:
        dangerous, dangerous_low, dangerous_high: expected number and interval.
        p_any, p_live: chance of any dangerous opening, of any live metal.
        harm, placed_harm: expected harm per person and year, without and with the rooms' factors.
        slots_harm: ``harm`` from the slots alone.
        harm_draws: draws of ``placed_harm`` given hands and circuits, shape (B, draws).
        dangerous_draws: draws of the number of dangerous openings, shape (B, draws).
        effective: effective number of points.
        rates: posterior mean rates, shape (B, 5).
    """

    dangerous: Array
    dangerous_low: Ints
    dangerous_high: Ints
    p_any: Array
    p_live: Array
    harm: Array
    placed_harm: Array
    slots_harm: Array
    harm_draws: npt.NDArray[np.float32]
    dangerous_draws: npt.NDArray[np.uint16]
    effective: Array
    rates: Array


def row_times(portfolio: Portfolio, part: Part) -> Ints:
    """Openings behind each row of a part, copies of its circuit and dwelling included."""
    tree = portfolio.tree
    first, last = part.first_row, part.first_row + len(part.found.joint)
    d0 = tree.dwelling_start[part.buildings[0]]
    d1 = tree.dwelling_start[part.buildings[-1] + 1]
    c0, c1 = tree.circuit_start[d0], tree.circuit_start[d1]
    times = np.repeat(tree.circuit_times[c0:c1], np.diff(tree.row_start[c0 : c1 + 1]))
    rows_of_dwelling = np.diff(tree.row_start[tree.circuit_start[d0 : d1 + 1]])
    result: Ints = (
        times * np.repeat(tree.dwelling_times[d0:d1], rows_of_dwelling)
    ) * tree.row_count[first:last]
    return result


def _building_sums(portfolio: Portfolio, part: Part, values: Array) -> Array:
    """Sum values of a part's rows over each of its buildings, shape (n,)."""
    start = portfolio.building_row[part.buildings] - part.first_row
    end = portfolio.building_row[part.buildings + 1] - part.first_row
    result = np.zeros(len(part.buildings))
    some = end > start
    if some.any():
        # Each building by itself: no rounding of its neighbours' gets into its sum.
        result[some] = np.add.reduceat(values, start[some])
    return result


def write_openings(
    con: duckdb.DuckDBPyConnection,
    assembled: Assembled,
    model: Model,
    likelihoods: Likelihoods,
    parts: Iterator[Part],
    slots_alone: Iterator[tuple[Part, Model]],
) -> BuildingResults:
    """Write table opening_groups and add up what each building comes to.

    opening_groups has one row per building and row of like openings (and one for those that
    nobody recorded), with probabilities.

    Args:
        con: the warehouse under construction.
        assembled: the portfolio and the numbers of its rows.
        model: the model.
        likelihoods: the likelihoods under the rule book.
        parts: all buildings weighed, in order.
        slots_alone: the same parts weighed by the slots alone, and the model of that.
    """
    portfolio = assembled.portfolio
    facts = signature_facts(con, likelihoods, portfolio)
    era_danger = prior_danger(portfolio, model)
    size = len(portfolio)
    (dangerous, p_any, p_live, harm, placed, slots_harm, effective) = (
        np.zeros(size) for _ in range(7)
    )
    low, high = np.zeros((2, size), dtype=np.int64)
    rates = np.zeros((size, len(RATES)))
    harm_draws = np.zeros((size, model.draws), dtype=np.float32)
    dangerous_draws = np.zeros((size, model.draws), dtype=np.uint16)
    tail = (1 - model.interval) / 2
    append = False
    for part, (again, slots_model) in zip(parts, slots_alone, strict=True):
        found = row_results(portfolio, model, part)
        times = row_times(portfolio, part).astype(np.float64)
        b = part.buildings
        rows = slice(part.first_row, part.first_row + len(times))
        location = portfolio.classes.location[portfolio.tree.row_class[rows]]
        dangerous[b] = _building_sums(portfolio, part, found.danger * times)
        placed[b] = _building_sums(portfolio, part, found.harm * times)
        harm[b] = _building_sums(portfolio, part, found.harm / location * times)
        by_slots = row_results(portfolio, slots_model, again)
        slots_harm[b] = _building_sums(portfolio, part, by_slots.harm / location * times)
        p_any[b] = 1 - part.found.none_dangerous
        p_live[b] = 1 - part.found.none_live
        effective[b], rates[b] = part.found.effective, part.found.rates
        harm_draws[b] = part.found.harm
        dangerous_draws[b] = part.found.dangerous.clip(max=65_535)
        bounds = np.quantile(part.found.dangerous, [tail, 1 - tail], axis=1, method="inverted_cdf")
        low[b], high[b] = bounds.astype(np.int64)
        frame = _group_rows(assembled, likelihoods, facts, part, found, times, era_danger)
        _store(con, "opening_groups", frame, "building_no, row_no", append=append)
        append = True
    return BuildingResults(
        dangerous,
        low,
        high,
        p_any,
        p_live,
        harm,
        placed,
        slots_harm,
        harm_draws,
        dangerous_draws,
        effective,
        rates,
    )


def _group_rows(
    assembled: Assembled,
    likelihoods: Likelihoods,
    facts: SignatureFacts,
    part: Part,
    found: RowResults,
    times: Array,
    era_danger: Array,
) -> pd.DataFrame:
    """Rows of table opening_groups of one part; ``era_danger`` from ``prior_danger``."""
    portfolio = assembled.portfolio
    first, last = part.first_row, part.first_row + len(times)
    index = portfolio.tree.row_class[first:last]
    row_no = assembled.row_no[first:last]
    building = np.repeat(
        part.buildings,
        portfolio.building_row[part.buildings + 1] - portfolio.building_row[part.buildings],
    )
    values = np.column_stack(
        [
            found.condition,
            found.slots,
            found.danger,
            found.live,
            found.protected,
            found.harm / portfolio.classes.location[index],
            era_danger[building, portfolio.classes.slots[index]][:, None],
            part.found.steps,
        ]
    )
    # Openings that nobody recorded are told as one row a building.
    hidden = row_no == NOT_RECORDED
    if hidden.any():
        homes, which = np.unique(building[hidden], return_inverse=True)
        weight = np.zeros(len(homes))
        np.add.at(weight, which, times[hidden])
        total = np.zeros((len(homes), values.shape[1]))
        np.add.at(total, which, values[hidden] * times[hidden, None])
        building = np.concatenate([building[~hidden], homes])
        index = np.concatenate([index[~hidden], np.full(len(homes), portfolio.classes.flat)])
        row_no = np.concatenate([row_no[~hidden], np.full(len(homes), NOT_RECORDED)])
        values = np.concatenate([values[~hidden], total / weight[:, None]])
        times = np.concatenate([times[~hidden], weight])
    condition = values[:, : len(CONDITIONS)]
    slots, rest = values[:, len(CONDITIONS) :][:, :3], values[:, len(CONDITIONS) + 3 :]
    detected = facts.detected[index]
    method, settles = next_looks(
        likelihoods, condition, slots[:, SLOTS.index(Slots.THREE_SLOT)], rest[:, 2]
    )
    methods = np.array([*(each.value for each in BY_EFFORT), None], dtype=object)
    suspect = condition.copy()
    suspect[:, CONDITIONS.index(Condition.GROUNDED)] = 0.0
    suspect[facts.two_slot[index], CONDITIONS.index(Condition.UNGROUNDED)] = 0.0
    names = np.array([condition.value for condition in CONDITIONS], dtype=object)
    seen_defect = np.where(detected > 0, condition, 0.0)
    has_seen = seen_defect.max(axis=1) > 0
    defect = np.where(has_seen, names[seen_defect.argmax(axis=1)], names[suspect.argmax(axis=1)])
    return pd.DataFrame(
        {
            "building_no": building.astype(np.int32),
            "row_no": row_no.astype(np.int32),
            "signature_no": index.astype(np.int32),
            "openings": times.astype(np.int64),
            "recorded": portfolio.classes.looked[index],
            "looked": facts.looked[index] > 0,
            "sees_false_ground": facts.able[index] > 0,
            **{f"p_{name.value}": condition[:, i] for i, name in enumerate(CONDITIONS)},
            **{f"p_{slot.value}": slots[:, i] for i, slot in enumerate(SLOTS)},
            "p_dangerous": rest[:, 0],
            "p_live_metal": rest[:, 1],
            "p_detected": (condition * detected).sum(axis=1),
            "defect": defect,
            "protection": rest[:, 2],
            "location_factor": portfolio.classes.location[index],
            "harm": rest[:, 3],
            "p_of_era": rest[:, 4],
            "p_of_building": rest[:, 5],
            "p_of_dwelling": rest[:, 6],
            "p_of_circuit": rest[:, 7],
            "next_method": pd.Series(methods[method], dtype="string"),
            "next_settles": settles,
        }
    )


def write_scores(
    con: duckdb.DuckDBPyConnection,
    rule_book: RuleBook,
    found: BuildingResults,
    prior_harm: tuple[Array, Array],
    has_looks: npt.NDArray[np.bool_],
    typical_location: float,
) -> None:
    """Write tables building_scores and first_buildings.

    building_scores has one row a building, with intervals, ranks and contributions; first_buildings
    says what the first of them hold together (see ``scoring.first_buildings``).

    Args:
        con: the warehouse under construction.
        rule_book: the rule book.
        found: what each building comes to.
        prior_harm: expected harm of one opening of which nothing is known, in any building of the
            portfolio and in each, per person and year; both shape (B,).
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
    any_era, own_era = (openings * each for each in prior_harm)
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
    draws = found.harm_draws
    draws *= (years * exposed[:, None]).astype(np.float32)
    mass = float(scoring.interval)
    tail = (1 - mass) / 2
    low, high = np.quantile(draws, [tail, 1 - tail], axis=1)
    top = int(float(scoring.top))
    rank_low, rank_high, in_top = rank_intervals(draws, mass, top)
    rank = ranks(score)
    _store(con, "first_buildings", first_buildings(rank, found.dangerous_draws, mass), "first")
    dwellings = sizes["dwellings"].to_numpy(dtype=np.float64)
    per_dwelling = score / dwellings
    draws /= dwellings[:, None].astype(np.float32)
    rank_each = ranks(per_dwelling)
    each_low, each_high, _ = rank_intervals(draws, mass, top)
    frame = pd.DataFrame(
        {
            "building_no": np.arange(len(score), dtype=np.int32),
            "rank": rank,
            "score": score,
            "score_per_dwelling": per_dwelling,
            # A few very bad draws can carry the mean beyond the interval: it is always told within.
            "score_low": np.minimum(low, score),
            "score_high": np.maximum(high, score),
            "rank_low": np.minimum(rank_low, rank),
            "rank_high": np.maximum(rank_high, rank),
            "rank_per_dwelling": rank_each,
            "rank_per_dwelling_low": np.minimum(each_low, rank_each),
            "rank_per_dwelling_high": np.maximum(each_high, rank_each),
            "p_top": in_top,
            "expected_dangerous_openings": found.dangerous,
            "dangerous_low": found.dangerous_low,
            "dangerous_high": found.dangerous_high,
            "p_any_dangerous": found.p_any,
            "p_live_metal": found.p_live,
            "baseline": parts[:, 0],
            **{name: parts[:, 1 + index] for index, name in enumerate(INGREDIENTS)},
            "effective_points": found.effective,
            **{f"rate_{name}": found.rates[:, i] for i, name in enumerate(RATES)},
        }
    )
    _store(con, "building_scores", frame, "building_no")
