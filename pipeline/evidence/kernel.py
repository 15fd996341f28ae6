"""Compiled sums over the hierarchy: building's rates → dwelling's hand → circuit → opening.

Everything below the building's rates is discrete and summed exactly; the rates are represented by
weighted points (see ``points``). Arrays with a point axis have it last, so that the inner loops run
over contiguous memory.

Notation, at one point of the rates:

* ``p``: chance of each state for a fresh draw in this building, shape (S, M);
* ``q``: the same among openings without a ground of their own, as a style drawn for one opening;
* a dwelling's hand is a fresh draw; a circuit copies the hand with chance ``circuit_follows``, else
  it is a fresh draw; an opening follows its circuit but for ``opening_own`` (a fresh draw) and, on
  wiring without a ground, but for ``1 - opening_follows`` (a style of its own).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from pipeline.evidence.states import (
    AS_WIRED,
    CAREFUL,
    FIRST_UNGROUNDED,
    GROUNDED,
    HEAD_JUMPERED,
    JUMPERED,
    OPEN_GROUND,
    POOR,
    STATE_COUNT,
)

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

S = STATE_COUNT
T = 3
RATE_COUNT = 5
RESCALE_BELOW = 1e-120


class Tree(NamedTuple):
    """The openings of B buildings as nested lists: dwellings, circuits, rows of like openings.

    Attributes:
        dwelling_start: dwellings of building b are dwelling_start[b]:dwelling_start[b + 1].
        dwelling_times: how many dwellings like this one there are, shape (D,).
        circuit_start: circuits of each dwelling, shape (D + 1,).
        circuit_times: how many circuits like this one its dwelling has, shape (C,).
        row_start: rows of each circuit, shape (C + 1,).
        row_class: evidence class of each row, shape (R,).
        row_count: openings in each row, shape (R,).
        circuit_flat: whether no opening of the circuit has any evidence, shape (C,).
        dwelling_flat: likewise, shape (D,).
    """

    dwelling_start: Ints
    dwelling_times: Ints
    circuit_start: Ints
    circuit_times: Ints
    row_start: Ints
    row_class: Ints
    row_count: Ints
    circuit_flat: npt.NDArray[np.bool_]
    dwelling_flat: npt.NDArray[np.bool_]


class Shares(NamedTuple):
    """Numbers that hold for the whole portfolio.

    Attributes:
        circuit_follows: chance that a circuit copies its dwelling's hand.
        opening_follows: chance that an opening follows the style of its ungrounded circuit.
        opening_own: chance that an opening was wired on its own, whatever its circuit is.
        careful: share of careful hands among those that convert without a jumper.
        head: share of circuits jumpered at the head among the jumpered.
    """

    circuit_follows: float
    opening_follows: float
    opening_own: float
    careful: float
    head: float


@njit(cache=True, fastmath=True, nogil=True)
def state_chances(x: Array, poor: float, careful: float, head: float, p: Array, q: Array, w: Array) -> None:
    """Fill ``p`` (S, M), ``q`` (S, M) and the weights of trouble ``w`` (3, M) from log odds x (5, M)."""
    for m in range(x.shape[1]):
        u = 1.0 / (1.0 + np.exp(-x[0, m]))
        c = 1.0 / (1.0 + np.exp(-x[1, m]))
        j = 1.0 / (1.0 + np.exp(-x[2, m]))
        r = 1.0 / (1.0 + np.exp(-x[3, m]))
        f = 1.0 / (1.0 + np.exp(-x[4, m]))
        p[GROUNDED, m] = (1.0 - u) * (1.0 - poor)
        p[POOR, m] = (1.0 - u) * poor
        q[GROUNDED, m] = 0.0
        q[POOR, m] = 0.0
        q[AS_WIRED, m] = 1.0 - c
        q[OPEN_GROUND, m] = c * (1.0 - j) * (1.0 - careful)
        q[CAREFUL, m] = c * (1.0 - j) * careful
        q[JUMPERED, m] = c * j
        q[HEAD_JUMPERED, m] = 0.0
        for s in range(FIRST_UNGROUNDED, S):
            p[s, m] = u * q[s, m]
        p[JUMPERED, m] = u * c * j * (1.0 - head)
        p[HEAD_JUMPERED, m] = u * c * j * head
        w[0, m] = (1.0 - f) * (1.0 - r)
        w[1, m] = (1.0 - f) * r
        w[2, m] = f


@njit(cache=True, fastmath=True, nogil=True)
def opening_likelihood(
    table: Array, p: Array, q: Array, w: Array, follows: float, own: float, each: Array, out: Array
) -> None:
    """Likelihood of one opening's evidence: by its own state (``each``) and by its circuit's (``out``).

    Args:
        table: by state and trouble, shape (S, 3).
        p, q, w: see ``state_chances``.
        follows, own: see ``Shares``.
        each, out: filled, shape (S, M).
    """
    count = p.shape[1]
    for s in range(S):
        a, b, c = table[s, 0], table[s, 1], table[s, 2]
        for m in range(count):
            each[s, m] = a * w[0, m] + b * w[1, m] + c * w[2, m]
    for m in range(count):
        fresh = 0.0
        style = 0.0
        for s in range(S):
            fresh += p[s, m] * each[s, m]
        for s in range(FIRST_UNGROUNDED, S):
            style += q[s, m] * each[s, m]
        for s in range(FIRST_UNGROUNDED):
            out[s, m] = own * fresh + (1.0 - own) * each[s, m]
        for s in range(FIRST_UNGROUNDED, S):
            out[s, m] = own * fresh + (1.0 - own) * (follows * each[s, m] + (1.0 - follows) * style)


@njit(cache=True, fastmath=True, nogil=True)
def _rescale(values: Array, log_scale: Array) -> None:
    """Divide (S, M) by its largest at each point where it has become tiny; keep the logarithm."""
    for m in range(values.shape[1]):
        top = values[0, m]
        for s in range(1, S):
            top = max(top, values[s, m])
        if top < RESCALE_BELOW:
            top = max(top, 1e-300)
            for s in range(S):
                values[s, m] /= top
            log_scale[m] += np.log(top)


@njit(cache=True, fastmath=True, nogil=True)
def _times_power(target: Array, factor: Array, power: int, log_scale: Array) -> None:
    """Multiply ``target`` by ``factor`` to a whole power, element by element, rescaling."""
    for step in range(power):
        for s in range(S):
            for m in range(target.shape[1]):
                target[s, m] *= factor[s, m]
        if step % 4 == 3 or step == power - 1:
            _rescale(target, log_scale)


@njit(cache=True, fastmath=True, nogil=True)
def _circuit(
    tree: Tree, table: Array, circuit: int, shares: Shares, p: Array, q: Array, w: Array,
    each: Array, one: Array, out: Array, log_scale: Array,
) -> None:
    """Likelihood of a circuit's evidence by its state into ``out`` (S, M)."""
    out[:] = 1.0
    for row in range(tree.row_start[circuit], tree.row_start[circuit + 1]):
        opening_likelihood(
            table[tree.row_class[row]], p, q, w, shares.opening_follows, shares.opening_own, each, one
        )
        _times_power(out, one, tree.row_count[row], log_scale)


