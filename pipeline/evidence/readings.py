"""What each method's instrument shows at each condition, before anybody misreads it.

A *reading* is what the instrument gives away: a lamp pattern, a set of slot voltages with the
voltage under load, a loop impedance. Several conditions can share one reading; the reading's word
is what a reader then writes. What no record says is integrated over: run length, where a box
further up is, how poor a poor ground is, what runs on two circuits whose shared neutral is broken.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri

from pipeline.evidence.circuit import (
    PAIRS,
    Contact,
    Setup,
    Unknowns,
    floats,
    here,
    load_for_amps,
    resistance_between,
    solve,
    spread,
)
from pipeline.evidence.lamps import LEGEND, OFF_LEGEND, lit
from pipeline.evidence.network import Floats
from shared.rule_book import Circuit, RuleBook
from shared.vocabulary import CONDITIONS, NO_LOOK_RESULTS, Condition, Method, Result

WORDS: tuple[Result, ...] = tuple(r for r in Result if r not in NO_LOOK_RESULTS)
"""The results that follow a look, in the order of every words axis (length W, 11)."""

RUN_LENGTHS = 256
"""Points of the joint distribution of run length and ``Unknowns``, each of equal probability."""

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
    Condition.POOR_GROUND: (Result.POOR_GROUND,),
    Condition.FALSE_GROUND_UPSTREAM: (Result.FALSE_GROUND_UPSTREAM,),
    Condition.REVERSED_FALSE_GROUND_UPSTREAM: (Result.REVERSED_FALSE_GROUND,),
    Condition.OPEN_NEUTRAL_UNGROUNDED: (Result.OPEN_NEUTRAL,),
    Condition.OPEN_NEUTRAL_FALSE_GROUND: (Result.FALSE_GROUND, Result.OPEN_NEUTRAL),
    Condition.SHARED_NEUTRAL_OPEN: (Result.ABNORMAL_VOLTAGE,),
}
"""The word that says a condition; where there are two faults and one cell, either."""

OWN_WORDS: Floats = np.array(
    [[(w in _OWN_WORDS[c]) / len(_OWN_WORDS[c]) for w in WORDS] for c in CONDITIONS]
)
"""Chance of each word from a reader who knows the condition, shape (C, W)."""


@dataclass(frozen=True)
class Readings:
    """The distinct readings of one method (R of them).

    Attributes:
        probability: chance of each reading under each condition, shape (R, C); columns sum to 1.
        words: chance of each word that a reader writes at that reading, shape (R, W).
    """

    probability: Floats
    words: Floats


def run_lengths(circuit: Circuit) -> Floats:
    """Run lengths of equal probability from the declared log-normal distribution, ft."""
    levels = (np.arange(RUN_LENGTHS) + 0.5) / RUN_LENGTHS
    spread = float(circuit.run_length_spread)
    return float(circuit.run_length_median) * np.exp(spread * ndtri(levels))


def unknowns(circuit: Circuit) -> Unknowns:
    """The unknowns at the points of ``run_lengths``."""
    return spread(circuit, RUN_LENGTHS)


def reading_below(circuit: Circuit, volts: ArrayLike, limit: ArrayLike) -> Floats:
    """Chance that a meter shows at most ``limit`` volts where ``volts`` are; shapes broadcast."""
    error = float(circuit.volts_error)
    true = np.abs(np.asarray(volts, dtype=np.float64))
    top = np.asarray(limit, dtype=np.float64)
    below: Floats = ndtr((top - true) / error) - ndtr((-top - true) / error)
    return below


def floating_below(book: RuleBook, limit: ArrayLike, *, to_earth: bool = False) -> Floats:
    """Chance that a voltmeter shows at most ``limit`` volts on a floating contact.

    As good as nothing with the declared chance; of the rest, part (against earth all of it) is
    spread evenly in the logarithm from the meter's error up to the supply voltage, part evenly from
    zero.
    """
    top = np.asarray(limit, dtype=np.float64)
    supply = float(book.circuit.supply_volts)
    error = float(book.circuit.volts_error)
    dead = float(book.evidence.float_dead)
    low = 1.0 if to_earth else float(book.evidence.float_low)
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
    feet, unknown = run_lengths(book.circuit), unknowns(book.circuit)
    chances = {word: np.zeros(len(CONDITIONS)) for word in WORDS}
    for column, condition in enumerate(CONDITIONS):
        for switched_on, share in ((False, 1.0 - load_on), (True, load_on)):
            shown = lit(book.circuit, condition, feet, load_on=switched_on, unknowns=unknown)
            patterns, counts = np.unique(shown, axis=0, return_counts=True)
            for each, count in zip(patterns.tolist(), counts.tolist(), strict=True):
                word = LEGEND.get((each[0], each[1], each[2]), OFF_LEGEND)
                chances[word][column] += share * count / RUN_LENGTHS
    return chances


def lamp_readings(book: RuleBook) -> Readings:
    """A three-lamp tester: the lamp patterns of the solved circuit, with their legend."""
    return _gather(_lamp_words(book))


def impedance_readings(book: RuleBook) -> Readings:
    """A ground-impedance meter: the tester's patterns, and at the correct one the N–G loop.

    A loop at or below the declared limit is called a false ground: a jumper, with hot and neutral
    either way round, a bond not far up, or a true ground so near the panel that its own loop is as
    short. A loop from the other declared limit on is called a poor ground.
    """
    circuit = book.circuit
    feet, unknown = run_lengths(circuit), unknowns(circuit)
    chances = _lamp_words(book)
    limits = np.array([float(circuit.false_ground_loop_ohms), float(circuit.poor_ground_loop_ohms)])
    below = np.zeros((2, len(CONDITIONS)))
    for column, condition in enumerate(CONDITIONS):
        loop = resistance_between(
            circuit, condition, feet, Contact.NEUTRAL, Contact.GROUND, unknowns=unknown
        )
        excess = limits[:, None] / loop - 1.0
        below[:, column] = ndtr(excess / float(circuit.ohms_error_share)).mean(axis=1)
    # The instrument's own poor contact makes any path look poor now and then.
    low, sound = below * (1.0 - float(book.evidence.raised_readings))
    correct = chances[Result.CORRECT]
    shares = {
        Result.FALSE_GROUND: low,
        Result.CORRECT: sound - low,
        Result.POOR_GROUND: 1.0 - sound,
    }
    chances[Result.CORRECT] = np.zeros(len(CONDITIONS))
    for word, share in shares.items():
        chances[word] = chances[word] + correct * share
    return _gather(chances)


_DEAD, _BETWEEN, _LIVE, _HIGH = range(4)


def pair_floats(
    book: RuleBook, condition: Condition, pair: tuple[Contact, Contact], *, load_on: bool
) -> bool:
    """Whether a voltmeter on a pair of contacts hangs on nothing but leakage."""
    load = float(book.circuit.appliance_ohms) if load_on else None
    return floats(book.circuit, condition, *pair, load_ohms=load)


def _slot_states(book: RuleBook, condition: Condition, *, load_on: bool) -> Floats:
    """Chance of what the slot pairs read together: dead, between, live or high each, (4, 4, 4)."""
    circuit, evidence = book.circuit, book.evidence
    load = float(circuit.appliance_ohms) if load_on else None
    setup = Setup(run_lengths(circuit), load_ohms=load, unknowns=unknowns(circuit))
    solved = solve(circuit, condition, setup)
    limits = np.array(
        [float(evidence.dead_volts), float(evidence.live_volts), float(circuit.abnormal_volts)]
    )
    states = []
    for pair in PAIRS:
        if pair_floats(book, condition, pair, load_on=load_on):
            below = np.broadcast_to(floating_below(book, limits), (RUN_LENGTHS, len(limits)))
        else:
            below = reading_below(circuit, solved.between(*pair)[:, None], limits)
        padded = np.pad(below, ((0, 0), (1, 1)))
        padded[:, -1] = 1.0
        states.append(np.diff(padded, axis=1))
    together: Floats = np.einsum("na,nb,nc->abc", *states) / RUN_LENGTHS
    return together


def _slot_word(states: tuple[int, ...]) -> Result | None:
    """Interpret slot voltages in lamp order; None where they look right and the load decides."""
    neutral_ground, hot_neutral, hot_ground = states
    if hot_neutral == _HIGH:
        return Result.ABNORMAL_VOLTAGE
    # Above "live" only the voltage between the slots is judged.
    neutral_live, ground_live = neutral_ground >= _LIVE, hot_ground >= _LIVE
    if hot_neutral == _LIVE:
        if neutral_ground == _DEAD and ground_live:
            return None
        if neutral_live and hot_ground == _DEAD:
            return Result.HOT_NEUTRAL_REVERSED
        return Result.OPEN_GROUND
    if not ground_live:
        return Result.OPEN_HOT
    return Result.HOT_GROUND_REVERSED if neutral_live else Result.OPEN_NEUTRAL


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
    pair = (Contact.NEUTRAL, Contact.GROUND)
    if pair_floats(book, condition, pair, load_on=True):
        return np.broadcast_to(floating_below(book, top), (current.size, top.size))
    feet, unknown = run_lengths(circuit)[:, None], unknowns(circuit).column()
    load = load_for_amps(circuit, condition, feet, current[None, :], unknown)
    solved = solve(circuit, condition, Setup(feet, load_ohms=load, unknowns=unknown))
    averaged: Floats = reading_below(circuit, solved.between(*pair)[..., None], top).mean(axis=0)
    return averaged


def idle_below(book: RuleBook, condition: Condition, limits: ArrayLike) -> Floats:
    """Chance that the neutral-to-ground voltage reads at most each limit with no load, (L,)."""
    pair = (Contact.NEUTRAL, Contact.GROUND)
    top = np.atleast_1d(np.asarray(limits, dtype=np.float64))
    if pair_floats(book, condition, pair, load_on=False):
        return floating_below(book, top)
    setup = Setup(run_lengths(book.circuit), unknowns=unknowns(book.circuit))
    volts = solve(book.circuit, condition, setup).between(*pair)
    averaged: Floats = reading_below(book.circuit, volts[:, None], top).mean(axis=0)
    return averaged


def voltmeter_readings(book: RuleBook) -> Readings:
    """A voltmeter at the slots, then neutral to ground under a load of the declared range.

    A false ground and a reversed one look alike, and so do both further up: both slots and both
    voltages are right, and only a reading against earth outside the opening would differ. With the
    bond further up neutral to ground is the drop of the stretch from there to here.
    """
    circuit, evidence = book.circuit, book.evidence
    load_on = float(evidence.load_on)
    limits = [float(circuit.false_ground_volts), float(evidence.live_volts)]
    amps = np.geomspace(float(circuit.test_load_least), float(circuit.test_load_amps), 9)
    chances = {word: np.zeros(len(CONDITIONS)) for word in WORDS}
    for column, condition in enumerate(CONDITIONS):
        looks_right = 0.0
        for switched_on, share in ((False, 1.0 - load_on), (True, load_on)):
            states = _slot_states(book, condition, load_on=switched_on)
            for shown in product(range(4), repeat=3):
                chance = share * float(states[shown])
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


def _looks_right(book: RuleBook) -> Floats:
    """Chance that an open box shows nothing wrong, shape (C,).

    A ground wire is there and on its terminal whether or not it reaches earth: a bond further up
    cannot be seen, a poor path and a wire that is live from further up only by chance.
    """
    right = {
        Condition.GROUNDED: 1.0,
        Condition.POOR_GROUND: 1.0 - float(book.evidence.poor_ground_seen),
        Condition.FALSE_GROUND_UPSTREAM: 1.0,
        Condition.REVERSED_FALSE_GROUND_UPSTREAM: 1.0 - float(book.evidence.live_box_noticed),
    }
    return np.array([right.get(condition, 0.0) for condition in CONDITIONS])


def _open_box(book: RuleBook, further: dict[Result, Floats]) -> Readings:
    """An open box with a further test of what looks right in it.

    Every condition that the box shows is its own reading; what looks right is one reading, or as
    many as the further test tells apart.

    Args:
        book: the rule book.
        further: chance of each word that the test then gives under each condition, (C,) each;
            what is left is "correct".
    """
    right = _looks_right(book)
    shown = [np.diag(1.0 - right)]
    words = [OWN_WORDS]
    left = np.ones(len(CONDITIONS))
    for word, chance in further.items():
        shown.append((right * chance)[None])
        words.append(_one_word(word)[None])
        left = left - chance
    shown.append((right * left)[None])
    words.append(_one_word(Result.CORRECT)[None])
    probability, written = np.concatenate(shown), np.concatenate(words)
    possible = probability.max(axis=1) > 0
    return Readings(probability[possible], written[possible])


def cover_off_readings(book: RuleBook) -> Readings:
    """An open box: what is wrong in it is seen; what is wrong further up is not."""
    return _open_box(book, {})


def clamp_readings(book: RuleBook) -> Readings:
    """An open box and a current clamp on its ground wire while a load runs at the opening.

    Load current divides onto a ground wire only where that wire meets the neutral upstream and
    earth somewhere else. Bonded to the neutral and touching nothing else, it ends here and carries
    nothing: current proves a bond, no current clears none.
    """
    circuit = book.circuit
    feet, unknown = run_lengths(circuit)[:, None], unknowns(circuit).column()
    amps = np.geomspace(float(circuit.test_load_least), float(circuit.test_load_amps), 9)
    flows = np.zeros(len(CONDITIONS))
    for column, condition in enumerate(CONDITIONS):
        load = load_for_amps(circuit, condition, feet, amps[None, :], unknown)
        solved = solve(circuit, condition, Setup(feet, load_ohms=load, unknowns=unknown))
        flows[column] = (np.abs(here(solved, "ground")) >= float(circuit.clamp_amps)).mean()
    return _open_box(book, {Result.FALSE_GROUND_UPSTREAM: flows})


def lifted_readings(book: RuleBook) -> Readings:
    """An open box, its ground wire against an independent earth, the circuit's neutral lifted.

    A ground wire that is live against that earth before is a reversed false ground further up. With
    the neutral off its bar a true ground still leads to earth, a poor one over its own resistance,
    and one that is bonded to the neutral leads nowhere, or no further than what it touches. Now and
    then the instrument's own poor contact raises a reading.
    """
    circuit, evidence = book.circuit, book.evidence
    feet, unknown = run_lengths(circuit), unknowns(circuit)
    limits = np.array([float(evidence.ground_good_ohms), float(evidence.ground_none_ohms)])
    raised, error = float(evidence.raised_readings), float(circuit.ohms_error_share)
    live, good, some = np.zeros((3, len(CONDITIONS)))
    for column, condition in enumerate(CONDITIONS):
        before = solve(circuit, condition, Setup(feet, unknowns=unknown))
        touched = np.abs(before.volts[Contact.GROUND]) >= float(evidence.detector_volts)
        path = resistance_between(
            circuit, condition, feet, Contact.GROUND, neutral_lifted=True, unknowns=unknown
        )
        below = np.zeros((RUN_LENGTHS, 2))
        for ohms, share in ((path, 1.0 - raised), (path + unknown.poor_ohms, raised)):
            below += share * ndtr((limits / ohms[:, None] - 1.0) / error)
        live[column] = touched.mean()
        good[column], some[column] = (~touched[:, None] * below).mean(axis=0).tolist()
    return _open_box(
        book,
        {
            Result.REVERSED_FALSE_GROUND: live,
            Result.POOR_GROUND: some - good,
            Result.FALSE_GROUND_UPSTREAM: 1.0 - live - some,
        },
    )


def upstream_readings(book: RuleBook) -> Readings:
    """This box and the one further up, or the panel's end of the ground wire, both open.

    What the ground wire meets is then seen; how good its path is, no better than in one box.
    """
    further = {
        Result.FALSE_GROUND_UPSTREAM: Condition.FALSE_GROUND_UPSTREAM,
        Result.REVERSED_FALSE_GROUND: Condition.REVERSED_FALSE_GROUND_UPSTREAM,
    }
    return _open_box(
        book,
        {word: np.array([float(c is each) for c in CONDITIONS]) for word, each in further.items()},
    )


def visual_readings(book: RuleBook) -> Readings:
    """The face alone: one reading, whatever the wiring behind it."""
    return Readings(np.ones((1, len(CONDITIONS))), _one_word(Result.CORRECT)[None])


READINGS = {
    Method.VISUAL: visual_readings,
    Method.THREE_LAMP_TESTER: lamp_readings,
    Method.VOLTMETER_UNDER_LOAD: voltmeter_readings,
    Method.GROUND_IMPEDANCE_METER: impedance_readings,
    Method.COVER_OFF_INSPECTION: cover_off_readings,
    Method.GROUND_WIRE_CLAMP: clamp_readings,
    Method.NEUTRAL_LIFTED_TEST: lifted_readings,
    Method.UPSTREAM_BOX_SEEN: upstream_readings,
}
"""How to derive the readings of each method."""
