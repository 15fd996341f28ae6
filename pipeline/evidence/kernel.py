"""Compiled sums over the hierarchy: building's rates → dwelling's hand → circuit → opening.

Everything below the building's rates is discrete and summed exactly; the rates are represented by
weighted points (see ``points``). Arrays with a point axis have it last, so that the inner loops run
over contiguous memory.

Notation, at one point of the rates:

* ``p``: chance of each state for a fresh draw in this building, shape (S, M);
* ``q``: the same among openings without a ground of their own, as a style drawn for one opening;
* a dwelling's hand is a fresh draw; a circuit copies the hand with chance ``circuit_follows``, else
  it is a fresh draw, with chance ``origin_follows`` among those states only that have a ground of
  their own like the hand's, or have none like it: the cable in the walls of a dwelling was mostly
  pulled at one time; whoever jumpers decides circuit by circuit whether to do it at the head; an
  opening follows its circuit but for ``opening_own`` (a fresh draw) and, on wiring without a
  ground, but for ``1 - opening_follows`` (a style of its own).

Everything compiled that calls one another stays in this one file: numba keeps what it compiled and
notices a change only in the file of the function itself.
"""

from __future__ import annotations

import math
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
    HEAD_LIVE,
    JUMPERED,
    OPEN_GROUND,
    POOR,
    STATE_COUNT,
)

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
State = npt.NDArray[np.uint64]

compiled = njit(cache=True, fastmath=True, nogil=True, error_model="numpy")
"""How everything here is compiled: kept for the next time, sums in any order, without the global
lock, no check of every divisor."""

S = STATE_COUNT
T = 3
RATE_COUNT = 5
TAUGHT = 10 + S
"""Columns of ``Found.taught``."""
RESCALE_BELOW = 1e-60
RESCALE_AFTER = 6
WEIGHS_NOTHING = 1e-30
"""Share of the heaviest point's weight below which a point has none."""
SCORES = 6.0
"""Normal scores that are tabulated; beyond, log odds go on in a straight line."""
FARTHEST = 60.0
"""Log odds that are tabulated, either way: beyond, double precision tells no rate from 0 or 1."""
ROUNDS = 3
"""Distributions fitted to a building, one after the other."""
BLOCKS = 8
"""Parts of a building's points whose differences tell the error that all of them leave."""

CHUNK = 64
"""Points taken at once: few enough to stay near the processor, enough to run in step."""

NOT_PICKED = -1
"""Reason of classes that were not picked for one."""


LOG2_E, LN_2 = 1.4426950408889634, 0.6931471805599453
BIASED = 1.5 * 2.0**52 + 1023.0
"""Added to a whole number it leaves its biased exponent in the last bits (IEEE 754)."""

HALF_ROOT = 0x3FE6A09E667F3BCD
"""Bits of the square root of 1/2 (IEEE 754)."""

