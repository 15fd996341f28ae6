"""Evidence classes weighed: outcomes, picking, protection and proven repairs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.evidence.classes import (
    NOT_REPAIRED,
    SELECTIONS,
    UNKNOWN_SLOTS,
    Classes,
    Stakes,
    Weighed,
    picking_odds,
    weigh_classes,
)
from pipeline.evidence.likelihood import Likelihoods
from pipeline.evidence.look_code import STRICT
from pipeline.evidence.states import (
    CAREFUL,
    GROUNDED,
    HEAD_JUMPERED,
    HEAD_LIVE,
    JUMPERED,
    OPEN_GROUND,
    SLOTS,
    STRAIGHT,
    SWAPPED,
    mean_states,
    outcomes,
    rule_book_shares,
)
from shared.rule_book import RuleBook
from shared.vocabulary import CONDITIONS, URGENT_CONDITIONS, Condition, Selection, Slots

TWO, THREE = SLOTS.index(Slots.TWO_SLOT), SLOTS.index(Slots.THREE_SLOT)
FOUND = f"cover_off_inspection|false_ground|{STRICT}"
LEFT = CONDITIONS.index(Condition.GROUNDED)
SOUND, FALSE, LIVE, BARE = (
    CONDITIONS.index(c)
    for c in (
        Condition.GROUNDED,
        Condition.FALSE_GROUND,
        Condition.REVERSED_FALSE_GROUND,
        Condition.UNGROUNDED,
    )
)


@pytest.fixture(scope="module")
def classes(rule_book: RuleBook) -> Classes:
    """A found false ground as it is, repaired twice over; slots seen; picked; said; nothing."""
    found = Likelihoods(rule_book).weights(FOUND)
    nothing = np.ones(len(CONDITIONS))
    size = 8
    wrong = float(rule_book.counting.gfci_error)
    gfci = np.ones((size, 2))
    gfci[5] = wrong, 1 - wrong
    return Classes(
        condition_weights=np.stack([found, found, found, *[nothing] * 5]),
        slots=np.array([THREE, THREE, THREE, TWO, *[UNKNOWN_SLOTS] * 4]),
        selection=np.array(
            [SELECTIONS.index(Selection.RANDOM)] * 4
            + [SELECTIONS.index(Selection.COMPLAINT)]
            + [SELECTIONS.index(Selection.RANDOM)] * 3
        ),
        gfci_weights=gfci,
        wet=np.array([0.0] * 6 + [1.0, 0.3]),
        location=np.array([1.0] * 6 + [3.0, 1.6]),
        looked=np.arange(size) < size - 1,
        repaired=np.array([NOT_REPAIRED, LEFT, BARE, *[NOT_REPAIRED] * 5]),
        repaired_slots=np.array([UNKNOWN_SLOTS, THREE, TWO, *[UNKNOWN_SLOTS] * 5]),
        repaired_protection=np.array([0.0, 0.02, 0.98, *[0.0] * 5]),
    )


@pytest.fixture(scope="module")
def weighed(rule_book: RuleBook, classes: Classes, at_stake: Stakes) -> Weighed:
    return weigh_classes(rule_book, classes, at_stake, rule_book_shares(rule_book))


def test_outcomes_of_every_state_and_trouble_add_up(rule_book):
    table = outcomes(rule_book, rule_book_shares(rule_book))
    np.testing.assert_allclose(table.sum(axis=(2, 3)), 1.0, rtol=1e-12)
    # Hot on the ground contact needs one.
    assert (table[:, :, TWO, CONDITIONS.index(Condition.HOT_ON_GROUND)] == 0).all()


def test_live_share_is_that_of_false_grounds_whether_swapped_or_not(rule_book):
    taught = replace(rule_book_shares(rule_book), live=0.2)
    table = outcomes(rule_book, taught).sum(axis=2)
    urgent = np.isin(np.array(CONDITIONS, dtype=object), URGENT_CONDITIONS)
    for trouble in (STRAIGHT, SWAPPED):
        assert table[JUMPERED, trouble, urgent].sum() == pytest.approx(0.2)
        # One swap at the head is a swap for the whole circuit.
        assert table[HEAD_JUMPERED, trouble, urgent].sum() == 0
        assert table[HEAD_LIVE, trouble, urgent].sum() == pytest.approx(1.0)
    at = mean_states(np.array([0.9, 0.8, 0.7, 0.1, 0.05]), np.array(0.1), taught).sum(axis=1)
    assert at[HEAD_LIVE] == pytest.approx(0.2 * (at[HEAD_JUMPERED] + at[HEAD_LIVE]))
    assert table[OPEN_GROUND, :2][:, urgent].sum() == 0


def test_nothing_known_weighs_nothing(weighed, classes, at_stake, rule_book):
    np.testing.assert_allclose(weighed.evidence.table[classes.flat], 1.0, rtol=1e-12)
    outcome = outcomes(rule_book, rule_book_shares(rule_book)).reshape(-1, 3, len(CONDITIONS))
    np.testing.assert_allclose(
        weighed.condition[classes.flat], outcome.sum(axis=1), rtol=1e-5, atol=1e-7
    )
    gfci = rule_book_shares(rule_book).gfci
    guarded = 0.3 * gfci[:, 1] + 0.7 * gfci[:, 0]
    both = np.stack([1 - guarded, guarded], axis=-1)
    danger = np.einsum(
        "sfc,fcg,sg->s",
        outcomes(rule_book, rule_book_shares(rule_book))[:, STRAIGHT],
        at_stake.danger,
        both,
    )
    np.testing.assert_allclose(
        1 - weighed.evidence.safe[classes.flat, :, STRAIGHT], danger, rtol=1e-9, atol=1e-12
    )


def test_what_is_told_of_a_class_is_a_distribution(weighed):
    np.testing.assert_allclose(weighed.condition.sum(axis=2), 1.0, rtol=1e-4)
    np.testing.assert_allclose(weighed.slots.sum(axis=2), 1.0, rtol=1e-4)
    evidence = weighed.evidence
    # Likelihoods below the smallest that is kept carry nothing.
    kept = evidence.table > 1e-250
    assert (evidence.safe <= evidence.table * (1 + 1e-12))[kept].all()
    assert (evidence.dead <= evidence.table * (1 + 1e-12))[kept].all()


def test_by_hand_likelihood_of_a_state(rule_book, classes, at_stake, weighed):
    """A cover-off find on three slots: straight jumpers against an open ground."""
    weight = classes.condition_weights[0]
    taught = rule_book_shares(rule_book)
    wrong = float(rule_book.structure.slots_wrong)
    faces = np.full(3, wrong / 3)
    faces[THREE] += 1 - wrong
    wanted = np.einsum("stfc,f,c->st", outcomes(rule_book, taught), faces, weight)
    found = weighed.evidence.table[0]
    np.testing.assert_allclose(found / found.max(), wanted / wanted.max(), rtol=1e-9)
    assert wanted[JUMPERED, STRAIGHT] > 50 * wanted[GROUNDED, STRAIGHT]


def test_proven_repair_leaves_what_it_left_but_for_the_doubt(rule_book, at_stake, weighed):
    doubt = float(rule_book.evidence.repair_doubt)
    evidence = weighed.evidence
    for repaired, left, face, guarded in ((1, LEFT, THREE, 0.02), (2, BARE, TWO, 0.98)):
        # The looks from before still tell of the hand.
        np.testing.assert_allclose(evidence.table[repaired], evidence.table[0], rtol=1e-12)
        both = np.array([1 - guarded, guarded])
        danger_before = 1 - evidence.safe[0] / evidence.table[0]
        danger_after = 1 - evidence.safe[repaired] / evidence.table[repaired]
        danger_left = at_stake.danger[face, left] @ both
        np.testing.assert_allclose(
            danger_after, doubt * danger_before + (1 - doubt) * danger_left, rtol=1e-9, atol=1e-12
        )
        np.testing.assert_allclose(
            evidence.harm[repaired],
            doubt * evidence.harm[0] + (1 - doubt) * (at_stake.harm[face, left] @ both),
            rtol=1e-9,
        )
        live_before = 1 - evidence.dead[0] / evidence.table[0]
        live_after = 1 - evidence.dead[repaired] / evidence.table[repaired]
        np.testing.assert_allclose(live_after, doubt * live_before, rtol=1e-9, atol=1e-12)
        assert (weighed.condition[repaired, :, left] >= (1 - doubt) * (1 - 1e-6)).all()
        assert (weighed.slots[repaired, :, face] >= (1 - doubt) * (1 - 1e-6)).all()
        np.testing.assert_allclose(
            weighed.protected[repaired],
            doubt * weighed.protected[0] + (1 - doubt) * guarded,
            rtol=1e-12,
        )


def test_picking_by_complaint_prefers_what_is_dangerous(rule_book, classes, at_stake, weighed):
    odds = picking_odds(rule_book, at_stake, rule_book_shares(rule_book))
    random, complaint = (SELECTIONS.index(s) for s in (Selection.RANDOM, Selection.COMPLAINT))
    assert (odds[random] == 1).all()
    assert odds[complaint, THREE, LIVE] > 2 * odds[complaint, THREE, SOUND]
    table = weighed.evidence.table[4]
    assert table[JUMPERED, STRAIGHT] > table[GROUNDED, STRAIGHT]
    assert random not in weighed.odds.reasons
    assert complaint in weighed.odds.reasons


def test_protection_said_weighs_for_the_careful(weighed):
    table, plain = weighed.evidence.table[5], weighed.evidence.table[7]
    said = table[CAREFUL] / table[OPEN_GROUND]
    assert (said > 3 * plain[CAREFUL] / plain[OPEN_GROUND]).all()
    assert (weighed.protected[5] > weighed.protected[7]).all()


def test_a_wet_room_multiplies_harm(rule_book, classes, at_stake, weighed):
    """The exposure factor of the room, on top of what its usual protection spares."""
    dry = replace(classes, location=np.ones(len(classes)))
    plain = weigh_classes(rule_book, dry, at_stake, rule_book_shares(rule_book))
    np.testing.assert_allclose(weighed.evidence.harm[6], 3 * plain.evidence.harm[6], rtol=1e-12)


def test_slots_alone_leave_out_what_was_read_and_said(rule_book, classes, at_stake):
    taught = rule_book_shares(rule_book)
    blind = weigh_classes(rule_book, classes, at_stake, taught, readings=False)
    nothing = replace(
        classes,
        condition_weights=np.ones_like(classes.condition_weights),
        gfci_weights=np.ones_like(classes.gfci_weights),
    )
    wanted = weigh_classes(rule_book, nothing, at_stake, taught)
    for name in ("table", "safe", "dead", "harm"):
        np.testing.assert_allclose(
            getattr(blind.evidence, name), getattr(wanted.evidence, name), rtol=1e-12
        )


def test_a_class_is_weighed_alike_whatever_stands_beside_it(rule_book, classes, at_stake, weighed):
    taught = rule_book_shares(rule_book)
    # A hundred times over, so that sums run over blocks of a different shape: not a bit may differ.
    many = weigh_classes(
        rule_book,
        Classes(
            *(
                np.concatenate([np.repeat(values[:-1], 100, axis=0), values[-1:]])
                for values in (getattr(classes, name) for name in classes.__dataclass_fields__)
            )
        ),
        at_stake,
        taught,
    )
    some = np.array([1, 4, 7])
    alone = weigh_classes(
        rule_book,
        Classes(*(getattr(classes, name)[some] for name in classes.__dataclass_fields__)),
        at_stake,
        taught,
    )
    for name in weighed.evidence._fields:
        wanted = getattr(weighed.evidence, name)
        np.testing.assert_array_equal(getattr(alone.evidence, name), wanted[some])
        np.testing.assert_array_equal(getattr(many.evidence, name)[::100], wanted)
    for name in ("condition", "slots", "protected"):
        np.testing.assert_array_equal(getattr(alone, name), getattr(weighed, name)[some])
