"""Empirical Bayes: the portfolio corrects the rule book's defaults.

The defaults count as some buildings' worth of experience in each group; the portfolio's own
buildings count by the likelihood of their looks. Three things are learned in turns: the rates of
each group (the beta parameters that maximise the two together), what holds for the portfolio as a
whole (how far circuits follow their dwelling, how many false grounds are live, …: expected numbers
plus the rule book's), and whether owner or manager explains an excess of false grounds. How sure
the rates are is carried on as parameters spread over what is likely, so that a building nobody
visited is as uncertain as what it is compared with.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt
from scipy import optimize, special, stats

from pipeline.evidence.classes import SELECTIONS, Classes, Stakes, weigh_classes
from pipeline.evidence.fitting import marginal, shifted_marginals
from pipeline.evidence.kernel import Tree
from pipeline.evidence.posterior import Model, Part, Portfolio, Weigher, on_threads
from pipeline.evidence.priors import Priors, default_priors
from pipeline.evidence.states import (
    AS_WIRED,
    CAREFUL,
    GROUNDED,
    JUMPERED,
    OPEN_GROUND,
    POOR,
    RATES,
    STATE_COUNT,
    Array,
    Taught,
    rule_book_shares,
)
from pipeline.evidence.tree import children
from shared.rule_book import RatePrior, RuleBook
from shared.vocabulary import CONDITIONS, Condition, Selection

Ints = npt.NDArray[np.int64]

_FALSE_GROUND = RATES.index("false_ground")
_CREW_GRID = np.linspace(-3.0, 4.0, 15)
_SPREADS = 8
RATE_DRAWS = 64
"""Beta parameters of a rate that stand for what is unsure of them: with as many again, no figure of
the demo's buildings moved by more than 3 % of itself, half of them by less than a thousandth."""
_LEAST, _MOST = np.log(0.05), np.log(1e3)
"""Bounds of beta parameters, in logarithms: below 0.05 nearly all weight would lie on 0 or 1."""


@dataclass(frozen=True)
class Learned:
    """What the portfolio taught.

    Attributes:
        priors: the corrected priors of the rates, as unsure as they are.
        centre: the same at their best values, one draw.
        taught: what holds for the portfolio as a whole.
        buildings: buildings with looks that it was learned from.
        crew: log-odds effect of each owner and manager on false grounds, by factor and name index.
        crew_support: posterior probability that the factor explains anything, by factor.
        share_draws: ``taught`` again and again, as unsure as it is: the shares that decide what an
            opening is once its building's rates are given (careful, live, gfci).
    """

    priors: Priors
    centre: Priors
    taught: Taught
    buildings: int
    crew: dict[str, Array]
    crew_support: dict[str, float]
    share_draws: tuple[Taught, ...] = ()


def take(portfolio: Portfolio, buildings: Ints) -> Portfolio:
    """The portfolio of some of its buildings, in the order given."""
    tree = portfolio.tree
    dwelling_start, dwellings = children(tree.dwelling_start, buildings)
    circuit_start, circuits = children(tree.circuit_start, dwellings)
    row_start, rows = children(tree.row_start, circuits)
    return Portfolio(
        tree=Tree(
            dwelling_start,
            tree.dwelling_times[dwellings],
            circuit_start,
            tree.circuit_times[circuits],
            row_start,
            tree.row_class[rows],
            tree.row_count[rows],
            tree.circuit_flat[circuits],
            tree.dwelling_flat[dwellings],
        ),
        group_weights=portfolio.group_weights[buildings],
        shift=portfolio.shift[buildings],
        poor=portfolio.poor[buildings],
        picked=portfolio.picked[buildings],
        seed=portfolio.seed[buildings],
        classes=portfolio.classes,
    )


def telling(portfolio: Portfolio) -> npt.NDArray[np.bool_]:
    """Whether there is any evidence on a building's openings, shape (B,)."""
    counted = np.concatenate([[0], np.cumsum(~portfolio.tree.dwelling_flat)])
    start = portfolio.tree.dwelling_start
    result: npt.NDArray[np.bool_] = counted[start[1:]] > counted[start[:-1]]
    return result