@njit(cache=True, fastmath=True, nogil=True)
def _as_circuit_of(circuit: Array, p: Array, follows: float, out: Array) -> None:
    """From a circuit's likelihood by its own state to that by its dwelling's hand, both (S, M)."""
    for m in range(p.shape[1]):
        fresh = 0.0
        for s in range(S):
            fresh += p[s, m] * circuit[s, m]
        for s in range(S):
            out[s, m] = follows * circuit[s, m] + (1.0 - follows) * fresh


@njit(cache=True, fastmath=True, nogil=True)
def log_likelihood(
    tree: Tree, table: Array, building: int, shares: Shares, p: Array, q: Array, w: Array,
    whole: bool, out: Array,
) -> None:
    """Log likelihood of a building's evidence at each point, added to ``out`` (M,).

    ``whole``: sum over openings without evidence too, for tables in which they do not count as 1.
    """
    count = p.shape[1]
    each, one = np.empty((S, count)), np.empty((S, count))
    circuit, hand = np.empty((S, count)), np.empty((S, count))
    scale = np.empty(count)
    for dwelling in range(tree.dwelling_start[building], tree.dwelling_start[building + 1]):
        if tree.dwelling_flat[dwelling] and not whole:
            continue
        hand[:] = 1.0
        scale[:] = 0.0
        for k in range(tree.circuit_start[dwelling], tree.circuit_start[dwelling + 1]):
            if tree.circuit_flat[k] and not whole:
                continue
            times = tree.circuit_times[k]
            inner = np.zeros(count)
            _circuit(tree, table, k, shares, p, q, w, each, one, circuit, inner)
            for m in range(count):
                scale[m] += times * inner[m]
            _as_circuit_of(circuit, p, shares.circuit_follows, one)
            _times_power(hand, one, times, scale)
        times = tree.dwelling_times[dwelling]
        for m in range(count):
            total = 0.0
            for s in range(S):
                total += p[s, m] * hand[s, m]
            out[m] += times * (np.log(max(total, 1e-300)) + scale[m])


