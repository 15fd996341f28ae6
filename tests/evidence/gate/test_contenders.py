"""The contenders that Coverplate is measured against do what they say."""

import itertools
import re
from collections import defaultdict
from dataclasses import replace
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import betabinom

from shared.vocabulary import Condition, Slots, danger
from tests.evidence.gate import beta_binomial, exact, readings
from tests.evidence.gate.generate import OPENING, generate
from tests.evidence.gate.hierarchy import (
    CONDITIONS,
    DANGEROUS,
    GRID,
    OUTCOME_CONDITION,
    OUTCOME_PROTECTED,
    OUTCOME_THREE,
    OUTCOMES,
    World,
    outcome,
)
from tests.evidence.gate.worlds import WORLDS

FEW_POINTS = (10, 40, 66)
FEW_OUTCOMES = tuple(
    outcome(condition, True, False)
    for condition in ("grounded", "ungrounded", "false_ground", "false_ground_upstream")
)


class SmallWorld(World):
    """Three points of the grid and four outcomes: few enough to go through them all."""

    def grid_prior(self, year_built, rewired, manager_type):
        prior = np.zeros(len(GRID))
        whole = super().grid_prior(year_built, rewired, manager_type)
        prior[list(FEW_POINTS)] = whole[list(FEW_POINTS)]
        return prior / prior.sum()

    @cached_property
    def outcomes(self):
        kept = np.zeros((6, OUTCOMES))
        whole = World("whole", "", reversed_share=0.2).outcomes
        kept[:, list(FEW_OUTCOMES)] = whole[:, list(FEW_OUTCOMES)] + 0.01
        return kept / kept.sum(axis=1, keepdims=True)


def configurations(world, building, kind):
    """Every hidden configuration of a building: its chance with the looks, and its outcomes."""
    prior = world.grid_prior(building.year_built, building.rewired, kind)
    circuits = [(d, c) for d, dwelling in enumerate(building.dwellings) for c in dwelling]
    weights = np.concatenate([c for _, c in circuits])
    circuit_of = [n for n, (_, c) in enumerate(circuits) for _ in range(len(c))]
    for point in FEW_POINTS:
        for hands in itertools.product(range(5), repeat=len(building.dwellings)):
            for states in itertools.product(range(6), repeat=len(circuits)):
                chance = prior[point] * np.prod([world.hands[point, h] for h in hands])
                for (dwelling, _), state in zip(circuits, states, strict=True):
                    chance *= world.states[point, hands[dwelling], state]
                for outcomes in itertools.product(FEW_OUTCOMES, repeat=len(weights)):
                    whole = chance
                    for o, found in enumerate(outcomes):
                        whole *= world.outcomes[states[circuit_of[o]], found] * weights[o, found]
                    yield whole, outcomes


def weighed(rng, openings):
    return np.exp(rng.normal(0, 1.5, size=(openings, OUTCOMES)))


@pytest.mark.slow
@pytest.mark.parametrize("case", range(3))
def test_exact_is_what_going_through_every_configuration_gives(case):
    rng = np.random.default_rng(case)
    world = SmallWorld(
        "small",
        "",
        loyalty=(0.9, 0.2, 0.6)[case],
        head_share=0.4,
        jumpering_managers=0.3,
        manager_odds=6,
    )
    one = exact.Building(1950, False, "A", [[weighed(rng, 1), weighed(rng, 1)]])
    two = exact.Building(1968, case == 1, "A", [[weighed(rng, 1)]])
    other = exact.Building(1960, False, "B", [[weighed(rng, 1)], [weighed(rng, 1)]])

    joint = {"A": [one, two], "B": [other]}
    found = dict(zip(("one", "two", "other"), exact.solve(world, [one, two, other]), strict=True))
    for names, buildings in ((("one", "two"), joint["A"]), (("other",), joint["B"])):
        marginals = [defaultdict(float) for _ in buildings]
        counts = [defaultdict(float) for _ in buildings]
        for kind, chance in enumerate(world.manager_types):
            listed = [list(configurations(world, building, kind)) for building in buildings]
            chances = [np.array([w for w, _ in each]) for each in listed]
            # The joint table of all buildings of this manager, nothing summed beforehand.
            table = chance * (np.outer(*chances) if len(chances) == 2 else chances[0][:, None])
            for axis, each in enumerate(listed):
                for weight, (_, outcomes) in zip(table.sum(axis=1 - axis), each, strict=True):
                    for number, result in enumerate(outcomes):
                        marginals[axis][number, result] += weight
                    counts[axis][int(sum(DANGEROUS[o] for o in outcomes))] += weight
        for axis, name in enumerate(names):
            total = sum(counts[axis].values())
            got = found[name]
            for (number, result), weight in marginals[axis].items():
                assert got.outcomes[number, result] == pytest.approx(weight / total, rel=1e-9)
            for count, weight in counts[axis].items():
                assert got.counts[count] == pytest.approx(weight / total, rel=1e-9, abs=1e-13)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["flats", "upstream", "lenient"])
