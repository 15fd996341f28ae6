"""From warehouse tables to the arrays of ``Portfolio``: eras, shifts, signatures, rows."""

from __future__ import annotations

import hashlib

import duckdb
import numpy as np
import numpy.typing as npt
import pandas as pd

from pipeline.evidence.kinds import RATES, SLOTS, Array
from pipeline.evidence.likelihood import Likelihoods
from pipeline.evidence.portfolio import (
    NOT_REPAIRED,
    SELECTIONS,
    UNKNOWN_SLOTS,
    Ints,
    Portfolio,
    Signatures,
)
from shared.rule_book import RuleBook
from shared.vocabulary import CONDITIONS

UNSEEN_LOCATION = "unknown"


def era_index(rule_book: RuleBook, years: Array) -> Ints:
    """Era of each year, -1 where the year is missing (NaN) or in no band, shape of ``years``."""
    result = np.full(years.shape, -1, dtype=np.int64)
    for index, era in enumerate(rule_book.eras.values()):
        inside = (years >= float(era.first_year)) & (years <= float(era.last_year))
        result[inside] = index
    return result


def era_weights(rule_book: RuleBook, built: Array, rewired: Array) -> Array:
    """Probability of each era as the one whose wiring a building has.

    A missing year averages over eras, in the portfolio's own proportions steadied by the rule
    book's; a recorded year is wrong now and then; a recorded rewiring may not have reached the
    whole building.

    Args:
        rule_book: the rule book.
        built, rewired: years, NaN where missing, shape (B,).

    Returns:
        Shape (B, E); rows sum to 1.
    """
    eras = list(rule_book.eras.values())
    share = np.array([float(era.share) for era in eras])
    share /= share.sum()
    known = era_index(rule_book, built)
    counts = np.bincount(known[known >= 0], minlength=len(eras))
    steady = float(rule_book.learning.era_share_buildings)
    typical = (counts + steady * share) / (counts.sum() + steady)
    wrong = float(rule_book.structure.year_wrong)
    spread = wrong * typical + (1 - wrong) * np.eye(len(eras))
    result = np.where(known[:, None] >= 0, spread[known.clip(min=0)], typical)
    again = era_index(rule_book, rewired)
    reach = np.where(again >= 0, float(rule_book.structure.rewiring_reach), 0.0)[:, None]
    mixed: Array = (1 - reach) * result + reach * spread[again.clip(min=0)]
    return mixed


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


def crew_index(buildings: pd.DataFrame) -> dict[str, Ints]:
    """Index of each building's owner and manager, -1 where none is known."""
    return {
        factor: pd.factorize(buildings[factor], sort=True)[0].astype(np.int64)
        for factor in ("owner", "manager")
    }


def protection_shares(rule_book: RuleBook, con: duckdb.DuckDBPyConnection) -> dict[str, float]:
    """GFCI-protected share by location: the portfolio's own, steadied by the rule book's."""
    counting = rule_book.counting
    wet, dry = float(counting.gfci_share_wet), float(counting.gfci_share_dry)
    share_wet = float(counting.wet_share)
    weight = float(counting.gfci_default_openings)
    seen = {
        location: (yes, total)
        for location, yes, total in con.execute(
            "SELECT location, count(*) FILTER (gfci = 'yes'), count(gfci) "
            "FROM opening_list GROUP BY location"
        ).fetchall()
    }
    result = {}
    for location, default in (("wet", wet), ("dry", dry)):
        yes, total = seen.get(location, (0, 0))
        result[location] = (yes + weight * default) / (total + weight)
    result[UNSEEN_LOCATION] = share_wet * result["wet"] + (1 - share_wet) * result["dry"]
    return result


def location_factors(rule_book: RuleBook) -> dict[str, float]:
    """Exposure factor by location; an unknown room is the average one."""
    wet, share = float(rule_book.exposure.wet_factor), float(rule_book.counting.wet_share)
    return {"dry": 1.0, "wet": wet, UNSEEN_LOCATION: share * wet + 1 - share}


