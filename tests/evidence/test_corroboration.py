"""What agrees with a look never weakens it: by enumeration, and for any look by hypothesis."""

import itertools

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, example, given, settings
from hypothesis import strategies as st

from pipeline.evidence.likelihood import Likelihoods, merged_words
from pipeline.evidence.look_code import parse
from pipeline.evidence.measured import (
    EARTH_VOLT_EDGES,
    LOAD_EDGES,
    OHM_EDGES,
    SUPPLY_EDGES,
    VOLT_EDGES,
)
from shared.rule_book import load_rule_book
from shared.vocabulary import (
    CONDITIONS,
    NO_LOOK_RESULTS,
    Condition,
    Method,
    Result,
)

BOOK = load_rule_book()
LIKELIHOODS = Likelihoods(BOOK)
READERS = ("passes_00", "passes_04", "passes_50", "passes_96")
FLOOR = float(BOOK.evidence.look_floor)
C = {c.value: i for i, c in enumerate(CONDITIONS)}
GROUNDED = C["grounded"]

# Columns in the order of a code: every answer of each. Volts stand with a load that makes them
# speak, or none stated; a load of nothing takes the ground from under a reading and is no
# corroboration of it.
LOADS = [*range(len(LOAD_EDGES) - 1, len(LOAD_EDGES) + 1), len(LOAD_EDGES) + 1]
COLUMNS = {
    "volts": [f"v{v}/{load}" for v in range(len(VOLT_EDGES) + 1) for load in LOADS],
    "ohms": [f"o{n}" for n in range(len(OHM_EDGES) + 1)],
    "ground_present": ["gno", "gyo"],
    "jumper": ["jno", "jyo"],
    "polarity": ["pc", "pr"],
    "plate": [f"ep{n}" for n in range(len(EARTH_VOLT_EDGES) + 1)],
    "case": [f"ec{n}" for n in range(len(EARTH_VOLT_EDGES) + 1)],
    "contact": [f"eg{n}" for n in range(len(EARTH_VOLT_EDGES) + 1)],
    "supply": [f"h{n}" for n in range(len(SUPPLY_EDGES) + 1)],
    "detector": ["dn", "dy"],
    "scorch": ["sn", "sy"],
    "shock": ["xn", "xy"],
}
ORDER = list(COLUMNS)
SIGHTS = ("ground_present", "jumper", "polarity")
FIGURES = {
    Method.VOLTMETER_UNDER_LOAD: ("volts", "supply"),
    Method.GROUND_IMPEDANCE_METER: ("ohms",),
    Method.NEUTRAL_LIFTED_TEST: ("ohms",),
}


def code(method, result, reader, columns):
    """The code of a look with some columns, by name."""
    parts = [columns[name] for name in ORDER if name in columns]
    return "|".join([method.value, result.value, reader, *parts])


def answers(name, method, given):
    """Chance of every answer of a column under each condition, as that method reads it, (A, C)."""
    own = [each for each in COLUMNS[name] if name != "volts" or each.split("/")[1] == given]
    codes = [code(method, Result.NOT_TESTED, "passes_00", {name: each}) for each in own]
    for each in codes:
        parse(each)
    channel = next(iter(LIKELIHOODS._channels(parse(codes[0]))))
    return own, channel.answers.table()


@pytest.mark.parametrize("columns", [
    subset
    for size in range(1, 4)
    for subset in itertools.combinations(
        [("ground_present", "gno"), ("jumper", "jyo"), ("polarity", "pr")], size
    )
    if ("jumper", "jyo") in subset
])  # fmt: skip
@pytest.mark.parametrize("reader", READERS)
def test_a_reversed_false_ground_seen_in_the_box_is_never_weaker_than_the_word_alone(
    reader, columns
):
    method, word = Method.COVER_OFF_INSPECTION, Result.REVERSED_FALSE_GROUND
    alone = LIKELIHOODS.weights(code(method, word, reader, {}))
    more = LIKELIHOODS.weights(code(method, word, reader, dict(columns)))
    own = C["reversed_false_ground"]
    for condition in CONDITIONS:
        shares_the_jumper = condition in (
            Condition.FALSE_GROUND,
            Condition.OPEN_NEUTRAL_FALSE_GROUND,
        )
        if shares_the_jumper and len(columns) < 3:
            continue
        other = CONDITIONS.index(condition)
        before, after = alone[own] / alone[other], more[own] / more[other]
        # At the floor nothing can be surer: there the two may differ by what the floor mixes in.
        assert after >= before * (1 - 1e-9) or after >= 0.9 / FLOOR