TAYLOR = tuple(1.0 / math.factorial(power) for power in range(13))
"""Of the exponential; up to half of ln 2 the remainder is below 2e-16."""


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
        origin_follows: chance that one which does not copy it is grounded where the hand is, and
            not where it is not.
        opening_follows: chance that an opening follows the style of its ungrounded circuit.
        opening_own: chance that an opening was wired on its own, whatever its circuit is.
        careful: share of careful hands among those that convert without a jumper.
        head: share of circuits jumpered at the head among the jumpered, whoever the hand is.
        live: share of false grounds with hot and neutral swapped as well: at the head of a circuit
            that makes the ground wire live at every opening beyond.
    """

    circuit_follows: float
    origin_follows: float
    opening_follows: float
    opening_own: float
    careful: float
    head: float
    live: float


@compiled
def exponential(values: Array, scratch: Array) -> None:
    """Replace values by their exponentials, to 1e-13 of each.

    A power of two, whose exponent is written bit by bit, times a Taylor polynomial of what is left
    over: loops that run in step, unlike the library's function, which takes one after the other.

    Args:
        values: changed, shape (M,); what lies beyond ±700 counts as that.
        scratch: shape (M,).
    """
    for m in range(values.shape[0]):
        value = min(max(values[m], -700.0), 700.0)
        whole = np.floor(value * LOG2_E + 0.5)
        rest = value - whole * LN_2
        series = TAYLOR[12]
        series = series * rest + TAYLOR[11]
        series = series * rest + TAYLOR[10]
        series = series * rest + TAYLOR[9]
        series = series * rest + TAYLOR[8]
        series = series * rest + TAYLOR[7]
        series = series * rest + TAYLOR[6]
        series = series * rest + TAYLOR[5]
        series = series * rest + TAYLOR[4]
        series = series * rest + TAYLOR[3]
        series = series * rest + TAYLOR[2]
        series = series * rest + 1.0
        values[m] = series * rest + 1.0
        scratch[m] = whole + BIASED
    bits = scratch.view(np.int64)
    for m in range(values.shape[0]):
        bits[m] <<= 52
    for m in range(values.shape[0]):
        values[m] *= scratch[m]


@compiled
def logarithm(values: Array) -> None:
    """Replace values by their natural logarithms, to 1e-15 of each or of 1.

    The exponent is read off the bits; of what is left over, between the square roots of 1/2 and 2,
    the series of the inverse hyperbolic tangent is taken. Like ``exponential`` it runs in step.

    Args:
        values: changed, shape (M,), contiguous; above zero and not below 1e-300.
    """
    bits = values.view(np.int64)
    for m in range(values.shape[0]):
        raw = bits[m]
        # Moved so that the exponent changes at the square root of 2, not at 2.
        exponent = (raw - HALF_ROOT) >> 52
        bits[m] = raw - (exponent << 52)
        whole = float(exponent)
        rest = values[m]
        share = (rest - 1.0) / (rest + 1.0)
        square = share * share
        series = 1.0 / 21.0
        series = series * square + 1.0 / 19.0
        series = series * square + 1.0 / 17.0
        series = series * square + 1.0 / 15.0
        series = series * square + 1.0 / 13.0
        series = series * square + 1.0 / 11.0
        series = series * square + 1.0 / 9.0
        series = series * square + 1.0 / 7.0
        series = series * square + 1.0 / 5.0
        series = series * square + 1.0 / 3.0
        series = series * square + 1.0
        values[m] = whole * LN_2 + 2.0 * share * series


@compiled
def state_chances(x: Array, poor: float, shares: Shares, p: Array, q: Array, w: Array) -> None:
    """Fill ``p``, ``q`` (S, M) and weights of trouble ``w`` (3, M) from log odds x (5, M)."""
    count, careful = x.shape[1], shares.careful
    odds, scratch = np.empty((RATE_COUNT, count)), np.empty(count)
    at_places = 1.0 - shares.head
    at_head, head_live = shares.head * (1.0 - shares.live), shares.head * shares.live
    for rate in range(RATE_COUNT):
        for m in range(count):
            odds[rate, m] = -x[rate, m]
        exponential(odds[rate], scratch)
    for m in range(count):
        u = 1.0 / (1.0 + odds[0, m])
        c = 1.0 / (1.0 + odds[1, m])
        j = 1.0 / (1.0 + odds[2, m])
        r = 1.0 / (1.0 + odds[3, m])
        f = 1.0 / (1.0 + odds[4, m])
        p[GROUNDED, m] = (1.0 - u) * (1.0 - poor)
        p[POOR, m] = (1.0 - u) * poor
        q[GROUNDED, m] = 0.0
        q[POOR, m] = 0.0
        q[AS_WIRED, m] = 1.0 - c
        q[OPEN_GROUND, m] = c * (1.0 - j) * (1.0 - careful)
        q[CAREFUL, m] = c * (1.0 - j) * careful
        q[JUMPERED, m] = c * j
        q[HEAD_JUMPERED, m] = 0.0
        q[HEAD_LIVE, m] = 0.0
        for s in range(FIRST_UNGROUNDED, S):
            p[s, m] = u * q[s, m]
        p[JUMPERED, m] = u * c * j * at_places
        p[HEAD_JUMPERED, m] = u * c * j * at_head
        p[HEAD_LIVE, m] = u * c * j * head_live
        w[0, m] = (1.0 - f) * (1.0 - r)
        w[1, m] = (1.0 - f) * r
        w[2, m] = f


@compiled
def opening_likelihood(
    table: Array, p: Array, q: Array, w: Array, follows: float, own: float, each: Array, out: Array
) -> None:
    """Likelihood of an opening's evidence by its own state (``each``), by its circuit's (``out``).

    Args:
        table: by state and trouble, shape (S, 3).
        p, q, w: see ``state_chances``.
        follows, own: see ``Shares``.
        each, out: filled, shape (S, M).
    """
    count = p.shape[1]
    fresh, style = np.zeros(count), np.zeros(count)
    for s in range(S):
        a, b, c = table[s, 0], table[s, 1], table[s, 2]
        for m in range(count):
            each[s, m] = a * w[0, m] + b * w[1, m] + c * w[2, m]
        for m in range(count):
            fresh[m] += p[s, m] * each[s, m]
        if s >= FIRST_UNGROUNDED:
            for m in range(count):
                style[m] += q[s, m] * each[s, m]
    for m in range(count):
        fresh[m] *= own
        style[m] = fresh[m] + (1.0 - own) * (1.0 - follows) * style[m]
    for s in range(FIRST_UNGROUNDED):
        for m in range(count):
            out[s, m] = fresh[m] + (1.0 - own) * each[s, m]
    kept = (1.0 - own) * follows
    for s in range(FIRST_UNGROUNDED, S):
        for m in range(count):
            out[s, m] = style[m] + kept * each[s, m]


@compiled
def opening_likelihoods(
    tables: Array, p: Array, q: Array, w: Array, shares: Shares, each: Array, one: Array
) -> None:
    """``opening_likelihood`` of each of K tables, (K, S, 3), into ``each``, ``one`` (K, S, M)."""
    follows, own = shares.opening_follows, shares.opening_own
    for k in range(tables.shape[0]):
        opening_likelihood(tables[k], p, q, w, follows, own, each[k], one[k])


@compiled
def _rescale(values: Array, log_scale: Array) -> None:
    """Divide (S, M) by its largest at each point where it has become tiny; keep the logarithm."""
    count = values.shape[1]
    top = np.zeros(count)
    for s in range(S):
        for m in range(count):
            top[m] = max(top[m], values[s, m])
    lowest = top[0]
    for m in range(count):
        lowest = min(lowest, top[m])
    if lowest >= RESCALE_BELOW:
        return
    for m in range(count):
        if top[m] < RESCALE_BELOW:
            largest = max(top[m], 1e-300)
            for s in range(S):
                values[s, m] /= largest
            log_scale[m] += np.log(largest)


@compiled
def _times_power(
    target: Array, factor: Array, power: int, openings: int, since: int, log_scale: Array
) -> int:
    """Multiply ``target`` by ``factor`` to a whole power, element by element, rescaling.

    Args:
        target, factor: contiguous, shape (S, M).
        power: above zero.
        openings: how many openings' likelihoods ``factor`` is the product of, at least.
        since: openings that ``target`` was multiplied by since it was last rescaled.
        log_scale: logarithm of what was divided out, changed.

    Returns:
        Openings since then.
    """
    into, times = target.reshape(-1), factor.reshape(-1)
    while openings == 1 and power >= RESCALE_AFTER:
        # As many at once as there may be between rescalings: four products instead of six.
        _rescale(target, log_scale)
        for i in range(into.shape[0]):
            cube = times[i] * times[i] * times[i]
            into[i] *= cube * cube
        since = RESCALE_AFTER
        power -= RESCALE_AFTER
    for _ in range(power):
        if since + openings > RESCALE_AFTER:
            _rescale(target, log_scale)
            since = 0
        for i in range(into.shape[0]):
            into[i] *= times[i]
        since += openings
    return since


@compiled
def _circuit(
    tree: Tree,
    circuit: int,
    one: Array,
    which: Ints,
    base: int,
    out: Array,
    log_scale: Array,
) -> int:
    """Likelihood of a circuit's evidence by its state into ``out`` (S, M).

    Args:
        tree, circuit: which one.
        one: likelihood of an opening's evidence by its circuit's state, shape (K, S, M).
        which: place in ``one`` of each row of the building, the first of which is row ``base``.
        out: filled, contiguous.
        log_scale: what was divided out is added to it, shape (M,).

    Returns:
        Openings since it was last rescaled, at least 1.
    """
    into = out.reshape(-1)
    since = 0
    for row in range(tree.row_start[circuit], tree.row_start[circuit + 1]):
        each, power = one[which[row - base]], tree.row_count[row]
        if since == 0:
            first = each.reshape(-1)
            for i in range(into.shape[0]):
                into[i] = first[i]
            since = 1
            power -= 1
        if power:
            since = _times_power(out, each, power, 1, since, log_scale)
    if since == 0:
        for i in range(into.shape[0]):
            into[i] = 1.0
    return max(since, 1)


@compiled
def _fresh(circuit: Array, p: Array, out: Array) -> None:
    """Mean of (S, M) over fresh draws of a state, into ``out`` (3, M).

    Of draws with a ground of their own, of those without, of all; ``p`` is in ``state_chances``.
    """
    for m in range(p.shape[1]):
        with_ground = p[GROUNDED, m] * circuit[GROUNDED, m] + p[POOR, m] * circuit[POOR, m]
        without, loose = 0.0, 0.0
        for s in range(FIRST_UNGROUNDED, S):
            without += p[s, m] * circuit[s, m]
            loose += p[s, m]
        # A building can have no draws of one kind; then no hand is of it either.
        out[0, m] = with_ground / max(p[GROUNDED, m] + p[POOR, m], 1e-300)
        out[1, m] = without / max(loose, 1e-300)
        out[2, m] = with_ground + without


@compiled
def _as_circuit_of(circuit: Array, p: Array, shares: Shares, out: Array) -> None:
    """From a circuit's likelihood by its own state to that by its dwelling's hand, both (S, M)."""
    count = p.shape[1]
    follows, head, live = shares.circuit_follows, shares.head, shares.live
    same = (1.0 - follows) * shares.origin_follows
    other = (1.0 - follows) * (1.0 - shares.origin_follows)
    fresh = np.empty((3, count))
    _fresh(circuit, p, fresh)
    for m in range(count):
        fresh[0, m] = same * fresh[0, m] + other * fresh[2, m]
        fresh[1, m] = same * fresh[1, m] + other * fresh[2, m]
    for s in range(JUMPERED):
        kind = 0 if s < FIRST_UNGROUNDED else 1
        for m in range(count):
            out[s, m] = follows * circuit[s, m] + fresh[kind, m]
    for m in range(count):
        at_head = (1.0 - live) * circuit[HEAD_JUMPERED, m] + live * circuit[HEAD_LIVE, m]
        either = (1.0 - head) * circuit[JUMPERED, m] + head * at_head
        out[JUMPERED, m] = follows * either + fresh[1, m]
        out[HEAD_JUMPERED, m] = out[JUMPERED, m]
        out[HEAD_LIVE, m] = out[JUMPERED, m]


@compiled
def first_row(tree: Tree, building: int) -> int:
    """Number of the first row of a building, or of the row after the last."""
    return int(tree.row_start[tree.circuit_start[tree.dwelling_start[building]]])


@compiled
def log_likelihood(
    tree: Tree,
    tables: Array,
    which: Ints,
    building: int,
    shares: Shares,
    p: Array,
    q: Array,
    w: Array,
    whole: bool,
    out: Array,
) -> None:
    """Log likelihood of a building's evidence at each point, added to ``out`` (M,).

    Args:
        tree, building: which one.
        tables: what its openings' evidence says, by state and trouble, shape (K, S, 3).
        which: place in ``tables`` of each of its rows.
        shares, p, q, w: see there.
        whole: sum over openings without evidence too, for tables in which they do not count as 1.
        out: changed.
    """
    count, kinds = p.shape[1], tables.shape[0]
    each, ones = np.empty((S, count)), np.empty((kinds, S, count))
    for k in range(kinds):
        opening_likelihood(
            tables[k], p, q, w, shares.opening_follows, shares.opening_own, each, ones[k]
        )
    base = first_row(tree, building)
    one, circuit, hand = np.empty((S, count)), np.empty((S, count)), np.empty((S, count))
    scale, inner = np.empty(count), np.empty(count)
    for dwelling in range(tree.dwelling_start[building], tree.dwelling_start[building + 1]):
        if tree.dwelling_flat[dwelling] and not whole:
            continue
        for m in range(count):
            scale[m] = 0.0
        for s in range(S):
            for m in range(count):
                hand[s, m] = 1.0
        since = 0
        for k in range(tree.circuit_start[dwelling], tree.circuit_start[dwelling + 1]):
            if tree.circuit_flat[k] and not whole:
                continue
            times = tree.circuit_times[k]
            for m in range(count):
                inner[m] = 0.0
            openings = _circuit(tree, k, ones, which, base, circuit, inner)
            for m in range(count):
                scale[m] += times * inner[m]
            _as_circuit_of(circuit, p, shares, one)
            since = _times_power(hand, one, times, openings, since, scale)
        times = tree.dwelling_times[dwelling]
        for m in range(count):
            inner[m] = 0.0
        for s in range(S):
            for m in range(count):
                inner[m] += p[s, m] * hand[s, m]
        for m in range(count):
            inner[m] = max(inner[m], 1e-300)
        logarithm(inner)
        for m in range(count):
            out[m] += times * (inner[m] + scale[m])


class Evidence(NamedTuple):
    """What each evidence class says, by state s and trouble t of an opening (N classes).

    Attributes:
        table: likelihood, shape (N, S, 3).
        safe: likelihood times chance of not being dangerous, shape (N, S, 3).
        dead: likelihood times chance of no live metal, shape (N, S, 3).
        harm: expected harm given s, t and the evidence, shape (N, S, 3).
        face: likelihood of the slots alone, shape (N, S, 3).
        face_safe: the same times chance of not being dangerous, shape (N, S, 3).
        reason: index of the reason that its openings were picked for, or NOT_PICKED, shape (N,).
    """

    table: Array
    safe: Array
    dead: Array
    harm: Array
    face: Array
    face_safe: Array
    reason: Ints


class Picking(NamedTuple):
    """What being picked for a reason, or passed over, says of openings, by building (n in all).

    Attributes:
        some: whether any opening was picked for a reason, shape (n,).
        taken: factor, beside the odds that the evidence class already has, of openings picked for
            each reason, shape (n, reasons, S, 3).
        chance: chance of being picked for each reason, shape (n, reasons, S, 3).
        passed: chance of not being picked for any, shape (n, S, 3).
    """

    some: npt.NDArray[np.bool_]
    taken: Array
    chance: Array
    passed: Array


class OwnTables(NamedTuple):
    """Tables of the K evidence classes that one building has, picking included.

    Attributes:
        kind: the classes, shape (K,).
        which: place among them of each of its rows, shape (rows,).
        table, safe, dead: as in ``Evidence``, shape (K, S, 3).
        picked: chance of being picked for each reason, and last of being passed over, (R, S, 3).
        reason: place in ``picked`` of each of its rows, shape (rows,).
        whole: whether openings without evidence do not count as 1.
    """

    kind: Ints
    which: Ints
    table: Array
    safe: Array
    dead: Array
    picked: Array
    reason: Ints
    whole: bool


@compiled
def own_tables(
    tree: Tree, evidence: Evidence, picking: Picking, building: int, place: int, seen: Ints
) -> OwnTables:
    """Tables of a building.

    Args:
        tree, evidence, picking, building: see there.
        place: the building's place in ``picking``.
        seen: -1 for every evidence class, and so again at the end; shape (N,).
    """
    base, end = first_row(tree, building), first_row(tree, building + 1)
    which = np.empty(end - base, dtype=np.int64)
    kind = np.empty(end - base, dtype=np.int64)
    kinds = 0
    for row in range(end - base):
        index = tree.row_class[base + row]
        if seen[index] < 0:
            seen[index] = kinds
            kind[kinds] = index
            kinds += 1
        which[row] = seen[index]
    kind = kind[:kinds]
    whole = picking.some[place]
    reasons = picking.taken.shape[1]
    picked = np.empty((reasons + 1 if whole else 0, S, T))
    reason = np.empty(end - base if whole else 0, dtype=np.int64)
    if whole:
        picked[:reasons] = picking.chance[place]
        picked[reasons] = picking.passed[place]
        for row in range(end - base):
            own = evidence.reason[tree.row_class[base + row]]
            reason[row] = reasons if own == NOT_PICKED else own
    table, safe, dead = np.empty((kinds, S, T)), np.empty((kinds, S, T)), np.empty((kinds, S, T))
    for k in range(kinds):
        index = kind[k]
        seen[index] = -1
        own = evidence.reason[index]
        for s in range(S):
            for t in range(T):
                factor = 1.0
                if whole and own == NOT_PICKED:
                    factor = picking.passed[place, s, t]
                elif whole:
                    factor = picking.taken[place, own, s, t]
                table[k, s, t] = evidence.table[index, s, t] * factor
                safe[k, s, t] = evidence.safe[index, s, t] * factor
                dead[k, s, t] = evidence.dead[index, s, t] * factor
    return OwnTables(kind, which, table, safe, dead, picked, reason, whole)


class Prior(NamedTuple):
    """Densities of log odds in G groups, the rates of a building independent given its group.

    Attributes:
        density: log density of each rate in each group at evenly spaced log odds from -FARTHEST to
            FARTHEST, and how much it rises there from node to node, shape (5, nodes, 2, G).
        anywhere: weight of each group in a portfolio's buildings, none left out, shape (G,).
    """

    density: Array
    anywhere: Array


class Pool(NamedTuple):
    """Point sets shared out among buildings.

    Attributes:
        prior: log odds from each group's prior, shape (sets, G, 5, M1).
        quantile: log odds of each group's rates at evenly spaced normal scores from -SCORES to
            SCORES, rising, shape (G, 5, nodes).
        student: points of a standard multivariate t distribution, shape (sets, 5, M2).
        degrees: its degrees of freedom.
    """

    prior: Array
    quantile: Array
    student: Array
    degrees: float


@compiled
def log_prior(x: Array, shift: Array, groups: Array, prior: Prior, out: Array) -> None:
    """Log prior densities of log odds ``x`` (5, M) less ``shift`` (5,), into ``out`` (N, M).

    Between the nodes of ``prior.density`` by cubics with the slopes at both ends, beyond them by
    the straight lines that log densities of beta distributions become there.

    Args:
        x, shift: as said.
        groups: weight of each group in each of N mixtures, shape (N, G).
        prior: the groups.
        out: filled.
    """
    rates, nodes, _, count_groups = prior.density.shape
    step = 2.0 * FARTHEST / (nodes - 1)
    for start in range(0, x.shape[1], CHUNK):
        count = min(CHUNK, x.shape[1] - start)
        terms = np.zeros((count, count_groups))
        for r in range(rates):
            table = prior.density[r]
            for m in range(count):
                place = (x[r, start + m] - shift[r] + FARTHEST) / step
                low = int(min(max(np.floor(place), 0.0), nodes - 2.0))
                t = place - low
                inside = min(max(t, 0.0), 1.0)
                square = inside * inside
                cube = square * inside
                second = 3.0 * square - 2.0 * cube
                first = 1.0 - second
                rise = inside - 2.0 * square + cube + min(t, 0.0)
                fall = cube - square + max(t - 1.0, 0.0)
                each, before, after = terms[m], table[low], table[low + 1]
                for g in range(count_groups):
                    each[g] += (
                        first * before[0, g]
                        + rise * before[1, g]
                        + second * after[0, g]
                        + fall * after[1, g]
                    )
        top = np.empty(count)
        for m in range(count):
            each = terms[m]
            top[m] = each[0]
            for g in range(1, count_groups):
                top[m] = max(top[m], each[g])
            for g in range(count_groups):
                each[g] -= top[m]
        exponential(terms.reshape(-1), np.empty(count * count_groups))
        total = np.empty(count)
        for n in range(groups.shape[0]):
            for m in range(count):
                total[m] = 0.0
                for g in range(count_groups):
                    total[m] += groups[n, g] * terms[m, g]
                total[m] = max(total[m], 1e-300)
            logarithm(total)
            for m in range(count):
                out[n, start + m] = top[m] + total[m]


@compiled
def normalise(log_weight: Array, weight: Array) -> float:
    """Turn log weights into weights that sum to 1; return the effective number of points."""
    top = log_weight[0]
    for m in range(log_weight.shape[0]):
        top = max(top, log_weight[m])
    for m in range(log_weight.shape[0]):
        weight[m] = log_weight[m] - top
    exponential(weight, np.empty(weight.shape[0]))
    total = 0.0
    for m in range(log_weight.shape[0]):
        total += weight[m]
    squares = 0.0
    for m in range(log_weight.shape[0]):
        weight[m] /= total
        squares += weight[m] * weight[m]
    return 1.0 / squares


@compiled
def _moments(x: Array, log_weight: Array, widen: float, centre: Array, factor: Array) -> None:
    """Weighted mean of points and a factor of their covariance, steadied where few carry it."""
    rates, count = x.shape[0], log_weight.shape[0]
    weight = np.empty(count)
    effective = normalise(log_weight, weight)
    trust = effective / (effective + 6.0)
    spread, found = np.empty(rates), np.empty(rates)
    for r in range(rates):
        middle = 0.0
        for m in range(count):
            middle += weight[m] * x[r, m]
        centre[r] = middle
        square = 0.0
        for m in range(count):
            square += weight[m] * (x[r, m] - centre[r]) ** 2
        found[r] = np.sqrt(max(square, 1e-12))
        # Never narrower than the trust in so few points allows, nor absurdly wide.
        spread[r] = np.sqrt(min(max(square, 0.01), 25.0) * widen + (1.0 - trust) * 0.8)
    # Cholesky factor of the correlations, pulled towards none, times the spreads.
    for r in range(rates):
        for c in range(r + 1):
            value = 1.0
            if c < r:
                value = 0.0
                for m in range(count):
                    value += weight[m] * (x[r, m] - centre[r]) * (x[c, m] - centre[c])
                value *= 0.95 * trust / (found[r] * found[c])
            for i in range(c):
                value -= factor[r, i] * factor[c, i]
            factor[r, c] = np.sqrt(max(value, 1e-6)) if r == c else value / factor[c, c]
    for r in range(rates):
        for c in range(r + 1):
            factor[r, c] *= spread[r]


@compiled
def _log_student(
    x: Array,
    slope: Array,
    start: int,
    stop: int,
    centre: Array,
    factor: Array,
    degrees: float,
    constant: float,
    out: Array,
) -> None:
    """Log density of a multivariate t distribution at some of the points (5, M) into ``out``.

    ``slope`` (M,) is taken off: the density of something that changes as fast as its exponential.
    """
    rates = x.shape[0]
    log_det = 0.0
    for r in range(rates):
        log_det += np.log(factor[r, r])
    count = stop - start
    z, square = np.empty((rates, count)), np.zeros(count)
    for r in range(rates):
        for m in range(count):
            z[r, m] = x[r, start + m] - centre[r]
        for c in range(r):
            part = factor[r, c]
            for m in range(count):
                z[r, m] -= part * z[c, m]
        part = 1.0 / factor[r, r]
        for m in range(count):
            z[r, m] *= part
            square[m] += z[r, m] * z[r, m]
    for m in range(count):
        square[m] = 1.0 + square[m] / degrees
    logarithm(square)
    for m in range(count):
        out[start + m] = constant - log_det - slope[start + m] - 0.5 * (degrees + rates) * square[m]


@compiled
def _add_picking(
    tree: Tree,
    own: OwnTables,
    shares: Shares,
    building: int,
    p: Array,
    q: Array,
    w: Array,
    out: Array,
) -> None:
    """Take out of ``out`` (M,) how likely it was that these very openings would be picked.

    How many looks were made for a reason, and where, is the inspectors' choice and says nothing of
    the building's rates; which of its openings they fell on does say something of these openings.
    Openings of one circuit are picked for what they share, so that is summed over the hierarchy
    like the evidence.
    """
    if not own.whole:
        return
    chance = np.zeros(out.shape[0])
    log_likelihood(tree, own.picked, own.reason, building, shares, p, q, w, True, chance)
    for m in range(out.shape[0]):
        out[m] -= chance[m]


@compiled
def _weigh_points(
    tree: Tree,
    own: OwnTables,
    prior: Prior,
    shares: Shares,
    building: int,
    x: Array,
    shift: Array,
    groups: Array,
    poor: float,
    stake: Array,
    like: Array,
    chosen: Array,
    density: Array,
    log_stake: Array,
) -> None:
    """Log likelihood at points (5, M) into ``like`` (M,), ``log_prior`` into ``density`` (N, M).

    ``chosen`` (M,) gets what of it ``_add_picking`` took out. ``log_stake`` (M,) gets the logarithm
    of the mean there of ``stake`` (S, 3), which is by state and trouble.
    """
    for start in range(0, x.shape[1], CHUNK):
        count = min(CHUNK, x.shape[1] - start)
        part, found = np.empty((RATE_COUNT, count)), np.zeros(count)
        for r in range(RATE_COUNT):
            for m in range(count):
                part[r, m] = x[r, start + m]
        p, q, w = np.empty((S, count)), np.empty((S, count)), np.empty((T, count))
        state_chances(part, poor, shares, p, q, w)
        _add_picking(tree, own, shares, building, p, q, w, found)
        for m in range(count):
            chosen[start + m] = found[m]
        log_likelihood(tree, own.table, own.which, building, shares, p, q, w, own.whole, found)
        for m in range(count):
            like[start + m] = found[m]
            found[m] = 0.0
        for s in range(S):
            for m in range(count):
                found[m] += p[s, m] * (
                    stake[s, 0] * w[0, m] + stake[s, 1] * w[1, m] + stake[s, 2] * w[2, m]
                )
        for m in range(count):
            found[m] = max(found[m], 1e-300)
        logarithm(found)
        for m in range(count):
            log_stake[start + m] = found[m]
    log_prior(x, shift, groups, prior, density)


@compiled
def _node_below(value: float, quantile: Array) -> int:
    """The last node of a table (nodes,) not above a value of log odds; never the very last."""
    low, high = 0, quantile.shape[0] - 1
    while high - low > 1:
        middle = (low + high) // 2
        if quantile[middle] <= value:
            low = middle
        else:
            high = middle
    return low


@compiled
def _scores(x: Array, shift: Array, quantile: Array, z: Array, slope: Array) -> None:
    """Normal scores of log odds ``x`` (5, M) into ``z``, log of dx/dz of all into ``slope`` (M,).

    By straight lines between the nodes of ``quantile`` (5, nodes), which is of log odds less
    ``shift``: what is unknown of a rate then looks nearly normal, however skew its prior is.
    """
    step = 2.0 * SCORES / (quantile.shape[1] - 1)
    for m in range(x.shape[1]):
        slope[m] = 1.0
    for r in range(x.shape[0]):
        for m in range(x.shape[1]):
            value = x[r, m] - shift[r]
            low = _node_below(value, quantile[r])
            rise = (quantile[r, low + 1] - quantile[r, low]) / step
            z[r, m] = low * step - SCORES + (value - quantile[r, low]) / rise
            slope[m] *= rise
    for m in range(x.shape[1]):
        slope[m] = max(slope[m], 1e-300)
    logarithm(slope)


@compiled
def _from_scores(z: Array, shift: Array, quantile: Array, x: Array, slope: Array) -> None:
    """The inverse of ``_scores``: log odds (5, M) and the log of dx/dz from scores ``z``.

    Log odds are kept within what double precision tells apart; scores move with them.
    """
    nodes = quantile.shape[1]
    step = 2.0 * SCORES / (nodes - 1)
    for m in range(z.shape[1]):
        slope[m] = 1.0
    for r in range(z.shape[0]):
        for m in range(z.shape[1]):
            place = (z[r, m] + SCORES) / step
            low = int(min(max(np.floor(place), 0.0), nodes - 2.0))
            rise = quantile[r, low + 1] - quantile[r, low]
            free = quantile[r, low] + (place - low) * rise + shift[r]
            x[r, m] = min(max(free, -FARTHEST), FARTHEST)
            if x[r, m] != free:
                value = x[r, m] - shift[r]
                low = _node_below(value, quantile[r])
                rise = quantile[r, low + 1] - quantile[r, low]
                z[r, m] = (low + (value - quantile[r, low]) / rise) * step - SCORES
            slope[m] *= rise / step
    for m in range(z.shape[1]):
        slope[m] = max(slope[m], 1e-300)
    logarithm(slope)


@compiled
def place_points(
    tree: Tree,
    own: OwnTables,
    prior: Prior,
    pool: Pool,
    shares: Shares,
    building: int,
    number: int,
    shift: Array,
    group: Array,
    poor: float,
    stake: Array,
    student_constant: float,
    x: Array,
    like: Array,
    chosen: Array,
    log_rest: Array,
    log_own: Array,
    block: Ints,
) -> None:
    """Place a building's points and weigh its evidence there.

    Points come from priors, half of them as the building's own weights of groups have it and half
    as a portfolio's, then from t distributions of normal scores (see ``_scores``) fitted, one
    after the other, to the building's posterior as all points so far have it, the last of them to
    the posterior times what is at stake, which a few bad cases carry; each point is weighed against
    the mixture of all sources, so that every weight is bounded.

    Args:
        tree, own, prior, pool, shares: see there.
        building: which one.
        number: picks its sets of points.
        shift, group, poor: its shift of log odds, weights of groups, share of poor grounds.
        stake: expected harm of an opening of which nothing is known, by state and trouble, (S, 3).
        student_constant: log normalising constant of the t distribution.
        x: filled with log odds, shape (5, M1 + M2).
        like: filled with log likelihood, shape (M1 + M2,).
        chosen: filled with the part of it that says how likely these very openings were picked.
        log_rest: filled with log likelihood less log proposal density, shape (M1 + M2,).
        log_own: filled with the log prior density, shape (M1 + M2,).
        block: filled with which of ``BLOCKS`` parts each point belongs to, shape (M1 + M2,).
    """
    first, count = pool.prior.shape[3], x.shape[1]
    points_of = number % pool.prior.shape[0]
    table = pool.student[(number // 7) % pool.student.shape[0]]
    # The building's own mixture of groups, and that of the first points.
    groups = np.empty((2, group.shape[0]))
    for g in range(group.shape[0]):
        groups[0, g] = group[g]
        groups[1, g] = 0.5 * group[g] + 0.5 * prior.anywhere[g]
    # Systematic sampling of groups, begun at a place of the building's own: each group's points
    # stand side by side in the sequence, which keeps them evenly spread.
    begun = (number % 8191 + 0.5) / 8191.0
    place, reached, start = 0, groups[1, 0], 0
    for m in range(first):
        while (m + begun) / first > reached and place < group.shape[0] - 1:
            place += 1
            reached += groups[1, place]
            start = m
        block[m] = m - start
        for r in range(RATE_COUNT):
            value = pool.prior[points_of, place, r, m] + shift[r]
            x[r, m] = min(max(value, -FARTHEST), FARTHEST)
    # Blocks likewise: each has its part of every group and of every round.
    end = first
    for m in range(first - 1, -1, -1):
        length = end - (m - block[m])
        if block[m] == 0:
            end = m
        block[m] = block[m] * BLOCKS // length
    of_round = (count - first) // ROUNDS
    for m in range(first, count):
        block[m] = (m - first) % of_round * BLOCKS // of_round
    likeliest = 0
    for g in range(group.shape[0]):
        if group[g] > group[likeliest]:
            likeliest = g
    quantile = pool.quantile[likeliest]
    scores, slope = np.empty((RATE_COUNT, count)), np.empty(count)
    log_stake = np.empty(count)
    # Log densities of the sources: the first points' mixture, then each fitted distribution.
    density = np.empty((ROUNDS + 1, count))
    shares_of = np.empty(ROUNDS + 1)
    shares_of[0] = np.log(first / count)
    centre, factor = np.empty(RATE_COUNT), np.empty((RATE_COUNT, RATE_COUNT))
    centres, factors = np.empty((ROUNDS, RATE_COUNT)), np.empty((ROUNDS, RATE_COUNT, RATE_COUNT))
    done = 0
    for turn in range(ROUNDS + 1):
        size = first if turn == 0 else (count - first) // ROUNDS
        fresh = np.empty((RATE_COUNT, size))
        new_scores, new_slope = np.empty((RATE_COUNT, size)), np.empty(size)
        if turn == 0:
            for r in range(RATE_COUNT):
                for m in range(size):
                    fresh[r, m] = x[r, m]
            _scores(fresh, shift, quantile, new_scores, new_slope)
        else:
            trial = np.empty(done)
            _mixed(density, shares_of, turn, trial)
            for m in range(done):
                trial[m] = like[m] + log_own[m] - trial[m]
                if turn == ROUNDS:
                    trial[m] += log_stake[m]
            # Wide at first, when few points carry the weight; narrower as they find the place.
            _moments(scores, trial, 2.4 - 0.4 * turn, centre, factor)
            for r in range(RATE_COUNT):
                centres[turn - 1, r] = centre[r]
                for c in range(RATE_COUNT):
                    factors[turn - 1, r, c] = factor[r, c]
            for r in range(RATE_COUNT):
                for m in range(size):
                    value = centre[r]
                    for c in range(r + 1):
                        value += factor[r, c] * table[c, done - first + m]
                    new_scores[r, m] = value
            _from_scores(new_scores, shift, quantile, fresh, new_slope)
            for r in range(RATE_COUNT):
                for m in range(size):
                    x[r, done + m] = fresh[r, m]
            shares_of[turn] = np.log(size / count)
        new_like, new_chosen = np.empty(size), np.empty(size)
        both, new_stake = np.empty((2, size)), np.empty(size)
        _weigh_points(
            tree,
            own,
            prior,
            shares,
            building,
            fresh,
            shift,
            groups,
            poor,
            stake,
            new_like,
            new_chosen,
            both,
            new_stake,
        )
        for m in range(size):
            like[done + m], log_own[done + m] = new_like[m], both[0, m]
            chosen[done + m] = new_chosen[m]
            density[0, done + m], log_stake[done + m] = both[1, m], new_stake[m]
        for m in range(size):
            slope[done + m] = new_slope[m]
            for r in range(RATE_COUNT):
                scores[r, done + m] = new_scores[r, m]
        done += size
        for source in range(turn):
            from_m = 0 if source == turn - 1 else done - size
            _log_student(
                scores,
                slope,
                from_m,
                done,
                centres[source],
                factors[source],
                pool.degrees,
                student_constant,
                density[source + 1],
            )
    _mixed(density, shares_of, ROUNDS + 1, log_rest)
    for m in range(count):
        log_rest[m] = like[m] - log_rest[m]


@compiled
def _mixed(density: Array, log_share: Array, sources: int, out: Array) -> None:
    """Log density of the mixture of the first so many sources at the first points, into (M,)."""
    count = out.shape[0]
    held = 0.0
    for source in range(sources):
        held += np.exp(log_share[source])
    total, scratch, term = np.zeros(count), np.empty(count), np.empty(count)
    for m in range(count):
        out[m] = -1e300
    for source in range(sources):
        for m in range(count):
            out[m] = max(out[m], log_share[source] + density[source, m])
    for source in range(sources):
        for m in range(count):
            term[m] = log_share[source] + density[source, m] - out[m]
        exponential(term, scratch)
        for m in range(count):
            total[m] += term[m]
    for m in range(count):
        total[m] /= held
    logarithm(total)
    for m in range(count):
        out[m] += total[m]


@compiled
def _next(state: State) -> float:
    """Next uniform number in (0, 1) of a splitmix64 generator; ``state`` is uint64, shape (1,)."""
    state[0] += np.uint64(0x9E3779B97F4A7C15)
    z = state[0]
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    z = z ^ (z >> np.uint64(31))
    return (float(z >> np.uint64(11)) + 0.5) / 9007199254740992.0


@compiled
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
        steps: chance of danger of each row's opening with the slots that it has but without its
            own looks, by what is known: the building's rates, its dwelling too, its circuit too,
            shape (R, 3).
        none_dangerous, none_live: probability of no dangerous opening, of no live metal, (B,).
        rates: posterior mean of the rates, shape (B, 5).
        effective: effective number of points, shape (B,).
        harm_error: standard error that the points leave in the expected harm, at most: blocks of a
            low-discrepancy sequence differ by more than the whole of it errs, shape (B,).
        dangerous: draws of the number of dangerous openings, shape (B, N).
        harm: draws of expected harm given hands and circuits, shape (B, N).
        taught: expected numbers behind the portfolio's shares, shape (B, TAUGHT): circuits that
            copy, circuits; openings that follow, openings; openings on their own, openings; fresh
            draws of a hand by state; circuits jumpered at single openings, at the head; circuits
            that do not copy but are of the hand's origin, circuits that do not copy.
        hidden_dangerous, hidden_harm: the part of ``dangerous`` and ``harm`` at openings that
            nobody recorded, shape (B, N).
    """

    joint: Array
    steps: Array
    none_dangerous: Array
    none_live: Array
    rates: Array
    effective: Array
    harm_error: Array
    dangerous: Array
    harm: Array
    taught: Array
    hidden_dangerous: Array
    hidden_harm: Array