class Evidence(NamedTuple):
    """What each evidence class says, by state s and trouble t of an opening (N classes).

    Attributes:
        table: likelihood, shape (N, S, 3).
        safe: likelihood times chance of not being dangerous, shape (N, S, 3).
        dead: likelihood times chance of no live metal, shape (N, S, 3).
        harm: expected harm given s, t and the evidence, shape (N, S, 3).
    """

    table: Array
    safe: Array
    dead: Array
    harm: Array


class Prior(NamedTuple):
    """Mixture of independent betas on the log-odds scale: G groups with K draws each.

    Attributes:
        a, b: beta parameters, shape (G, K, 5).
        constant: minus the log of the normalising constants and of K, shape (G, K).
        reference: log weight of each group in the reference mixture, shape (G,).
    """

    a: Array
    b: Array
    constant: Array
    reference: Array


class Pool(NamedTuple):
    """Point sets shared out among buildings.

    Attributes:
        prior: log odds from the reference mixture, shape (sets, 5, M1).
        log_reference: their log density, shape (sets, M1).
        student: points of a standard multivariate t distribution, shape (sets, 5, M2).
        degrees: its degrees of freedom.
    """

    prior: Array
    log_reference: Array
    student: Array
    degrees: float


@njit(cache=True, fastmath=True, nogil=True)
def log_prior(x: Array, shift: Array, log_group: Array, prior: Prior, out: Array) -> None:
    """Log prior density of log odds ``x`` (5, M) less ``shift`` (5,), into ``out`` (M,).

    Args:
        x, shift: as said.
        log_group: log weight of each group, -inf where it has none, shape (G,).
        prior: the mixture.
        out: filled.
    """
    groups, draws, rates = prior.a.shape
    low, high = np.empty(rates), np.empty(rates)
    terms = np.empty(groups * draws)
    for m in range(x.shape[1]):
        for r in range(rates):
            value = x[r, m] - shift[r]
            rest = np.log1p(np.exp(-abs(value)))
            low[r] = min(value, 0.0) - rest
            high[r] = min(-value, 0.0) - rest
        top = -1e300
        number = 0
        for g in range(groups):
            if log_group[g] < -30.0:
                continue
            for k in range(draws):
                term = log_group[g] + prior.constant[g, k]
                for r in range(rates):
                    term += prior.a[g, k, r] * low[r] + prior.b[g, k, r] * high[r]
                terms[number] = term
                number += 1
                top = max(top, term)
        total = 0.0
        for i in range(number):
            total += np.exp(terms[i] - top)
        out[m] = top + np.log(total)


@njit(cache=True, fastmath=True, nogil=True)
def _moments(x: Array, log_weight: Array, centre: Array, factor: Array) -> None:
    """Weighted mean of points and a factor of their covariance, steadied where few carry it."""
    rates, count = x.shape
    top = log_weight.max()
    weight = np.exp(log_weight - top)
    weight /= weight.sum()
    effective = 1.0 / (weight * weight).sum()
    trust = effective / (effective + 6.0)
    spread, found = np.empty(rates), np.empty(rates)
    for r in range(rates):
        centre[r] = (weight * x[r]).sum()
        square = 0.0
        for m in range(count):
            square += weight[m] * (x[r, m] - centre[r]) ** 2
        found[r] = np.sqrt(max(square, 1e-12))
        # Never narrower than the trust in so few points allows, nor absurdly wide.
        spread[r] = np.sqrt(min(max(square, 0.02), 25.0) * 1.2 + (1.0 - trust) * 0.8)
    # Cholesky factor of the correlations, pulled towards none, times the spreads.
    for r in range(rates):
        for c in range(r + 1):
            value = 1.0
            if c < r:
                value = 0.0
                for m in range(count):
                    value += weight[m] * (x[r, m] - centre[r]) * (x[c, m] - centre[c])
                value *= 0.98 * trust / (found[r] * found[c])
            for i in range(c):
                value -= factor[r, i] * factor[c, i]
            factor[r, c] = np.sqrt(max(value, 1e-6)) if r == c else value / factor[c, c]
    for r in range(rates):
        for c in range(r + 1):
            factor[r, c] *= spread[r]


