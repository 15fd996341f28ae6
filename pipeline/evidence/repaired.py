"""Openings with a proven repair: what is so there now, whatever was seen before."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.evidence.kinds import SLOTS, Array
from pipeline.evidence.model import Model
from pipeline.evidence.portfolio import Block, Portfolio
from shared.vocabulary import CONDITIONS


@dataclass(frozen=True)
class Repairs:
    """Proven repairs in a block: what is so where the proof holds.

    Attributes:
        kept: share of the evidence-based result that stays, 1 where nothing was repaired, (n, G).
        condition, slots: what the repair left, indicator times its probability, (n, G, C or 3).
        danger, harm: likewise, (n, G).
    """

    kept: Array
    condition: Array
    slots: Array
    danger: Array
    harm: Array


def repairs(model: Model, portfolio: Portfolio, block: Block) -> Repairs:
    """The proven repairs of a block (see ``Repairs``)."""
    known, index = portfolio.signatures, block.signature
    left = known.repaired[index]
    done = left >= 0
    sure = np.where(done, 1 - model.repair_doubt, 0.0)
    face, guard = known.repaired_slots[index].clip(min=0), known.repaired_protection[index]
    condition = left.clip(min=0)
    both = np.stack([1 - guard, guard], axis=-1)
    return Repairs(
        kept=1 - sure,
        condition=sure[..., None] * np.eye(len(CONDITIONS))[condition],
        slots=sure[..., None] * np.eye(len(SLOTS))[face],
        danger=sure * (model.danger[face, condition] * both).sum(axis=-1),
        harm=sure * (model.severity[face, condition] * both).sum(axis=-1),
    )
