"""Whether what was learned still fits: the likelihood of buildings that it was not learned from.

A fixed sample, chosen by the buildings' own seeds. In a portfolio of more buildings than are
learned from, these are left out of the learning; in a smaller one all are learned from, and the
sample tells only of change. The likelihood is taken per recorded opening, so that more looks of the
same kind do not move it; that a portfolio has grown much is judged by its size (see
``[learning] relearn_growth``).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import special

from pipeline.evidence.kernel import log_prior
from pipeline.evidence.learned_record import HeldOut
from pipeline.evidence.learning import take, telling
from pipeline.evidence.posterior import Model, Portfolio, Weigher
from pipeline.evidence.priors import reference_prior
from pipeline.evidence.states import Array
from shared.rule_book import RuleBook

Ints = npt.NDArray[np.int64]


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
    part = Weigher(portfolio, model).weigh(np.arange(size), draws=0, keep_points=True)
    prior = reference_prior(model.priors)
    with np.errstate(divide="ignore"):
        log_group = np.log(portfolio.group_weights)
    for b in range(size):
        own = np.empty(part.points.shape[2])
        log_prior(
            np.ascontiguousarray(part.points[b]), portfolio.shift[b], log_group[b], prior, own
        )
        result[b] = special.logsumexp(part.log_rest[b] + own) - np.log(len(own))
    return result


def held_out_now(
    rule_book: RuleBook,
    portfolio: Portfolio,
    model: Model,
    contents: npt.NDArray[np.object_],
    known: list[HeldOut],
) -> list[HeldOut]:
    """The sample as it is now; buildings whose evidence has not changed are not weighed again.

    Args:
        rule_book: the rule book.
        portfolio: the portfolio, with crew shifts.
        model: the model.
        contents: hash of each building's evidence, shape (B,).
        known: the sample as it was under the same record.
    """
    chosen = sample(rule_book, portfolio)
    before = {each.content: each.log_likelihood for each in known}
    names = [str(name) for name in contents[chosen]]
    fresh = np.array([name not in before for name in names], dtype=np.bool_)
    found = np.zeros(len(chosen))
    found[fresh] = log_likelihoods(take(portfolio, chosen[fresh]), model)
    openings = portfolio.picked[chosen].sum(axis=1)
    return [
        HeldOut(
            content=name,
            openings=int(openings[place]),
            log_likelihood=before.get(name, float(found[place])),
        )
        for place, name in enumerate(names)
    ]
