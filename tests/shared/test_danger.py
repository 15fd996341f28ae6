"""What makes an opening dangerous, written out by hand beside the code."""

import pytest

from shared.vocabulary import CONDITIONS, Condition, Slots, danger

# Dangerous: hot on ground wherever it is; on a face with a ground contact (three slots, and any
# other but two) false ground, reversed false ground and reversed ungrounded; and, on such a face
# without GFCI protection, ungrounded.
# False grounds further up and open neutrals without a true ground are as false grounds here; a poor
# ground is as none; a broken shared neutral is dangerous whatever the face.
DANGEROUS = {
    # condition: (two-slot, three-slot, other), unprotected; then the same protected
    "grounded": ((0, 0, 0), (0, 0, 0)),
    "ungrounded": ((0, 1, 1), (0, 0, 0)),
    "false_ground": ((0, 1, 1), (0, 1, 1)),
    "reversed": ((0, 0, 0), (0, 0, 0)),
    "reversed_ungrounded": ((0, 1, 1), (0, 1, 1)),
    "reversed_false_ground": ((0, 1, 1), (0, 1, 1)),
    "open_neutral": ((0, 0, 0), (0, 0, 0)),
    "open_hot": ((0, 0, 0), (0, 0, 0)),
    "hot_on_ground": ((1, 1, 1), (1, 1, 1)),
    "poor_ground": ((0, 1, 1), (0, 0, 0)),
    "false_ground_upstream": ((0, 1, 1), (0, 1, 1)),
    "reversed_false_ground_upstream": ((0, 1, 1), (0, 1, 1)),
    "open_neutral_ungrounded": ((0, 1, 1), (0, 1, 1)),
    "open_neutral_false_ground": ((0, 1, 1), (0, 1, 1)),
    "shared_neutral_open": ((1, 1, 1), (1, 1, 1)),
}


def test_every_condition_is_in_the_table():
    assert [condition.value for condition in CONDITIONS] == list(DANGEROUS)


@pytest.mark.parametrize("gfci", [0, 1])
@pytest.mark.parametrize("place,slots", list(enumerate(["two_slot", "three_slot", "other"])))
@pytest.mark.parametrize("condition", DANGEROUS)
def test_truth_table(condition, place, slots, gfci):
    wanted = DANGEROUS[condition][gfci][place]
    assert danger(Condition(condition), Slots(slots), float(gfci)) == wanted


def test_unknown_protection_is_integrated_over():
    assert danger(Condition.UNGROUNDED, Slots.THREE_SLOT, 0.3) == pytest.approx(0.7)
    assert danger(Condition.FALSE_GROUND, Slots.THREE_SLOT, 0.3) == 1.0
