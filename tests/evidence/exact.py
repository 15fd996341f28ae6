"""The hierarchy summed by enumeration at given rates: every hand, circuit, way and opening.

Nothing is shared with the program but the order of the states: plain Python loops over every list
of circuit states under every hand, every way in which an opening comes by its state (on its own,
following its circuit, a style of its own) and every kind of trouble. Circuits and dwellings that
the tree holds once with a number are written out one by one, and so are like openings.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import product

import numpy as np

STATES = range(8)
GROUNDED = (0, 1)
JUMPERED = (5, 6, 7)
COPIED, TIED, FRESH = "copied", "tied", "fresh"
ALONE, FOLLOWED, STYLED = "alone", "followed", "styled"


@dataclass(frozen=True)
class Numbers:
    """The portfolio's shares and what the classes say: ``table[n][s][t]`` and so on."""

    circuit_follows: float
    origin_follows: float
    opening_follows: float
    opening_own: float
    careful: float
    head: float
    live: float
    table: np.ndarray
    safe: np.ndarray
    dead: np.ndarray
    harm: np.ndarray
    face: np.ndarray
    face_safe: np.ndarray


@dataclass(frozen=True)
class Point:
    """Chances at given rates: a fresh draw, a style of one opening, trouble."""

    fresh: list[float]
    style: list[float]
    trouble: list[float]


def point(log_odds, poor: float, numbers: Numbers) -> Point:
    """Chances at given log odds of the five rates."""
    u, c, j, r, f = (1 / (1 + math.exp(-value)) for value in log_odds)
    plain = c * (1 - j)
    style = [0, 0, 1 - c, plain * (1 - numbers.careful), plain * numbers.careful, c * j, 0, 0]
    fresh = [(1 - u) * (1 - poor), (1 - u) * poor, *(u * chance for chance in style[2:])]
    fresh[5:] = (u * c * j * share for share in manners(numbers))
    return Point(fresh, style, [(1 - f) * (1 - r), (1 - f) * r, f])


def manners(numbers: Numbers) -> tuple[float, float, float]:
    """How a jumperer does a circuit: at single openings, at the head, there with a swap."""
    head, live = numbers.head, numbers.live
    return 1 - head, head * (1 - live), head * live


def ways(numbers: Numbers, at: Point, circuit: int):
    """How an opening on a circuit of this state comes by its own: (way, state, chance)."""
    own, follows = numbers.opening_own, numbers.opening_follows
    for state in STATES:
        yield ALONE, state, own * at.fresh[state]
    if circuit in GROUNDED:
        yield FOLLOWED, circuit, 1 - own
        return
    yield FOLLOWED, circuit, (1 - own) * follows
    for state in STATES:
        yield STYLED, state, (1 - own) * (1 - follows) * at.style[state]


def opening_sum(numbers: Numbers, at: Point, circuit: int, each) -> float:
    """Sum over an opening's ways and troubles of chance times ``each[s][t]``."""
    return sum(
        chance * at.trouble[t] * each[s][t]
        for _, s, chance in ways(numbers, at, circuit)
        for t in range(3)
    )


@dataclass(frozen=True)
class Opening:
    """One opening: its class, the number of its row, and whether anything is known of it."""

    evidence: int
    row: int


def written_out(tree, building: int) -> list[list[list[Opening]]]:
    """A building's dwellings as lists of circuits, those as lists of openings: no numbers left."""
    result = []
    for d in range(tree.dwelling_start[building], tree.dwelling_start[building + 1]):
        circuits = []
        for c in range(tree.circuit_start[d], tree.circuit_start[d + 1]):
            openings = [
                Opening(int(tree.row_class[r]), r)
                for r in range(tree.row_start[c], tree.row_start[c + 1])
                for _ in range(tree.row_count[r])
            ]
            circuits += [openings] * int(tree.circuit_times[c])
        result += [circuits] * int(tree.dwelling_times[d])
    return result


