"""What each method can and cannot tell apart, as screens show it."""

from __future__ import annotations

import pandas as pd

from pipeline.evidence.likelihood import Likelihoods
from shared.vocabulary import CONDITIONS, Condition, Method


def against(likelihoods: Likelihoods, reference: Condition) -> pd.DataFrame:
    """Each method against each condition, seen from one condition.

    Returns:
        One row per condition other than ``reference``: condition, then a column per method with
        the distance (0: the same readings, 1: never the same), and ``<method>_apart`` (whether
        the method counts as telling the two apart).
    """
    pairs = likelihoods.distinguishes()
    near = pairs[(pairs["condition_a"] == reference) | (pairs["condition_b"] == reference)]
    rows = []
    for condition in CONDITIONS:
        if condition is reference:
            continue
        row: dict[str, object] = {"condition": condition.value}
        own = near[(near["condition_a"] == condition) | (near["condition_b"] == condition)]
        for method in Method:
            found = own[own["method"] == method.value].iloc[0]
            row[method.value] = float(found["distance"])
            row[f"{method.value}_apart"] = bool(found["separable"])
        rows.append(row)
    return pd.DataFrame(rows)


def readings(likelihoods: Likelihoods, method: Method) -> pd.DataFrame:
    """How often a method reports what: condition, result, probability (usual reader)."""
    table = likelihoods.table()
    return table[table["method"] == method.value].drop(columns=["method"]).reset_index(drop=True)
