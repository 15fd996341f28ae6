"""The portfolio as arrays: who was looked at, how, and what each look weighs.

Openings with the same evidence are one *signature*; a building is a short list of (signature,
count). That keeps ten million looks small enough to compute with, and loses nothing: the
posterior depends on an opening only through its signature and its building.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.evidence.kinds import Array, Kinds
from shared.rule_book import RuleBook
from shared.vocabulary import Selection

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

SELECTIONS: tuple[Selection, ...] = tuple(Selection)
"""Selections in the order of every selection axis (length 5)."""

UNKNOWN_SLOTS = -1
NOT_REPAIRED = -1


@dataclass(frozen=True)
class Signatures:
    """What is known of an opening, S distinct cases.

    Attributes:
        condition_weights: relative likelihood of all its looks together, shape (S, C).
        slots: index into SLOTS or UNKNOWN_SLOTS, shape (S,).
        selection: index into SELECTIONS, shape (S,); what picked it.
        protection: probability of GFCI protection, shape (S,).
        location: exposure factor of the room (1 is a dry room), shape (S,).
        looked: whether anybody looked at it, shape (S,).
        repaired: condition that a proven repair left behind, index into CONDITIONS, or
            NOT_REPAIRED, shape (S,). The looks are those from before; they still tell of the hand
            that wired the building.
        repaired_slots: index into SLOTS after that repair, shape (S,).
        repaired_protection: probability of GFCI protection after it, shape (S,).
    """

    condition_weights: Array
    slots: Ints
    selection: Ints
    protection: Array
    location: Array
    looked: Bools
    repaired: Ints
    repaired_slots: Ints
    repaired_protection: Array


@dataclass(frozen=True)
class Portfolio:
    """B buildings with their openings grouped by signature (R rows in all).

    Attributes:
        era_weights: probability of each era, shape (B, E); rows sum to 1.
        shift: addition to the log odds of each rate, shape (B, 5): wiring method, crew, visit.
        row_start: rows of building b are row_start[b]:row_start[b + 1], shape (B + 1,).
        row_signature, row_count: signature and number of openings, shape (R,).
        signatures: the signatures.
        seed: seed of the building's own points, shape (B,); from its identifier, so that a
            building's numbers do not move when others are added.
    """

    era_weights: Array
    shift: Array
    row_start: Ints
    row_signature: Ints
    row_count: Array
    signatures: Signatures
    seed: npt.NDArray[np.uint64]

    def __len__(self) -> int:
        return len(self.row_start) - 1


@dataclass(frozen=True)
class Block:
    """A block of buildings, padded to the longest list of rows (G).

    Attributes:
        buildings: which buildings, shape (n,).
        rows: index of each row in the portfolio, shape (n, G); 0 where padded.
        count: openings in each row, 0 where padded, shape (n, G).
        signature: signature of each row, shape (n, G).
    """

    buildings: Ints
    rows: Ints
    count: Array
    signature: Ints


def blocks(portfolio: Portfolio, buildings: Ints, cells: int = 1500) -> list[Block]:
    """Cut buildings into blocks of like length, so that padding stays small.

    Args:
        portfolio: the portfolio.
        buildings: the buildings wanted.
        cells: rows in a block, padding included, at most (or one building).
    """
    lengths = np.diff(portfolio.row_start)[buildings]
    order = np.argsort(lengths, kind="stable")
    result: list[Block] = []
    start = 0
    while start < len(order):
        stop = start + 1
        while stop < len(order) and (stop + 1 - start) * max(1, lengths[order[stop]]) <= cells:
            stop += 1
        chosen = buildings[order[start:stop]]
        longest = max(1, int(lengths[order[stop - 1]]))
        offsets = np.arange(longest)
        first = portfolio.row_start[chosen][:, None]
        real = offsets < np.diff(portfolio.row_start)[chosen][:, None]
        rows = np.where(real, first + offsets, 0)
        result.append(
            Block(
                buildings=chosen,
                rows=rows,
                count=np.where(real, portfolio.row_count[rows], 0.0),
                signature=portfolio.row_signature[rows],
            )
        )
        start = stop
    return result


def selection_weights(rule_book: RuleBook, kinds: Kinds) -> Array:
    """How much likelier each kind is to be picked under each selection, shape (5, K)."""
    protected = float(rule_book.counting.gfci_share_dry)
    dangerous = protected * kinds.danger_protected + (1 - protected) * kinds.danger_unprotected
    three_slot = kinds.slots == 1
    weights = np.ones((len(SELECTIONS), len(kinds.slots)))
    for index, selection in enumerate(SELECTIONS):
        odds = rule_book.selection[selection]
        weights[index] *= np.where(three_slot, float(odds.three_slot), 1.0)
        weights[index] *= dangerous * float(odds.dangerous) + (1 - dangerous)
    return weights
