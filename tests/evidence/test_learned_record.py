"""The record of what was learned: reads back to the last bit, and is refused when damaged."""

from __future__ import annotations

import json
from dataclasses import fields

import numpy as np
import pandas as pd
import pytest

from pipeline.evidence import learned_record
from pipeline.evidence.assemble import crew_index
from pipeline.evidence.learned_record import LearnedRecord
from pipeline.evidence.learning import Learned
from pipeline.evidence.priors import Priors, default_priors
from pipeline.evidence.states import STATE_COUNT, Taught
from shared.faults import CoverplateError
from shared.rule_book import RuleBook

BUILDINGS = pd.DataFrame({"owner": ["Birch", None, "Aspen"], "manager": [None, None, None]})
FACTORS = ("owner", "manager")


@pytest.fixture
def learned(rule_book: RuleBook) -> Learned:
    rng = np.random.default_rng(3)
    default = default_priors(rule_book)
    shape = (len(default.a), 4, 5)
    return Learned(
        priors=Priors(rng.gamma(2.0, size=shape), rng.gamma(2.0, size=shape), default.shares),
        centre=default,
        taught=Taught(*rng.uniform(0.1, 0.9, 7).tolist(), rng.uniform(0, 1, (STATE_COUNT, 2))),
        buildings=17,
        crew={"owner": np.array([0.1 + 0.2, -1 / 3]), "manager": np.zeros(0)},
        crew_support={"owner": 0.4, "manager": 0.0},
        share_draws=tuple(
            Taught(*rng.uniform(0.1, 0.9, 7).tolist(), rng.uniform(0, 1, (STATE_COUNT, 2)))
            for _ in range(3)
        ),
    )


@pytest.fixture
def record(rule_book: RuleBook, learned: Learned) -> LearnedRecord:
    names = learned_record.crew_names(BUILDINGS, FACTORS)
    assert {factor: len(each) for factor, each in names.items()} == {
        factor: index.max() + 1 for factor, index in crew_index(BUILDINGS).items()
    }
    return LearnedRecord(
        model_version="1",
        rule_book_hash=rule_book.hash,
        portfolio=learned_record.Portfolio(files=2, looks=90, buildings=20, learned_from=17),
        rates=learned_record.rates_of(learned),
        shares=learned_record.shares_of(learned.taught),
        share_draws=[learned_record.shares_of(each) for each in learned.share_draws],
        crews=learned_record.crews_of(learned, names),
        readers={"Ada": learned_record.Reader(leniency=0.1, leniency_high=0.3)},
        era_shares=[1 / 3] * (len(learned.centre.a) - 1),
        typical=learned_record.TypicalBuilding(
            value_of_dwelling=None, dwellings_of_storey=2.5, dwellings=4.0
        ),
        held_out=[learned_record.HeldOut(content="x", gain=0.1)],
        more_points_from=1 / 7,
        most_points_from=0.3,
    )


def test_a_record_reads_back_to_the_last_bit_and_names_keep_their_effects(
    tmp_path, rule_book, record, learned
):
    name = learned_record.save(tmp_path / "learned", record)
    found = learned_record.load_current(tmp_path / "learned", rule_book)
    assert found == record and found.hash == name == learned_record.current_hash(
        tmp_path / "learned"
    )
    again = found.learned(learned_record.crew_names(BUILDINGS, FACTORS))
    for part in ("priors", "centre"):
        for values in ("a", "b", "shares"):
            np.testing.assert_array_equal(
                getattr(getattr(again, part), values), getattr(getattr(learned, part), values)
            )
    pairs = zip(
        (again.taught, *again.share_draws), (learned.taught, *learned.share_draws), strict=True
    )
    for found_shares, shares in pairs:
        for field in fields(Taught):
            np.testing.assert_array_equal(
                getattr(found_shares, field.name), getattr(shares, field.name)
            )
    assert (again.buildings, again.crew_support) == (17, learned.crew_support)
    # By name: a newcomer before the others moves nobody's effect and has none.
    more = pd.concat([BUILDINGS, pd.DataFrame({"owner": ["Alder"], "manager": ["Mo"]})])
    moved = found.learned(learned_record.crew_names(more, FACTORS)).crew
    assert moved["owner"].tolist() == [0.0, *learned.crew["owner"].tolist()]
    assert moved["manager"].tolist() == [0.0]


def test_a_damaged_record_is_refused_in_words(tmp_path, rule_book, record):
    assert learned_record.load_current(tmp_path, rule_book) is None
    path = tmp_path / f"{learned_record.save(tmp_path, record)}.json"
    whole = json.loads(path.read_text(encoding="utf-8"))
    for damage in (
        {**whole, "more_points_from": 0.2},
        {**whole, "era_shares": []},
        {**whole, "format": 99},
        {**whole, "unknown": 1},
        [],
    ):
        path.write_text(json.dumps(damage), encoding="utf-8")
        with pytest.raises(CoverplateError, match="cannot be used") as refused:
            learned_record.load_current(tmp_path, rule_book)
        assert "learned again" in refused.value.to_do
    path.unlink()
    with pytest.raises(CoverplateError, match="cannot be used"):
        learned_record.load_current(tmp_path, rule_book)