@compiled
def _opening_risks(
    own: OwnTables,
    evidence: Evidence,
    p: Array,
    q: Array,
    w: Array,
    shares: Shares,
    ones: Array,
    risk: Array,
    hurt: Array,
) -> None:
    """Chance of danger and expected harm of an opening given its circuit's state, by class.

    ``ones`` is from ``opening_likelihoods``; ``risk`` and ``hurt`` are filled, shape (K, S, M).
    """
    count = p.shape[1]
    each, pain = np.empty((S, count)), np.empty((S, T))
    follows, alone = shares.opening_follows, shares.opening_own
    for k in range(own.kind.shape[0]):
        harm = evidence.harm[own.kind[k]]
        for s in range(S):
            for t in range(T):
                pain[s, t] = own.table[k, s, t] * harm[s, t]
        opening_likelihood(own.safe[k], p, q, w, follows, alone, each, risk[k])
        opening_likelihood(pain, p, q, w, follows, alone, each, hurt[k])
        for s in range(S):
            for m in range(count):
                risk[k, s, m] = 1.0 - risk[k, s, m] / ones[k, s, m]
                hurt[k, s, m] /= ones[k, s, m]


@compiled
def weigh_building(
    tree: Tree,
    evidence: Evidence,
    own: OwnTables,
    shares: Shares,
    building: int,
    poor: float,
    x: Array,
    like: Array,
    chosen: Array,
    weights: Array,
    block: Ints,
    flat: int,
    fully: bool,
    random: State,
    out: Found,
    place: int,
    row_offset: int,
) -> None:
    """Everything that is told of one building, from its weighted points.

    Args:
        tree, evidence, own, shares: see there.
        building: which one.
        poor: its share of poor grounds among the grounded.
        x: log odds of its points, shape (5, M).
        like: log likelihood at each, shape (M,).
        chosen: the part of it from ``_add_picking``, shape (M,).
        weights: weight of each; they sum to 1, shape (M,).
        block: which part of ``BLOCKS`` each belongs to, shape (M,).
        flat: evidence class of openings without evidence.
        fully: whether to tell more than posteriors of rows and what learning goes by: chances of
            none in the building, and steps.
        random: state of its random numbers, changed.
        out: added to, at ``place`` and at rows less ``row_offset``; all zero at first.
        place: where in the block.
        row_offset: first row of the block.
    """
    count = x.shape[1]
    draws = out.dangerous.shape[1]
    drawn = np.empty(draws, dtype=np.int64)
    if draws:
        resample(weights, _next(random), drawn)
    drawn_from = 0
    none_dangerous, none_live = 0.0, 0.0
    mass, worth = np.zeros(BLOCKS), np.zeros(BLOCKS)
    heaviest = 0
    for m in range(count):
        if weights[m] > weights[heaviest]:
            heaviest = m
    at = np.empty(count, dtype=np.int64)
    for m in range(count):
        # Where many openings of one circuit are all but impossible, their chances are 0 in double
        # precision and shares of them are none. Such a point weighs nothing, wherever it lies.
        at[m] = heaviest if weights[m] < WEIGHS_NOTHING * weights[heaviest] else m
    for start in range(0, count, CHUNK):
        size = min(CHUNK, count - start)
        part, weight = np.empty((RATE_COUNT, size)), np.empty(size)
        for m in range(size):
            weight[m] = weights[start + m]
            for r in range(RATE_COUNT):
                part[r, m] = x[r, at[start + m]]
                out.rates[place, r] += weight[m] / (1.0 + np.exp(-part[r, m]))
        p, q, w = np.empty((S, size)), np.empty((S, size)), np.empty((T, size))
        state_chances(part, poor, shares, p, q, w)
        if fully:
            quiet, dead = np.empty(size), np.empty(size)
            for m in range(size):
                quiet[m] = dead[m] = chosen[at[start + m]]
            log_likelihood(tree, own.safe, own.which, building, shares, p, q, w, True, quiet)
            log_likelihood(tree, own.dead, own.which, building, shares, p, q, w, True, dead)
            for m in range(size):
                none_dangerous += weight[m] * np.exp(quiet[m] - like[at[start + m]])
                none_live += weight[m] * np.exp(dead[m] - like[at[start + m]])
        drawn_to = drawn_from
        while drawn_to < draws and drawn[drawn_to] < start + size:
            drawn[drawn_to] -= start
            drawn_to += 1
        kinds = own.kind.shape[0]
        each, ones = np.empty((kinds, S, size)), np.empty((kinds, S, size))
        opening_likelihoods(own.table, p, q, w, shares, each, ones)
        told = kinds if fully else 0
        faces = np.empty((told, S, size)), np.empty((told, S, size))
        usual, pains = np.empty(told), np.empty((told, S, size))
        pain = np.zeros(size)
        if fully:
            _pains(own, evidence, w, pains)
            _faces(own, evidence, w, faces[0], faces[1])
            _usual_dangers(faces[0], faces[1], p, q, shares, weight, usual)
        drawing = kinds if drawn_to > drawn_from else 0
        risk, hurt = np.empty((drawing, S, size)), np.empty((drawing, S, size))
        if drawing:
            _opening_risks(own, evidence, p, q, w, shares, ones, risk, hurt)
        for dwelling in range(tree.dwelling_start[building], tree.dwelling_start[building + 1]):
            _weigh_dwelling(
                tree,
                own,
                each,
                ones,
                faces,
                usual,
                pains,
                pain,
                risk,
                hurt,
                first_row(tree, building),
                shares,
                dwelling,
                p,
                q,
                w,
                weight,
                flat,
                fully,
                drawn,
                drawn_from,
                drawn_to,
                random,
                out,
                place,
                row_offset,
            )
        for m in range(size):
            mass[block[start + m]] += weight[m]
            worth[block[start + m]] += weight[m] * pain[m]
        drawn_from = drawn_to
    # Of a mean with weights that sum to 1: the delta method, blocks as if drawn independently.
    mean, square = worth.sum(), 0.0
    for each_block in range(BLOCKS):
        square += (worth[each_block] - mean * mass[each_block]) ** 2
    out.harm_error[place] = np.sqrt(square * BLOCKS / (BLOCKS - 1.0))
    out.none_dangerous[place] = min(none_dangerous, 1.0)
    out.none_live[place] = min(none_live, 1.0)


