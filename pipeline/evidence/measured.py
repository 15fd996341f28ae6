"""What the measured columns of an observation say about the wiring, as likelihoods by bins.

Volts neutral to ground come with the load at which they were read; the yes/no columns are right
with a declared chance that depends on whether the cover was off. Everything else is the circuit
model's, integrated over what no record says and over meter error.

Every answer is a mixture: with a declared chance it is a slip that says nothing of the opening (a
figure mistyped, a box ticked by mistake), else it is what the model says. ``Answers`` keeps the two
apart, because a slip in one column does not touch what else the look says.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr

from pipeline.evidence.circuit import (
    WIRING,
    Contact,
    Setup,
    floats,
    resistance_between,
    solve,
)
from pipeline.evidence.network import Floats
from pipeline.evidence.readings import (
    floating_below,
    idle_below,
    loaded_below,
    run_lengths,
    unknowns,
)
from shared.rule_book import RuleBook
from shared.vocabulary import CONDITIONS, URGENT_CONDITIONS, Condition

VOLT_EDGES = (0.05, 0.1, 0.2, 0.4, 0.8, 1.6, 3.2, 6.4, 12.0, 30.0, 60.0, 90.0, 110.0)
"""Volts that part the bins; they group readings and judge nothing. 14 bins."""

LOAD_EDGES = (0.2, 1.0, 3.0, 6.0, 10.0, 14.0)
"""Amperes that part the load bins; below the first there is no load to speak of. 7 bins."""

LOAD_UNKNOWN = len(LOAD_EDGES) + 1
"""Number of the bin for volts without a stated load."""

LOAD_AS_METHOD = LOAD_UNKNOWN + 1
"""Row for volts without a stated load, read by the method that is named after its load."""

OHM_EDGES = (0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0, 300.0, 1000.0)
"""Ohms that part the bins of a ground path; they group readings and judge nothing. 10 bins."""

EARTH_VOLT_EDGES = (1.0, 6.0, 12.0, 30.0, 60.0, 90.0, 110.0)
"""Volts of metal against an independent earth that part the bins. 8 bins."""

SUPPLY_EDGES = (6.0, 30.0, 60.0, 90.0, 108.0, 132.0, 160.0, 200.0)
"""Volts hot to neutral that part the bins. 9 bins."""

_TOP_LOAD = 20.0
_NODES = 5


@dataclass(frozen=True)
class Answers:
    """One column of an observation: its answers (A bins or words) and how they come about.

    Attributes:
        read: chance of each answer under each condition where it is no slip, shape (..., A, C).
        slip: chance that the answer is a slip, any answer then being as likely.
    """

    read: Floats
    slip: float

    def table(self) -> Floats:
        """Chance of each answer under each condition, slips included; shape of ``read``."""
        softened: Floats = (1.0 - self.slip) * self.read + self.slip / self.read.shape[-2]
        return softened


def _bins(below: Floats) -> Floats:
    """Turn chances of reading at most each edge, (..., L), into chances of the L + 1 bins."""
    ends = [(0, 0)] * (below.ndim - 1) + [(1, 1)]
    padded = np.pad(below, ends)
    padded[..., -1] = 1.0
    return np.diff(padded, axis=-1)


def volts_answers(book: RuleBook) -> Answers:
    """Volts neutral to ground by load, read shape (9 load bins, 14 volt bins, C).

    The last but one load bin is "not stated": no load with the declared chance, else any of the
    others. The last is for a reading named after its load without a figure for it: any load of the
    declared range, evenly in the logarithm.
    """
    edges = np.array(VOLT_EDGES)
    bounds = np.array([*LOAD_EDGES, _TOP_LOAD])
    steps = (np.arange(_NODES) + 0.5) / _NODES
    amps = bounds[:-1, None] * (bounds[1:] / bounds[:-1])[:, None] ** steps
    usual = np.geomspace(
        float(book.circuit.test_load_least), float(book.circuit.test_load_amps), 2 * _NODES - 1
    )
    unknown_none = float(book.evidence.unknown_load_none)
    table = np.empty((LOAD_AS_METHOD + 1, len(VOLT_EDGES) + 1, len(CONDITIONS)))
    for column, condition in enumerate(CONDITIONS):
        table[0, :, column] = _bins(idle_below(book, condition, edges))
        loads = np.concatenate([amps.ravel(), usual])
        loaded = _bins(loaded_below(book, condition, loads, edges))
        by_bin = loaded[: amps.size].reshape(*amps.shape, -1)
        table[1:LOAD_UNKNOWN, :, column] = by_bin.mean(axis=1)
        table[LOAD_AS_METHOD, :, column] = loaded[amps.size :].mean(axis=0)
    some_load = table[1:LOAD_UNKNOWN].mean(axis=0)
    table[LOAD_UNKNOWN] = unknown_none * table[0] + (1.0 - unknown_none) * some_load
    return Answers(table, float(book.evidence.number_error))


def ohms_answers(book: RuleBook) -> Answers:
    """Ohms of a ground path, read shape (2: as it is, neutral lifted; 10 bins; C).

    Now and then the instrument's own poor contact raises a reading, as if the path were poor.
    """
    edges, feet = np.array(OHM_EDGES), run_lengths(book.circuit)
    unknown = unknowns(book.circuit)
    raised = float(book.evidence.raised_readings)
    error = float(book.circuit.ohms_error_share)
    table = np.empty((2, len(OHM_EDGES) + 1, len(CONDITIONS)))
    for lifted in (False, True):
        for column, condition in enumerate(CONDITIONS):
            path = resistance_between(
                book.circuit,
                condition,
                feet,
                Contact.GROUND,
                neutral_lifted=lifted,
                unknowns=unknown,
            )
            as_is, poorer = (
                ndtr((edges / ohms[:, None] - 1.0) / error).mean(axis=0)
                for ohms in (path, path + unknown.poor_ohms)
            )
            table[int(lifted), :, column] = _bins((1.0 - raised) * as_is + raised * poorer)
    return Answers(table, float(book.evidence.number_error))


def _earth_below(
    book: RuleBook,
    condition: Condition,
    limits: ArrayLike,
    *,
    appliance: bool,
    metered: bool = True,
) -> Floats:
    """Chance that metal on the ground contact reads at most each limit against earth, V.

    Args:
        book: the rule book.
        condition: the condition of the opening.
        limits: shape (L,).
        appliance: True for the case of a sound appliance that is on and plugged in there; False
            for the plate or contact, with something switched on beyond it as often as declared.
        metered: whether it is read against an earth, which may itself be poor.
    """
    circuit, evidence = book.circuit, book.evidence
    top = np.atleast_1d(np.asarray(limits, dtype=np.float64))
    on = 1.0 if appliance else float(evidence.load_on)
    # What is on draws anything from an appliance's current to that of the largest test load: a
    # ground contact on the neutral rises with it.
    least = float(circuit.supply_volts) / float(circuit.appliance_ohms)
    amps = np.geomspace(least, float(circuit.test_load_amps), _NODES)
    loads = [(float(circuit.supply_volts) / each, on / _NODES) for each in amps.tolist()]
    spread, low = float(evidence.earth_spread), float(evidence.earth_low) if metered else 0.0
    below = np.zeros(len(top))
    for load, share in (*loads, (None, 1.0 - on)):
        if share == 0.0:
            continue
        if floats(circuit, condition, Contact.GROUND, load_ohms=load):
            below += share * floating_below(book, top, to_earth=True)
            continue
        setup = Setup(
            run_lengths(circuit), load_ohms=load, appliance=appliance, unknowns=unknowns(circuit)
        )
        volts = np.abs(solve(circuit, condition, setup).volts[Contact.GROUND])[:, None]
        error = np.hypot(volts * spread, float(circuit.volts_error))
        read = ndtr((top - volts) / error) - ndtr((-top - volts) / error)
        lower = np.clip(top / np.maximum(volts, 1e-9), 0.0, 1.0)
        below += share * ((1.0 - low) * read + low * lower).mean(axis=0)
    return below


def earth_volts_answers(book: RuleBook, *, appliance: bool) -> Answers:
    """Volts of a case (``appliance``), or of plate or ground contact, to earth, read (8, C)."""
    read = [_bins(_earth_below(book, c, EARTH_VOLT_EDGES, appliance=appliance)) for c in CONDITIONS]
    return Answers(np.stack(read, axis=-1), float(book.evidence.number_error))


def supply_answers(book: RuleBook) -> Answers:
    """Volts hot to neutral, read shape (9, C); supply voltages differ by the declared spread."""
    circuit = book.circuit
    edges = np.array(SUPPLY_EDGES)
    pair = (Contact.HOT, Contact.NEUTRAL)
    on = float(book.evidence.load_on)
    relative = float(circuit.supply_spread_volts) / float(circuit.supply_volts)
    columns = []
    for condition in CONDITIONS:
        below = np.zeros(len(edges))
        for load, share in ((float(circuit.appliance_ohms), on), (None, 1.0 - on)):
            if floats(circuit, condition, *pair, load_ohms=load):
                below += share * floating_below(book, edges)
                continue
            setup = Setup(run_lengths(circuit), load_ohms=load, unknowns=unknowns(circuit))
            volts = np.abs(solve(circuit, condition, setup).between(*pair))[:, None]
            # What is above varies with the supply, what is as good as nothing with the meter.
            error = np.hypot(volts * relative, float(circuit.volts_error))
            below += share * ndtr((edges - volts) / error).mean(axis=0)
        columns.append(_bins(below))
    return Answers(np.stack(columns, axis=-1), float(book.evidence.number_error))


def _yes(truth: ArrayLike, error: float) -> Answers:
    """A yes/no column whose answer is wrong with the given chance, read shape (2: no, yes; C)."""
    share = np.asarray(truth, dtype=np.float64)
    # Wrong with chance e is a slip with chance 2e, half of the slips being right by luck.
    return Answers(np.stack([1.0 - share, share]), min(1.0, 2.0 * error))


def ground_present_answers(book: RuleBook) -> tuple[Answers, Answers]:
    """ground_present with the cover on, and off."""
    truth = [WIRING[c].ground is not None for c in CONDITIONS]
    errors = (book.evidence.ground_present_error_cover_on, book.evidence.ground_present_error)
    return _yes(truth, float(errors[0])), _yes(truth, float(errors[1]))


def jumper_answers(book: RuleBook) -> tuple[Answers, Answers]:
    """neutral_ground_jumper with the cover on, and off: a jumper in this box."""
    truth = [WIRING[c].jumper for c in CONDITIONS]
    errors = (book.evidence.jumper_error_cover_on, book.evidence.jumper_error)
    return _yes(truth, float(errors[0])), _yes(truth, float(errors[1]))


def polarity_answers(book: RuleBook) -> Answers:
    """polarity, read shape (2: correct, reversed; C).

    Where the hot conductor is on neither slot, the word does not apply and either is as likely.
    What is swapped further up is right in this box, by the colours and by a meter between its
    contacts.
    """

    def share(condition: Condition) -> float:
        on = WIRING[condition].hot
        return {Contact.HOT: 0.0, Contact.NEUTRAL: 1.0}.get(on, 0.5) if on else 0.5

    return _yes([share(c) for c in CONDITIONS], float(book.evidence.polarity_error))


def detector_answers(book: RuleBook) -> Answers:
    """non_contact_detector on the opening's metal: whether it stands at the detector's volts."""
    limit = float(book.evidence.detector_volts)
    truth = [
        1.0 - float(_earth_below(book, c, limit, appliance=False, metered=False)[0])
        for c in CONDITIONS
    ]
    return _yes(truth, float(book.evidence.detector_error))


def live_share(book: RuleBook, condition: Condition) -> float:
    """Chance that metal at the opening is live and can give a shock, a load on or not."""
    circuit, evidence = book.circuit, book.evidence
    on = float(evidence.load_on)
    total = 0.0
    for load, share in ((float(circuit.appliance_ohms), on), (None, 1.0 - on)):
        if floats(circuit, condition, Contact.GROUND, load_ohms=load):
            continue
        setup = Setup(run_lengths(circuit), load_ohms=load, unknowns=unknowns(circuit))
        volts = np.abs(solve(circuit, condition, setup).volts[Contact.GROUND])
        total += share * float((volts >= float(evidence.detector_volts)).mean())
    return total


def shock_answers(book: RuleBook) -> Answers:
    """shock_reported: by the declared rates, where metal is live and where it is not. (2, C)."""
    usual, live = float(book.evidence.shock_usual), float(book.evidence.shock_if_live)
    yes = np.array(
        [usual + (live - usual) * live_share(book, condition) for condition in CONDITIONS]
    )
    return Answers(np.stack([1.0 - yes, yes]), 0.0)


_BAD_CONTACT = (
    Condition.OPEN_NEUTRAL,
    Condition.OPEN_HOT,
    Condition.POOR_GROUND,
    Condition.OPEN_NEUTRAL_UNGROUNDED,
    Condition.SHARED_NEUTRAL_OPEN,
    # Metal that is live feeds whatever joins it to earth: heat is no sign against it (judgement).
    *URGENT_CONDITIONS,
)


def scorch_answers(book: RuleBook) -> Answers:
    """heat_or_scorch: by the declared rates, where a conductor is open or a path poor. (2, C)."""
    usual, bad = float(book.evidence.scorch_usual), float(book.evidence.scorch_bad_contact)
    yes = np.array([bad if condition in _BAD_CONTACT else usual for condition in CONDITIONS])
    return Answers(np.stack([1.0 - yes, yes]), 0.0)