def anew(numbers: Numbers, at: Point, hand: int):
    """How a circuit that does not copy the hand comes by its state: (state, way, chance).

    A fresh draw, tied to whether the hand left a ground or to nothing.
    """
    like = [state for state in STATES if (state in GROUNDED) == (hand in GROUNDED)]
    some = sum(at.fresh[state] for state in like)
    for state in like:
        yield state, TIED, numbers.origin_follows * at.fresh[state] / some
    for state in STATES:
        yield state, FRESH, (1 - numbers.origin_follows) * at.fresh[state]


def lists_of(numbers: Numbers, at: Point, circuits: int):
    """Every hand with every list of circuits under it: (hand, ((state, way), …), chance)."""
    copies = numbers.circuit_follows
    for hand in STATES:
        choices = [(hand, COPIED, copies)]
        if hand in JUMPERED:
            # Whoever jumpers decides circuit by circuit whether to do it at the head.
            choices = [
                (s, COPIED, copies * share)
                for s, share in zip(JUMPERED, manners(numbers), strict=True)
            ]
        choices += [(s, way, (1 - copies) * chance) for s, way, chance in anew(numbers, at, hand)]
        for found in product(choices, repeat=circuits):
            chance = at.fresh[hand] * math.prod(chance for _, _, chance in found)
            yield hand, [(state, way) for state, way, _ in found], chance


def dwelling_sum(numbers: Numbers, at: Point, circuits, table) -> float:
    """Likelihood of one dwelling under ``table`` by class."""
    inner = [
        [
            math.prod(opening_sum(numbers, at, s, table[o.evidence]) for o in openings)
            for s in STATES
        ]
        for openings in circuits
    ]
    return sum(
        chance * math.prod(inner[k][state] for k, (state, _) in enumerate(found))
        for _, found, chance in lists_of(numbers, at, len(circuits))
    )


def building_log_sum(numbers: Numbers, at: Point, dwellings, table) -> float:
    """Log likelihood of a building under ``table`` by class."""
    return sum(math.log(dwelling_sum(numbers, at, circuits, table)) for circuits in dwellings)


def joint_of(numbers: Numbers, at: Point, circuits, place: int, opening: int) -> np.ndarray:
    """Posterior of one opening by its state and trouble, shape (8, 3)."""
    table = numbers.table
    aside = [
        [
            math.prod(
                opening_sum(numbers, at, s, table[o.evidence])
                for n, o in enumerate(openings)
                if (k, n) != (place, opening)
            )
            for s in STATES
        ]
        for k, openings in enumerate(circuits)
    ]
    own = table[circuits[place][opening].evidence]
    result = np.zeros((len(STATES), 3))
    by_state = [0.0] * len(STATES)
    for _, found, chance in lists_of(numbers, at, len(circuits)):
        by_state[found[place][0]] += chance * math.prod(
            aside[k][state] for k, (state, _) in enumerate(found)
        )
    for circuit in STATES:
        for _, s, chance in ways(numbers, at, circuit):
            for t in range(3):
                result[s, t] += by_state[circuit] * chance * at.trouble[t] * own[s][t]
    return result / result.sum()


def danger_without_own(
    numbers: Numbers, at: Point, flat: int, circuits, place: int, opening: int, known: str
) -> float:
    """Chance of danger of one opening were its slots all that is known of itself.

    Args:
        numbers, at, circuits, place, opening: as above.
        flat: the class of which nothing is known.
        known: "building" (the rates alone), "dwelling" (its other circuits too) or "circuit" (its
            circuit's other openings too).
    """
    kept = []
    for k, openings in enumerate(circuits):
        if known == "building":
            kept.append([Opening(flat, 0)] if k == place else [])
        elif k == place and known == "dwelling":
            kept.append([Opening(flat, 0)])
        elif k == place:
            others = [o for n, o in enumerate(openings) if n != opening]
            kept.append([Opening(flat, 0), *others])
        else:
            kept.append(openings)
    joint = joint_of(numbers, at, kept, place, 0) / numbers.table[flat]
    own = circuits[place][opening].evidence
    seen, calm = numbers.face[own], numbers.face_safe[own]
    return float(1 - (joint * calm).sum() / (joint * seen).sum())