@compiled
def _weigh_dwelling(
    tree: Tree,
    own: OwnTables,
    each: Array,
    ones: Array,
    faces: tuple[Array, Array],
    usual: Array,
    pains: Array,
    pain: Array,
    risk: Array,
    hurt: Array,
    base: int,
    shares: Shares,
    dwelling: int,
    p: Array,
    q: Array,
    w: Array,
    weight: Array,
    flat: int,
    fully: bool,
    drawn: Ints,
    drawn_from: int,
    drawn_to: int,
    random: State,
    out: Found,
    place: int,
    row_offset: int,
) -> None:
    """One dwelling's part of ``weigh_building``.

    ``each`` and ``ones`` are from ``opening_likelihoods``, ``faces``, ``usual`` and ``pains`` from
    ``_faces``, ``_usual_dangers`` and ``_pains``, ``risk`` and ``hurt`` from ``_opening_risks``;
    ``base`` is the building's first row. The dwelling's expected harm at each point is added to
    ``pain`` (M,).
    """
    count = weight.shape[0]
    first, last = tree.circuit_start[dwelling], tree.circuit_start[dwelling + 1]
    times = tree.dwelling_times[dwelling]
    copies = shares.circuit_follows
    circuits = np.ones((last - first, S, count))
    upward = np.ones((last - first, S, count))
    hand, scale = np.ones((S, count)), np.zeros(count)
    telling, since = 0, 0
    for k in range(first, last):
        if not tree.circuit_flat[k]:
            telling += tree.circuit_times[k]
        elif not own.whole:
            continue
        like, up = circuits[k - first], upward[k - first]
        openings = _circuit(tree, k, ones, own.which, base, like, scale)
        _as_circuit_of(like, p, shares, up)
        since = _times_power(hand, up, tree.circuit_times[k], openings, since, scale)
    posterior, total = np.empty((S, count)), np.zeros(count)
    for s in range(S):
        for m in range(count):
            posterior[s, m] = p[s, m] * hand[s, m]
            total[m] += posterior[s, m]
    for s in range(S):
        held = 0.0
        for m in range(count):
            posterior[s, m] /= total[m]
            held += weight[m] * posterior[s, m]
        if not tree.dwelling_flat[dwelling]:
            out.taught[place, 6 + s] += times * held

    above, fresh = np.empty((S, count)), np.empty((3, count))
    follow, origin = np.empty(count), shares.origin_follows
    # Chance that a fresh draw, and that the hand, left a ground and that it did not.
    anybody, ours = np.zeros((2, count)), np.empty((2, count))
    for s in range(S):
        for m in range(count):
            anybody[0 if s < FIRST_UNGROUNDED else 1, m] += p[s, m]
    for k in range(first, last):
        # What the rest of the dwelling says of this circuit's state.
        like = circuits[k - first]
        for m in range(count):
            total[m], follow[m] = 0.0, 0.0
        for s in range(S):
            for m in range(count):
                above[s, m] = posterior[s, m] / upward[k - first, s, m]
                total[m] += above[s, m]
        for m in range(count):
            either = above[JUMPERED, m] + above[HEAD_JUMPERED, m] + above[HEAD_LIVE, m]
            above[JUMPERED, m] = (1.0 - shares.head) * either
            above[HEAD_JUMPERED, m] = shares.head * (1.0 - shares.live) * either
            above[HEAD_LIVE, m] = shares.head * shares.live * either
        for kind in range(2):
            for m in range(count):
                ours[kind, m] = 0.0
        for s in range(S):
            kind = 0 if s < FIRST_UNGROUNDED else 1
            for m in range(count):
                above[s, m] /= total[m]
                ours[kind, m] += above[s, m]
        for s in range(S):
            kind = 0 if s < FIRST_UNGROUNDED else 1
            for m in range(count):
                follow[m] += above[s, m] * like[s, m]
                tied = ours[kind, m] / max(anybody[kind, m], 1e-300)
                above[s, m] = copies * above[s, m] + (1.0 - copies) * p[s, m] * (
                    origin * tied + 1.0 - origin
                )
        if not tree.circuit_flat[k]:
            number = times * tree.circuit_times[k]
            copied, tied_to = 0.0, 0.0
            _fresh(like, p, fresh)
            for m in range(count):
                same = ours[0, m] * fresh[0, m] + ours[1, m] * fresh[1, m]
                anew = (1.0 - copies) * (origin * same + (1.0 - origin) * fresh[2, m])
                part = weight[m] / (copies * follow[m] + anew)
                copied += part * copies * follow[m]
                tied_to += part * (1.0 - copies) * origin * same
                for s in range(JUMPERED, S):
                    which = 0 if s == JUMPERED else 1
                    out.taught[place, 6 + S + which] += number * part * above[s, m] * like[s, m]
            if telling > 1:
                out.taught[place, 0] += number * copied
                # By these points' share: a building's points come in several goes.
                out.taught[place, 1] += number * weight.sum()
                out.taught[place, 8 + S] += number * tied_to
                out.taught[place, 9 + S] += number * (weight.sum() - copied)
        _weigh_circuit(
            tree,
            own,
            each,
            ones,
            faces,
            usual,
            pains,
            pain,
            base,
            shares,
            k,
            times * tree.circuit_times[k],
            p,
            q,
            w,
            weight,
            above,
            like,
            flat,
            fully,
            out,
            place,
            row_offset,
        )
    if drawn_to > drawn_from:
        _draw_dwelling(
            tree,
            risk,
            hurt,
            own.which,
            base,
            shares,
            dwelling,
            p,
            posterior,
            circuits,
            drawn,
            drawn_from,
            drawn_to,
            random,
            flat,
            out,
            place,
        )


