"""The exact posterior of a world under its own rules, by sums over its tree.

manager's type → building's rates (grid) → dwelling's hand → circuit's state → opening's outcome.

Known to it and to nobody else: the world's own numbers, how leniently each reader reads, and on
which circuit the openings lie that nobody looked at. So it is a bound that no contender can pass
on the mean, not a rival.

The distribution of a building's number of dangerous openings comes from the same sums with z to
the power of the count carried along, at the roots of unity; a Fourier transform gives the chances.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tests.evidence.gate.answers import Answers
from tests.evidence.gate.generate import OPENING, Portfolio
from tests.evidence.gate.hierarchy import (
    CONDITIONS,
    DANGEROUS,
    GRID,
    LIVE,
    OUTCOME_CONDITION,
    OUTCOMES,
    Floats,
    World,
)
from tests.evidence.gate.readings import likelihood

Complexes = NDArray[np.complex128]
Dwelling = Sequence[Floats]
"""By circuit: what each opening's looks weigh by outcome, shape (openings, 40)."""

IS_LIVE = np.isin(np.array(CONDITIONS)[OUTCOME_CONDITION], LIVE)


@dataclass(frozen=True)
class Building:
    """What is known of a building: register, manager, and the weights of its openings' looks."""

    year_built: int
    rewired: bool
    manager: str
    dwellings: Sequence[Dwelling]


@dataclass(frozen=True)
class Exact:
    """The posterior of one building.

    Attributes:
        outcomes: by opening, in the order given, shape (openings, 40).
        counts: chance of each number of dangerous openings, shape (openings + 1,).
    """

    outcomes: Floats
    counts: Floats


def solve(world: World, buildings: Sequence[Building]) -> list[Exact]:
    """Posterior of every building, managers' types learned over all of them."""
    summed = [Sums(world, building) for building in buildings]
    types = range(len(world.manager_types))
    priors = [
        np.stack([world.grid_prior(b.year_built, b.rewired, kind) for kind in types])
        for b in buildings
    ]
    # Log-likelihood of each building by its manager's type, but for a constant of the building.
    by_type = np.array(
        [np.log(prior @ sums.weights) for prior, sums in zip(priors, summed, strict=True)]
    )
    managers = np.array([building.manager for building in buildings])
    found = []
    for number, (prior, sums) in enumerate(zip(priors, summed, strict=True)):
        others = (managers == managers[number]) & (np.arange(len(managers)) != number)
        message = by_type[others].sum(axis=0)
        kinds = world.manager_types * np.exp(message - message.max())
        points = (kinds / kinds.sum()) @ prior
        found.append(sums.posterior(points))
    return found


