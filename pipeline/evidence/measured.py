"""What the measured columns of an observation say about the wiring, as likelihoods by bins.

Volts come with the load at which they were read, ohms by themselves; the yes/no columns are right
with a declared chance that depends on whether the cover was off. Everything else is the circuit
model's, integrated over run length and meter error.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from pipeline.evidence.circuit import WIRING, Contact, resistance_between
from pipeline.evidence.network import Floats
from pipeline.evidence.readings import idle_below, loaded_below, run_lengths
from shared.rule_book import RuleBook
from shared.vocabulary import CONDITIONS, Condition

VOLT_EDGES = (0.05, 0.1, 0.2, 0.4, 0.8, 1.6, 3.2, 6.4, 12.0, 30.0, 60.0, 90.0, 110.0)
"""Volts that part the bins; they group readings and judge nothing. 14 bins."""

LOAD_EDGES = (0.2, 1.0, 3.0, 6.0, 10.0, 14.0)
"""Amperes that part the load bins; below the first there is no load to speak of. 7 bins."""

LOAD_UNKNOWN = len(LOAD_EDGES) + 1
"""Number of the bin for volts without a stated load."""

_TOP_LOAD = 20.0
_NODES = 5


def _bins(below: Floats) -> Floats:
    """Turn chances of reading at most each edge, (..., L), into chances of the L + 1 bins."""
    ends = [(0, 0)] * (below.ndim - 1) + [(1, 1)]
    padded = np.pad(below, ends)
    padded[..., -1] = 1.0
    return np.diff(padded, axis=-1)


def volts_likelihood(book: RuleBook) -> Floats:
    """P(volts bin | condition, load bin), shape (8 load bins, 14 volt bins, 9).

    The last load bin is "not stated": no load with the declared chance, else any of the others.
    """
    edges = np.array(VOLT_EDGES)
    bounds = np.array([*LOAD_EDGES, _TOP_LOAD])
    steps = (np.arange(_NODES) + 0.5) / _NODES
    amps = bounds[:-1, None] * (bounds[1:] / bounds[:-1])[:, None] ** steps
    unknown_none = float(book.evidence.unknown_load_none)
    table = np.empty((LOAD_UNKNOWN + 1, len(VOLT_EDGES) + 1, len(CONDITIONS)))
    for column, condition in enumerate(CONDITIONS):
        table[0, :, column] = _bins(idle_below(book, condition, edges))
        loaded = _bins(loaded_below(book, condition, amps.ravel(), edges))
        table[1:LOAD_UNKNOWN, :, column] = loaded.reshape(*amps.shape, -1).mean(axis=1)
    some_load = table[1:LOAD_UNKNOWN].mean(axis=0)
    table[LOAD_UNKNOWN] = unknown_none * table[0] + (1.0 - unknown_none) * some_load
    return _soften(table, float(book.evidence.number_error), axis=1)


def ohms_likelihood(book: RuleBook) -> Floats:
    """P(ohms bin | condition) of a ground path, shape (3 bins: good, doubtful, none; 9)."""
    evidence = book.evidence
    limits = np.array([float(evidence.ground_good_ohms), float(evidence.ground_none_ohms)])
    feet = run_lengths(book.circuit)
    poor = float(book.evidence.poor_joints)
    table = np.empty((3, len(CONDITIONS)))
    for column, condition in enumerate(CONDITIONS):
        ohms = resistance_between(book.circuit, condition, feet, Contact.GROUND)
        below = (ohms[:, None] <= limits).mean(axis=0)
        bins = _bins(below)
        # A worn joint turns a path that would read good into one that reads doubtful.
        table[:, column] = bins + poor * bins[0] * np.array([-1.0, 1.0, 0.0])
    return _soften(table, float(book.evidence.number_error), axis=0)


def _soften(table: Floats, error: float, axis: int) -> Floats:
    softened: Floats = (1.0 - error) * table + error / table.shape[axis]
    return softened


def _yes(truth: ArrayLike, error: float) -> Floats:
    """P(answer | condition) of a yes/no column, shape (2 answers: no, yes; 9)."""
    share = np.asarray(truth, dtype=np.float64)
    yes = share * (1.0 - error) + (1.0 - share) * error
    return np.stack([1.0 - yes, yes])


def ground_present_likelihood(book: RuleBook) -> Floats:
    """P(ground_present | condition), shape (2 cover on/off, 2 no/yes, 9)."""
    truth = [WIRING[c].ground is not None for c in CONDITIONS]
    errors = (book.evidence.ground_present_error_cover_on, book.evidence.ground_present_error)
    return np.stack([_yes(truth, float(error)) for error in errors])


def jumper_likelihood(book: RuleBook) -> Floats:
    """P(neutral_ground_jumper | condition), shape (2 cover on/off, 2 no/yes, 9)."""
    truth = [WIRING[c].jumper for c in CONDITIONS]
    errors = (book.evidence.jumper_error_cover_on, book.evidence.jumper_error)
    return np.stack([_yes(truth, float(error)) for error in errors])


def polarity_likelihood(book: RuleBook) -> Floats:
    """P(polarity | condition), shape (2 correct/reversed, 9).

    Where the hot conductor is on neither slot, the word does not apply and either is as likely.
    """

    def share(condition: Condition) -> float:
        on = WIRING[condition].hot
        return {Contact.HOT: 0.0, Contact.NEUTRAL: 1.0}.get(on, 0.5) if on else 0.5

    return _yes([share(c) for c in CONDITIONS], float(book.evidence.polarity_error))
