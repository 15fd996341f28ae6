"""The rules of a world: manager, building, dwelling's hand, circuit, opening, each discrete.

A building has two rates on a grid: g, the share of hands that left a proper ground, and j, the
share of jumperers among the others. Whoever wired a dwelling is its *hand*; a circuit follows the
dwelling's hand with a probability (``loyalty``), else somebody else of the same building did it. An
opening's condition, slots and protection depend on its circuit's state. Because every level is
small and discrete, ``exact`` can sum over all of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.stats import beta as beta_distribution

Floats = NDArray[np.float64]

CONDITIONS = (
    "grounded",
    "ungrounded",
    "false_ground",
    "reversed",
    "reversed_ungrounded",
    "reversed_false_ground",
    "open_neutral",
    "open_hot",
    "hot_on_ground",
    "false_ground_upstream",
)
"""What an opening may truly be; the last one is fed from a box whose ground is tied to neutral."""

LIVE = ("reversed_false_ground", "hot_on_ground")
"""Conditions that put supply voltage on metal."""

SLOTS = ("two_slot", "three_slot")
HANDS = ("grounded", "untouched", "careful", "careless", "jumperer")
STATES = ("grounded", "untouched", "careful", "careless", "jumpered", "bonded_head")

OUTCOMES = len(CONDITIONS) * 2 * 2
"""Outcomes of an opening: condition × slots × protected, in that order, protected fastest."""


def outcome(condition: str, three_slot: bool, protected: bool) -> int:
    """Index of an outcome."""
    return (CONDITIONS.index(condition) * 2 + three_slot) * 2 + protected


def is_dangerous(condition: str, three_slot: bool, protected: bool) -> bool:
    """Whether an opening is dangerous, in the words of ``shared.vocabulary.danger``."""
    if condition == "hot_on_ground":
        return True
    if not three_slot:
        return False
    if condition == "ungrounded":
        return not protected
    return "false_ground" in condition or condition == "reversed_ungrounded"


OUTCOME_CONDITION = np.arange(OUTCOMES) // 4
OUTCOME_THREE = (np.arange(OUTCOMES) // 2) % 2 == 1
OUTCOME_PROTECTED = np.arange(OUTCOMES) % 2 == 1
DANGEROUS: NDArray[np.bool_] = np.array(
    [
        is_dangerous(CONDITIONS[c], bool(t), bool(p))
        for c, t, p in zip(OUTCOME_CONDITION, OUTCOME_THREE, OUTCOME_PROTECTED, strict=True)
    ]
)
"""By outcome."""

_CELLS = 9
_EDGES = np.linspace(0.0, 1.0, _CELLS + 1)
_MIDDLES = (_EDGES[1:] + _EDGES[:-1]) / 2
GRID = np.stack([a.ravel() for a in np.meshgrid(_MIDDLES, _MIDDLES, indexing="ij")], axis=1)
"""Points of a building's (g, j), shape (81, 2); truths are drawn from these very points."""