def signature_arrays(
    rule_book: RuleBook, likelihoods: Likelihoods, con: duckdb.DuckDBPyConnection
) -> Signatures:
    """Weigh every signature; the last one stands for openings that nobody recorded."""
    table = con.execute(
        "SELECT codes, slots, selection, gfci, location, leaves_condition, leaves_slots, "
        "leaves_protected FROM signatures ORDER BY signature_no"
    ).fetchdf()
    # An opening repaired before anybody else looked has no codes: its looks weigh nothing.
    codes = table["codes"].explode().dropna()
    weights = np.ones((len(table) + 1, len(CONDITIONS)))
    if len(codes):
        distinct, which = np.unique(codes.to_numpy(dtype=str), return_inverse=True)
        each = np.log(likelihoods.weights_of(distinct))
        total = np.zeros((len(table), each.shape[1]))
        np.add.at(total, codes.index.to_numpy(), each[which])
        weights[:-1] = np.exp(total - total.max(axis=1, keepdims=True))
    slots = {slot.value: index for index, slot in enumerate(SLOTS)}
    selections = {selection.value: index for index, selection in enumerate(SELECTIONS)}
    shares, factors = protection_shares(rule_book, con), location_factors(rule_book)
    wrong = float(rule_book.counting.gfci_error)
    protection = table["location"].map(shares).to_numpy(dtype=np.float64)
    gfci = table["gfci"].to_numpy(dtype=object)
    protection = np.where(gfci == "yes", 1 - wrong, np.where(gfci == "no", wrong, protection))
    location = table["location"].map(factors).to_numpy(dtype=np.float64)
    conditions = {condition.value: index for index, condition in enumerate(CONDITIONS)}
    left = table["leaves_condition"].map(conditions).fillna(NOT_REPAIRED).to_numpy(dtype=np.int64)
    face = table["leaves_slots"].map(slots).fillna(UNKNOWN_SLOTS).to_numpy(dtype=np.int64)
    # As objects: a column of missing flags alone could not take a number.
    guarded = table["leaves_protected"].astype(object).map({True: 1 - wrong, False: wrong})
    return Signatures(
        condition_weights=weights,
        slots=np.append(
            table["slots"].map(slots).fillna(UNKNOWN_SLOTS).to_numpy(dtype=np.int64), UNKNOWN_SLOTS
        ),
        selection=np.append(
            table["selection"].map(selections).to_numpy(dtype=np.int64), selections["random"]
        ),
        protection=np.append(protection, shares[UNSEEN_LOCATION]),
        location=np.append(location, factors[UNSEEN_LOCATION]),
        looked=np.append(np.ones(len(table), dtype=np.bool_), False),
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
    rule_book: RuleBook, likelihoods: Likelihoods, con: duckdb.DuckDBPyConnection
) -> tuple[Portfolio, pd.DataFrame]:
    """Read a portfolio from a warehouse under construction.

    Args:
        rule_book: the rule book.
        likelihoods: the likelihoods under it.
        con: a connection with the tables buildings, building_sizes, signatures, opening_list and
            building_rows.

    Returns:
        The portfolio, without crew shifts, and the buildings in the same order.
    """
    buildings = con.execute(
        "SELECT building_no, building_id, year_built, year_rewired, wiring_method, graded_share, "
        "owner, manager FROM buildings ORDER BY building_no"
    ).fetchdf()
    rows = con.execute(
        """
        SELECT building_no, signature_no, openings FROM building_rows
        UNION ALL
        SELECT building_no, (SELECT count(*) FROM signatures), openings_unseen
        FROM building_sizes WHERE openings_unseen > 0
        ORDER BY building_no, signature_no
        """
    ).fetchdf()
    size = len(buildings)
    per_building = np.bincount(rows["building_no"].to_numpy(dtype=np.int64), minlength=size)
    return (
        Portfolio(
            era_weights=era_weights(
                rule_book,
                buildings["year_built"].to_numpy(dtype=np.float64, na_value=np.nan),
                buildings["year_rewired"].to_numpy(dtype=np.float64, na_value=np.nan),
            ),
            shift=building_shift(rule_book, buildings),
            row_start=np.concatenate([[0], np.cumsum(per_building)]).astype(np.int64),
            row_signature=rows["signature_no"].to_numpy(dtype=np.int64),
            row_count=rows["openings"].to_numpy(dtype=np.float64),
            signatures=signature_arrays(rule_book, likelihoods, con),
            seed=building_seeds(buildings["building_id"]),
        ),
        buildings,
    )
