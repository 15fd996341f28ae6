"""How openings came to be looked at, and what that says of those that were not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.evidence.kinds import Array
from pipeline.evidence.model import Model
from pipeline.evidence.portfolio import Block, Portfolio


@dataclass(frozen=True)
class Picking:
    """Chance of being picked, up to a factor, in each building of a block.

    An opening of kind k is picked for reason s with odds c_s W_sk, W being the declared odds and
    c_s set so that a typical building would see as many picked as were. What nobody picked is
    therefore less likely of the kinds that people look for.

    Attributes:
        picked: c W / (1 + c W), shape (n, 5, K).
        left: chance of being picked for no reason at all, shape (n, K).
    """

    picked: Array
    left: Array


def picking(model: Model, portfolio: Portfolio, block: Block) -> Picking:
    """How openings were picked in a block (see ``Picking``)."""
    looked = portfolio.signatures.looked[block.signature]
    chosen = portfolio.signatures.selection[block.signature]
    total = np.maximum(block.count.sum(axis=1), 1.0)
    share = np.stack(
        [
            (block.count * (looked & (chosen == index))).sum(axis=1) / total
            for index in range(len(model.selection))
        ],
        axis=1,
    ).clip(0.0, 0.98)
    typical = model.selection @ model.typical_kinds
    odds = (share / (1 - share) / typical)[:, :, None] * model.selection
    return Picking(odds / (1 + odds), (1 / (1 + odds)).prod(axis=1))