def test_exact_is_calibrated_on_its_own_world(name):
    # Fixed seeds: the sums are chance, the test is not.
    gap = variance = gap_live = variance_live = gap_told = variance_told = 0.0
    for seed in (31, 32):
        portfolio = generate(replace(WORLDS[name], buildings=45), seed)
        buildings, keys = exact.arranged(portfolio)
        for found, key in zip(exact.solve(portfolio.world, buildings), keys, strict=True):
            truth = key.merge(portfolio.truth, on=OPENING, sort=False)
            steps = np.arange(len(found.counts))
            mean = steps @ found.counts
            gap += truth["dangerous"].sum() - mean
            variance += (steps - mean) ** 2 @ found.counts
            assert mean == pytest.approx(found.outcomes[:, DANGEROUS].sum(), rel=1e-9)
            live = found.outcomes[:, exact.IS_LIVE].sum(axis=1)
            gap_live += truth["live"].sum() - live.sum()
            variance_live += (live * (1 - live)).sum()
            told = truth.merge(
                portfolio.looks.loc[portfolio.looks["method"] == readings.VOLTMETER, OPENING],
                on=OPENING,
                how="left",
                indicator=True,
            )["_merge"].eq("both")
            p = found.outcomes[told.to_numpy()][:, DANGEROUS].sum(axis=1)
            gap_told += truth["dangerous"][told.to_numpy()].sum() - p.sum()
            variance_told += (p * (1 - p)).sum()
    assert abs(gap) < 3 * np.sqrt(variance)
    assert abs(gap_live) < 3 * np.sqrt(variance_live)
    assert abs(gap_told) < 3 * np.sqrt(variance_told)


def test_interval_leaves_a_twentieth_at_either_end():
    assert exact.interval(np.array([0.04, 0.02, 0.88, 0.02, 0.04])) == (1, 3)
    assert exact.interval(np.array([0.97, 0.03])) == (0, 0)


@pytest.mark.parametrize("leniency", [0.0, 0.4])
def test_chances_of_all_that_a_look_could_write_add_up_to_one(leniency):
    three = {"slots": "three_slot"}
    lamps = sum(
        readings.likelihood({"method": readings.LAMPS, "result": result, **three}, leniency)
        for result in readings.RESULTS
    )
    np.testing.assert_allclose(lamps, OUTCOME_THREE)
    cover = sum(
        readings.likelihood(
            {
                "method": readings.COVER_OFF,
                **dict(zip(readings._COVER_COLUMNS, written, strict=True)),
                **three,
            },
            leniency,
        )
        for written in readings._COVER_WRITES.values()
    )
    np.testing.assert_allclose(cover, OUTCOME_THREE)


@pytest.mark.parametrize("method", [readings.LAMPS, readings.VOLTMETER, readings.COVER_OFF])
def test_looks_are_written_as_often_as_their_likelihood_says(method):
    # The mean of likelihood(other) ÷ likelihood(true) over what the truth writes is one, wherever
    # the truth can write all that the other can.
    rng = np.random.default_rng(8)
    # A jumper and a cable leave paths too far apart for such a mean; all cables are alike.
    pairs = {
        readings.VOLTMETER: [("open_hot", "ungrounded"), ("grounded", "false_ground_upstream")]
    }.get(method, [("grounded", "false_ground"), ("reversed_false_ground", "reversed")])
    for true, other in pairs:
        ratios = []
        for _ in range(6000):
            cells = {"method": method, **readings.write(rng, method, outcome(true, True, False), 0)}
            chances = readings.likelihood(cells, 0)
            ratios.append(
                chances[outcome(other, True, False)] / chances[outcome(true, True, False)]
            )
        spread = np.std(ratios) / np.sqrt(len(ratios))
        assert abs(np.mean(ratios) - 1) <= 4 * spread


def test_a_bond_upstream_reads_like_a_true_ground_to_every_method():
    sound, bonded = (outcome(c, True, False) for c in ("grounded", "false_ground_upstream"))
    for method in (readings.LAMPS, readings.VOLTMETER, readings.COVER_OFF):
        rng = np.random.default_rng(4)
        for _ in range(200):
            cells = {"method": method, **readings.write(rng, method, bonded, 0.1)}
            chances = readings.likelihood(cells, 0.1)
            assert chances[sound] == chances[bonded] > 0


