"""From warehouse tables to the arrays of ``posterior.Portfolio``."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import duckdb
import numpy as np
import numpy.typing as npt
import pandas as pd

from pipeline.evidence.classes import NOT_REPAIRED, SELECTIONS, UNKNOWN_SLOTS, Classes
from pipeline.evidence.learning import take
from pipeline.evidence.likelihood import Likelihoods
from pipeline.evidence.posterior import Portfolio
from pipeline.evidence.priors import group_weights, typical_eras
from pipeline.evidence.states import RATES, SLOTS, Array
from pipeline.evidence.tree import Rows, children, grow
from shared.rule_book import RuleBook
from shared.vocabulary import CONDITIONS

Ints = npt.NDArray[np.int64]

UNSEEN_LOCATION = "unknown"


@dataclass(frozen=True)
class Assembled:
    """A portfolio and where its rows came from.

    Attributes:
        portfolio: without crew shifts.
        buildings: one row a building, in order.
        row_no: number of each recorded row in table opening_rows, NOT_RECORDED for the others.
        size_spread: log-normal spread of how many openings nobody recorded, shape (B,).
        era_shares: shares of the eras that stand in for missing years, shape (G - 1,).
    """

    portfolio: Portfolio
    buildings: pd.DataFrame
    row_no: Ints
    size_spread: Array
    era_shares: Array


def some_of(assembled: Assembled, buildings: Ints) -> Assembled:
    """Some of the buildings, in the order given; all of them as they are, without a copy."""
    portfolio = assembled.portfolio
    if len(buildings) == len(portfolio):
        return assembled
    _, index = children(portfolio.building_row, buildings)
    return Assembled(
        take(portfolio, buildings),
        assembled.buildings.iloc[buildings],
        assembled.row_no[index],
        assembled.size_spread[buildings],
        assembled.era_shares,
    )


def building_shift(rule_book: RuleBook, buildings: pd.DataFrame) -> Array:
    """Log-odds shift of every rate by wiring method and by a visit's grade, shape (B, 5)."""
    shift = np.zeros((len(buildings), len(RATES)))
    odds = {w.value: float(number) for w, number in rule_book.structure.wiring_odds.items()}
    shift[:, RATES.index("ungrounded_origin")] = np.log(
        buildings["wiring_method"].map(odds).fillna(1.0).to_numpy(dtype=np.float64)
    )
    worst = float(rule_book.structure.evaluation_odds_at_worst)
    graded = buildings["graded_share"].fillna(1.0).to_numpy(dtype=np.float64)
    shift[:, RATES.index("other_fault")] = np.log(worst) * (1 - graded.clip(0.0, 1.0))
    return shift


def poor_share(rule_book: RuleBook, buildings: pd.DataFrame) -> Array:
    """Share of poor grounds among grounded wiring by wiring method, shape (B,)."""
    structure = rule_book.structure
    shares = {w.value: float(number) for w, number in structure.poor_ground.items()}
    unknown = float(structure.poor_ground_unknown)
    found = buildings["wiring_method"].map(shares).fillna(unknown)
    # A copy: what pandas hands out cannot be written to, and compiled code for such arrays is
    # another than that for their copies, with other last bits.
    return np.array(found, dtype=np.float64)


def crew_index(buildings: pd.DataFrame) -> dict[str, Ints]:
    """Index of each building's owner and manager, -1 where none is known."""
    return {
        factor: pd.factorize(buildings[factor], sort=True)[0].astype(np.int64)
        for factor in ("owner", "manager")
    }


def location_factors(rule_book: RuleBook) -> dict[str, float]:
    """Exposure factor by location; an unknown room is the average one."""
    wet, share = float(rule_book.exposure.wet_factor), float(rule_book.counting.wet_share)
    return {"dry": 1.0, "wet": wet, UNSEEN_LOCATION: share * wet + 1 - share}