class Sums:
    """Upward sums of one building at every point of the grid."""

    def __init__(self, world: World, building: Building) -> None:
        self._world = world
        self._dwellings = building.dwellings
        self._openings = sum(len(c) for dwelling in building.dwellings for c in dwelling)
        self._by_state: list[list[Floats]] = []
        self._by_hand: list[list[Floats]] = []
        self._by_point: list[Floats] = []
        for dwelling in building.dwellings:
            states = [self._circuit(circuit) for circuit in dwelling]
            hands = [world.states @ state for state in states]  # (points, hands)
            at_point = (world.hands * np.prod(hands, axis=0)).sum(axis=1)
            self._by_state.append(states)
            self._by_hand.append(hands)
            self._by_point.append(at_point)
        total = np.sum([np.log(at_point) for at_point in self._by_point], axis=0)
        self.weights: Floats = np.exp(total - total.max())
        """Likelihood at every point of the grid, but for a constant."""

    def _circuit(self, circuit: Floats) -> Floats:
        """Likelihood of a circuit's looks by state, scaled to a largest of one, shape (6,)."""
        with np.errstate(divide="ignore"):
            total = np.log(self._world.outcomes @ circuit.T).sum(axis=1)
        return np.asarray(np.exp(total - total.max()))

    def posterior(self, prior: Floats) -> Exact:
        """Posterior given a prior of the grid's points."""
        weights = prior * self.weights
        weights = weights / weights.sum()
        return Exact(self.outcomes(weights), self._counts(weights))

    def outcomes(self, weights: Floats) -> Floats:
        """By opening, in order, shape (openings, 40), given posterior weights of the points."""
        outcomes = []
        for number, dwelling in enumerate(self._dwellings):
            for circuit in range(len(dwelling)):
                states = self._states(weights, number, circuit)
                joint = self._world.outcomes[None] * dwelling[circuit][:, None]  # (o, 6, 40)
                # a state under which the looks are impossible weighs nothing below
                joint = joint / np.maximum(joint.sum(axis=2, keepdims=True), 1e-300)
                outcomes.append(np.einsum("s,osk->ok", states, joint))
        return np.concatenate(outcomes)

    def _states(self, weights: Floats, dwelling: int, circuit: int) -> Floats:
        """Posterior of a circuit's state, shape (6,)."""
        others = [h for n, h in enumerate(self._by_hand[dwelling]) if n != circuit]
        hands = self._world.hands * np.prod(others, axis=0) if others else self._world.hands
        outside = weights / self._by_point[dwelling]
        reach = np.einsum("p,ph,phs->s", outside, hands, self._world.states)
        found = reach * self._by_state[dwelling][circuit]
        return np.asarray(found / found.sum())

    def _counts(self, weights: Floats) -> Floats:
        size = self._openings + 1
        roots = np.exp(2j * np.pi * np.arange(size) / size)
        # Half the roots suffice: the chances are real.
        roots = roots[: size // 2 + 1]
        total: Complexes = np.ones((len(GRID), len(roots)), dtype=complex)
        for number, dwelling in enumerate(self._dwellings):
            circuits: Complexes = np.ones((len(GRID), 5, len(roots)), dtype=complex)
            for circuit, weights_of in enumerate(dwelling):
                joint = self._world.outcomes[None] * weights_of[:, None]
                share = joint[:, :, DANGEROUS].sum(axis=2) / joint.sum(axis=2)  # (o, 6)
                factors = 1 + share[:, :, None] * (roots - 1)
                state = self._by_state[number][circuit][:, None] * factors.prod(axis=0)
                circuits *= self._world.states @ state
            hands = np.einsum("ph,phr->pr", self._world.hands, circuits)
            total *= hands / self._by_point[number][:, None]
        spectrum = weights @ total
        chances = np.fft.irfft(np.conj(spectrum), n=size)
        chances = np.clip(chances, 0, None)
        return np.asarray(chances / chances.sum())


def answers(portfolio: Portfolio) -> Answers:
    """The exact posterior's answers about a portfolio."""
    buildings, keys = arranged(portfolio)
    solved = solve(portfolio.world, buildings)
    rows = []
    openings = []
    for key, found in zip(keys, solved, strict=True):
        steps = np.arange(len(found.counts))
        low, high = interval(found.counts)
        expected = float(steps @ found.counts)
        rows.append((key["building_id"].iloc[0], expected, low, high))
        openings.append(
            key.assign(
                p_dangerous=found.outcomes[:, DANGEROUS].sum(axis=1),
                p_live=found.outcomes[:, IS_LIVE].sum(axis=1),
            )
        )
    frame = pd.DataFrame(rows, columns=["building_id", "expected", "low", "high"])
    frame["place"] = frame["expected"].rank(ascending=False, method="first")
    looked = portfolio.looks[OPENING].drop_duplicates()
    return Answers(frame, looked.merge(pd.concat(openings), on=OPENING))


def interval(chances: Floats) -> tuple[int, int]:
    """Whole numbers, inclusive, with at most 5 % below and at most 5 % above."""
    below = np.cumsum(chances)
    return int(np.searchsorted(below, 0.05)), int(np.searchsorted(below, 0.95 - 1e-12))


def arranged(portfolio: Portfolio) -> tuple[list[Building], list[pd.DataFrame]]:
    """Buildings as the sums want them, and the openings' keys in the same order."""
    weights: dict[tuple[str, str], Floats] = {}
    for cells in portfolio.looks.to_dict(orient="records"):
        key = (str(cells["building_id"]), str(cells["opening_id"]))
        found = likelihood(
            {str(k): str(v) for k, v in cells.items()},
            portfolio.leniency[str(cells["inspector"])],
        )
        weights[key] = weights.get(key, np.ones(OUTCOMES)) * found
    facts = portfolio.register.set_index("building_id")
    nothing = np.ones(OUTCOMES)
    buildings, keys = [], []
    for building_id, openings in portfolio.truth.groupby("building_id", sort=True):
        openings = openings.sort_values(["unit_id", "circuit_id"], kind="stable")
        dwellings = [
            [
                np.stack(
                    [weights.get((str(building_id), str(o)), nothing) for o in c["opening_id"]]
                )
                for _, c in unit.groupby("circuit_id", sort=True)
            ]
            for _, unit in openings.groupby("unit_id", sort=True)
        ]
        row = facts.loc[building_id]
        buildings.append(
            Building(
                int(row["year_built"]), not pd.isna(row["year_rewired"]), row["manager"], dwellings
            )
        )
        keys.append(openings[OPENING])
    return buildings, keys