def test_danger_is_what_the_vocabulary_says():
    known = {condition.value for condition in Condition}
    assert set(CONDITIONS) - known <= {"false_ground_upstream"}
    for number in range(OUTCOMES):
        condition = CONDITIONS[OUTCOME_CONDITION[number]]
        word = Condition(condition) if condition in known else Condition.FALSE_GROUND
        slots = Slots.THREE_SLOT if OUTCOME_THREE[number] else Slots.TWO_SLOT
        assert danger(word, slots, float(OUTCOME_PROTECTED[number])) == DANGEROUS[number]


@pytest.mark.parametrize("name", list(WORLDS))
def test_every_world_is_made_of_probabilities(name):
    world = WORLDS[name]
    for table in (world.hands, world.hand_states, world.states, world.outcomes):
        assert table.min() >= 0
        np.testing.assert_allclose(table.sum(axis=-1), 1)
    for year in (1930, 1955, 1968, 2005):
        for rewired in (False, True):
            for kind in range(2):
                assert world.grid_prior(year, rewired, kind).sum() == pytest.approx(1)


def test_same_seed_same_portfolio_and_another_seed_another():
    one, two, three = (generate(WORLDS["crews"], seed) for seed in (1, 1, 2))
    for frame in ("register", "looks", "truth"):
        pd.testing.assert_frame_equal(getattr(one, frame), getattr(two, frame))
    assert not one.looks.equals(three.looks)


def test_exports_without_places_name_none(tmp_path):
    paths = generate(WORLDS["no_places"], 1).write(tmp_path)
    columns = set(pd.read_csv(paths[1]).columns)
    assert "opening_id" in columns and not columns & {"unit_id", "circuit_id"}


def test_beta_binomial_chances_are_the_textbooks():
    k, n = np.array([0.0, 3, 7, 20]), np.array([5.0, 9, 7, 40])
    a, b = np.array([0.3, 2, 11, 0.9]), np.array([4.0, 2, 0.5, 30])
    np.testing.assert_allclose(
        beta_binomial.log_chance(k, n, a, b), betabinom.logpmf(k, n, a, b), rtol=1e-10
    )


def test_beta_binomial_fit_finds_means_and_strength_again():
    rng = np.random.default_rng(2)
    group = np.repeat(np.arange(3), 400)
    mean, strength = np.array([0.1, 0.4, 0.8]), 6.0
    share = rng.beta(mean[group] * strength, (1 - mean[group]) * strength)
    trials = rng.integers(1, 30, size=len(group)).astype(float)
    found = beta_binomial.fit(
        group, rng.binomial(trials.astype(int), share).astype(float), trials, 4
    )
    np.testing.assert_allclose(found.mean[:3], mean, atol=0.04)
    assert found.strength == pytest.approx(strength, rel=0.3)
    # A group that nobody looked at has the whole's share.
    assert found.mean[3] == pytest.approx(mean.mean(), abs=0.06)


def test_what_the_beta_binomial_takes_from_looks():
    columns = [*OPENING, "method", "result", "slots", "gfci_protected"]
    lamps, cover = "three_lamp_tester", "cover_off_inspection"
    looks = pd.DataFrame(
        [
            ("1", "a", lamps, "open_ground", "three_slot", ""),
            ("1", "b", lamps, "open_ground", "three_slot", "yes"),
            ("1", "c", lamps, "open_ground", "two_slot", "no"),
            ("1", "d", lamps, "correct", "three_slot", "no"),
            ("1", "d", cover, "reversed_false_ground", "three_slot", "no"),
            ("1", "e", lamps, "hot_ground_reversed", "two_slot", "no"),
        ],
        columns=columns,
    )
    found = beta_binomial.seen(looks).set_index("opening_id")
    assert found.index[found["shown"]].tolist() == ["a", "e"]
    assert found.index[found["two_slot"]].tolist() == ["c", "e"]
    assert found.index[found["capable"]].tolist() == ["d"]
    assert found.index[found["bonded"]].tolist() == ["d"]


def test_nothing_here_imports_the_model_that_is_judged():
    for path in Path(__file__).parent.glob("*.py"):
        imported = re.findall(r"^\s*(?:from|import)\s+([\w.]+)", path.read_text(), re.MULTILINE)
        assert not [name for name in imported if name.startswith("pipeline.evidence")], path.name
        assert not [name for name in imported if name.startswith("pipeline.scoring")], path.name