def learn(
    rule_book: RuleBook,
    portfolio: Portfolio,
    at_stake: Stakes,
    crews: dict[str, Ints],
    seed: int,
    progress: Callable[[float], None] | None = None,
    leave_out: Ints | None = None,
) -> Learned:
    """Learn from a portfolio.

    Args:
        rule_book: the rule book; its [learning] section weighs defaults against the portfolio.
        portfolio: the portfolio, without crew shifts.
        at_stake: what outcomes mean (looks are picked by danger).
        crews: for each factor ("owner", "manager") the index of the building's crew, -1 where
            none is known, shape (B,).
        seed: of the choice of buildings and of the draws.
        progress: called with the fraction done.
        leave_out: buildings to learn nothing from, where there are enough others.
    """
    settings = rule_book.learning
    default, taught = default_priors(rule_book), rule_book_shares(rule_book)
    crew = {name: np.zeros(int(index.max(initial=-1)) + 1) for name, index in crews.items()}
    support = dict.fromkeys(crews, 0.0)
    chosen = np.flatnonzero(telling(portfolio))
    draws = int(float(settings.prior_draws))
    if not len(chosen):
        unsure = draw_shares(taught, _by_the_rule_book(rule_book), draws, seed)
        return Learned(default, default, taught, 0, crew, support, unsure)
    most = int(float(settings.buildings_max))
    if leave_out is not None and len(chosen) >= most + len(leave_out):
        chosen = np.setdiff1d(chosen, leave_out)
    if len(chosen) > most:
        chosen = np.sort(np.random.default_rng(seed).choice(chosen, size=most, replace=False))
    sample = take(portfolio, chosen)
    priors, shift = default, np.zeros(len(chosen))
    points = _points(len(chosen), most, int(float(settings.passes)))
    settling = len(points) - int(float(settings.passes)) // 2
    strides: Array | None = None
    missing = np.full(len(_SLOW), _MOST_MISSING)
    known = _by_the_rule_book(rule_book)
    fit: _EraFit | None = None
    place: Array | None = None
    later: list[tuple[Array, Taught]] = []
    for step, times in enumerate(points):
        model = Model(
            priors,
            taught,
            weigh_classes(rule_book, portfolio.classes, at_stake, taught),
            0,
            0.9,
            seed + max(0, step - settling),
        )
        moved = replace(sample, shift=_shifted(sample.shift, shift))
        weigher = Weigher(moved, model, times)
        part = weigher.weigh(np.arange(len(chosen)), draws=0, keep_points=True)
        last, (taught, known) = taught, _shares(rule_book, taught, moved, part)
        if step < settling:
            taught, strides, missing = _further(last, taught, strides, missing)
        fit = _EraFit(rule_book, default, moved, part)
        place = fit.best(
            fit.start() if place is None else place, _steps(len(chosen), step, step >= settling)
        )
        priors = fit.priors(place)
        if step >= settling:
            later.append((place, taught))
        if step >= 2:
            total = np.zeros(len(chosen))
            for factor, index in crews.items():
                here = index[chosen]
                effect, support[factor] = _fit_crews(rule_book, priors, sample, part, total, here)
                crew[factor][: len(effect)] = effect
                total = total + _of_crews(effect, here)
            shift = total
        if progress is not None:
            progress((step + 1) / len(points))
    assert fit is not None and place is not None
    # Points of its own leave each pass a little off: the mean of the last is less so.
    place = np.mean([each for each, _ in later], axis=0)
    priors, taught = fit.priors(place), _mean_shares([each for _, each in later])
    # Hands are never seen themselves: what is missing of them is no knowledge.
    told = 1 - missing[_SLOW.index("careful")]
    least = _by_the_rule_book(rule_book).careful
    unsure = draw_shares(
        taught, replace(known, careful=max(least, told * known.careful)), draws, seed
    )
    return Learned(fit.unsure(place), priors, taught, len(chosen), crew, support, unsure)


_FEW = 200
"""Buildings up to which each pass is worked out to its end, after twice as many passes: that costs
little there, and what is left half way depends on chance and on the last bits of the sums."""


