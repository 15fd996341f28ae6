"""Nodal analysis of a small resistive network: conductances in, node voltages and currents out.

Every conductance may be an array; the shapes broadcast together, and one call of ``solve`` works
all the networks of the batch at once. Voltages and currents are effective (RMS) values of one
phase: everything here is resistive, so they add like direct current.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class _Element:
    start: str
    end: str
    siemens: Floats


@dataclass(frozen=True)
class Solution:
    """A solved network.

    Attributes:
        volts: voltage of every node against earth, V; each an array of the batch shape.
        elements: the resistive elements by name.
    """

    volts: dict[str, Floats]
    elements: dict[str, _Element]

    def between(self, start: str, end: str) -> Floats:
        """Return the voltage of ``start`` against ``end``, V, signed."""
        return self.volts[start] - self.volts[end]

    def current(self, name: str) -> Floats:
        """Return the current through a named element from its start to its end, A.

        An element that is not in the network carries nothing.
        """
        element = self.elements.get(name)
        if element is None:
            return np.zeros_like(next(iter(self.volts.values())))
        return self.between(element.start, element.end) * element.siemens


@dataclass
class Network:
    """A network under construction.

    Attributes:
        fixed: nodes held at a voltage by an ideal source, V against earth.
    """

    fixed: dict[str, float]
    _elements: dict[str, _Element] = field(default_factory=dict)
    _injections: list[tuple[str, Floats]] = field(default_factory=list)

    def resistor(self, name: str, start: str, end: str, ohms: ArrayLike) -> None:
        """Add a resistance between two nodes, Ω, above zero.

        Raises:
            ValueError: if the name is taken or the resistance is not above zero.
        """
        values = np.asarray(ohms, dtype=np.float64)
        if name in self._elements:
            raise ValueError(f"there is an element {name!r} already")
        if not np.all(values > 0):
            raise ValueError(f"element {name!r} needs a resistance above zero")
        self._elements[name] = _Element(start, end, 1.0 / values)

    def inject(self, node: str, amps: ArrayLike) -> None:
        """Push a current into a node from earth, A."""
        self._injections.append((node, np.asarray(amps, dtype=np.float64)))

    def solve(self) -> Solution:
        """Solve Kirchhoff's current law at every node that no source holds.

        Raises:
            numpy.linalg.LinAlgError: if a node has no path to a held node.
        """
        names = {n for e in self._elements.values() for n in (e.start, e.end)}
        free = sorted(names - set(self.fixed))
        index = {name: i for i, name in enumerate(free)}
        shape = np.broadcast_shapes(
            *(e.siemens.shape for e in self._elements.values()),
            *(amps.shape for _, amps in self._injections),
        )
        matrix = np.zeros((*shape, len(free), len(free)))
        right = np.zeros((*shape, len(free)))
        for element in self._elements.values():
            for here, there in ((element.start, element.end), (element.end, element.start)):
                if here not in index:
                    continue
                i = index[here]
                matrix[..., i, i] += element.siemens
                if there in index:
                    matrix[..., i, index[there]] -= element.siemens
                else:
                    right[..., i] += element.siemens * self.fixed[there]
        for node, amps in self._injections:
            if node in index:
                right[..., index[node]] += amps
        answer = np.linalg.solve(matrix, right[..., None])[..., 0]
        volts: dict[str, Floats] = {
            name: np.broadcast_to(np.asarray(v, dtype=np.float64), shape)
            for name, v in self.fixed.items()
        }
        volts |= {name: answer[..., i] for name, i in index.items()}
        return Solution(volts, dict(self._elements))
