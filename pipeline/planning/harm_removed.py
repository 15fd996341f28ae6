"""What a remedy takes away of the harm that the model holds possible at openings."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.ledger.remedies import why_refused
from pipeline.planning.repair_choice import Bools, Floats
from pipeline.scoring.severity import severity_array
from pipeline.warehouse.queries import PROBABILITIES
from shared.rule_book import RuleBook
from shared.vocabulary import CONDITIONS, Condition, Slots


def harm_removed(groups: pd.DataFrame, book: RuleBook) -> tuple[Floats, Bools]:
    """Share of a row's harm that each remedy takes away, and whether it is allowed there.

    Returns:
        Shapes (R, remedies) and (R, remedies): the second for the defect that is likeliest.
    """
    severities = severity_array(book)
    order = list(Slots)
    mix = groups[[f"p_{slot.value}" for slot in order]].to_numpy(dtype=np.float64)
    chance = groups[list(PROBABILITIES)].to_numpy(dtype=np.float64)
    guard = groups["protection"].to_numpy(dtype=np.float64)
    both = np.stack([1 - guard, guard], axis=1)
    before = chance * np.einsum("rs,scg,rg->rc", mix, severities, both)
    harm = groups["harm"].to_numpy(dtype=np.float64)
    scale = harm / np.maximum(before.sum(axis=1), 1e-300)
    before = before * scale[:, None]
    face = np.where(groups["p_two_slot"].to_numpy() < 0.5, 1, 0)
    likeliest = [
        CONDITIONS.index(Condition(d)) if isinstance(d, str) else -1 for d in groups["defect"]
    ]
    shares = np.zeros((len(groups), len(book.remedies)))
    fits = np.zeros(shares.shape, dtype=bool)
    for column, remedy in enumerate(book.remedies.values()):
        ok = np.array([
            [why_refused(remedy, c, s) is None for c in CONDITIONS]
            for s in (Slots.TWO_SLOT, Slots.THREE_SLOT)
        ])  # fmt: skip
        left = np.array([
            CONDITIONS.index(remedy.leaves[c]) if c in remedy.leaves else -1 for c in CONDITIONS
        ])  # fmt: skip
        slots = mix
        if remedy.slots_after != "as_it_was":
            slots = np.zeros_like(mix)
            slots[:, order.index(Slots(remedy.slots_after))] = 1.0
        guarded = both if remedy.protected_after == "as_it_was" else np.array([[0.0, 1.0]])
        guarded = np.broadcast_to(guarded, both.shape)
        after = chance * np.einsum("rs,scg,rg->rc", slots, severities[:, left], guarded)
        shares[:, column] = np.where(ok[face], before - after, 0.0).sum(axis=1)
        fits[:, column] = ok[face, likeliest] & (np.array(likeliest) >= 0)
    doubt = float(book.evidence.repair_doubt)
    shares = np.clip(shares / np.maximum(harm, 1e-300)[:, None], 0.0, 1.0) * (1 - doubt)
    return shares, fits