@njit(cache=True, fastmath=True, nogil=True)
def _log_student(
    x: Array, centre: Array, factor: Array, degrees: float, constant: float, out: Array
) -> None:
    """Log density of a multivariate t distribution at points (5, M) into ``out`` (M,)."""
    rates = x.shape[0]
    z = np.empty(rates)
    log_det = 0.0
    for r in range(rates):
        log_det += np.log(factor[r, r])
    for m in range(x.shape[1]):
        square = 0.0
        for r in range(rates):
            value = x[r, m] - centre[r]
            for c in range(r):
                value -= factor[r, c] * z[c]
            z[r] = value / factor[r, r]
            square += z[r] * z[r]
        out[m] = constant - log_det - 0.5 * (degrees + rates) * np.log1p(square / degrees)


@njit(cache=True, fastmath=True, nogil=True)
def _add_picking(picked: Array, chance: Array, p: Array, w: Array, out: Array) -> None:
    """Take out of ``out`` (M,) what being picked for a reason says: see ``points``.

    Args:
        picked: openings picked for each reason, shape (P,).
        chance: odds of being picked by reason, state and trouble, shape (P, S, 3).
        p, w: see ``state_chances``.
        out: changed.
    """
    for reason in range(picked.shape[0]):
        if picked[reason] == 0.0:
            continue
        for m in range(out.shape[0]):
            total = 0.0
            for s in range(S):
                total += p[s, m] * (
                    chance[reason, s, 0] * w[0, m]
                    + chance[reason, s, 1] * w[1, m]
                    + chance[reason, s, 2] * w[2, m]
                )
            out[m] -= picked[reason] * np.log(max(total, 1e-300))


