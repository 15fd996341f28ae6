"""From rows of like openings to the nested lists that the kernel runs over.

Openings that name a dwelling and a circuit are grouped by them. An opening without a circuit is a
circuit by itself in its dwelling, one without a dwelling a dwelling by itself (its circuit, where
that is named): the level above takes the missing one's place. Openings that nobody recorded belong
to dwellings too: they fill up the dwellings seen to the usual size, the rest make dwellings that
nobody saw.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from pipeline.evidence.kernel import Tree

Ints = npt.NDArray[np.int64]
Keys = npt.NDArray[np.uint64]

NOT_RECORDED = -1


@dataclass(frozen=True)
class Rows:
    """Rows of like openings, sorted by building, dwelling, circuit and class (R of them).

    Attributes:
        building: building number, shape (R,).
        dwelling, circuit: keys, 0 where none is named, shape (R,).
        evidence: evidence class, shape (R,).
        count: openings, shape (R,).
    """

    building: Ints
    dwelling: Keys
    circuit: Keys
    evidence: Ints
    count: Ints


def grow(
    rows: Rows, buildings: int, unseen: Ints, dwellings: Ints, flat: int, on_circuit: int
) -> tuple[Tree, Ints]:
    """Build the tree.

    Args:
        rows: the recorded openings.
        buildings: number of buildings, B.
        unseen: openings that nobody recorded, shape (B,).
        dwellings: dwellings of each building, at least 1, shape (B,).
        flat: class of openings without evidence.
        on_circuit: openings that a circuit of which nothing is known is taken to have, at most.

    Returns:
        The tree, and for each of its rows the number of the row it came from, or NOT_RECORDED.
    """
    start = np.searchsorted(rows.building, np.arange(buildings + 1)).astype(np.int64)
    most = len(rows.building)
    # Every row can start a circuit and a dwelling, and every dwelling seen can have one filler of
    # two circuits; dwellings that nobody saw come in two sizes.
    dwelling_room = most + 2 * buildings + 1
    circuit_room = 3 * most + 4 * buildings + 1
    arrays = _grow(
        start,
        rows.dwelling,
        rows.circuit,
        rows.evidence,
        rows.count,
        unseen.astype(np.int64),
        dwellings.astype(np.int64),
        flat,
        on_circuit,
        dwelling_room,
        circuit_room,
    )
    *tree, origin = arrays
    return Tree(*tree), origin


@njit(cache=True, nogil=True)
def _grow(
    start: Ints,
    dwelling: Keys,
    circuit: Keys,
    evidence: Ints,
    count: Ints,
    unseen: Ints,
    dwellings: Ints,
    flat: int,
    on_circuit: int,
    dwelling_room: int,
    circuit_room: int,
) -> tuple[Any, ...]:
    buildings = unseen.shape[0]
    dwelling_start = np.zeros(buildings + 1, np.int64)
    # Room for the most that there can be: what is not written to takes no memory.
    dwelling_times = np.empty(dwelling_room, np.int64)
    dwelling_flat = np.empty(dwelling_room, np.bool_)
    circuit_start = np.empty(dwelling_room + 1, np.int64)
    circuit_times, circuit_flat = (
        np.empty(circuit_room, np.int64),
        np.empty(circuit_room, np.bool_),
    )
    row_start = np.empty(circuit_room + 1, np.int64)
    row_class, row_count = np.empty(circuit_room, np.int64), np.empty(circuit_room, np.int64)
    origin = np.empty(circuit_room, np.int64)
    circuit_start[0], row_start[0] = 0, 0
    d, c, r = 0, 0, 0
    for b in range(buildings):
        first, last = start[b], start[b + 1]
        # Dwellings that are named, to share out what nobody recorded.
        named, seen = 0, 0
        for i in range(first, last):
            seen += count[i]
            if dwelling[i] != 0 and (i == first or dwelling[i] != dwelling[i - 1]):
                named += 1
        total = max(dwellings[b], named, 1)
        usual = (seen + unseen[b] + total - 1) // total
        left = unseen[b]
        i = first
        while i < last:
            if dwelling[i] == 0:
                # A dwelling by itself: its named circuit, or each opening.
                if circuit[i] == 0:
                    dwelling_times[d] = count[i]
                    circuit_times[c] = 1
                    row_class[r], row_count[r], origin[r] = evidence[i], 1, i
                    circuit_flat[c] = evidence[i] == flat
                    dwelling_flat[d] = evidence[i] == flat
                    r += 1
                    i += 1
                else:
                    key = circuit[i]
                    empty = True
                    while i < last and dwelling[i] == 0 and circuit[i] == key:
                        row_class[r], row_count[r], origin[r] = evidence[i], count[i], i
                        empty = empty and evidence[i] == flat
                        r += 1
                        i += 1
                    circuit_flat[c] = empty
                    circuit_times[c] = 1
                    dwelling_times[d], dwelling_flat[d] = 1, empty
                c += 1
                row_start[c] = r
                d += 1
                circuit_start[d] = c
                continue
            home = dwelling[i]
            here = 0
            home_empty = True
            while i < last and dwelling[i] == home:
                if circuit[i] == 0:
                    here += count[i]
                    circuit_times[c] = count[i]
                    row_class[r], row_count[r], origin[r] = evidence[i], 1, i
                    circuit_flat[c] = evidence[i] == flat
                    home_empty = home_empty and evidence[i] == flat
                    r += 1
                    i += 1
                else:
                    key = circuit[i]
                    empty = True
                    while i < last and dwelling[i] == home and circuit[i] == key:
                        here += count[i]
                        row_class[r], row_count[r], origin[r] = evidence[i], count[i], i
                        empty = empty and evidence[i] == flat
                        r += 1
                        i += 1
                    circuit_times[c], circuit_flat[c] = 1, empty
                    home_empty = home_empty and empty
                c += 1
                row_start[c] = r
            missing = min(max(usual - here, 0), left)
            if total == named:
                # No dwelling is left for what remains: the last named one takes it.
                named_left = 0
                if i >= last or dwelling[i] == 0:
                    named_left = left
                missing = max(missing, named_left)
            left -= missing
            whole, part = missing // on_circuit, missing % on_circuit
            if whole > 0:
                circuit_times[c], circuit_flat[c] = whole, True
                row_class[r], row_count[r], origin[r] = flat, on_circuit, NOT_RECORDED
                r += 1
                c += 1
                row_start[c] = r
            if part > 0:
                circuit_times[c], circuit_flat[c] = 1, True
                row_class[r], row_count[r], origin[r] = flat, part, NOT_RECORDED
                r += 1
                c += 1
                row_start[c] = r
            dwelling_times[d], dwelling_flat[d] = 1, home_empty
            d += 1
            circuit_start[d] = c
        if left > 0:
            others = max(total - named, 1)
            size, more = left // others, left % others
            for kind in range(2):
                number = more if kind == 0 else others - more
                openings = size + 1 if kind == 0 else size
                if number == 0 or openings == 0:
                    continue
                whole, part = openings // on_circuit, openings % on_circuit
                if whole > 0:
                    circuit_times[c], circuit_flat[c] = whole, True
                    row_class[r], row_count[r], origin[r] = flat, on_circuit, NOT_RECORDED
                    r += 1
                    c += 1
                    row_start[c] = r
                if part > 0:
                    circuit_times[c], circuit_flat[c] = 1, True
                    row_class[r], row_count[r], origin[r] = flat, part, NOT_RECORDED
                    r += 1
                    c += 1
                    row_start[c] = r
                dwelling_times[d], dwelling_flat[d] = number, True
                d += 1
                circuit_start[d] = c
        dwelling_start[b + 1] = d
    return (
        dwelling_start,
        dwelling_times[:d].copy(),
        circuit_start[: d + 1].copy(),
        circuit_times[:c].copy(),
        row_start[: c + 1].copy(),
        row_class[:r].copy(),
        row_count[:r].copy(),
        circuit_flat[:c].copy(),
        dwelling_flat[:d].copy(),
        origin[:r].copy(),
    )


def children(start: Ints, parents: Ints) -> tuple[Ints, Ints]:
    """Starts and numbers of the children of some parents, in the order given.

    Args:
        start: start of every parent's children, shape (all parents + 1,).
        parents: which, shape (n,).

    Returns:
        Start of each one's children among those returned, shape (n + 1,), and their numbers.
    """
    sizes = start[parents + 1] - start[parents]
    begin = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
    index: Ints = np.repeat(start[parents] - begin[:-1], sizes) + np.arange(begin[-1])
    return begin, index
