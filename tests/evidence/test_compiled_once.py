"""The sums are compiled for one kind of arrays, whatever kind they come in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.evidence import kernel
from pipeline.evidence.classes import Stakes, weigh_classes
from pipeline.evidence.posterior import Model, Weigher
from pipeline.evidence.priors import default_priors
from pipeline.evidence.states import rule_book_shares
from shared.rule_book import RuleBook
from tests.evidence.simulation import simulate


def test_arrays_of_other_kinds_compile_nothing_anew(rule_book: RuleBook, at_stake: Stakes):
    priors, taught = default_priors(rule_book), rule_book_shares(rule_book)
    portfolio = simulate(rule_book, at_stake, priors, taught, 6, 3).portfolio
    weighed = weigh_classes(rule_book, portfolio.classes, at_stake, taught)
    model = Model(priors, taught, weighed, 20, 0.9, 5)
    every = np.arange(6)
    plain = Weigher(portfolio, model).weigh(every, draws=20)
    before = len(kernel.weigh_block.signatures)
    poor = portfolio.poor.copy()
    poor.setflags(write=False)
    odd = replace(
        portfolio,
        poor=poor,
        shift=np.asfortranarray(portfolio.shift),
        seed=np.repeat(portfolio.seed, 2)[::2],
    )
    found = Weigher(odd, model).weigh(every, draws=20)
    assert len(kernel.weigh_block.signatures) == before
    np.testing.assert_array_equal(found.found.joint, plain.found.joint)
