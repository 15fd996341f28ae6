"""The kinds of opening: every way an opening can have come to be, as a product of rates.

A building has five rates, each between 0 and 1 (the same hand wired its openings, so they share
them): ``ungrounded_origin``, ``converted``, ``false_ground``, ``reversed``, ``other_fault``. A
*kind* fixes an opening's origin, slots, ground contact and trouble; its probability is a constant
times a product of rates or their complements. In logarithms that is a matrix product, which is
what lets a whole portfolio be computed at once:

    log P(kind | rates) = DESIGN @ [ln r1, ln(1-r1), ..., ln r5, ln(1-r5)] + CONSTANT

Wiring origin, conversion and false ground are separate rates, so only three-slot openings on
wiring of ungrounded origin can be falsely grounded.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from shared.rule_book import RuleBook
from shared.vocabulary import CONDITIONS, Condition, Slots, danger

Array = npt.NDArray[np.float64]

RATES = ("ungrounded_origin", "converted", "false_ground", "reversed", "other_fault")
"""The building-level rates, in the order of every rate axis (length 5)."""

SLOTS: tuple[Slots, ...] = tuple(Slots)
"""Slots in the order of every slots axis (length 3)."""

_ORIGIN, _CONVERTED, _FALSE_GROUND, _REVERSED, _OTHER = range(5)


@dataclass(frozen=True)
class Kinds:
    """All kinds of opening under one rule book (K of them).

    Attributes:
        slots: index into SLOTS, shape (K,).
        conditions: index into CONDITIONS, shape (K,).
        design: 1 where a kind's probability has that factor, shape (K, 10); columns in pairs
            (rate, complement).
        constant: natural log of the constant factor, shape (K,).
        danger_unprotected, danger_protected: 1 where the kind is dangerous without or with GFCI,
            shape (K,).
    """

    slots: npt.NDArray[np.int64]
    conditions: npt.NDArray[np.int64]
    design: Array
    constant: Array
    danger_unprotected: Array
    danger_protected: Array

    @property
    def condition_of_kind(self) -> Array:
        """Indicator matrix (K, C) that sums kinds into conditions."""
        return np.eye(len(CONDITIONS))[self.conditions]

    @property
    def slots_of_kind(self) -> Array:
        """Indicator matrix (K, 3) that sums kinds into slots."""
        return np.eye(len(SLOTS))[self.slots]

    def log_probability(self, features: Array) -> Array:
        """Log probability of each kind at given rates.

        Args:
            features: shape (..., 10), from ``rate_features``.

        Returns:
            Shape (..., K).
        """
        result: Array = features @ self.design.T + self.constant
        return result


def interleave(rate: Array, complement: Array) -> Array:
    """What belongs to rates and what to their complements, in the pairs of every feature axis.

    Args:
        rate, complement: shape (..., 5).

    Returns:
        Shape (..., 10).
    """
    result: Array = np.stack([rate, complement], axis=-1).reshape(*rate.shape[:-1], -1)
    return result


def rate_features(log_odds: Array) -> Array:
    """Turn rates on the log-odds scale into [ln r, ln(1-r)] pairs.

    Args:
        log_odds: shape (..., 5).

    Returns:
        Shape (..., 10), exact even where a rate is within 1e-300 of 0 or 1.
    """
    features = np.empty((*log_odds.shape[:-1], 2 * log_odds.shape[-1]))
    # ln(1 + exp(x)) is max(x, 0) and a rest that both logarithms share.
    rest = np.log1p(np.exp(-np.abs(log_odds)))
    features[..., 0::2] = np.minimum(log_odds, 0.0) - rest
    features[..., 1::2] = np.minimum(-log_odds, 0.0) - rest
    return features


def build_kinds(rule_book: RuleBook) -> Kinds:
    """List every kind with its factors under a rule book."""
    structure = rule_book.structure
    two_on_grounded = float(structure.two_slot_on_grounded)
    other = float(structure.other_slots)
    unnoticed = float(structure.live_metal_unnoticed)
    fault_shares = {
        Condition.OPEN_NEUTRAL: float(structure.open_neutral_share),
        Condition.OPEN_HOT: float(structure.open_hot_share),
        Condition.HOT_ON_GROUND: float(structure.hot_on_ground_share),
    }
    rows: list[tuple[Slots, Condition, dict[int, bool], float]] = []

    def add(
        slots: Slots,
        origin: dict[int, bool],
        constant: float,
        wirings: list[tuple[Condition, Condition, dict[int, bool]]],
    ) -> None:
        for sound, swapped, wiring in wirings:
            straight = {**origin, **wiring, _OTHER: False, _REVERSED: False}
            crossed = {**origin, **wiring, _OTHER: False, _REVERSED: True}
            rows.append((slots, sound, straight, constant))
            left = 1.0
            if swapped is Condition.REVERSED_FALSE_GROUND:
                # Live metal is soon noticed and put right; what was put right is a false ground.
                left = unnoticed
                rows.append((slots, sound, crossed, constant * (1 - unnoticed)))
            rows.append((slots, swapped, crossed, constant * left))
        # A two-slot face has no ground contact that a hot conductor could be on.
        shares = {
            condition: share
            for condition, share in fault_shares.items()
            if not (slots is Slots.TWO_SLOT and condition is Condition.HOT_ON_GROUND)
        }
        total = sum(shares.values())
        for condition, share in shares.items():
            rows.append((slots, condition, {**origin, _OTHER: True}, constant * share / total))

    grounded: list[tuple[Condition, Condition, dict[int, bool]]] = [
        (Condition.GROUNDED, Condition.REVERSED, {})
    ]
    plain = (Condition.UNGROUNDED, Condition.REVERSED_UNGROUNDED)
    jumpered = (Condition.FALSE_GROUND, Condition.REVERSED_FALSE_GROUND)
    either = [(*plain, {_FALSE_GROUND: False}), (*jumpered, {_FALSE_GROUND: True})]
    with_ground, without = {_ORIGIN: False}, {_ORIGIN: True}
    usual = 1 - other
    add(Slots.THREE_SLOT, with_ground, usual * (1 - two_on_grounded), grounded)
    add(Slots.TWO_SLOT, with_ground, usual * two_on_grounded, grounded)
    add(Slots.OTHER, with_ground, other, grounded)
    add(Slots.THREE_SLOT, {**without, _CONVERTED: True}, usual, either)
    add(Slots.TWO_SLOT, {**without, _CONVERTED: False}, usual, [(*plain, {})])
    add(Slots.OTHER, without, other, either)

    design = np.zeros((len(rows), 2 * len(RATES)))
    for index, (_, _, factors, _) in enumerate(rows):
        for rate, present in factors.items():
            design[index, 2 * rate + (0 if present else 1)] = 1.0
    return Kinds(
        slots=np.array([SLOTS.index(slots) for slots, _, _, _ in rows]),
        conditions=np.array([CONDITIONS.index(condition) for _, condition, _, _ in rows]),
        design=design,
        constant=np.log(np.array([constant for _, _, _, constant in rows])),
        danger_unprotected=np.array([danger(c, s, 0.0) for s, c, _, _ in rows]),
        danger_protected=np.array([danger(c, s, 1.0) for s, c, _, _ in rows]),
    )
