"""Rows of openings become dwellings and circuits: nothing is lost, nothing counted twice."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.evidence.tree import NOT_RECORDED, Rows, grow

FLAT = 3
ON_CIRCUIT = 5

row = st.tuples(
    st.integers(0, 3),  # building
    st.integers(0, 3),  # dwelling, 0 where none is named
    st.integers(0, 3),  # circuit, likewise
    st.integers(0, FLAT),  # class
)
portfolios = st.tuples(
    st.dictionaries(row, st.integers(1, 6), max_size=25),
    st.lists(st.integers(0, 60), min_size=4, max_size=4),
    st.lists(st.integers(1, 9), min_size=4, max_size=4),
)


class Grown:
    """A tree, what it was grown from and how many openings stand behind each of its rows."""

    def __init__(self, listed, unseen, dwellings):
        # Circuits of two dwellings never share a key: keys are hashes of both names.
        keys = sorted(((b, d, c and 10 * d + c, e), n) for (b, d, c, e), n in listed.items())
        table = np.array([key for key, _ in keys], dtype=np.int64).reshape(-1, 4)
        self.count = np.array([n for _, n in keys], dtype=np.int64)
        self.building, self.dwelling, self.circuit, self.evidence = table.T
        self.unseen, self.dwellings = np.array(unseen), np.array(dwellings)
        self.tree, self.origin = grow(
            Rows(
                self.building,
                self.dwelling.astype(np.uint64),
                self.circuit.astype(np.uint64),
                self.evidence,
                self.count,
            ),
            4,
            self.unseen,
            self.dwellings,
            FLAT,
            ON_CIRCUIT,
        )
        tree = self.tree
        self.row_circuit = np.repeat(np.arange(len(tree.circuit_times)), np.diff(tree.row_start))
        self.circuit_dwelling = np.repeat(
            np.arange(len(tree.dwelling_times)), np.diff(tree.circuit_start)
        )
        self.dwelling_building = np.repeat(np.arange(4), np.diff(tree.dwelling_start))
        self.row_dwelling = self.circuit_dwelling[self.row_circuit]
        self.row_building = self.dwelling_building[self.row_dwelling]
        self.openings = (
            tree.row_count
            * tree.circuit_times[self.row_circuit]
            * tree.dwelling_times[self.row_dwelling]
        )


@given(portfolios)
@settings(deadline=None, max_examples=150)
def test_every_recorded_row_is_there_once_with_its_count(portfolio):
    grown = Grown(*portfolio)
    recorded = np.flatnonzero(grown.origin != NOT_RECORDED)
    origin = grown.origin[recorded]
    assert sorted(origin) == list(range(len(grown.count)))
    assert (grown.openings[recorded] == grown.count[origin]).all()
    assert (grown.tree.row_class[recorded] == grown.evidence[origin]).all()
    assert (grown.row_building[recorded] == grown.building[origin]).all()


@given(portfolios)
@settings(deadline=None, max_examples=150)
def test_openings_of_a_building_are_those_recorded_and_those_not(portfolio):
    grown = Grown(*portfolio)
    found = np.bincount(grown.row_building, grown.openings, minlength=4)
    recorded = np.bincount(grown.building, grown.count, minlength=4)
    np.testing.assert_array_equal(found, recorded + grown.unseen)
    hidden = grown.origin == NOT_RECORDED
    assert (grown.tree.row_class[hidden] == FLAT).all()
    assert (grown.tree.row_count[hidden] <= ON_CIRCUIT).all()
    # No empty dwelling, no empty circuit.
    assert (np.diff(grown.tree.circuit_start) > 0).all()
    assert (np.diff(grown.tree.row_start) > 0).all()
    assert (grown.openings > 0).all()


@given(portfolios)
@settings(deadline=None, max_examples=150)
def test_openings_are_grouped_by_the_dwelling_and_circuit_they_name(portfolio):
    grown = Grown(*portfolio)
    tree = grown.tree
    recorded = np.flatnonzero(grown.origin != NOT_RECORDED)
    homes, circuits = {}, {}
    for at in recorded:
        source = grown.origin[at]
        home = (grown.building[source], grown.dwelling[source])
        circuit = (*home, grown.circuit[source])
        dwelling = grown.row_dwelling[at]
        if home[1]:
            assert homes.setdefault(home, dwelling) == dwelling
            assert tree.dwelling_times[dwelling] == 1
        if circuit[2]:
            assert circuits.setdefault(circuit, grown.row_circuit[at]) == grown.row_circuit[at]
        else:
            # Alone on its circuit, as many circuits as openings; alone in its dwelling, too.
            number = grown.row_circuit[at]
            assert tree.row_start[number + 1] - tree.row_start[number] == 1
            assert tree.row_count[at] == 1
            times = tree.dwelling_times[dwelling] * tree.circuit_times[number]
            assert times == grown.count[source]
            if not home[1]:
                assert tree.circuit_start[dwelling + 1] - tree.circuit_start[dwelling] == 1
                assert tree.circuit_times[number] == 1
    assert len(set(homes.values())) == len(homes)
    assert len(set(circuits.values())) == len(circuits)


@given(portfolios)
@settings(deadline=None, max_examples=150)
def test_dwellings_are_as_many_as_the_building_has(portfolio):
    grown = Grown(*portfolio)
    tree = grown.tree
    hidden = (
        np.bincount(
            grown.row_dwelling, grown.origin != NOT_RECORDED, minlength=len(tree.dwelling_times)
        )
        == 0
    )
    for building in range(4):
        here = grown.building == building
        named = len(set(grown.dwelling[here & (grown.dwelling > 0)]))
        most = max(grown.dwellings[building], named, 1)
        mine = grown.dwelling_building == building
        nobody_saw = int(tree.dwelling_times[mine & hidden].sum())
        # Those without a name are in dwellings that also count among what the building has.
        assert named + nobody_saw <= most
        sizes = np.bincount(
            grown.row_dwelling,
            tree.row_count * tree.circuit_times[grown.row_circuit],
            minlength=len(tree.dwelling_times),
        )
        unseen_sizes = sizes[mine & hidden]
        if len(unseen_sizes):
            assert unseen_sizes.max() - unseen_sizes.min() <= 1


@given(portfolios)
@settings(deadline=None, max_examples=150)
def test_flat_is_what_has_no_evidence_at_all(portfolio):
    grown = Grown(*portfolio)
    tree = grown.tree
    said = (tree.row_class != FLAT).astype(int)
    by_circuit = np.bincount(grown.row_circuit, said, minlength=len(tree.circuit_flat))
    by_dwelling = np.bincount(grown.row_dwelling, said, minlength=len(tree.dwelling_flat))
    np.testing.assert_array_equal(tree.circuit_flat, by_circuit == 0)
    np.testing.assert_array_equal(tree.dwelling_flat, by_dwelling == 0)


def test_unseen_openings_fill_the_dwellings_seen_to_the_usual_size():
    """Three dwellings, thirty openings, four seen in one: that one gets six more, two get ten."""
    grown = Grown({(0, 1, 1, 0): 4}, [26, 0, 0, 0], [3, 1, 1, 1])
    tree = grown.tree
    sizes = np.bincount(grown.row_dwelling, tree.row_count * tree.circuit_times[grown.row_circuit])
    assert sorted(zip(sizes, tree.dwelling_times, strict=True)) == [(10, 1), (10, 2)]
    assert tree.dwelling_flat.tolist() == [False, True]
    # Six more on a circuit of five and one of one; ten on two of five, told once.
    assert tree.row_count.tolist() == [4, 5, 1, 5]
    assert tree.circuit_times.tolist() == [1, 1, 1, 2]