def dangerous_pmf(numbers: Numbers, at: Point, dwellings) -> tuple[np.ndarray, float]:
    """Distribution of the number of dangerous openings of a building, and its expected harm."""
    pmf, harm = np.ones(1), 0.0
    for circuits in dwellings:
        # Distribution of evidence and number by circuit and state, unnormalised.
        numbers_of, harms = [], []
        for openings in circuits:
            by_state, hurt_by_state = [], []
            for s in STATES:
                found, hurt = np.ones(1), 0.0
                for o in openings:
                    like = opening_sum(numbers, at, s, numbers.table[o.evidence])
                    calm = opening_sum(numbers, at, s, numbers.safe[o.evidence])
                    pain = opening_sum(
                        numbers, at, s, numbers.table[o.evidence] * numbers.harm[o.evidence]
                    )
                    found = np.convolve(found, [calm, like - calm])
                    hurt += pain / like
                by_state.append(found)
                hurt_by_state.append(hurt)
            numbers_of.append(by_state)
            harms.append(hurt_by_state)
        total, hurt_total = np.zeros(1 + sum(map(len, circuits))), 0.0
        for _, found, chance in lists_of(numbers, at, len(circuits)):
            part, pain = np.ones(1), 0.0
            for k, (state, _) in enumerate(found):
                part = np.convolve(part, numbers_of[k][state])
                pain += harms[k][state]
            total += chance * part
            hurt_total += chance * part.sum() * pain
        harm += hurt_total / total.sum()
        pmf = np.convolve(pmf, total / total.sum())
    return pmf, harm


def expected_numbers(numbers: Numbers, at: Point, flat: int, dwellings) -> np.ndarray:
    """Expected numbers as ``kernel.Found.taught`` describes them, shape (18,)."""
    result = np.zeros(18)
    table = numbers.table
    for circuits in dwellings:
        telling = [any(o.evidence != flat for o in openings) for openings in circuits]
        inner = [
            [
                math.prod(opening_sum(numbers, at, s, table[o.evidence]) for o in openings)
                for s in STATES
            ]
            for openings in circuits
        ]
        total, hands = 0.0, np.zeros(len(STATES))
        copied, tied = np.zeros((2, len(circuits)))
        states = np.zeros((len(circuits), len(STATES)))
        for hand, found, chance in lists_of(numbers, at, len(circuits)):
            mass = chance * math.prod(inner[k][state] for k, (state, _) in enumerate(found))
            total += mass
            hands[hand] += mass
            for k, (state, way) in enumerate(found):
                states[k, state] += mass
                copied[k] += mass * (way == COPIED)
                tied[k] += mass * (way == TIED)
        if any(telling):
            result[6:14] += hands / total
        for k, openings in enumerate(circuits):
            if telling[k]:
                single, *at_head = states[k, list(JUMPERED)] / total
                result[14:16] += single, sum(at_head)
            if telling[k] and sum(telling) > 1:
                result[0] += copied[k] / total
                result[1] += 1
                result[16] += tied[k] / total
                result[17] += 1 - copied[k] / total
            said = [o for o in openings if o.evidence != flat]
            if len(said) < 2:
                continue
            for o in said:
                by_way = dict.fromkeys((ALONE, FOLLOWED, STYLED), 0.0)
                for circuit in STATES:
                    here = opening_sum(numbers, at, circuit, table[o.evidence])
                    for way, s, chance in ways(numbers, at, circuit):
                        if way == FOLLOWED and circuit in GROUNDED:
                            continue
                        like = sum(at.trouble[t] * table[o.evidence][s][t] for t in range(3))
                        by_way[way] += states[k, circuit] / total * chance * like / here
                result[2] += by_way[FOLLOWED]
                result[3] += by_way[FOLLOWED] + by_way[STYLED]
                result[4] += by_way[ALONE]
                result[5] += 1
    return result