@compiled
def _from_circuit(
    state: Array, loose: Array, p: Array, q: Array, follows: float, own: float, out: Array
) -> None:
    """From chances of a circuit's state (S, M) to those of an opening on it, into ``out``.

    ``loose`` is the chance that the circuit has no ground of its own, shape (M,).
    """
    for s in range(FIRST_UNGROUNDED):
        for m in range(loose.shape[0]):
            out[s, m] = own * p[s, m] + (1.0 - own) * state[s, m]
    for s in range(FIRST_UNGROUNDED, S):
        for m in range(loose.shape[0]):
            out[s, m] = own * p[s, m] + (1.0 - own) * (
                follows * state[s, m] + (1.0 - follows) * q[s, m] * loose[m]
            )


@compiled
def _pains(own: OwnTables, evidence: Evidence, w: Array, pains: Array) -> None:
    """Likelihood of each class's evidence by state times its expected harm, into (K, S, M)."""
    for k in range(own.kind.shape[0]):
        table, harm = own.table[k], evidence.harm[own.kind[k]]
        for s in range(S):
            a, b, c = table[s, 0] * harm[s, 0], table[s, 1] * harm[s, 1], table[s, 2] * harm[s, 2]
            for m in range(w.shape[1]):
                pains[k, s, m] = a * w[0, m] + b * w[1, m] + c * w[2, m]