def _points(buildings: int, most: int, passes: int) -> list[int]:
    """How many times the usual number of points each building has, pass by pass.

    Few buildings have more points each, most of them in the passes that count: chance in them is
    what learning would exploit. The passes before only find the place.
    """
    times = 1
    while times < 32 and 2 * times * buildings <= most:
        times *= 2
    before = passes - passes // 2 + (passes if buildings <= _FEW else 0)
    return [min(times, 4)] * before + [times] * (passes // 2)


def _steps(buildings: int, step: int, settled: bool) -> int:
    """Steps of the search for the best rates in a pass, which goes on from the pass before."""
    if buildings <= _FEW and settled:
        return 300
    return 60 if step < 2 else 25


def _mean_shares(shares: Sequence[Taught]) -> Taught:
    """The mean of each share over passes."""
    return Taught(
        **{
            field.name: np.mean([getattr(each, field.name) for each in shares], axis=0)
            for field in fields(Taught)
        }
    )


def crew_shift(learned: Learned, crews: dict[str, Ints], size: int) -> Array:
    """Shift of the false-ground log odds of every building, shape (B,)."""
    total = np.zeros(size)
    for factor, index in crews.items():
        total += _of_crews(learned.crew[factor], index)
    return total


def _shifted(shift: Array, crew: Array) -> Array:
    result = shift.copy()
    result[:, _FALSE_GROUND] += crew
    return result


def _of_crews(effect: Array, index: Ints) -> Array:
    """Effect of each building's crew, 0 where none is known; shape of ``index``."""
    result = np.zeros(len(index))
    known = index >= 0
    result[known] = effect[index[known]]
    return result


def _mean(prior: RatePrior, hits: float, tries: float) -> float:
    a, b = prior.beta
    return float(np.clip((a + hits) / (a + b + tries), 1e-4, 1 - 1e-4))


@dataclass(frozen=True)
class Strength:
    """How much stands behind a share, in cases: as many seen for certain would be as good.

    Attributes:
        careful, live: of these shares.
        gfci: of each state and location, shape (S, 2).
    """

    careful: float
    live: float
    gfci: Array


_TOGETHER = (
    (GROUNDED, POOR),
    (AS_WIRED,),
    (OPEN_GROUND, *range(JUMPERED, STATE_COUNT)),
    (CAREFUL,),
)
"""States that share their protection."""


def _by_the_rule_book(rule_book: RuleBook) -> Strength:
    hierarchy = rule_book.hierarchy
    gfci = np.full((STATE_COUNT, 2), float(rule_book.counting.gfci_default_openings))
    gfci[CAREFUL] = sum(hierarchy.careful_protected.beta)
    return Strength(sum(hierarchy.careful.beta), sum(hierarchy.live_false_ground.beta), gfci)


def draw_shares(taught: Taught, known: Strength, count: int, seed: int) -> tuple[Taught, ...]:
    """Draws of the shares: beta distributions about what was learned, as firm as ``known``.

    States that share their protection share its draws.
    """
    rng = np.random.default_rng([seed, 2])
    drawn = []
    for _ in range(count):

        def one(share: float, strength: float) -> float:
            found = rng.beta(share * strength, (1 - share) * strength)
            return float(np.clip(found, 1e-4, 1 - 1e-4))

        gfci = taught.gfci.copy()
        for states in _TOGETHER:
            for place in range(2):
                share = float(taught.gfci[states[0], place])
                gfci[list(states), place] = one(share, float(known.gfci[states[0], place]))
        drawn.append(
            replace(
                taught,
                careful=one(taught.careful, known.careful),
                live=one(taught.live, known.live),
                gfci=gfci,
            )
        )
    return tuple(drawn)


def _certain(number: Array, without: Array, with_it: Array, share: float) -> float:
    """How many cases seen for certain tell as much of a share as these do.

    By the observed information: with the label of every case known it would be the number itself.

    Args:
        number: cases, shape (N,).
        without, with_it: likelihood of what was seen of each, without and with the label.
        share: where to take it.
    """
    either = np.maximum((1 - share) * without + share * with_it, 1e-300)
    slope = (with_it - without) / either
    return float(share * (1 - share) * (number @ slope**2))


def _shares(
    rule_book: RuleBook, taught: Taught, portfolio: Portfolio, part: Part
) -> tuple[Taught, Strength]:
    """Expected numbers plus the rule book's: the portfolio's shares after one more pass.

    What stands behind ``careful`` is as if every hand were seen.
    """
    prior = rule_book.hierarchy
    seen = part.found.taught.sum(axis=0)
    hands, rest = seen[6 : 6 + STATE_COUNT], seen[6 + STATE_COUNT :]
    jumpered, origin = rest[:2], rest[2:]
    by_class = _state_numbers(portfolio, part)
    live, live_known = _live(prior.live_false_ground, portfolio.classes, by_class, taught.live)
    gfci, gfci_known = _protected(rule_book, portfolio.classes, by_class, taught)
    told = hands[CAREFUL] + hands[OPEN_GROUND]
    known = Strength(sum(prior.careful.beta) + float(told), live_known, gfci_known)
    return Taught(
        circuit_follows=_mean(prior.circuit_follows, seen[0], seen[1]),
        origin_follows=_mean(prior.origin_follows, origin[0], origin[1]),
        opening_follows=_mean(prior.opening_follows, seen[2], seen[3]),
        opening_own=_mean(prior.opening_own, seen[4], seen[5]),
        careful=_mean(prior.careful, hands[CAREFUL], told),
        head=_mean(prior.head_jumpered, jumpered[1], jumpered.sum()),
        live=live,
        gfci=gfci,
    ), known


_SLOW = tuple(field.name for field in fields(Taught) if field.name != "gfci")
"""Shares that take a leap every other pass: single numbers, all of them."""


_MOST_MISSING = 0.85
"""More is not read out of two strides."""


def _further(
    last: Taught, new: Taught, strides: Array | None, missing: Array
) -> tuple[Taught, Array | None, Array]:
    """Go on in the direction in which expected numbers moved the shares, as far as they point.

    Expected numbers approach what is most likely by ever smaller strides, where little is known of
    a share very small ones; the quotient of two strides says how far it still is (Aitken 1926, from
    memory). Every other pass takes the leap.

    Args:
        last, new: the shares before and after a pass.
        strides: what the pass before moved them by (log odds); None right after a leap.
        missing: what was found of the last below so far.

    Returns:
        The shares to go on with, the strides for the next pass, and the share of the information
        on each that is missing because labels are not seen, which is that quotient (Dempster, Laird
        and Rubin 1977, from memory).
    """
    before, after = (
        special.logit([getattr(taught, name) for name in _SLOW]) for taught in (last, new)
    )
    stride = after - before
    if strides is None:
        return new, stride, missing
    with np.errstate(divide="ignore", invalid="ignore"):
        quotient = np.where(np.abs(strides) > 1e-9, stride / strides, 0.0).clip(0.0, _MOST_MISSING)
    missing = np.where(np.abs(strides) > 1e-9, quotient, missing)
    leapt = special.expit(after + stride * quotient / (1 - quotient)).clip(1e-4, 1 - 1e-4)
    return replace(new, **dict(zip(_SLOW, leapt.tolist(), strict=True))), None, missing


def _state_numbers(portfolio: Portfolio, part: Part) -> Array:
    """Expected openings of each class in each state, shape (N, S)."""
    tree = portfolio.tree
    times = np.repeat(tree.circuit_times, np.diff(tree.row_start)) * tree.row_count
    rows_of_dwelling = np.diff(tree.row_start[tree.circuit_start])
    times = times * np.repeat(tree.dwelling_times, rows_of_dwelling)
    joint = part.found.joint.sum(axis=2)
    joint = joint / joint.sum(axis=1, keepdims=True) * times[:, None]
    result = np.zeros((len(portfolio.classes), STATE_COUNT))
    np.add.at(result, tree.row_class, joint)
    result[portfolio.classes.flat] = 0.0
    return result


def _live(prior: RatePrior, classes: Classes, by_class: Array, start: float) -> tuple[float, float]:
    """Share of false grounds that are live, given how many are jumpered, and its strength."""
    a, b = prior.beta
    number = by_class[:, JUMPERED]
    plain = classes.condition_weights[:, CONDITIONS.index(Condition.FALSE_GROUND)]
    live = classes.condition_weights[:, CONDITIONS.index(Condition.REVERSED_FALSE_GROUND)]
    # Somebody complained because of the shock: such looks say nothing of how many are live.
    asked = classes.selection != SELECTIONS.index(Selection.COMPLAINT)
    wanted = asked & (number > 1e-6) & (np.abs(plain - live) > 1e-9)
    number, plain, live = number[wanted], plain[wanted], live[wanted]
    share = start
    for _ in range(200):
        odds = share * live / np.maximum((1 - share) * plain + share * live, 1e-300)
        # Looks that cannot tell the two apart were left out: they say nothing of the share.
        new = (a + number @ odds) / (a + b + number.sum())
        if abs(new - share) < 1e-7:
            break
        share = float(new)
    share = float(np.clip(share, 1e-4, 1 - 1e-4))
    return share, a + b + _certain(number, plain, live, share)


def _protected(
    rule_book: RuleBook, classes: Classes, by_class: Array, taught: Taught
) -> tuple[Array, Array]:
    """GFCI-protected share by state and location of openings where it was said; its strength.

    Both of shape (S, 2).
    """
    counting, hierarchy = rule_book.counting, rule_book.hierarchy
    weight = float(counting.gfci_default_openings)
    said = np.ptp(classes.gfci_weights, axis=1) > 1e-9
    result, known = taught.gfci.copy(), np.empty_like(taught.gfci)
    defaults = (float(counting.gfci_share_dry), float(counting.gfci_share_wet))
    for place in range(2):
        here = classes.wet if place else 1 - classes.wet
        for states in map(list, _TOGETHER):
            prior = (
                (hierarchy.careful_protected.beta[0], sum(hierarchy.careful_protected.beta))
                if states == [CAREFUL]
                else (weight * defaults[place], weight)
            )
            number = (by_class[:, states].sum(axis=1) * here)[said]
            share = taught.gfci[states[0], place]
            weights = classes.gfci_weights[said]
            odds = share * weights[:, 1] / ((1 - share) * weights[:, 0] + share * weights[:, 1])
            found = (prior[0] + number @ odds) / (prior[1] + number.sum())
            result[states, place] = found
            known[states, place] = prior[1] + _certain(number, weights[:, 0], weights[:, 1], found)
    return result.clip(1e-4, 1 - 1e-4), known


class _EraFit:
    """Beta parameters of the groups that explain points of many buildings, steadied by defaults.

    The portfolio as a whole may differ from the rule book (all eras more often jumpered, say): each
    rate's defaults are moved by an amount of their own, on the log-odds scale, and made more or
    less alike; groups then differ from the defaults so moved. The weight of a default is that many
    buildings' worth of divergence from it (Kullback-Leibler).
    """

    def __init__(
        self, rule_book: RuleBook, default: Priors, portfolio: Portfolio, part: Part
    ) -> None:
        learning = rule_book.learning
        self._weight = float(learning.default_buildings)
        self._spread = float(learning.portfolio_spread)
        self._strength_spread = float(learning.portfolio_strength_spread)
        a, b = default.a[:, 0], default.b[:, 0]
        self._groups, self._rates = a.shape
        self._default_odds, self._default_strength = np.log(a / b), a + b
        self._shares = default.shares
        value = part.points - portfolio.shift[:, :, None]
        rest = np.log1p(np.exp(-np.abs(value)))
        self._low, self._high = np.minimum(value, 0) - rest, np.minimum(-value, 0) - rest
        self._log_rest = part.log_rest
        with np.errstate(divide="ignore"):
            self._log_group = np.log(portfolio.group_weights)

    @property
    def _size(self) -> int:
        return int(self._groups * self._rates)

    def _data(self, logs: Array) -> tuple[float, Array, Array]:
        """Log marginal likelihood and, by building, its gradient by ln a and ln b, (n, G, 5)."""
        a, b = np.exp(logs.reshape(2, self._groups, self._rates))
        constant = -special.betaln(a, b).sum(axis=1)
        score = np.empty((len(self._low), self._groups, 11))
        value = np.zeros(len(score))

        def some(part: slice) -> None:
            marginal(
                a,
                b,
                constant,
                self._log_group[part],
                self._low[part],
                self._high[part],
                self._log_rest[part],
                score[part],
                value[part],
            )

        on_threads(some, len(score))
        both, held = special.digamma(a + b), score[:, :, :1]
        by_a: Array = a * (score[:, :, 1:6] - held * (special.digamma(a) - both))
        by_b: Array = b * (score[:, :, 6:] - held * (special.digamma(b) - both))
        return float(value.sum()), by_a, by_b

    def _steady(self, x: Array) -> tuple[float, Array]:
        """Log weight of the defaults and its gradient by all parameters."""
        a, b = np.exp(x[: 2 * self._size].reshape(2, self._groups, self._rates))
        move, firm = x[2 * self._size :].reshape(2, self._rates)
        share = special.expit(self._default_odds + move)
        strength = self._default_strength * np.exp(firm)
        da, db = share * strength, (1 - share) * strength
        psi_a, psi_b, psi = special.digamma(da), special.digamma(db), special.digamma(da + db)
        apart = (
            special.betaln(a, b)
            - special.betaln(da, db)
            + (da - a) * psi_a
            + (db - b) * psi_b
            + (a - da + b - db) * psi
        )
        value = -self._weight * apart.sum()
        value -= 0.5 * (move**2).sum() / self._spread**2
        value -= 0.5 * (firm**2).sum() / self._strength_spread**2
        both = special.digamma(a + b)
        by_a = -self._weight * a * (special.digamma(a) - both - psi_a + psi)
        by_b = -self._weight * b * (special.digamma(b) - both - psi_b + psi)
        tri = special.polygamma(1, da + db) * (a - da + b - db)
        by_da = -self._weight * ((da - a) * special.polygamma(1, da) + tri)
        by_db = -self._weight * ((db - b) * special.polygamma(1, db) + tri)
        by_move = ((by_da - by_db) * strength * share * (1 - share)).sum(axis=0)
        by_firm = (by_da * da + by_db * db).sum(axis=0)
        return float(value), np.concatenate(
            [
                by_a.ravel(),
                by_b.ravel(),
                by_move - move / self._spread**2,
                by_firm - firm / self._strength_spread**2,
            ]
        )

    def start(self) -> Array:
        """Parameters of the defaults."""
        share = special.expit(self._default_odds)
        logs = np.log([share * self._default_strength, (1 - share) * self._default_strength])
        return np.concatenate([logs.ravel(), np.zeros(2 * self._rates)])

    def best(self, start: Array, steps: int) -> Array:
        """The best parameters; ``start`` is where to look from."""

        def loss(x: Array) -> tuple[float, Array]:
            value, by_a, by_b = self._data(x[: 2 * self._size])
            steadied, gradient = self._steady(x)
            gradient[: self._size] += by_a.sum(axis=0).ravel()
            gradient[self._size : 2 * self._size] += by_b.sum(axis=0).ravel()
            return -value - steadied, -gradient

        bounds = [(_LEAST, _MOST)] * (2 * self._size) + [(-6.0, 6.0)] * (2 * self._rates)
        found = optimize.minimize(
            loss,
            start,
            jac=True,
            method="L-BFGS-B",
            bounds=bounds,
            options={"maxiter": steps, "maxfun": 2 * steps, "ftol": 1e-12, "gtol": 1e-3},
        )
        best: Array = found.x
        return best

    def priors(self, x: Array) -> Priors:
        """The priors with these parameters, shape (…, parameters): one draw for each."""
        logs = np.atleast_2d(x)[:, : 2 * self._size]
        parts = np.exp(logs.clip(_LEAST, _MOST)).reshape(-1, 2, self._groups, self._rates)
        return Priors(
            np.ascontiguousarray(parts[:, 0].transpose(1, 0, 2)),
            np.ascontiguousarray(parts[:, 1].transpose(1, 0, 2)),
            self._shares,
        )

    def unsure(self, best: Array) -> Priors:
        """Parameters about the best: normal, as sure as the buildings and the defaults make.

        The information is that of the buildings' own gradients (their outer products) plus the
        curvature of the defaults' weight. Each rate has ``RATE_DRAWS`` evenly spread over what
        is likely of its own two parameters: nothing is left to chance.
        """
        _, by_a, by_b = self._data(best[: 2 * self._size])
        gradient = np.concatenate(
            [by_a.reshape(len(by_a), -1), by_b.reshape(len(by_b), -1)], axis=1
        )
        step = 1e-4
        information = np.empty((len(best), len(best)))
        for index in range(len(best)):
            ahead, behind = best.copy(), best.copy()
            ahead[index] += step
            behind[index] -= step
            information[index] = (self._steady(behind)[1] - self._steady(ahead)[1]) / (2 * step)
        information = (information + information.T) / 2
        information[: gradient.shape[1], : gradient.shape[1]] += gradient.T @ gradient
        values, vectors = np.linalg.eigh(information)
        root = vectors / np.sqrt(np.maximum(values, 0.25))
        # Of each rate in each group: the parameters' covariance, ln a with ln b.
        ln_a, ln_b = root[: self._size], root[self._size : 2 * self._size]
        of_a = np.sqrt((ln_a**2).sum(axis=1))
        slope = (ln_a * ln_b).sum(axis=1) / of_a
        rest = np.sqrt(np.maximum((ln_b**2).sum(axis=1) - slope**2, 0.0))
        normal = evenly_normal(RATE_DRAWS)
        drawn = np.tile(best, (RATE_DRAWS, 1))
        drawn[:, : self._size] += normal[:, :1] * of_a
        drawn[:, self._size : 2 * self._size] += normal[:, :1] * slope + normal[:, 1:] * rest
        return self.priors(drawn)


def evenly_normal(count: int) -> Array:
    """Pairs of standard normal numbers, evenly spread and exact in mean and covariance, (n, 2)."""
    uniform = stats.qmc.Sobol(d=2, scramble=True, seed=1).random(count)
    normal = special.ndtri(uniform)
    normal -= normal.mean(axis=0)
    root = np.linalg.cholesky(normal.T @ normal / count)
    result: Array = np.linalg.solve(root, normal.T).T
    return result


def _fit_crews(
    rule_book: RuleBook,
    priors: Priors,
    portfolio: Portfolio,
    part: Part,
    before: Array,
    index: Ints,
) -> tuple[Array, float]:
    """Effects of one factor's crews and the probability that the factor explains anything."""
    crews = int(index.max(initial=-1)) + 1
    if crews < 2:
        return np.zeros(max(crews, 0)), 0.0
    a, b = priors.a[:, 0], priors.b[:, 0]
    evidence = np.empty((len(_CREW_GRID), len(portfolio)))
    with np.errstate(divide="ignore"):
        log_group = np.log(portfolio.group_weights)
    shifted_marginals(
        a,
        b,
        -special.betaln(a, b).sum(axis=1),
        log_group,
        part.points,
        _shifted(portfolio.shift, before),
        part.log_rest,
        _FALSE_GROUND,
        _CREW_GRID,
        evidence,
    )
    evidence -= evidence[np.abs(_CREW_GRID).argmin()]
    of_crew: Array = np.zeros((len(_CREW_GRID), crews))
    known = index >= 0
    np.add.at(of_crew.T, index[known], evidence[:, known].T)

    most = float(rule_book.learning.crew_spread_max)
    spreads = np.linspace(most / _SPREADS, most, _SPREADS)
    log_grid = -0.5 * (_CREW_GRID / spreads[:, None]) ** 2
    log_grid -= special.logsumexp(log_grid, axis=1, keepdims=True)
    joint = log_grid[:, :, None] + of_crew[None]
    marginals = special.logsumexp(joint, axis=1)
    nothing = float(rule_book.learning.crew_none_probability)
    log_spread = marginals.sum(axis=1) + np.log((1 - nothing) / _SPREADS)
    posterior: npt.NDArray[np.float64] = np.concatenate([[np.log(nothing)], log_spread])
    posterior = np.exp(posterior - special.logsumexp(posterior))
    mean = np.einsum("sgc,g->sc", np.exp(joint - marginals[:, None, :]), _CREW_GRID)
    return posterior[1:] @ mean, float(posterior[1:].sum())
