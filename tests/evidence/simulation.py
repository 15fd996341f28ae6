"""Portfolios simulated from the hierarchy itself, with known truth, straight into arrays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.evidence.classes import (
    NOT_REPAIRED,
    SELECTIONS,
    UNKNOWN_SLOTS,
    Classes,
    Stakes,
    picking_odds,
)
from pipeline.evidence.likelihood import RESULTS, Likelihoods
from pipeline.evidence.posterior import Portfolio
from pipeline.evidence.priors import Priors
from pipeline.evidence.states import (
    FIRST_UNGROUNDED,
    HEAD_JUMPERED,
    HEAD_LIVE,
    JUMPERED,
    RATES,
    SLOTS,
    STATE_COUNT,
    Taught,
    outcomes,
)
from pipeline.evidence.tree import Rows, grow
from shared.rule_book import RuleBook
from shared.vocabulary import CONDITIONS, NO_LOOK_RESULTS, Method, Selection

POOR = 0.05
METHODS = (Method.THREE_LAMP_TESTER, Method.VOLTMETER_UNDER_LOAD, Method.COVER_OFF_INSPECTION)


@dataclass(frozen=True)
class Simulated:
    """A portfolio and its truth.

    Attributes:
        portfolio: every opening is recorded with its dwelling and circuit, looked at or not.
        group, crew: of each building, shape (B,).
        rate: true rates, shape (B, 5).
        dangerous: dangerous openings of each building, shape (B,).
        row_dangerous: the same by row of the tree, shape (R,).
        state: true state of each opening, shape (openings,).
    """

    portfolio: Portfolio
    group: np.ndarray
    crew: np.ndarray
    rate: np.ndarray
    dangerous: np.ndarray
    row_dangerous: np.ndarray
    state: np.ndarray


def fresh_chances(rate: np.ndarray, taught: Taught) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Chances of a fresh draw and of a style, shape (B, S), and of troubles, shape (B, 3)."""
    u, c, j, r, f = rate.T
    plain = c * (1 - j)
    nothing = np.zeros_like(u)
    style = np.stack(
        [
            nothing,
            nothing,
            1 - c,
            plain * (1 - taught.careful),
            plain * taught.careful,
            c * j,
            nothing,
            nothing,
        ],
        axis=1,
    )
    fresh = u[:, None] * style
    fresh[:, 0], fresh[:, 1] = (1 - u) * (1 - POOR), (1 - u) * POOR
    fresh[:, JUMPERED] = u * c * j * (1 - taught.head)
    fresh[:, HEAD_JUMPERED] = u * c * j * taught.head * (1 - taught.live)
    fresh[:, HEAD_LIVE] = u * c * j * taught.head * taught.live
    return fresh, style, np.stack([(1 - f) * (1 - r), (1 - f) * r, f], axis=1)


def _one_of(rng: np.random.Generator, chances: np.ndarray) -> np.ndarray:
    """Draw an index for each row of chances."""
    steps = np.cumsum(chances, axis=1)
    level = rng.random(len(chances))[:, None] * steps[:, -1:]
    result: np.ndarray = (level > steps).sum(axis=1).clip(max=chances.shape[1] - 1)
    return result


