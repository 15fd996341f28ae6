"""Inspectors as readers: whose findings differ from others' on like openings?

Like openings share era, slots and method. Against what everybody reports there, each kind of
reader in the rule book predicts a shifted mix of results (more passes, more scatter); Bayes' rule
picks the kind. Openings in one building are alike, so an inspector's looks in few buildings count
for less, by the usual design effect 1 + (looks per building - 1) × correlation (Kish 1965, from
memory), and for less again where few others were there to compare with.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.evidence.likelihood import RESULTS, USUAL
from shared.rule_book import RuleBook
from shared.vocabulary import NO_LOOK_RESULTS, Result

_WORDS = [result.value for result in RESULTS if result not in NO_LOOK_RESULTS]


def classify_inspectors(rule_book: RuleBook, results: pd.DataFrame) -> pd.DataFrame:
    """Judge every inspector.

    Args:
        rule_book: the rule book.
        results: counts with columns inspector, era, slots, method, result, looks, in_buildings
            (buildings behind that count); only results that are looks.

    Returns:
        Columns inspector, looks, reader, p_reader (probability of that kind of reader). An
        inspector is ``usual`` unless another kind is likelier than not.
    """
    names = list(rule_book.evidence.readers)
    if results.empty:
        return pd.DataFrame(
            {
                "inspector": pd.Series(dtype=object),
                "looks": pd.Series(dtype=np.int64),
                "reader": pd.Series(dtype=object),
                "p_reader": pd.Series(dtype=np.float64),
            }
        )
    frame = results.assign(slots=results["slots"].fillna(""), era=results["era"].fillna(""))
    table = frame.pivot_table(
        index=["inspector", "era", "slots", "method"],
        columns="result",
        values="looks",
        aggfunc="sum",
        fill_value=0,
    ).reindex(columns=_WORDS, fill_value=0)
    own = table.to_numpy(dtype=np.float64)
    cells = table.index.to_frame(index=False)
    cell = cells.groupby(["era", "slots", "method"], sort=True).ngroup().to_numpy()
    everybody = np.zeros((cell.max() + 1, len(_WORDS)))
    np.add.at(everybody, cell, own)
    # What the others report there, with half a look of every word so that none is impossible.
    others = everybody[cell] - own + 0.5
    usual = others / others.sum(axis=1, keepdims=True)
    correct = np.array([word == Result.CORRECT.value for word in _WORDS], dtype=np.float64)

    inspectors, who = np.unique(cells["inspector"].to_numpy(dtype=object), return_inverse=True)
    looks = np.zeros(len(inspectors))
    np.add.at(looks, who, own.sum(axis=1))
    buildings = (
        results.groupby("inspector")["in_buildings"].max().reindex(inspectors).to_numpy(float)
    )
    alike = float(rule_book.evidence.alike_within_building)
    design_effect = 1 + np.maximum(looks / np.maximum(buildings, 1) - 1, 0) * alike
    # The others are a sample too: with few of them, a difference may be theirs.
    effective = looks / design_effect
    rest = effective.sum() - effective
    trust = rest / np.maximum(rest + effective, 1e-12) / design_effect
    score = np.empty((len(inspectors), len(names)))
    for index, name in enumerate(names):
        reader = rule_book.evidence.readers[name]
        passes, scatter = float(reader.passes_anyway), float(reader.scatter)
        predicted = (1 - passes - scatter) * usual + passes * correct + scatter / len(_WORDS)
        gain = np.zeros(len(inspectors))
        np.add.at(gain, who, (own * (np.log(predicted) - np.log(usual))).sum(axis=1))
        score[:, index] = gain * trust + np.log(float(reader.prior))
    probability = np.exp(score - score.max(axis=1, keepdims=True))
    probability /= probability.sum(axis=1, keepdims=True)
    enough = float(rule_book.evidence.reader_probability)
    best = np.where(
        probability.max(axis=1) > enough, probability.argmax(axis=1), names.index(USUAL)
    )
    return pd.DataFrame(
        {
            "inspector": inspectors,
            "looks": looks.astype(np.int64),
            "reader": np.array(names, dtype=object)[best],
            "p_reader": probability[np.arange(len(best)), best],
        }
    )
