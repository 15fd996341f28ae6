"""Whether what was learned still fits: how likely it makes buildings it was not learned from.

A fixed sample, chosen by the buildings' own seeds. In a portfolio of more buildings than are
learned from, these are left out of the learning; in a smaller one all are learned from, and the
sample tells only of change.

What is held against the record is each building's *gain*: the log likelihood of its evidence under
the record less that under the rule book's own priors. The plain log likelihood would not do: it
falls with every further look, whatever that finds, and so tells how much was looked at. The gain
does not grow so: with more looks it comes to rest at how much likelier the record holds a building
such as this one than the rule book does.
"""

from __future__ import annotations

import dataclasses
from dataclasses import replace

import numpy as np
import numpy.typing as npt
from scipy import special

from pipeline.evidence.classes import Classes, Stakes, weigh_classes
from pipeline.evidence.kernel import log_prior
from pipeline.evidence.learned_record import HeldOut
from pipeline.evidence.learning import take, telling
from pipeline.evidence.posterior import POINTS, Model, Portfolio, Weigher
from pipeline.evidence.priors import default_priors
from pipeline.evidence.states import Array, rule_book_shares
from shared.rule_book import RuleBook

Ints = npt.NDArray[np.int64]

MORE_POINTS = 2
"""How many times the usual number: these sums decide whether everything is learned anew."""


def sample(rule_book: RuleBook, portfolio: Portfolio) -> Ints:
    """Numbers of the held-out buildings, in order."""
    told = np.flatnonzero(telling(portfolio))
    most = int(float(rule_book.learning.held_out_buildings))
    first = np.argsort(portfolio.seed[told], kind="stable")[:most]
    return np.sort(told[first])


def log_likelihoods(portfolio: Portfolio, model: Model) -> Array:
    """Log marginal likelihood of each building's evidence, shape (B,).

    The mean over its points of prior times likelihood over the density they were placed by.
    """
    size = len(portfolio)
    result = np.empty(size)
    if not size:
        return result
    weigher = Weigher(portfolio, model, MORE_POINTS)
    part = weigher.weigh(np.arange(size), draws=0, keep_points=True)
    prior = model.priors.for_kernel()
    for b in range(size):
        own = np.empty((1, part.points.shape[2]))
        groups = portfolio.group_weights[b : b + 1]
        log_prior(np.ascontiguousarray(part.points[b]), portfolio.shift[b], groups, prior, own)
        result[b] = special.logsumexp(part.log_rest[b] + own[0]) - np.log(POINTS * MORE_POINTS)
    return result


def _with_its_classes(portfolio: Portfolio) -> Portfolio:
    """The same with no other evidence classes than its own: fewer to weigh."""
    used = np.union1d(portfolio.tree.row_class, [portfolio.classes.flat])
    classes = Classes(
        **{
            field.name: getattr(portfolio.classes, field.name)[used]
            for field in dataclasses.fields(Classes)
        }
    )
    row_class = np.searchsorted(used, portfolio.tree.row_class)
    return replace(portfolio, tree=portfolio.tree._replace(row_class=row_class), classes=classes)


def held_out_now(
    rule_book: RuleBook,
    at_stake: Stakes,
    portfolio: Portfolio,
    crew_shift: Array,
    model: Model,
    contents: npt.NDArray[np.object_],
    known: list[HeldOut],
) -> list[HeldOut]:
    """The sample as it is now; buildings whose evidence has not changed are not weighed again.

    Args:
        rule_book: the rule book.
        at_stake: what outcomes mean.
        portfolio: the portfolio, with crew shifts.
        crew_shift: these shifts of log odds, which the rule book by itself knows nothing of, as
            the portfolio's shifts have them, shape (B, 5).
        model: the model under the record.
        contents: hash of each building's evidence, shape (B,).
        known: the sample as it was under the same record.
    """
    chosen = sample(rule_book, portfolio)
    before = {each.content: each.gain for each in known}
    names = [str(name) for name in contents[chosen]]
    fresh = chosen[np.array([name not in before for name in names], dtype=np.bool_)]
    some = take(portfolio, fresh)
    plain = _with_its_classes(replace(some, shift=some.shift - crew_shift[fresh]))
    shares = rule_book_shares(rule_book)
    default = Model(
        default_priors(rule_book),
        shares,
        weigh_classes(rule_book, plain.classes, at_stake, shares),
        0,
        model.interval,
        model.seed,
    )
    gain = log_likelihoods(some, model) - log_likelihoods(plain, default)
    found = dict(zip(contents[fresh].tolist(), gain.tolist(), strict=True))
    return [
        HeldOut(content=name, gain=before[name] if name in before else found[name])
        for name in names
    ]