def simulate(
    rule_book: RuleBook,
    at_stake: Stakes,
    priors: Priors,
    taught: Taught,
    buildings: int,
    seed: int,
    *,
    looks: tuple[float, float, float] = (0.35, 0.08, 0.07),
    said: float = 0.5,
    selection: Selection = Selection.RANDOM,
    crew_effect: float = 0.0,
    crews: int = 10,
    groups: np.ndarray | None = None,
) -> Simulated:
    """Simulate buildings whose rates come from ``priors`` and whose wiring from ``taught``.

    Args:
        rule_book: outcomes of states, likelihoods and selection odds come from here.
        at_stake: what is dangerous.
        priors: the true hyperparameters, one draw.
        taught: the true shares of the portfolio.
        buildings: how many.
        seed: seed.
        looks: chance of a look by lamp tester, voltmeter under load and open box, per opening.
        said: share of looks that say whether the opening is GFCI protected.
        selection: how openings are picked; anything but random prefers some outcomes.
        crew_effect: log odds on false grounds of the first crew.
        crews: number of crews, spread over the buildings at random.
        groups: probability of each group; the priors' shares by default.
    """
    rng = np.random.default_rng(seed)
    count = priors.a.shape[0]
    shares = priors.shares if groups is None else groups
    group = rng.choice(count, size=buildings, p=shares)
    crew = rng.integers(0, crews, size=buildings)
    rate = rng.beta(priors.a[group, 0], priors.b[group, 0]).clip(1e-12, 1 - 1e-12)
    log_odds = np.log(rate) - np.log1p(-rate)
    log_odds[:, RATES.index("false_ground")] += crew_effect * (crew == 0)
    rate = 1 / (1 + np.exp(-log_odds))
    fresh, style, trouble_chance = fresh_chances(rate, taught)

    home = np.repeat(np.arange(buildings), rng.integers(1, 5, buildings))
    hand = _one_of(rng, fresh[home])
    of_home = np.repeat(np.arange(len(home)), rng.integers(1, 5, len(home)))
    copied = rng.random(len(of_home)) < taught.circuit_follows
    anybody = fresh[home[of_home]]
    # Some are drawn anew among states with a ground, or without, like the hand's.
    grounded = np.arange(anybody.shape[1]) < FIRST_UNGROUNDED
    alike = np.where(grounded == (hand[of_home] < FIRST_UNGROUNDED)[:, None], anybody, 0.0)
    tied = rng.random(len(of_home)) < taught.origin_follows
    anew = _one_of(rng, np.where(tied[:, None], alike, anybody))
    circuit = np.where(copied, hand[of_home], anew)
    of_circuit = np.repeat(np.arange(len(of_home)), rng.integers(1, 6, len(of_home)))
    dwelling = of_home[of_circuit]
    building = home[dwelling]
    size = len(building)
    above = circuit[of_circuit]
    alone = rng.random(size) < taught.opening_own
    styled = (above >= FIRST_UNGROUNDED) & (rng.random(size) >= taught.opening_follows)
    state = np.where(styled, _one_of(rng, style[building]), above)
    state = np.where(alone, _one_of(rng, fresh[building]), state)
    trouble = _one_of(rng, trouble_chance[building])
    outcome = outcomes(rule_book, taught)[state, trouble].reshape(size, -1)
    face, condition = np.divmod(_one_of(rng, outcome), len(CONDITIONS))
    wet = (rng.random(size) < 0.3).astype(np.int64)
    guarded = (rng.random(size) < taught.gfci[state, wet]).astype(np.int64)
    dangerous = rng.random(size) < at_stake.danger[face, condition, guarded]

    # An opening is picked once, with one chance; what is done there varies. The declared odds are
    # odds: it is picked with chance c W / (1 + c W).
    place = SELECTIONS.index(selection)
    odds = picking_odds(rule_book, at_stake, taught)[place][face, condition]
    odds = odds / odds.mean() * sum(looks) / (1 - sum(looks))
    picked = rng.random(size) < odds / (1 + odds)
    method = rng.choice(len(METHODS), size=size, p=np.array(looks) / sum(looks))
    likelihoods = Likelihoods(rule_book)
    words = [index for index, result in enumerate(RESULTS) if result not in NO_LOOK_RESULTS]
    tables = np.stack([likelihoods.result(each)[:, words] for each in METHODS])
    tables = tables / tables.sum(axis=2, keepdims=True)
    word = _one_of(rng, tables[method, condition])
    wrong = float(rule_book.structure.slots_wrong)
    seen = np.where(rng.random(size) < wrong, rng.integers(0, len(SLOTS), size), face)
    mistaken = float(rule_book.counting.gfci_error)
    answer = np.where(rng.random(size) < mistaken, 1 - guarded, guarded)
    answer = np.where(rng.random(size) < said, answer, 2)

    facts = np.stack([method, word, seen, answer, wet], axis=1)[picked]
    distinct, which = np.unique(facts, axis=0, return_inverse=True)
    flat = len(distinct)
    evidence = np.full(size, flat)
    evidence[picked] = which.ravel()
    protection = np.array([[1 - mistaken, mistaken], [mistaken, 1 - mistaken], [1.0, 1.0]])
    classes = Classes(
        condition_weights=np.vstack(
            [tables[distinct[:, 0], :, distinct[:, 1]], np.ones(len(CONDITIONS))]
        ),
        slots=np.append(distinct[:, 2], UNKNOWN_SLOTS),
        selection=np.append(np.full(flat, place), SELECTIONS.index(Selection.RANDOM)),
        gfci_weights=np.vstack([protection[distinct[:, 3]], [1.0, 1.0]]),
        wet=np.append(distinct[:, 4].astype(float), 0.3),
        location=np.ones(flat + 1),
        looked=np.append(np.ones(flat, dtype=bool), False),
        repaired=np.full(flat + 1, NOT_REPAIRED),
        repaired_slots=np.full(flat + 1, UNKNOWN_SLOTS),
        repaired_protection=np.zeros(flat + 1),
    )
    keys = np.stack([building, dwelling + 1, of_circuit + 1, evidence], axis=1)
    rows, inverse, number = np.unique(keys, axis=0, return_inverse=True, return_counts=True)
    tree, origin = grow(
        Rows(
            building=rows[:, 0],
            dwelling=rows[:, 1].astype(np.uint64),
            circuit=rows[:, 2].astype(np.uint64),
            evidence=rows[:, 3],
            count=number.astype(np.int64),
        ),
        buildings,
        np.zeros(buildings, dtype=np.int64),
        np.bincount(home, minlength=buildings),
        flat,
        5,
    )
    assert (origin == np.arange(len(rows))).all()
    counts = np.zeros((buildings, len(SELECTIONS)))
    counts[:, place] = np.bincount(building[picked], minlength=buildings)
    return Simulated(
        portfolio=Portfolio(
            tree=tree,
            group_weights=np.eye(count)[group],
            shift=np.zeros((buildings, len(RATES))),
            poor=np.full(buildings, POOR),
            picked=counts,
            seed=rng.integers(0, 2**63, buildings).astype(np.uint64),
            classes=classes,
        ),
        group=group,
        crew=crew,
        rate=rate,
        dangerous=np.bincount(building, dangerous, minlength=buildings).astype(int),
        row_dangerous=np.bincount(inverse.ravel(), dangerous, minlength=len(rows)).astype(int),
        state=state,
    )


def state_shares(simulated: Simulated) -> np.ndarray:
    """Share of openings in each state, shape (S,)."""
    return np.bincount(simulated.state, minlength=STATE_COUNT) / len(simulated.state)
