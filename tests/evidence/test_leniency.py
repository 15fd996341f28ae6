"""Who lets things pass: found where others looked at the like, nowhere else, and never a fault."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipeline.evidence.leniency import as_recorded, judge_leniency
from pipeline.evidence.likelihood import Likelihoods
from pipeline.evidence.look_code import STRICT, leniency_of, reader_label
from shared.rule_book import RuleBook
from shared.vocabulary import CONDITIONS, Condition

COLUMNS = ["inspector", "building_no", "method", "looks", "passes"]
METHODS = ("three_lamp_tester", "cover_off_inspection")


def _rounds(
    leniency: dict[str, float], buildings: int, seed: int = 0, apart: bool = False
) -> pd.DataFrame:
    """Readers in shared buildings (or each in their own), whose fault rates differ widely."""
    rng = np.random.default_rng(seed)
    rows = []
    for building in range(buildings):
        for method in METHODS:
            rate = rng.beta(1.0, 2.0)
            for number, (name, share) in enumerate(leniency.items()):
                place = building + 1000 * number if apart else building
                faults = rng.binomial(12, rate * (1 - share))
                rows.append((name, place, method, 12, 12 - faults))
    return pd.DataFrame(rows, columns=COLUMNS)


def _judged(rule_book: RuleBook, counts: pd.DataFrame) -> pd.DataFrame:
    return judge_leniency(rule_book, counts).set_index("inspector")


def _prior_mean(rule_book: RuleBook) -> float:
    """A share of readers is lenient, by anything from a tenth to nine tenths alike."""
    return float(rule_book.evidence.lenient_share) * 0.5


@pytest.mark.parametrize("seed", range(4))
def test_a_lenient_reader_among_strict_ones_is_found_and_they_are_not(rule_book, seed):
    counts = _rounds({"Ada": 0.6, "Bo": 0.0, "Cy": 0.0, "Di": 0.0}, 60, seed)
    found = _judged(rule_book, counts)
    assert found.leniency["Ada"] == pytest.approx(0.6, abs=0.15)
    assert found.leniency_high["Ada"] >= 0.5
    for strict in ("Bo", "Cy", "Di"):
        assert found.leniency[strict] < _prior_mean(rule_book)
        assert found.leniency_high[strict] <= 0.1
    assert list(found.columns) == [
        "looks",
        "compared",
        "passes",
        "leniency",
        "leniency_high",
        "reader",
    ]
    assert found.looks["Ada"] == found.compared["Ada"] == 60 * 2 * 12
    passes = counts[counts.inspector == "Ada"].passes.sum()
    assert found.passes["Ada"] == passes
    assert found.reader["Ada"] == reader_label(found.leniency["Ada"])


def test_where_nobody_else_looked_nothing_is_judged(rule_book):
    """The very same looks, each reader in buildings of their own, or by methods of their own."""
    leniency = {"Ada": 0.9, "Bo": 0.0}
    apart = _rounds(leniency, 60, apart=True)
    other_method = _rounds(leniency, 60)
    other_method = other_method[
        (other_method.inspector == "Ada") == (other_method.method == METHODS[0])
    ]
    for counts in (apart, other_method):
        found = _judged(rule_book, counts)
        assert (found.compared == 0).all()
        np.testing.assert_allclose(found.leniency, _prior_mean(rule_book), rtol=1e-12)
        assert found.reader.nunique() == 1


def test_few_shared_looks_do_not_condemn(rule_book):
    counts = pd.DataFrame(
        [("Ada", 0, METHODS[0], 5, 5), ("Bo", 0, METHODS[0], 5, 3)], columns=COLUMNS
    )
    found = _judged(rule_book, counts)
    assert found.leniency["Ada"] < 2 * _prior_mean(rule_book)


def test_one_sound_building_is_not_leniency(rule_book):
    """Sixty passes in one building weigh as the few looks that openings so alike are."""
    counts = pd.DataFrame(
        [("Ada", 0, METHODS[0], 60, 60), ("Bo", 0, METHODS[0], 10, 8)], columns=COLUMNS
    )
    assert _judged(rule_book, counts).leniency["Ada"] < 2 * _prior_mean(rule_book)


def test_more_to_compare_makes_surer(rule_book):
    by_size = [
        _judged(rule_book, _rounds({"Ada": 0.5, "Bo": 0.0, "Cy": 0.0}, size, 5)).leniency["Ada"]
        for size in (2, 10, 80)
    ]
    assert by_size[0] < by_size[1] < by_size[2]


def test_nobody_looked(rule_book):
    found = judge_leniency(rule_book, pd.DataFrame(columns=COLUMNS))
    assert found.empty and "leniency" in found.columns


@pytest.mark.parametrize("share", [0.0, 0.013, 0.05, 0.5, 0.9])
def test_labels_keep_the_leniency_to_a_hundredth(share):
    assert leniency_of(reader_label(share)) == pytest.approx(share, abs=0.0101)
    assert leniency_of(STRICT) == 0.0


@pytest.mark.parametrize("method", ["three_lamp_tester", "cover_off_inspection", "visual"])
def test_only_passes_are_discounted(rule_book, method):
    likelihoods = Likelihoods(rule_book)
    grounded = CONDITIONS.index(Condition.GROUNDED)
    for result in ("open_ground", "hot_neutral_reversed", "reversed_false_ground", "false_ground",
                   "not_accessible"):  # fmt: skip
        strict = likelihoods.weights(f"{method}|{result}|{STRICT}")
        for reader in ("passes_10", "passes_90"):
            np.testing.assert_array_equal(
                likelihoods.weights(f"{method}|{result}|{reader}"), strict
            )
    strict = likelihoods.weights(f"{method}|correct|{STRICT}")
    before = strict
    for reader in ("passes_10", "passes_50", "passes_90"):
        lenient = likelihoods.weights(f"{method}|correct|{reader}")
        # Nearer to saying nothing than grounded has it; grounded itself stays as likely.
        assert (np.abs(lenient - lenient[grounded]) <= np.abs(before - before[grounded])).all()
        assert lenient[grounded] == pytest.approx(strict[grounded])
        before = lenient
    # What nine passes in ten hide cannot be ruled out by one.
    assert before.min() > 0.85


def test_a_recorded_reader_keeps_what_was_learned_and_a_new_one_counts_as_never_compared(rule_book):
    counts = _rounds({"Ada": 0.6, "Bo": 0.0, "Nova": 0.3}, 20)
    judged = judge_leniency(rule_book, counts)
    found = as_recorded(rule_book, counts, {"Ada": (0.11, 0.2), "Bo": (0.4, 0.6), "Gone": (0.5, 1)})
    found = found.set_index("inspector")
    assert found.loc[["Ada", "Bo"], "leniency"].tolist() == [0.11, 0.4]
    assert found.loc[["Ada", "Bo"], "leniency_high"].tolist() == [0.2, 0.6]
    assert found.reader["Ada"] == reader_label(0.11)
    alone = _judged(rule_book, _rounds({"Nova": 0.3}, 20))
    assert found.leniency["Nova"] == pytest.approx(alone.leniency["Nova"], abs=1e-12)
    assert found.leniency_high["Nova"] == alone.leniency_high["Nova"]
    assert found.reader["Nova"] == alone.reader["Nova"]
    counted = ["looks", "compared", "passes"]
    assert found[counted].to_numpy().tolist() == judged[counted].to_numpy().tolist()