@compiled
def _faces(own: OwnTables, evidence: Evidence, w: Array, seen: Array, safe: Array) -> None:
    """Likelihood of each class's slots by state, and that without danger, into (K, S, M)."""
    for k in range(own.kind.shape[0]):
        face, calm = evidence.face[own.kind[k]], evidence.face_safe[own.kind[k]]
        for s in range(S):
            a, b, c = face[s, 0], face[s, 1], face[s, 2]
            d, e, f = calm[s, 0], calm[s, 1], calm[s, 2]
            for m in range(w.shape[1]):
                seen[k, s, m] = a * w[0, m] + b * w[1, m] + c * w[2, m]
                safe[k, s, m] = d * w[0, m] + e * w[1, m] + f * w[2, m]


@compiled
def _danger(seen: Array, safe: Array, state: Array, weight: Array) -> float:
    """Chance of danger of an opening with known slots and chances of its state, over points.

    Args:
        seen, safe: of its class, from ``_faces``, shape (S, M).
        state: chances of its state, shape (S, M).
        weight: of the points, shape (M,).
    """
    count = weight.shape[0]
    whole, calm = np.zeros(count), np.zeros(count)
    for s in range(S):
        for m in range(count):
            whole[m] += state[s, m] * seen[s, m]
            calm[m] += state[s, m] * safe[s, m]
    total = 0.0
    for m in range(count):
        total += weight[m] * (1.0 - calm[m] / whole[m])
    return total


