"""What each method's instrument shows at each condition, before anybody misreads it.

A *reading* is what the instrument gives away: a lamp pattern, a set of slot voltages with the
voltage under load, a loop impedance. Several conditions can share one reading; the reading's word
is what a reader then writes. Run length is not known, so it is integrated over.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri
from scipy.stats import norm

from pipeline.evidence.circuit import (
    PAIRS,
    Contact,
    Setup,
    floats,
    load_for_amps,
    resistance_between,
    solve,
)
from pipeline.evidence.lamps import LEGEND, pattern
from pipeline.evidence.network import Floats
from shared.rule_book import Circuit, RuleBook
from shared.vocabulary import CONDITIONS, NO_LOOK_RESULTS, Condition, Method, Result

WORDS: tuple[Result, ...] = tuple(r for r in Result if r not in NO_LOOK_RESULTS)
"""The results that follow a look, in the order of every words axis (length 8)."""

RUN_LENGTHS = 256
"""Points of the run-length distribution, each of equal probability."""

_OWN_WORDS: dict[Condition, tuple[Result, ...]] = {
    Condition.GROUNDED: (Result.CORRECT,),
    Condition.UNGROUNDED: (Result.OPEN_GROUND,),
    Condition.FALSE_GROUND: (Result.FALSE_GROUND,),
    Condition.REVERSED: (Result.HOT_NEUTRAL_REVERSED,),
    Condition.REVERSED_UNGROUNDED: (Result.OPEN_GROUND, Result.HOT_NEUTRAL_REVERSED),
    Condition.REVERSED_FALSE_GROUND: (Result.REVERSED_FALSE_GROUND,),
    Condition.OPEN_NEUTRAL: (Result.OPEN_NEUTRAL,),
    Condition.OPEN_HOT: (Result.OPEN_HOT,),
    Condition.HOT_ON_GROUND: (Result.HOT_GROUND_REVERSED,),
}
"""The word that says a condition; a reversed and ungrounded opening has two faults and one cell."""

OWN_WORDS: Floats = np.array(
    [[(w in _OWN_WORDS[c]) / len(_OWN_WORDS[c]) for w in WORDS] for c in CONDITIONS]
)
"""Chance of each word from a reader who knows the condition, shape (9, 8)."""


@dataclass(frozen=True)
class Readings:
    """The distinct readings of one method (R of them).

    Attributes:
        probability: chance of each reading under each condition, shape (R, 9); columns sum to 1.
        words: chance of each word that a reader writes at that reading, shape (R, 8).
    """

    probability: Floats
    words: Floats


def run_lengths(circuit: Circuit) -> Floats:
    """Run lengths of equal probability from the declared log-normal distribution, ft."""
    levels = (np.arange(RUN_LENGTHS) + 0.5) / RUN_LENGTHS
    spread = float(circuit.run_length_spread)
    return float(circuit.run_length_median) * np.exp(spread * ndtri(levels))


def reading_below(circuit: Circuit, volts: ArrayLike, limit: ArrayLike) -> Floats:
    """Chance that a meter shows at most ``limit`` volts where ``volts`` are; shapes broadcast."""
    error = float(circuit.volts_error)
    true = np.abs(np.asarray(volts, dtype=np.float64))
    top = np.asarray(limit, dtype=np.float64)
    below: Floats = norm.cdf((top - true) / error) - norm.cdf((-top - true) / error)
    return below


def floating_below(book: RuleBook, limit: ArrayLike) -> Floats:
    """Chance that a voltmeter shows at most ``limit`` volts on a floating contact.

    As good as nothing with the declared chance; of the rest, part is spread evenly in the
    logarithm from the meter's error up to the supply voltage, part evenly from zero.
    """
    top = np.asarray(limit, dtype=np.float64)
    supply = float(book.circuit.supply_volts)
    error = float(book.circuit.volts_error)
    dead, low = float(book.evidence.float_dead), float(book.evidence.float_low)
    in_logs = np.clip(np.log(np.maximum(top, error) / error) / np.log(supply / error), 0.0, 1.0)
    evenly = np.clip(top / supply, 0.0, 1.0)
    rest = low * in_logs + (1.0 - low) * evenly
    below: Floats = dead * reading_below(book.circuit, 0.0, top) + (1.0 - dead) * rest
    return below


def _one_word(word: Result) -> Floats:
    return np.array([float(w is word) for w in WORDS])


def _gather(chances: dict[Result, Floats]) -> Readings:
    found = {word: chance for word, chance in chances.items() if np.any(chance > 0)}
    return Readings(np.stack(list(found.values())), np.stack([_one_word(w) for w in found]))


def _lamp_words(book: RuleBook) -> dict[Result, Floats]:
    load_on = float(book.evidence.load_on)
    chances = {word: np.zeros(len(CONDITIONS)) for word in WORDS}
    for column, condition in enumerate(CONDITIONS):
        for switched_on, share in ((False, 1.0 - load_on), (True, load_on)):
            shown = pattern(book.circuit, condition, load_on=switched_on)
            # A pattern that no legend has leaves the reader to guess; nothing here produces one.
            chances[LEGEND[shown]][column] += share
    return chances


def lamp_readings(book: RuleBook) -> Readings:
    """A three-lamp tester: the lamp patterns of the solved circuit, with their legend."""
    return _gather(_lamp_words(book))


def impedance_readings(book: RuleBook) -> Readings:
    """A ground-impedance meter: the tester's patterns, and at the correct one the N–G loop.

    A loop at or below the declared limit is called a false ground: a jumper, with hot and neutral
    either way round, or a true ground so near the panel that its own loop is as short.
    """
    circuit = book.circuit
    feet = run_lengths(circuit)
    chances = _lamp_words(book)
    share_below = np.zeros(len(CONDITIONS))
    for column, condition in enumerate(CONDITIONS):
        loop = resistance_between(circuit, condition, feet, Contact.NEUTRAL, Contact.GROUND)
        excess = float(circuit.false_ground_loop_ohms) / loop - 1.0
        share_below[column] = norm.cdf(excess / float(circuit.ohms_error_share)).mean()
    correct = chances[Result.CORRECT]
    chances[Result.FALSE_GROUND] = chances[Result.FALSE_GROUND] + correct * share_below
    chances[Result.CORRECT] = correct * (1.0 - share_below)
    return _gather(chances)


_DEAD, _BETWEEN, _LIVE = range(3)


def _pair_states(book: RuleBook, condition: Condition, *, load_on: bool) -> Floats:
    """Chance that each slot pair reads dead, between or live, shape (3 pairs, 3 states)."""
    circuit, evidence = book.circuit, book.evidence
    load = float(circuit.appliance_ohms) if load_on else None
    solved = solve(circuit, condition, Setup(float(circuit.run_length_median), load_ohms=load))
    limits = np.array([float(evidence.dead_volts), float(evidence.live_volts)])
    states = np.zeros((3, 3))
    for row, pair in enumerate(PAIRS):
        adrift = [c for c in pair if floats(circuit, condition, c)]
        if load_on:
            # A load ties the hot and the neutral contact together: they float both or neither.
            others = {Contact.HOT, Contact.NEUTRAL}
            tied = any(not floats(circuit, condition, c) for c in others)
            adrift = [c for c in adrift if not (tied and c in others)]
        below = (
            floating_below(book, limits)
            if adrift
            else reading_below(circuit, solved.between(*pair), limits)
        )
        states[row] = below[0], below[1] - below[0], 1.0 - below[1]
    return states


def _slot_word(states: tuple[int, ...]) -> Result | None:
    """Interpret slot voltages in lamp order; None where they look right and the load decides."""
    neutral_ground, hot_neutral, hot_ground = states
    if hot_neutral == _LIVE:
        if neutral_ground == _DEAD and hot_ground == _LIVE:
            return None
        if neutral_ground == _LIVE and hot_ground == _DEAD:
            return Result.HOT_NEUTRAL_REVERSED
        return Result.OPEN_GROUND
    if hot_ground != _LIVE:
        return Result.OPEN_HOT
    return Result.HOT_GROUND_REVERSED if neutral_ground == _LIVE else Result.OPEN_NEUTRAL


def loaded_below(
    book: RuleBook, condition: Condition, amps: ArrayLike, limits: ArrayLike
) -> Floats:
    """Chance that neutral to ground reads at most each limit while a load draws current.

    Args:
        book: the rule book.
        condition: the condition of the opening.
        amps: load currents, A, shape (A,); each must be above zero.
        limits: voltages, V, shape (L,).

    Returns:
        Shape (A, L): integrated over run length and meter error.
    """
    circuit = book.circuit
    current = np.atleast_1d(np.asarray(amps, dtype=np.float64))
    top = np.atleast_1d(np.asarray(limits, dtype=np.float64))
    if floats(circuit, condition, Contact.GROUND):
        return np.broadcast_to(floating_below(book, top), (current.size, top.size))
    feet = run_lengths(circuit)
    load = load_for_amps(circuit, condition, feet[:, None], current[None, :])
    solved = solve(circuit, condition, Setup(feet[:, None], load_ohms=load))
    volts = solved.between(Contact.NEUTRAL, Contact.GROUND)
    averaged: Floats = reading_below(circuit, volts[..., None], top).mean(axis=0)
    return averaged


def idle_below(book: RuleBook, condition: Condition, limits: ArrayLike) -> Floats:
    """Chance that the neutral-to-ground voltage reads at most each limit with no load, (L,)."""
    pair = (Contact.NEUTRAL, Contact.GROUND)
    if any(floats(book.circuit, condition, contact) for contact in pair):
        # A jumper ties both to the same conductor, so a floating contact there cannot be.
        return floating_below(book, limits)
    solved = solve(book.circuit, condition, Setup(float(book.circuit.run_length_median)))
    return reading_below(book.circuit, solved.between(*pair), limits)


def voltmeter_readings(book: RuleBook) -> Readings:
    """A voltmeter at the slots, then neutral to ground under a load of the declared range.

    A false ground and a reversed one look alike: both slots and both voltages are right, and only
    a reading against earth outside the opening would differ.
    """
    circuit, evidence = book.circuit, book.evidence
    load_on = float(evidence.load_on)
    limits = [float(circuit.false_ground_volts), float(evidence.live_volts)]
    amps = np.geomspace(float(circuit.test_load_least), float(circuit.test_load_amps), 9)
    chances = {word: np.zeros(len(CONDITIONS)) for word in WORDS}
    for column, condition in enumerate(CONDITIONS):
        looks_right = 0.0
        for switched_on, share in ((False, 1.0 - load_on), (True, load_on)):
            states = _pair_states(book, condition, load_on=switched_on)
            for shown in product(range(3), repeat=3):
                chance = share * float(np.prod(states[range(3), shown]))
                word = _slot_word(shown)
                if word is None:
                    looks_right += chance
                else:
                    chances[word][column] += chance
        near, far = loaded_below(book, condition, amps, limits).mean(axis=0)
        chances[Result.FALSE_GROUND][column] += looks_right * near
        chances[Result.CORRECT][column] += looks_right * (far - near)
        chances[Result.OPEN_NEUTRAL][column] += looks_right * (1.0 - far)
    return _gather(chances)


def cover_off_readings(book: RuleBook) -> Readings:
    """An open box: every condition is its own reading."""
    return Readings(np.eye(len(CONDITIONS)), OWN_WORDS)


def visual_readings(book: RuleBook) -> Readings:
    """The face alone: one reading, whatever the wiring behind it."""
    return Readings(np.ones((1, len(CONDITIONS))), _one_word(Result.CORRECT)[None])


READINGS = {
    Method.VISUAL: visual_readings,
    Method.THREE_LAMP_TESTER: lamp_readings,
    Method.VOLTMETER_UNDER_LOAD: voltmeter_readings,
    Method.GROUND_IMPEDANCE_METER: impedance_readings,
    Method.COVER_OFF_INSPECTION: cover_off_readings,
}
"""How to derive the readings of each method."""