def evidence_classes(
    rule_book: RuleBook, likelihoods: Likelihoods, con: duckdb.DuckDBPyConnection
) -> Classes:
    """Weigh the looks of every signature; the last class stands for openings nobody recorded."""
    table = con.execute(
        "SELECT codes, slots, selection, gfci, location, leaves_condition, leaves_slots, "
        "leaves_protected FROM signatures ORDER BY signature_no"
    ).fetchdf()
    size = len(table)
    # An opening repaired before anybody else looked has no codes: its looks weigh nothing.
    codes = table["codes"].explode().dropna()
    weights = np.ones((size + 1, len(CONDITIONS)))
    if len(codes):
        distinct, which = np.unique(codes.to_numpy(dtype=str), return_inverse=True)
        each = np.log(likelihoods.weights_of(distinct))
        total = np.zeros((size, each.shape[1]))
        np.add.at(total, codes.index.to_numpy(), each[which])
        weights[:-1] = np.exp(total - total.max(axis=1, keepdims=True))
    slots = {slot.value: index for index, slot in enumerate(SLOTS)}
    selections = {selection.value: index for index, selection in enumerate(SELECTIONS)}
    factors = location_factors(rule_book)
    wrong = float(rule_book.counting.gfci_error)
    said = table["gfci"].to_numpy(dtype=object)
    gfci = np.ones((size + 1, 2))
    gfci[:-1][said == "yes"] = wrong, 1 - wrong
    gfci[:-1][said == "no"] = 1 - wrong, wrong
    wet = {"dry": 0.0, "wet": 1.0, UNSEEN_LOCATION: float(rule_book.counting.wet_share)}
    conditions = {condition.value: index for index, condition in enumerate(CONDITIONS)}
    left = table["leaves_condition"].map(conditions).fillna(NOT_REPAIRED).to_numpy(dtype=np.int64)
    face = table["leaves_slots"].map(slots).fillna(UNKNOWN_SLOTS).to_numpy(dtype=np.int64)
    # As objects: a column of missing flags alone could not take a number.
    guarded = table["leaves_protected"].astype(object).map({True: 1 - wrong, False: wrong})

    def with_unseen(values: npt.NDArray[np.generic], last: float) -> Array:
        return np.append(values.astype(np.float64), last)

    return Classes(
        condition_weights=weights,
        slots=np.append(
            table["slots"].map(slots).fillna(UNKNOWN_SLOTS).to_numpy(dtype=np.int64), UNKNOWN_SLOTS
        ),
        selection=np.append(
            table["selection"].map(selections).to_numpy(dtype=np.int64), selections["random"]
        ),
        gfci_weights=gfci,
        wet=with_unseen(table["location"].map(wet).to_numpy(), wet[UNSEEN_LOCATION]),
        location=with_unseen(table["location"].map(factors).to_numpy(), factors[UNSEEN_LOCATION]),
        looked=np.append(np.ones(size, dtype=np.bool_), False),
        repaired=np.append(left, NOT_REPAIRED),
        repaired_slots=np.append(face, UNKNOWN_SLOTS),
        repaired_protection=np.append(guarded.astype(np.float64).fillna(0.0).to_numpy(), 0.0),
    )


def building_seeds(building_ids: pd.Series) -> npt.NDArray[np.uint64]:
    """A seed from each building's identifier, shape (B,)."""
    digest = b"".join(
        hashlib.blake2b(str(name).encode(), digest_size=8).digest() for name in building_ids
    )
    return np.frombuffer(digest, dtype=np.uint64).copy()


def assemble(
    rule_book: RuleBook,
    likelihoods: Likelihoods,
    con: duckdb.DuckDBPyConnection,
    era_shares: Array | None = None,
) -> Assembled:
    """Read a portfolio from a warehouse under construction.

    Args:
        rule_book: the rule book.
        likelihoods: the likelihoods under it.
        con: a connection with the tables buildings, building_sizes, signatures and opening_rows.
        era_shares: shares of the eras as learned earlier; this portfolio's own by default.
    """
    buildings = con.execute(
        "SELECT building_no, building_id, year_built, year_rewired, wiring_method, graded_share, "
        "owner, manager FROM buildings ORDER BY building_no"
    ).fetchdf()
    sizes = con.execute(
        "SELECT openings_unseen, dwellings, CASE WHEN NOT openings_assumed THEN 0.0 "
        "WHEN dwellings_assumed THEN rule('counting.dwellings_spread') "
        "ELSE rule('counting.openings_spread') END AS spread "
        "FROM building_sizes ORDER BY building_no"
    ).fetchdf()
    recorded = con.execute(
        "SELECT building_no, dwelling_key, circuit_key, signature_no, openings "
        "FROM opening_rows ORDER BY row_no"
    ).fetchnumpy()
    size = len(buildings)
    classes = evidence_classes(rule_book, likelihoods, con)
    rows = Rows(
        building=np.asarray(recorded["building_no"], dtype=np.int64),
        dwelling=np.asarray(recorded["dwelling_key"], dtype=np.uint64),
        circuit=np.asarray(recorded["circuit_key"], dtype=np.uint64),
        evidence=np.asarray(recorded["signature_no"], dtype=np.int64),
        count=np.asarray(recorded["openings"], dtype=np.int64),
    )
    tree, origin = grow(
        rows,
        size,
        sizes["openings_unseen"].to_numpy(dtype=np.int64),
        sizes["dwellings"].to_numpy(dtype=np.int64),
        classes.flat,
        int(float(rule_book.hierarchy.openings_on_circuit)),
    )
    picked = np.zeros((size, len(SELECTIONS)))
    np.add.at(picked, (rows.building, classes.selection[rows.evidence]), rows.count)
    built, rewired = (
        buildings[name].to_numpy(dtype=np.float64, na_value=np.nan)
        for name in ("year_built", "year_rewired")
    )
    if era_shares is None:
        era_shares = typical_eras(rule_book, built)
    return Assembled(
        Portfolio(
            tree=tree,
            group_weights=group_weights(rule_book, built, rewired, era_shares),
            shift=building_shift(rule_book, buildings),
            poor=poor_share(rule_book, buildings),
            picked=picked,
            seed=building_seeds(buildings["building_id"]),
            classes=classes,
        ),
        buildings,
        origin,
        sizes["spread"].to_numpy(dtype=np.float64),
        era_shares,
    )