@dataclass(frozen=True)
class World:
    """One generating model.

    Attributes:
        name: short name.
        meaning: what is special about it.
        assumptions_hold: whether it is of the family that Coverplate says it models, so that it
            is held to the exact posterior there.
        loyalty: chance that a circuit was done by the dwelling's own hand.
        head_share: share of a jumperer's circuits bonded once, at the first box.
        reversed_share: share of singly jumpered openings with hot and neutral swapped.
        jumper_mean: highest mean of j, about 1955.
        newer_worse: whether years work the other way round.
        jumpering_managers: share of managers whose contractors jumper more.
        manager_odds: by how much these multiply the odds of the mean of j.
        buildings: how many there are.
        visited: share of buildings that anybody visited.
        dwelling_share, opening_share: shares of dwellings, and of openings in these, looked at.
        cover_off_share, voltmeter_share: shares of openings in dwellings visited that also get
            such a look.
        lenient_readers: how many of the six inspectors are lenient.
        leniency: share of what they should report that these write as correct.
        with_places: whether exports name dwellings and circuits.
    """

    name: str
    meaning: str
    assumptions_hold: bool = True
    loyalty: float = 0.95
    head_share: float = 0.0
    reversed_share: float = 0.10
    jumper_mean: float = 0.40
    newer_worse: bool = False
    jumpering_managers: float = 0.0
    manager_odds: float = 1.0
    buildings: int = 90
    visited: float = 0.65
    dwelling_share: float = 0.75
    opening_share: float = 0.65
    cover_off_share: float = 0.06
    voltmeter_share: float = 0.06
    lenient_readers: int = 0
    leniency: float = 0.0
    with_places: bool = True

    @property
    def manager_types(self) -> Floats:
        """Chance of each type of manager: ordinary, jumpering."""
        return np.array([1 - self.jumpering_managers, self.jumpering_managers])

    def grid_prior(self, year_built: int, rewired: bool, manager_type: int) -> Floats:
        """Prior of a building's (g, j) over ``GRID``, shape (81,)."""
        year = 1942 + 1995 - year_built if self.newer_worse else year_built
        # Grounding receptacles came by degrees: few before 1955, most by 1975.
        g = 0.93 if rewired else 0.08 + 0.89 / (1 + np.exp(-(year - 1966) / 5.5))
        j = 0.08 + (self.jumper_mean - 0.08) * np.exp(-(((year - 1955) / 20.0) ** 2))
        if manager_type:
            odds = j / (1 - j) * self.manager_odds
            j = odds / (1 + odds)
        return np.outer(_beta_cells(g, 3.5), _beta_cells(j, 3.0)).ravel()

    @cached_property
    def hands(self) -> Floats:
        """Chance of each hand at each point of the grid, shape (81, 5)."""
        g, j = GRID.T
        rest = (1 - g) * (1 - j)
        return np.stack([g, 0.50 * rest, 0.25 * rest, 0.25 * rest, (1 - g) * j], axis=1)

    @cached_property
    def hand_states(self) -> Floats:
        """Chance of a circuit's state given who did it, shape (5, 6)."""
        table = np.eye(5, 6)
        table[4, 4:] = 1 - self.head_share, self.head_share
        return table

    @cached_property
    def states(self) -> Floats:
        """Chance of a circuit's state by point and dwelling's hand, shape (81, 5, 6)."""
        anybody = self.hands @ self.hand_states
        return self.loyalty * self.hand_states[None] + (1 - self.loyalty) * anybody[:, None]

    @cached_property
    def outcomes(self) -> Floats:
        """Chance of an opening's outcome given its circuit's state, shape (6, 40)."""
        ungrounded = {"ungrounded": 1.0}
        return np.stack(
            [
                # state: three-slot; what three-slot and two-slot openings are; protected
                self._mix(0.98, {"grounded": 0.98, "ungrounded": 0.02}, {"grounded": 1.0}, 0.15),
                self._mix(0.06, {"ungrounded": 0.7, "false_ground": 0.3}, ungrounded, 0.02),
                self._mix(0.65, {"ungrounded": 0.97, "false_ground": 0.03}, ungrounded, 0.90),
                self._mix(0.92, {"ungrounded": 0.90, "false_ground": 0.10}, ungrounded, 0.03),
                self._mix(0.93, {"ungrounded": 0.12, "false_ground": 0.88}, ungrounded, 0.04),
                self._mix(
                    0.93, {"ungrounded": 0.03, "false_ground_upstream": 0.97}, ungrounded, 0.04
                ),
            ]
        )

    def _mix(
        self, three: float, threes: dict[str, float], twos: dict[str, float], protected: float
    ) -> Floats:
        """Outcomes of one state, with swapped conductors and other troubles mixed in."""
        swapped = {
            "grounded": ("reversed", 0.02),
            "ungrounded": ("reversed_ungrounded", 0.03),
            "false_ground": ("reversed_false_ground", self.reversed_share),
            "false_ground_upstream": ("false_ground_upstream", 0.0),
        }
        troubles = {"open_neutral": 0.006, "open_hot": 0.005, "hot_on_ground": 0.002}
        sound = 1 - sum(troubles.values())
        found = np.zeros(OUTCOMES)
        for is_three, share, bases in ((True, three, threes), (False, 1 - three, twos)):
            for is_protected, chance in ((True, protected), (False, 1 - protected)):
                here = share * chance
                for base, weight in bases.items():
                    other, swap = swapped[base]
                    found[outcome(base, is_three, is_protected)] += (
                        here * weight * sound * (1 - swap)
                    )
                    found[outcome(other, is_three, is_protected)] += here * weight * sound * swap
                for trouble, weight in troubles.items():
                    found[outcome(trouble, is_three, is_protected)] += here * weight
        return found


def _beta_cells(mean: float, strength: float) -> Floats:
    """A beta distribution's mass in the cells of one axis of the grid."""
    found = np.diff(beta_distribution.cdf(_EDGES, mean * strength, (1 - mean) * strength))
    return np.asarray(found / found.sum(), dtype=np.float64)