readings = st.fixed_dictionaries(
    {},
    optional={name: st.sampled_from(COLUMNS[name]) for name in ORDER},
)


@pytest.mark.slow
@given(
    st.sampled_from(list(Method)),
    st.sampled_from([r for r in Result if r not in NO_LOOK_RESULTS] + [Result.NOT_TESTED]),
    st.sampled_from(READERS),
    readings,
    st.sampled_from(ORDER),
    st.integers(0, len(LOADS) - 1),
)
@example(
    Method.COVER_OFF_INSPECTION, Result.REVERSED_FALSE_GROUND, "passes_00", {"jumper": "jyo"},
    "polarity", 0,
)  # fmt: skip
@example(
    Method.COVER_OFF_INSPECTION, Result.REVERSED_FALSE_GROUND, "passes_50",
    {"ground_present": "gno"}, "jumper", 0,
)  # fmt: skip
@example(Method.VOLTMETER_UNDER_LOAD, Result.FALSE_GROUND, "passes_00", {}, "volts", 2)
@example(Method.GROUND_IMPEDANCE_METER, Result.POOR_GROUND, "passes_00", {}, "ohms", 0)
# Most columns contradict most results: those cases are filtered out, and enough are left.
@settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.filter_too_much])
def test_no_added_column_that_agrees_weakens_a_look(method, word, reader, columns, name, load):
    assume(name not in columns)
    base = LIKELIHOODS.weights(code(method, word, reader, columns))
    own = int(base.argmax())
    # The look points at something, its result is one that this something gives, and none of its
    # answers contradicts that result: what contradicts itself is corrected, not corroborated.
    assume(base[own] > base[GROUNDED] * 1.001)
    if word not in NO_LOOK_RESULTS:
        usual = LIKELIHOODS.result(method)[:, list(Result).index(word)]
        assume(usual[own] >= float(BOOK.evidence.points_at) * usual.max())
        sights = {each: columns[each] for each in SIGHTS if each in columns}
        agreed = merged_words(parse(code(method, word, reader, sights)))
        assume(agreed == {word})
    given_load = str(LOADS[load])
    names, table = answers(name, method, given_load)
    value = int(table[:, own].argmax())
    # What the condition implies: its likeliest answer, and as likely there as anywhere.
    assume(table[value, own] >= table[value].max() * (1 - 1e-9))
    added = code(method, word, reader, {**columns, name: names[value]})
    more = LIKELIHOODS.weights(added)
    # Conditions that do not imply that answer: at most a quarter as often.
    unlike = table[value] <= 0.25 * table[value, own]
    before, after = base[own] / base[unlike], more[own] / more[unlike]
    # A figure takes the place of the word that was read from it: the same evidence in finer bins,
    # which is as good on average and, in the likeliest bin, within a tenth.
    kept = 0.9 if name in FIGURES.get(method, ()) else 1 - 1e-6
    assert (after >= before * kept).all()


@given(
    st.sampled_from(list(Method)),
    st.sampled_from(list(Result)),
    st.sampled_from(READERS),
    readings,
)
@settings(max_examples=300, deadline=None)
def test_no_look_is_surer_than_the_floor(method, word, reader, columns):
    weights = LIKELIHOODS.weights(code(method, word, reader, columns))
    assert weights.max() == 1.0
    assert weights.min() >= FLOOR
    assert np.isfinite(weights).all()


@given(
    st.sampled_from(list(Method)),
    st.sampled_from([r for r in Result if r not in NO_LOOK_RESULTS]),
    readings,
    st.lists(st.floats(0.001, 1.0), min_size=len(CONDITIONS), max_size=len(CONDITIONS)),
)
@settings(max_examples=100, deadline=None)
def test_the_same_look_again_never_weakens_it(method, word, columns, prior):
    weights = LIKELIHOODS.weights(code(method, word, "passes_00", columns))
    own = int(weights.argmax())
    once = np.array(prior) * weights
    twice = once * weights
    assert twice[own] / twice.sum() >= once[own] / once.sum() * (1 - 1e-12)


def test_live_metal_reported_from_an_open_box_is_not_argued_away():
    # No jumper here and a polarity that a meter finds right: that is how it looks when the fault
    # is in a box further up, and the metal is live all the same.
    base = {"ground_present": "gyo", "jumper": "jno", "polarity": "pc"}
    found = LIKELIHOODS.code_detects(
        code(Method.COVER_OFF_INSPECTION, Result.REVERSED_FALSE_GROUND, "passes_00", base)
    )
    assert found == {Condition.REVERSED_FALSE_GROUND_UPSTREAM}