@compiled
def _usual_dangers(
    seen: Array, safe: Array, p: Array, q: Array, shares: Shares, weight: Array, out: Array
) -> None:
    """Chance of danger of an opening of each class by the building's rates alone, into (K,)."""
    loose, usual = np.zeros(weight.shape[0]), np.empty(p.shape)
    for s in range(FIRST_UNGROUNDED, S):
        for m in range(weight.shape[0]):
            loose[m] += p[s, m]
    # An opening of a circuit jumpered at the head can have a style of its own: not just ``p``.
    _from_circuit(p, loose, p, q, shares.opening_follows, shares.opening_own, usual)
    for k in range(out.shape[0]):
        out[k] = _danger(seen[k], safe[k], usual, weight)


@compiled
def _weigh_circuit(
    tree: Tree,
    tables: OwnTables,
    all_each: Array,
    all_ones: Array,
    faces: tuple[Array, Array],
    usual: Array,
    pains: Array,
    pain: Array,
    base: int,
    shares: Shares,
    circuit: int,
    times: int,
    p: Array,
    q: Array,
    w: Array,
    weight: Array,
    above: Array,
    like: Array,
    flat: int,
    fully: bool,
    out: Found,
    place: int,
    row_offset: int,
) -> None:
    """Posterior of each row of one circuit, given what is above it (S, M) and its own ``like``."""
    count = weight.shape[0]
    follows, own = shares.opening_follows, shares.opening_own
    cavity, message = np.empty((S, count)), np.empty((S, count))
    around = np.empty((S, count))
    total, loose, share = np.empty(count), np.zeros(count), np.empty(count)
    if fully:
        for s in range(FIRST_UNGROUNDED, S):
            for m in range(count):
                loose[m] += above[s, m]
        _from_circuit(above, loose, p, q, follows, own, around)
    openings = 0
    for row in range(tree.row_start[circuit], tree.row_start[circuit + 1]):
        if tree.row_class[row] != flat:
            openings += tree.row_count[row]
    for row in range(tree.row_start[circuit], tree.row_start[circuit + 1]):
        index = tree.row_class[row]
        kind = tables.which[row - base]
        table, each, one = tables.table[kind], all_each[kind], all_ones[kind]
        for m in range(count):
            total[m], loose[m] = 0.0, 0.0
        for s in range(S):
            for m in range(count):
                cavity[s, m] = above[s, m] * like[s, m] / one[s, m]
                total[m] += cavity[s, m]
        for s in range(S):
            for m in range(count):
                cavity[s, m] /= total[m]
        for s in range(FIRST_UNGROUNDED, S):
            for m in range(count):
                loose[m] += cavity[s, m]
        _from_circuit(cavity, loose, p, q, follows, own, message)
        for m in range(count):
            total[m] = 0.0
        for s in range(S):
            for m in range(count):
                total[m] += message[s, m] * each[s, m]
        for m in range(count):
            share[m] = weight[m] / total[m]
        for s in range(S):
            straight, swapped, faulty = 0.0, 0.0, 0.0
            for m in range(count):
                part = share[m] * message[s, m]
                straight += part * w[0, m]
                swapped += part * w[1, m]
                faulty += part * w[2, m]
            out.joint[row - row_offset, s, 0] += straight * table[s, 0]
            out.joint[row - row_offset, s, 1] += swapped * table[s, 1]
            out.joint[row - row_offset, s, 2] += faulty * table[s, 2]
        if fully:
            seen, safe = faces[0][kind], faces[1][kind]
            out.steps[row - row_offset, 0] += usual[kind]
            out.steps[row - row_offset, 1] += _danger(seen, safe, around, weight)
            out.steps[row - row_offset, 2] += _danger(seen, safe, message, weight)
            openings_here, harms = times * tree.row_count[row], pains[kind]
            for m in range(count):
                share[m] = 0.0
            for s in range(S):
                for m in range(count):
                    share[m] += message[s, m] * harms[s, m]
            for m in range(count):
                pain[m] += openings_here * share[m] / total[m]
                share[m] = weight[m] / total[m]
        if openings > 1 and index != flat:
            alone, followed, styled = 0.0, 0.0, 0.0
            for s in range(S):
                for m in range(count):
                    alone += share[m] * p[s, m] * each[s, m]
            for s in range(FIRST_UNGROUNDED, S):
                for m in range(count):
                    followed += share[m] * cavity[s, m] * each[s, m]
                    styled += share[m] * q[s, m] * each[s, m] * loose[m]
            alone *= own
            followed *= (1.0 - own) * follows
            styled *= (1.0 - own) * (1.0 - follows)
            number = times * tree.row_count[row]
            out.taught[place, 2] += number * followed
            out.taught[place, 3] += number * (followed + styled)
            out.taught[place, 4] += number * alone
            out.taught[place, 5] += number * weight.sum()


