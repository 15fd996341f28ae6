"""Beyond a reversed false ground at the head of a circuit every case is live: so says the model."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from pipeline.evidence.circuit import EARTH, Contact, Setup, solve
from pipeline.evidence.classes import (
    NOT_REPAIRED,
    SELECTIONS,
    UNKNOWN_SLOTS,
    Classes,
    Stakes,
    weigh_classes,
)
from pipeline.evidence.likelihood import Likelihoods
from pipeline.evidence.look_code import STRICT
from pipeline.evidence.posterior import Model, Portfolio, Weigher, row_results
from pipeline.evidence.priors import default_priors, group_weights
from pipeline.evidence.states import SLOTS, rule_book_shares
from pipeline.evidence.tree import Rows, grow
from shared.rule_book import RuleBook
from shared.vocabulary import CONDITIONS, Condition, Selection, Slots

PASSED = f"three_lamp_tester|correct|{STRICT}"
TRACED = f"neutral_lifted_test|reversed_false_ground|{STRICT}|gyo|jno|pc"
"""Traced to the ground wire, in a box without a jumper: the bond lies further up."""
HEAD = f"cover_off_inspection|reversed_false_ground|{STRICT}|gno|jyo|pr"
"""A jumper in the box, polarity reversed, no ground wire from further up."""
WIRE_BEYOND = f"cover_off_inspection|correct|{STRICT}|gyo|jno|pc"
"""A ground wire in the box, no jumper, polarity correct: as it looks beyond such a head."""
UNGROUNDED = f"cover_off_inspection|open_ground|{STRICT}|gno|jno|pc"
NO_LOOK = ""


@dataclass(frozen=True)
class Told:
    """Chance of live metal of each opening of the first circuit, in order, and of the second."""

    here: list[float]
    next_door: list[float]


def told(book: RuleBook, at_stake: Stakes, here: list[str], next_door: list[str]) -> Told:
    """Weigh one dwelling of two circuits under the rule book's shares and priors."""
    codes = sorted({*here, *next_door})
    likelihoods = Likelihoods(book)
    nothing = np.ones(len(CONDITIONS))
    weights = [likelihoods.weights(code) if code else nothing for code in codes]
    size = len(codes) + 1
    three = SLOTS.index(Slots.THREE_SLOT)
    classes = Classes(
        condition_weights=np.stack([*weights, nothing]),
        slots=np.array([*[three] * len(codes), UNKNOWN_SLOTS]),
        selection=np.full(size, SELECTIONS.index(Selection.RANDOM)),
        gfci_weights=np.ones((size, 2)),
        wet=np.full(size, 0.3),
        location=np.ones(size),
        looked=np.arange(size) < size - 1,
        repaired=np.full(size, NOT_REPAIRED),
        repaired_slots=np.full(size, UNKNOWN_SLOTS),
        repaired_protection=np.zeros(size),
    )
    openings = [(1, codes.index(code)) for code in here]
    openings += [(2, codes.index(code)) for code in next_door]
    order = sorted(range(len(openings)), key=lambda n: openings[n])
    rows = Rows(
        building=np.zeros(len(openings), dtype=np.int64),
        dwelling=np.ones(len(openings), dtype=np.uint64),
        circuit=np.array([openings[n][0] for n in order], dtype=np.uint64),
        evidence=np.array([openings[n][1] for n in order], dtype=np.int64),
        count=np.ones(len(openings), dtype=np.int64),
    )
    one = np.ones(1, dtype=np.int64)
    tree, _ = grow(rows, 1, 0 * one, one, classes.flat, 5)
    portfolio = Portfolio(
        tree=tree,
        group_weights=group_weights(book, np.array([1948.0]), np.array([np.nan])),
        shift=np.zeros((1, 5)),
        poor=np.array([0.02]),
        picked=np.zeros((1, len(SELECTIONS))),
        seed=np.array([5], dtype=np.uint64),
        classes=classes,
    )
    shares = rule_book_shares(book)
    weighed = weigh_classes(book, classes, at_stake, shares)
    model = Model(default_priors(book), shares, weighed, 0, 0.9, 1)
    part = Weigher(portfolio, model, factor=8).weigh(np.arange(1), draws=0)
    live = row_results(portfolio, model, part).live
    by_opening = {n: float(live[row]) for row, n in enumerate(order)}
    chances = [by_opening[n] for n in range(len(openings))]
    return Told(chances[: len(here)], chances[len(here) :])


@pytest.mark.parametrize("condition", [
    Condition.FALSE_GROUND_UPSTREAM, Condition.REVERSED_FALSE_GROUND_UPSTREAM
])  # fmt: skip
def test_the_solver_has_cases_beyond_a_reversed_bond_live(rule_book, condition):
    circuit = rule_book.circuit
    setup = Setup(float(circuit.run_length), appliance=True)
    solved = solve(circuit, condition, setup)
    volts = float(np.abs(solved.between(Contact.GROUND, EARTH)))
    if condition is Condition.REVERSED_FALSE_GROUND_UPSTREAM:
        assert volts > 100
    else:
        assert volts < 10


def test_one_traced_makes_its_circuit_likely_live_and_no_other(rule_book, at_stake):
    found = told(
        rule_book, at_stake, [TRACED, PASSED, PASSED, NO_LOOK], [PASSED, PASSED, UNGROUNDED]
    )
    assert found.here[0] > 0.8
    # With a swap drawn opening by opening these stood at about the share of swaps, .04.
    assert min(found.here[1:]) > 0.6
    assert max(found.next_door) < 0.1


@pytest.mark.slow
def test_a_swapped_bond_with_a_ground_wire_beyond_makes_this_likelier_live(rule_book, at_stake):
    beyond = told(rule_book, at_stake, [HEAD, WIRE_BEYOND, PASSED], [PASSED])
    assert min(beyond.here[1:]) > 0.1
    # Others without a ground of their own: each bond is one by itself, as its swap is.
    single = told(rule_book, at_stake, [HEAD, UNGROUNDED, UNGROUNDED, PASSED], [PASSED])
    assert single.here[0] > 0.9
    assert max(single.here[1:]) < 0.1
    # A straight bond at the head makes nothing live.
    straight = HEAD.replace("reversed_false_ground", "false_ground").replace("|pr", "|pc")
    sound = told(rule_book, at_stake, [straight, WIRE_BEYOND, PASSED], [PASSED])
    assert max(sound.here[1:]) < 0.03
