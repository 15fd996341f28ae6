"""The nodal solver against closed forms, scipy's graph Laplacian, and physical laws."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import csgraph

from pipeline.evidence.network import Network

OHMS = st.floats(min_value=0.01, max_value=1e5)


def test_divider_in_closed_form():
    # Ohm's law by hand: 10 V over 1 Ω and 4 Ω in series leaves 8 V on the 4 Ω.
    network = Network({"source": 10.0, "earth": 0.0})
    network.resistor("top", "source", "middle", 1.0)
    network.resistor("bottom", "middle", "earth", 4.0)
    solved = network.solve()
    assert solved.volts["middle"] == pytest.approx(8.0)
    assert solved.current("top") == pytest.approx(2.0)
    assert solved.current("bottom") == pytest.approx(2.0)
    assert solved.current("absent") == 0.0


@given(OHMS, OHMS, OHMS)
@settings(deadline=None)
def test_series_and_parallel_in_closed_form(a, b, c):
    # By hand: a in series with b parallel to c.
    network = Network({"source": 120.0, "earth": 0.0})
    network.resistor("a", "source", "node", a)
    network.resistor("b", "node", "earth", b)
    network.resistor("c", "node", "earth", c)
    total = a + b * c / (b + c)
    assert network.solve().current("a") == pytest.approx(120.0 / total, rel=1e-6)


def test_a_batch_is_the_same_as_one_at_a_time():
    ohms = np.array([1.0, 4.0, 25.0])
    batch = Network({"source": 10.0, "earth": 0.0})
    batch.resistor("top", "source", "middle", 2.0)
    batch.resistor("bottom", "middle", "earth", ohms)
    expected = 10.0 * ohms / (ohms + 2.0)
    assert batch.solve().volts["middle"] == pytest.approx(expected)


def test_faulty_elements_are_refused():
    network = Network({"earth": 0.0})
    network.resistor("a", "x", "earth", 1.0)
    with pytest.raises(ValueError, match="already"):
        network.resistor("a", "x", "earth", 1.0)
    with pytest.raises(ValueError, match="above zero"):
        network.resistor("b", "x", "earth", 0.0)


def test_a_node_without_a_path_is_refused():
    network = Network({"earth": 0.0})
    network.resistor("a", "x", "y", 1.0)
    with pytest.raises(np.linalg.LinAlgError):
        network.solve()


NODES = ["source", "earth", "a", "b", "c", "d"]


@st.composite
def connected(draw):
    """A random connected network: a spanning chain and some more elements."""
    edges = [(NODES[i], NODES[i + 1], draw(OHMS)) for i in range(len(NODES) - 1)]
    pairs = st.tuples(st.sampled_from(NODES), st.sampled_from(NODES)).filter(lambda p: p[0] != p[1])
    edges += [(*pair, draw(OHMS)) for pair in draw(st.lists(pairs, max_size=8))]
    return edges


def build(edges, volts):
    network = Network({"source": volts, "earth": 0.0})
    for number, (start, end, ohms) in enumerate(edges):
        network.resistor(str(number), start, end, ohms)
    return network


@given(connected())
@settings(max_examples=60, deadline=None)
def test_resistance_distance_agrees_with_the_graph_laplacian(edges):
    # Independent reference: scipy's graph Laplacian and numpy's pseudo-inverse;
    # R = L⁺ss + L⁺ee - 2 L⁺se (Klein and Randić 1993, from memory).
    adjacency = np.zeros((len(NODES), len(NODES)))
    for start, end, ohms in edges:
        i, j = NODES.index(start), NODES.index(end)
        adjacency[i, j] += 1.0 / ohms
        adjacency[j, i] += 1.0 / ohms
    inverse = np.linalg.pinv(csgraph.laplacian(adjacency), rcond=1e-15, hermitian=True)
    expected = inverse[0, 0] + inverse[1, 1] - 2.0 * inverse[0, 1]
    network = Network({"earth": 0.0})
    for number, (start, end, ohms) in enumerate(edges):
        network.resistor(str(number), start, end, ohms)
    network.inject("source", 1.0)
    assert network.solve().volts["source"] == pytest.approx(expected, rel=1e-3)


@given(connected())
@settings(max_examples=60, deadline=None)
def test_power_balances(edges):
    # Tellegen's theorem: what the source gives is what the resistances take.
    solved = build(edges, 120.0).solve()
    taken = sum(
        solved.current(str(i)) * solved.between(start, end)
        for i, (start, end, _) in enumerate(edges)
    )
    out = sum(
        solved.current(str(i)) * ((start == "source") - (end == "source"))
        for i, (start, end, _) in enumerate(edges)
    )
    assert taken == pytest.approx(120.0 * out, rel=1e-6)


@given(connected(), st.floats(1, 200), st.floats(-5, 5))
@settings(max_examples=60, deadline=None)
def test_sources_superpose(edges, volts, amps):
    both = build(edges, volts)
    both.inject("c", amps)
    voltage_only = build(edges, volts)
    current_only = build(edges, 0.0)
    current_only.inject("c", amps)
    parts = [voltage_only.solve(), current_only.solve()]
    together = both.solve()
    for node in NODES:
        scale = max(1.0, *(abs(float(p.volts[node])) for p in parts))
        assert together.volts[node] == pytest.approx(
            sum(p.volts[node] for p in parts), abs=1e-6 * scale
        )