@compiled
def _choose(heaps: Array, level: float) -> int:
    """Index of the first of running sums (S,) that lies above a level."""
    for s in range(S - 1):
        if level < heaps[s]:
            return s
    return S - 1


@compiled
def _draw_dwelling(
    tree: Tree,
    risk: Array,
    hurt: Array,
    which: Ints,
    base: int,
    shares: Shares,
    dwelling: int,
    p: Array,
    posterior: Array,
    circuits: Array,
    drawn: Ints,
    drawn_from: int,
    drawn_to: int,
    random: State,
    flat: int,
    out: Found,
    place: int,
) -> None:
    """Draw hands, circuits and dangerous openings; add them up over the building's draws.

    A circuit's state is drawn as a copy of the hand's, or anew; how many of its openings are
    dangerous by one uniform number for as many of them as are not (the next one that is dangerous
    is where the chance that none was has fallen below it).
    """
    first, last = tree.circuit_start[dwelling], tree.circuit_start[dwelling + 1]
    first_of, rows = tree.row_start[first], tree.row_start[last] - tree.row_start[first]
    copies, origin = shares.circuit_follows, shares.origin_follows
    # How a jumpering hand does its circuits.
    manner = np.zeros(S)
    manner[JUMPERED] = 1.0 - shares.head
    manner[HEAD_JUMPERED] = shares.head * (1.0 - shares.live)
    manner[HEAD_LIVE] = shares.head * shares.live
    hands, fresh = np.empty(S), np.empty((2, S))
    # What holds at one point, side by side: draws come in the order of their points. By circuit:
    # weight of a copy of each hand; running sums of jumpering copies and of fresh draws (by
    # whether the hand left a ground); chance that nothing is dangerous, harm, and that part of it
    # at openings that nobody recorded, by the circuit's state.
    copy, jumpering = np.empty((last - first, S)), np.empty((last - first, S))
    anew = np.empty((last - first, 2, S))
    calm, pain = np.empty((last - first, S)), np.empty((last - first, S))
    hidden_pain = np.empty((last - first, S))
    danger = np.empty((rows, S))
    at = -1
    for draw in range(drawn_from, drawn_to):
        m = drawn[draw]
        if m != at:
            at = m
            loose, held = 0.0, 0.0
            for s in range(FIRST_UNGROUNDED, S):
                loose += p[s, m]
            grounded = p[GROUNDED, m] + p[POOR, m]
            for s in range(S):
                held += posterior[s, m]
                hands[s] = held
                one = (1.0 - copies) * p[s, m]
                fresh[0, s] = fresh[1, s] = one * (1.0 - origin)
                if s < FIRST_UNGROUNDED:
                    fresh[0, s] += one * origin / max(grounded, 1e-300)
                else:
                    fresh[1, s] += one * origin / max(loose, 1e-300)
            for k in range(last - first):
                like = circuits[k, :, m]
                heap, with_ground, without = 0.0, 0.0, 0.0
                for s in range(S):
                    heap += copies * manner[s] * like[s]
                    jumpering[k, s] = heap
                    copy[k, s] = copies * like[s]
                    with_ground += fresh[0, s] * like[s]
                    without += fresh[1, s] * like[s]
                    anew[k, 0, s], anew[k, 1, s] = with_ground, without
                    calm[k, s], pain[k, s], hidden_pain[k, s] = 1.0, 0.0, 0.0
                for s in range(JUMPERED, S):
                    copy[k, s] = heap
                for row in range(tree.row_start[first + k], tree.row_start[first + k + 1]):
                    kind, number = which[row - base], tree.row_count[row]
                    for s in range(S):
                        chance = risk[kind, s, m]
                        danger[row - first_of, s] = chance
                        for _ in range(number):
                            calm[k, s] *= 1.0 - chance
                        pain[k, s] += number * hurt[kind, s, m]
                    if tree.row_class[row] == flat:
                        for s in range(S):
                            hidden_pain[k, s] += number * hurt[kind, s, m]
                # One swap in few makes a whole circuit live: averaged over, like swaps at openings.
                swapped = shares.live * like[HEAD_LIVE]
                swapped /= max(swapped + (1.0 - shares.live) * like[HEAD_JUMPERED], 1e-300)
                for values in (pain, hidden_pain):
                    values[k, HEAD_JUMPERED] += swapped * (
                        values[k, HEAD_LIVE] - values[k, HEAD_JUMPERED]
                    )
                    values[k, HEAD_LIVE] = values[k, HEAD_JUMPERED]
        dangerous, harm_sum = 0, 0.0
        hidden, hidden_sum = 0, 0.0
        for _ in range(tree.dwelling_times[dwelling]):
            h = _choose(hands, hands[S - 1] * _next(random))
            origin_of = 0 if h < FIRST_UNGROUNDED else 1
            for k in range(last - first):
                for _ in range(tree.circuit_times[first + k]):
                    same = copy[k, h]
                    level = (same + anew[k, origin_of, S - 1]) * _next(random)
                    if level >= same:
                        c = _choose(anew[k, origin_of], level - same)
                    elif h < JUMPERED:
                        c = h
                    else:
                        c = _choose(jumpering[k], level)
                    harm_sum += pain[k, c]
                    hidden_sum += hidden_pain[k, c]
                    level = _next(random)
                    if level < calm[k, c]:
                        continue
                    still = 1.0
                    for row in range(tree.row_start[first + k], tree.row_start[first + k + 1]):
                        chance = danger[row - first_of, c]
                        for _ in range(tree.row_count[row]):
                            still *= 1.0 - chance
                            if level >= still:
                                dangerous += 1
                                if tree.row_class[row] == flat:
                                    hidden += 1
                                level, still = _next(random), 1.0
        out.dangerous[place, draw] += dangerous
        out.harm[place, draw] += harm_sum
        out.hidden_dangerous[place, draw] += hidden
        out.hidden_harm[place, draw] += hidden_sum


@compiled
def weigh_block(
    tree: Tree,
    evidence: Evidence,
    picking: Picking,
    prior: Prior,
    pool: Pool,
    shares: Shares,
    buildings: Ints,
    numbers: Ints,
    seeds: npt.NDArray[np.uint64],
    shift: Array,
    groups: Array,
    poor: Array,
    student_constant: float,
    flat: int,
    fully: bool,
    out: Found,
    points: Array,
    log_rest: Array,
) -> None:
    """Place points and weigh every building of a stretch; see ``place_points``, ``weigh_building``.

    Args:
        picking: of these buildings, in this order.
        buildings: the buildings, consecutive, shape (n,).
        numbers, seeds: per building of the portfolio, pick point sets and seed draws.
        fully: see ``weigh_building``.
        points, log_rest: filled for learning, shapes (n, 5, M) and (n, M), or empty.
    """
    count = pool.prior.shape[3] + pool.student.shape[2]
    x, like, rest, own, chosen = (
        np.empty((RATE_COUNT, count)),
        np.empty(count),
        np.empty(count),
        np.empty(count),
        np.empty(count),
    )
    weight, random = np.empty(count), np.empty(1, dtype=np.uint64)
    block = np.empty(count, dtype=np.int64)
    offset = first_row(tree, buildings[0])
    seen = np.full(evidence.table.shape[0], -1)
    stake = evidence.table[flat] * evidence.harm[flat]
    for place in range(buildings.shape[0]):
        b = buildings[place]
        tables = own_tables(tree, evidence, picking, b, place, seen)
        place_points(
            tree,
            tables,
            prior,
            pool,
            shares,
            b,
            numbers[b],
            shift[b],
            groups[b],
            poor[b],
            stake,
            student_constant,
            x,
            like,
            chosen,
            rest,
            own,
            block,
        )
        for m in range(count):
            own[m] += rest[m]
        out.effective[place] = normalise(own, weight)
        random[0] = seeds[b]
        if points.shape[0]:
            for m in range(count):
                log_rest[place, m] = rest[m]
                for r in range(RATE_COUNT):
                    points[place, r, m] = x[r, m]
        weigh_building(
            tree,
            evidence,
            tables,
            shares,
            b,
            poor[b],
            x,
            like,
            chosen,
            weight,
            block,
            flat,
            fully,
            random,
            out,
            place,
            offset,
        )