@njit(cache=True, fastmath=True, nogil=True)
def place_points(
    tree: Tree, evidence: Evidence, prior: Prior, pool: Pool, shares: Shares, building: int,
    number: int, shift: Array, log_group: Array, poor: float, picked: Array, chance: Array,
    student_constant: float, x: Array, log_rest: Array, log_own: Array,
) -> None:
    """Place a building's points and weigh its evidence there.

    Points come from the reference prior and from a t distribution fitted to the building's
    posterior as the first points have it; each is weighed against the mixture of both, so that
    every weight is bounded.

    Args:
        tree, evidence, prior, pool, shares: see there.
        building: which one.
        number: picks its sets of points.
        shift, log_group, poor: its shift of log odds, log weights of groups, share of poor grounds.
        picked, chance: see ``_add_picking``.
        student_constant: log normalising constant of the t distribution.
        x: filled with log odds, shape (5, M1 + M2).
        log_rest: filled with log likelihood less log proposal density, shape (M1 + M2,).
        log_own: filled with the log prior density, shape (M1 + M2,).
    """
    first, second = pool.prior.shape[2], pool.student.shape[2]
    count = first + second
    own = number % pool.prior.shape[0]
    p, q, w = np.empty((S, count)), np.empty((S, count)), np.empty((T, count))
    like = np.zeros(count)
    x[:, :first] = pool.prior[own]
    nearby = x[:, :first].copy()
    p1, q1, w1 = p[:, :first].copy(), q[:, :first].copy(), w[:, :first].copy()
    like1, prior1 = np.zeros(first), np.empty(first)
    state_chances(nearby, poor, shares.careful, shares.head, p1, q1, w1)
    log_likelihood(tree, evidence.table, building, shares, p1, q1, w1, False, like1)
    _add_picking(picked, chance, p1, w1, like1)
    log_prior(nearby, shift, log_group, prior, prior1)
    centre, factor = np.empty(RATE_COUNT), np.empty((RATE_COUNT, RATE_COUNT))
    _moments(nearby, like1 + prior1 - pool.log_reference[own], centre, factor)
    far = np.empty((RATE_COUNT, second))
    table = pool.student[(number // 7) % pool.student.shape[0]]
    for m in range(second):
        for r in range(RATE_COUNT):
            value = centre[r]
            for c in range(r + 1):
                value += factor[r, c] * table[c, m]
            far[r, m] = min(max(value, -60.0), 60.0)
    p2, q2, w2 = np.empty((S, second)), np.empty((S, second)), np.empty((T, second))
    like2, prior2 = np.zeros(second), np.empty(second)
    state_chances(far, poor, shares.careful, shares.head, p2, q2, w2)
    log_likelihood(tree, evidence.table, building, shares, p2, q2, w2, False, like2)
    _add_picking(picked, chance, p2, w2, like2)
    log_prior(far, shift, log_group, prior, prior2)
    x[:, first:] = far
    reference, student = np.empty(count), np.empty(count)
    beyond = np.empty(second)
    log_prior(far, np.zeros(RATE_COUNT), prior.reference, prior, beyond)
    reference[:first] = pool.log_reference[own]
    reference[first:] = beyond
    _log_student(x, centre, factor, pool.degrees, student_constant, student)
    share = np.log(first / count)
    rest = np.log(second / count)
    for m in range(count):
        left, right = share + reference[m], rest + student[m]
        top = max(left, right)
        proposal = top + np.log(np.exp(left - top) + np.exp(right - top))
        if m < first:
            log_own[m] = prior1[m]
            log_rest[m] = like1[m] - proposal
        else:
            log_own[m] = prior2[m - first]
            log_rest[m] = like2[m - first] - proposal


@njit(cache=True, nogil=True)
def _next(state: Array) -> float:
    """Next uniform number in (0, 1) of a splitmix64 generator; ``state`` is uint64, shape (1,)."""
    state[0] += np.uint64(0x9E3779B97F4A7C15)
    z = state[0]
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    z = z ^ (z >> np.uint64(31))
    return (float(z >> np.uint64(11)) + 0.5) / 9007199254740992.0


@njit(cache=True, fastmath=True, nogil=True)
def resample(weight: Array, start: float, out: Ints) -> None:
    """Systematic resampling: fill ``out`` with point numbers in proportion to ``weight``."""
    count = out.shape[0]
    total = weight[0]
    place = 0
    for i in range(count):
        level = (i + start) / count
        while total < level and place < weight.shape[0] - 1:
            place += 1
            total += weight[place]
        out[i] = place


class Found(NamedTuple):
    """Where a block's results go; arrays over the block's rows (R), buildings (B) and draws (N).

    Attributes:
        joint: posterior of each row's opening by state and trouble, shape (R, S, 3).
        steps: chance of danger of each row's opening without its own evidence, by what is known:
            the building's rates, its dwelling too, its circuit too, shape (R, 3).
        none_dangerous, none_live: probability of no dangerous opening, of no live metal, (B,).
        rates: posterior mean of the rates, shape (B, 5).
        effective: effective number of points, shape (B,).
        dangerous: draws of the number of dangerous openings, shape (B, N).
        harm: draws of expected harm given hands and circuits, shape (B, N).
        taught: expected numbers behind the portfolio's shares, shape (B, 6 + S): circuits that
            copy, circuits; openings that follow, openings; openings on their own, openings; fresh
            draws by state.
    """

    joint: Array
    steps: Array
    none_dangerous: Array
    none_live: Array
    rates: Array
    effective: Array
    dangerous: Array
    harm: Array
    taught: Array


@njit(cache=True, fastmath=True, nogil=True)
def _danger_of(message: Array, w: Array, m: int, danger: Array) -> float:
    """Chance of danger of an opening with a message over its states (S,) at point m."""
    total = 0.0
    for s in range(S):
        total += message[s] * (
            danger[s, 0] * w[0, m] + danger[s, 1] * w[1, m] + danger[s, 2] * w[2, m]
        )
    return total



@njit(cache=True, fastmath=True, nogil=True)
def weigh_building(
    tree: Tree, evidence: Evidence, shares: Shares, building: int, poor: float, x: Array,
    log_weight: Array, flat: int, seed: int, out: Found, place: int, row_offset: int,
) -> None:
    """Everything that is told of one building, from its weighted points.

    Args:
        tree, evidence, shares: see there.
        building: which one.
        poor: its share of poor grounds among the grounded.
        x: log odds of its points, shape (5, M).
        log_weight: log weight of each point, shape (M,).
        flat: evidence class of openings without evidence.
        seed: of its draws.
        out: filled at ``place`` and at rows less ``row_offset``.
        place: where in the block.
        row_offset: first row of the block.
    """
    top = log_weight.max()
    weight = np.exp(log_weight - top)
    weight /= weight.sum()
    out.effective[place] = 1.0 / (weight * weight).sum()
    kept = np.flatnonzero(weight > 1e-6)
    points = np.empty((RATE_COUNT, kept.shape[0]))
    for r in range(RATE_COUNT):
        points[r] = x[r][kept]
    weight = weight[kept]
    weight /= weight.sum()
    count = kept.shape[0]
    p, q, w = np.empty((S, count)), np.empty((S, count)), np.empty((T, count))
    state_chances(points, poor, shares.careful, shares.head, p, q, w)
    for r in range(RATE_COUNT):
        out.rates[place, r] = (weight / (1.0 + np.exp(-points[r]))).sum()

    full, quiet, dead = np.zeros(count), np.zeros(count), np.zeros(count)
    log_likelihood(tree, evidence.table, building, shares, p, q, w, False, full)
    log_likelihood(tree, evidence.safe, building, shares, p, q, w, True, quiet)
    log_likelihood(tree, evidence.dead, building, shares, p, q, w, True, dead)
    out.none_dangerous[place] = min((weight * np.exp(quiet - full)).sum(), 1.0)
    out.none_live[place] = min((weight * np.exp(dead - full)).sum(), 1.0)

    draws = out.dangerous.shape[1]
    random = np.array([seed], dtype=np.uint64)
    drawn = np.empty(draws, dtype=np.int64)
    if draws:
        resample(weight, _next(random), drawn)
    out.dangerous[place] = 0
    out.harm[place] = 0.0
    out.taught[place] = 0.0
    for dwelling in range(tree.dwelling_start[building], tree.dwelling_start[building + 1]):
        _weigh_dwelling(
            tree, evidence, shares, dwelling, p, q, w, weight, flat, drawn, random, out, place,
            row_offset,
        )


@njit(cache=True, fastmath=True, nogil=True)
def _weigh_dwelling(
    tree: Tree, evidence: Evidence, shares: Shares, dwelling: int, p: Array, q: Array, w: Array,
    weight: Array, flat: int, drawn: Ints, random: Array, out: Found, place: int, row_offset: int,
) -> None:
    """One dwelling's part of ``weigh_building``."""
    count = weight.shape[0]
    first, last = tree.circuit_start[dwelling], tree.circuit_start[dwelling + 1]
    times = tree.dwelling_times[dwelling]
    copies = shares.circuit_follows
    circuits = np.ones((last - first, S, count))
    upward = np.ones((last - first, S, count))
    each, one = np.empty((S, count)), np.empty((S, count))
    hand, scale = np.ones((S, count)), np.zeros(count)
    telling = 0
    for k in range(first, last):
        if tree.circuit_flat[k]:
            continue
        telling += tree.circuit_times[k]
        _circuit(tree, evidence.table, k, shares, p, q, w, each, one, circuits[k - first], scale)
        _as_circuit_of(circuits[k - first], p, copies, upward[k - first])
        _times_power(hand, upward[k - first], tree.circuit_times[k], scale)
    posterior = np.empty((S, count))
    for m in range(count):
        total = 0.0
        for s in range(S):
            total += p[s, m] * hand[s, m]
        for s in range(S):
            posterior[s, m] = p[s, m] * hand[s, m] / total
            if not tree.dwelling_flat[dwelling]:
                out.taught[place, 6 + s] += times * weight[m] * posterior[s, m]

    above = np.empty((S, count))
    for k in range(first, last):
        # What the rest of the dwelling says of this circuit's state.
        copied = 0.0
        for m in range(count):
            total = 0.0
            for s in range(S):
                above[s, m] = posterior[s, m] / upward[k - first, s, m]
                total += above[s, m]
            follow, fresh = 0.0, 0.0
            for s in range(S):
                share = above[s, m] / total
                follow += share * circuits[k - first, s, m]
                fresh += p[s, m] * circuits[k - first, s, m]
                above[s, m] = copies * share + (1.0 - copies) * p[s, m]
            copied += weight[m] * copies * follow / (copies * follow + (1.0 - copies) * fresh)
        if telling > 1 and not tree.circuit_flat[k]:
            out.taught[place, 0] += times * tree.circuit_times[k] * copied
            out.taught[place, 1] += times * tree.circuit_times[k]
        _weigh_circuit(
            tree, evidence, shares, k, times * tree.circuit_times[k], p, q, w, weight, above,
            circuits[k - first], flat, out, place, row_offset,
        )
    if drawn.shape[0]:
        _draw_dwelling(
            tree, evidence, shares, dwelling, p, q, w, posterior, circuits, drawn, random, out, place
        )


@njit(cache=True, fastmath=True, nogil=True)
def _weigh_circuit(
    tree: Tree, evidence: Evidence, shares: Shares, circuit: int, times: int, p: Array, q: Array,
    w: Array, weight: Array, above: Array, like: Array, flat: int, out: Found, place: int,
    row_offset: int,
) -> None:
    """Posterior of each row of one circuit, given what is above it (S, M) and its own ``like``."""
    count = weight.shape[0]
    follows, own = shares.opening_follows, shares.opening_own
    each, one = np.empty((S, count)), np.empty((S, count))
    alone, cavity = np.empty(S), np.empty(S)
    from_circuit, from_dwelling = np.empty(S), np.empty(S)
    table_flat = evidence.table[flat]
    openings = 0
    for row in range(tree.row_start[circuit], tree.row_start[circuit + 1]):
        if tree.row_class[row] != flat:
            openings += tree.row_count[row]
    for row in range(tree.row_start[circuit], tree.row_start[circuit + 1]):
        index = tree.row_class[row]
        table = evidence.table[index]
        opening_likelihood(table, p, q, w, follows, own, each, one)
        joint = out.joint[row - row_offset]
        joint[:] = 0.0
        step_building, step_dwelling, step_circuit = 0.0, 0.0, 0.0
        followed, ungrounded, alone_share = 0.0, 0.0, 0.0
        for m in range(count):
            total, sum_above = 0.0, 0.0
            for s in range(S):
                cavity[s] = above[s, m] * like[s, m] / one[s, m]
                total += cavity[s]
                sum_above += above[s, m]
            loose, loose_above = 0.0, 0.0
            for s in range(FIRST_UNGROUNDED, S):
                cavity[s] /= total
                loose += cavity[s]
                loose_above += above[s, m] / sum_above
            for s in range(FIRST_UNGROUNDED):
                cavity[s] /= total
                from_circuit[s] = own * p[s, m] + (1.0 - own) * cavity[s]
                from_dwelling[s] = own * p[s, m] + (1.0 - own) * above[s, m] / sum_above
            for s in range(FIRST_UNGROUNDED, S):
                from_circuit[s] = own * p[s, m] + (1.0 - own) * (
                    follows * cavity[s] + (1.0 - follows) * q[s, m] * loose
                )
                from_dwelling[s] = own * p[s, m] + (1.0 - own) * (
                    follows * above[s, m] / sum_above + (1.0 - follows) * q[s, m] * loose_above
                )
            norm = 0.0
            for s in range(S):
                norm += from_circuit[s] * each[s, m]
            share = weight[m] / norm
            for s in range(S):
                part = share * from_circuit[s]
                for t in range(T):
                    joint[s, t] += part * w[t, m] * table[s, t]
            dan_b, dan_d, dan_c = 0.0, 0.0, 0.0
            for s in range(S):
                harmless = (
                    evidence.safe[flat, s, 0] * w[0, m]
                    + evidence.safe[flat, s, 1] * w[1, m]
                    + evidence.safe[flat, s, 2] * w[2, m]
                )
                dan_b += p[s, m] * harmless
                dan_d += from_dwelling[s] * harmless
                dan_c += from_circuit[s] * harmless
            step_building += weight[m] * (1.0 - dan_b)
            step_dwelling += weight[m] * (1.0 - dan_d)
            step_circuit += weight[m] * (1.0 - dan_c)
            if openings > 1 and index != flat:
                fresh, style, same = 0.0, 0.0, 0.0
                for s in range(S):
                    fresh += p[s, m] * each[s, m]
                for s in range(FIRST_UNGROUNDED, S):
                    style += q[s, m] * each[s, m]
                    same += cavity[s] * each[s, m]
                alone_share += share * own * fresh
                followed += share * (1.0 - own) * follows * same
                ungrounded += share * (1.0 - own) * (follows * same + (1.0 - follows) * style * loose)
        out.steps[row - row_offset, 0] = step_building
        out.steps[row - row_offset, 1] = step_dwelling
        out.steps[row - row_offset, 2] = step_circuit
        if openings > 1 and index != flat:
            number = times * tree.row_count[row]
            out.taught[place, 2] += number * followed
            out.taught[place, 3] += number * ungrounded
            out.taught[place, 4] += number * alone_share
            out.taught[place, 5] += number


@njit(cache=True, fastmath=True, nogil=True)
def _choose(chances: Array, uniform: float) -> int:
    """Index drawn in proportion to ``chances`` (S,)."""
    level = uniform * chances.sum()
    total = 0.0
    for s in range(S - 1):
        total += chances[s]
        if level < total:
            return s
    return S - 1


@njit(cache=True, fastmath=True, nogil=True)
def _draw_dwelling(
    tree: Tree, evidence: Evidence, shares: Shares, dwelling: int, p: Array, q: Array, w: Array,
    posterior: Array, circuits: Array, drawn: Ints, random: Array, out: Found, place: int,
) -> None:
    """Draw hands, circuits and dangerous openings; add them up over the building's draws."""
    first, last = tree.circuit_start[dwelling], tree.circuit_start[dwelling + 1]
    copies, follows, own = shares.circuit_follows, shares.opening_follows, shares.opening_own
    hands, chances = np.empty(S), np.empty(S)
    rows = tree.row_start[last] - tree.row_start[first]
    # By row and state of its circuit at the draw's point: chance of danger, expected harm.
    risk, hurt = np.empty((rows, S)), np.empty((rows, S))
    base = tree.row_start[first]
    previous = -1
    for draw in range(drawn.shape[0]):
        m = drawn[draw]
        if m != previous:
            previous = m
            for row in range(rows):
                index = tree.row_class[base + row]
                table, safe, harm = evidence.table[index], evidence.safe[index], evidence.harm[index]
                like_fresh, safe_fresh, hurt_fresh = 0.0, 0.0, 0.0
                like_style, safe_style, hurt_style = 0.0, 0.0, 0.0
                for s in range(S):
                    like_s, safe_s, hurt_s = 0.0, 0.0, 0.0
                    for t in range(T):
                        like_s += w[t, m] * table[s, t]
                        safe_s += w[t, m] * safe[s, t]
                        hurt_s += w[t, m] * table[s, t] * harm[s, t]
                    like_fresh += p[s, m] * like_s
                    safe_fresh += p[s, m] * safe_s
                    hurt_fresh += p[s, m] * hurt_s
                    like_style += q[s, m] * like_s
                    safe_style += q[s, m] * safe_s
                    hurt_style += q[s, m] * hurt_s
                for s in range(S):
                    like_s, safe_s, hurt_s = 0.0, 0.0, 0.0
                    for t in range(T):
                        like_s += w[t, m] * table[s, t]
                        safe_s += w[t, m] * safe[s, t]
                        hurt_s += w[t, m] * table[s, t] * harm[s, t]
                    loose = 1.0 - follows if s >= FIRST_UNGROUNDED else 0.0
                    like = own * like_fresh + (1.0 - own) * ((1.0 - loose) * like_s + loose * like_style)
                    calm = own * safe_fresh + (1.0 - own) * ((1.0 - loose) * safe_s + loose * safe_style)
                    pain = own * hurt_fresh + (1.0 - own) * ((1.0 - loose) * hurt_s + loose * hurt_style)
                    risk[row, s] = 1.0 - calm / like
                    hurt[row, s] = pain / like
        for s in range(S):
            hands[s] = posterior[s, m]
        number, harm_sum = 0, 0.0
        for _ in range(tree.dwelling_times[dwelling]):
            h = _choose(hands, _next(random))
            for k in range(first, last):
                for _ in range(tree.circuit_times[k]):
                    for s in range(S):
                        chances[s] = (1.0 - copies) * p[s, m]
                    chances[h] += copies
                    for s in range(S):
                        chances[s] *= circuits[k - first, s, m]
                    c = _choose(chances, _next(random))
                    for row in range(tree.row_start[k] - base, tree.row_start[k + 1] - base):
                        chance = risk[row, c]
                        harm_sum += tree.row_count[base + row] * hurt[row, c]
                        if chance > 1e-9:
                            for _ in range(tree.row_count[base + row]):
                                if _next(random) < chance:
                                    number += 1
        out.dangerous[place, draw] += number
        out.harm[place, draw] += harm_sum


@njit(cache=True, fastmath=True, nogil=True)
def weigh_block(
    tree: Tree, evidence: Evidence, prior: Prior, pool: Pool, shares: Shares, buildings: Ints,
    numbers: Ints, seeds: npt.NDArray[np.uint64], shift: Array, log_group: Array, poor: Array,
    picked: Array, chance: Array, student_constant: float, flat: int, out: Found, points: Array,
    log_rest: Array,
) -> None:
    """Place points and weigh every building of a stretch; see ``place_points``, ``weigh_building``.

    Args:
        buildings: the buildings, consecutive, shape (n,).
        numbers, seeds: per building of the portfolio, pick point sets and seed draws.
        points, log_rest: filled for learning, shapes (n, 5, M) and (n, M), or empty.
    """
    count = pool.prior.shape[2] + pool.student.shape[2]
    x, rest, own = np.empty((RATE_COUNT, count)), np.empty(count), np.empty(count)
    first_row = tree.row_start[tree.circuit_start[tree.dwelling_start[buildings[0]]]]
    for place in range(buildings.shape[0]):
        b = buildings[place]
        place_points(
            tree, evidence, prior, pool, shares, b, numbers[b], shift[b], log_group[b], poor[b],
            picked[b], chance, student_constant, x, rest, own,
        )
        if points.shape[0]:
            points[place] = x
            log_rest[place] = rest
        weigh_building(
            tree, evidence, shares, b, poor[b], x, rest + own, flat, seeds[b], out, place, first_row
        )
