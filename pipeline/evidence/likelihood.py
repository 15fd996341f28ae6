"""How likely each look is under each condition: P(result | condition, method) and whole looks.

The table is derived: the circuit model says what an instrument shows (``readings``), the rule book
how often people misread it. Nothing in it is typed in.

Channels within one look. A look can carry a reported result and measured columns. Given the
condition, their errors are independent, with two exceptions that ``Likelihoods`` spells out:

* A result that was read from the very figure that was also written down must not count twice, and
  one that an answer about the wires contradicts gives way to it. Where the column is no slip, the
  words that it tells from the result are merged with it into one (``merged_words``); where the
  column is a slip, the word carries its full weight. Both cases are summed over.
* The whole look may be of another opening, or mistyped: with the declared floor's share it says
  nothing. That is a mixture, not a lower bound on single conditions, so that what agrees with a
  look never weakens it, and one look by one hand is never surer than the floor.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from functools import cache, lru_cache
from itertools import chain, combinations, permutations
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.evidence.look_code import Look, leniency_of, look_sql, parse, without_signs
from pipeline.evidence.measured import (
    LOAD_AS_METHOD,
    LOAD_UNKNOWN,
    Answers,
    detector_answers,
    earth_volts_answers,
    ground_present_answers,
    jumper_answers,
    ohms_answers,
    polarity_answers,
    scorch_answers,
    shock_answers,
    supply_answers,
    volts_answers,
)
from pipeline.evidence.network import Floats
from pipeline.evidence.readings import OWN_WORDS, READINGS, WORDS, Readings
from shared.rule_book import RuleBook
from shared.vocabulary import (
    CONDITIONS,
    NO_LOOK_RESULTS,
    OPEN_BOX_METHODS,
    Condition,
    Method,
    Result,
)

RESULTS: tuple[Result, ...] = tuple(Result)
"""Every result in the order of every results axis (length 14)."""

_GROUNDED = CONDITIONS.index(Condition.GROUNDED)
_BY_VOLTS = frozenset(
    {
        Result.CORRECT,
        Result.FALSE_GROUND,
        Result.REVERSED_FALSE_GROUND,
        Result.FALSE_GROUND_UPSTREAM,
    }
)
_BY_PATH = frozenset({Result.CORRECT, Result.POOR_GROUND})
_BY_LIFTED_PATH = _BY_PATH | {Result.FALSE_GROUND_UPSTREAM}
_BY_SUPPLY = frozenset({Result.CORRECT, Result.ABNORMAL_VOLTAGE})

_READ_FROM: dict[Method, dict[str, frozenset[Result]]] = {
    Method.VOLTMETER_UNDER_LOAD: {"volts": _BY_VOLTS, "supply": _BY_SUPPLY},
    Method.GROUND_IMPEDANCE_METER: {"ohms": _BY_PATH},
    Method.NEUTRAL_LIFTED_TEST: {"ohms": _BY_LIFTED_PATH},
}
"""By method and column: results that this method reads off this very figure and nothing else."""

_CORRECTED: dict[tuple[str, int], dict[Result, frozenset[Result]]] = {
    ("ground_present", 0): {Result.CORRECT: frozenset({Result.OPEN_GROUND})},
    ("ground_present", 1): {Result.OPEN_GROUND: frozenset({Result.CORRECT})},
    ("jumper", 0): {Result.FALSE_GROUND: frozenset({Result.FALSE_GROUND_UPSTREAM})},
    ("jumper", 1): {
        Result.CORRECT: frozenset({Result.FALSE_GROUND}),
        Result.OPEN_GROUND: frozenset({Result.FALSE_GROUND}),
        Result.HOT_NEUTRAL_REVERSED: frozenset({Result.REVERSED_FALSE_GROUND}),
    },
    ("polarity", 0): {Result.HOT_NEUTRAL_REVERSED: frozenset({Result.CORRECT})},
    ("polarity", 1): {
        Result.CORRECT: frozenset({Result.HOT_NEUTRAL_REVERSED}),
        Result.FALSE_GROUND: frozenset({Result.REVERSED_FALSE_GROUND}),
    },
}
"""By column and answer, in an open box: results that the answer contradicts, and what they become
with it. One cell cannot hold two faults; the column that names one of them is taken at its word. A
report of live metal is contradicted by nothing here: further up there is no jumper to see, and a
meter between the contacts finds their polarity right."""


def told_columns(look: Look) -> tuple[str, ...]:
    """The columns of a look that speak about the same as its own result, where they are there."""
    names = list(_READ_FROM.get(look.method, {}))
    if look.method in OPEN_BOX_METHODS:
        names += dict.fromkeys(name for name, _ in _CORRECTED)
    return tuple(name for name in names if getattr(look, name) is not None)


def merged_words(look: Look) -> frozenset[Result]:
    """The results that this look's own measurements tell from its own, so that it need not.

    For example a voltmeter's correct and false_ground beside the volts from which either was read;
    an open box's correct and false_ground beside a jumper that was seen.
    """
    answers = tuple((name, int(getattr(look, name))) for name in told_columns(look))
    return _merged(look.method, look.result, answers)


@cache
def _merged(
    method: Method, result: Result, answers: tuple[tuple[str, int], ...]
) -> frozenset[Result]:
    figures = _READ_FROM.get(method, {})
    found = frozenset({result})
    for order in permutations([each for each in answers if each[0] not in figures]):
        reached = frozenset({result})
        for said in order:
            reached = reached.union(*(_CORRECTED[said].get(word, ()) for word in reached))
        found |= reached
    groups = (figures[name] for name, _ in answers if name in figures)
    return found.union(*(group for group in groups if result in group))


class _Channel(NamedTuple):
    """One measured column of a look.

    Attributes:
        name: the attribute of ``Look``.
        answers: what its answers say, read shape (A, C).
        row: the answer that was given.
    """

    name: str
    answers: Answers
    row: int


def misread(readings: Readings, volunteers: float, right: float, points_at: float) -> Floats:
    """Words written at each condition, shape (C, W): the legend's word, or a fault named by guess.

    A reading shared by several faults makes some readers name one of them. The guess is the fault
    that is there with chance ``right``, else any fault behind that reading; where none of them is
    there, any. The chance of guessing is the same for every condition behind a reading, so the
    reading's own word keeps exactly the likelihood ratios of the reading.

    Args:
        readings: the method's readings.
        volunteers: chance of a guess.
        right: chance that the guess names the fault that is there.
        points_at: a condition is behind a reading if it gives it at least this often, against the
            condition that gives it most.
    """
    written = np.zeros((len(CONDITIONS), len(WORDS)))
    for chance, words in zip(readings.probability, readings.words, strict=True):
        behind = chance >= points_at * chance.max()
        behind[_GROUNDED] = False
        guess = np.tile(words, (len(CONDITIONS), 1))
        if behind.any():
            anyone = OWN_WORDS[behind].mean(axis=0)
            guess[:] = anyone
            guess[behind] = right * OWN_WORDS[behind] + (1.0 - right) * anyone
        written += chance[:, None] * ((1.0 - volunteers) * words + volunteers * guess)
    return written


class Likelihoods:
    """Likelihoods of looks under one rule book; immutable once built.

    Args:
        rule_book: the rule book.

    Attributes:
        near_best: the rule book's ``evidence.near_best``.
    """

    def __init__(self, rule_book: RuleBook) -> None:
        self._book = rule_book
        evidence = rule_book.evidence
        self.near_best = float(evidence.near_best)
        self._read: dict[Method, Floats] = {}
        self._unread: dict[Method, Floats] = {}
        correct = np.array([float(w is Result.CORRECT) for w in WORDS])
        for method in Method:
            rates = evidence.misreading[method]
            derived = misread(
                READINGS[method](rule_book),
                float(rates.volunteers),
                float(evidence.volunteer_right),
                float(evidence.points_at),
            )
            passes, scatter = float(rates.passes_anyway), float(rates.scatter)
            self._read[method] = (1.0 - passes - scatter) * derived
            self._unread[method] = passes * correct + scatter / len(WORDS)
        self._words = {method: read + self._unread[method] for method, read in self._read.items()}
        self._results = {key: self._with_no_looks(words) for key, words in self._words.items()}
        self._volts = volts_answers(rule_book)
        self._ohms = ohms_answers(rule_book)
        self._ground = ground_present_answers(rule_book)
        self._jumper = jumper_answers(rule_book)
        plate = earth_volts_answers(rule_book, appliance=False)
        self._plain: dict[str, Answers] = {
            "polarity": polarity_answers(rule_book),
            "plate_volts": plate,
            "contact_volts": plate,
            "case_volts": earth_volts_answers(rule_book, appliance=True),
            "supply": supply_answers(rule_book),
            "detector": detector_answers(rule_book),
            "scorch": scorch_answers(rule_book),
            "shock": shock_answers(rule_book),
        }
        self._told_apart: dict[Look, NDArray[np.bool_]] = {}
        self._weights: dict[str, Floats] = {}
        self._distances = self._distance_table()

    def _with_no_looks(self, words: Floats) -> Floats:
        share = float(self._book.evidence.no_look)
        table = np.full((len(CONDITIONS), len(RESULTS)), share / len(NO_LOOK_RESULTS))
        table[:, [RESULTS.index(word) for word in WORDS]] = (1.0 - share) * words
        table.setflags(write=False)
        return table

    def result(self, method: Method) -> Floats:
        """P(result | condition) of one method, read by a reader who lets nothing pass.

        Returns:
            Shape (C conditions, 14 results), rows sum to 1, every entry above zero. Results that
            are no look have the same chance under every condition.
        """
        return self._results[method]

    def reading_code_sql(self, reader: str = "reader") -> str:
        """SQL for the code of an observation row (DuckDB, canonical column names).

        Args:
            reader: name of the column with the reader's label (see ``leniency``); NULL there means
                one who lets nothing pass.

        Returns:
            A VARCHAR expression. Equal codes have equal weights; a file of any length has at most
            a few thousand codes, in practice a few hundred.
        """
        return look_sql(reader)

    def weights(self, code: str) -> Floats:
        """Relative likelihood P(look | condition) of a code, shape (C,), read-only.

        Scaled so that the largest is 1: a mixture of what the look says and, by the rule book's
        look_floor, of a look that says nothing; none is below that floor.

        Raises:
            CoverplateError: if the code is not one that ``reading_code_sql`` makes.
        """
        cached = self._weights.get(code)
        if cached is None:
            cached = self._weigh(parse(code))
            cached.setflags(write=False)
            self._weights[code] = cached
        return cached

    def weights_of(self, codes: Iterable[str]) -> Floats:
        """Weights of many codes, shape (n, C)."""
        rows = [self.weights(code) for code in codes]
        return np.array(rows).reshape(len(rows), len(CONDITIONS))

    def _channels(self, look: Look) -> Iterator[_Channel]:
        """The measured columns that a look carries."""
        if look.volts is not None:
            named = look.method is Method.VOLTMETER_UNDER_LOAD and look.load == LOAD_UNKNOWN
            load = LOAD_AS_METHOD if named else look.load
            yield _Channel("volts", _row(self._volts, load), look.volts)
        if look.ohms is not None:
            lifted = int(look.method is Method.NEUTRAL_LIFTED_TEST)
            yield _Channel("ohms", _row(self._ohms, lifted), look.ohms)
        if look.ground_present is not None:
            yield _Channel("ground_present", self._ground[look.cover_off], look.ground_present)
        if look.jumper is not None:
            yield _Channel("jumper", self._jumper[look.cover_off], look.jumper)
        for name, answers in self._plain.items():
            row = getattr(look, name)
            if row is not None:
                yield _Channel(name, answers, row)

    def _weigh(self, look: Look) -> Floats:
        told = told_columns(look) if look.result not in NO_LOOK_RESULTS else ()
        weight = np.ones(len(CONDITIONS))
        merging: dict[str, tuple[Floats, float]] = {}
        for name, answers, row in self._channels(look):
            kept = 1.0 - answers.slip
            slipped = (1.0 - kept) / len(answers.read)
            if name in told:
                merging[name] = kept * answers.read[row], slipped
            else:
                weight = weight * (kept * answers.read[row] + slipped)
        if look.result not in NO_LOOK_RESULTS:
            weight = weight * self._worded(look, merging)
        floor = float(self._book.evidence.look_floor)
        relative = weight / weight.max()
        if look.result is Result.CORRECT:
            # A reader who lets looks pass writes what a sound opening would show.
            lenient = leniency_of(look.reader)
            relative = (1.0 - lenient) * relative + lenient * relative[_GROUNDED]
            relative = relative / relative.max()
        mixed: Floats = relative + floor * (1.0 - relative)
        return mixed

    def _worded(self, look: Look, merging: dict[str, tuple[Floats, float]]) -> Floats:
        """Chance of a look's result and of the columns it was read from, shape (C,).

        Summed over which of these columns are slips: those that are not merge the words that they
        tell apart, as far as the word was read at all.

        Args:
            look: the look.
            merging: by column, chance of its answer and of its being no slip under each condition,
                (C,), and chance of its answer as a slip.
        """
        read, unread = self._read[look.method], self._unread[look.method]
        own = unread[WORDS.index(look.result)]
        total = np.zeros(len(CONDITIONS))
        names = tuple(merging)
        for slips in chain.from_iterable(combinations(names, n) for n in range(len(names) + 1)):
            chance = np.ones(len(CONDITIONS))
            for name in names:
                said, slipped = merging[name]
                chance = chance * (slipped if name in slips else said)
            slipped_out: dict[str, Any] = dict.fromkeys(slips)
            merged = merged_words(replace(look, **slipped_out))
            total += chance * (own + read[:, _places(merged)].sum(axis=1))
        return total

    def told_apart(self, code: str) -> NDArray[np.bool_]:
        """Which pairs of conditions this very look could have told apart, shape (C, C).

        A property of the reading, not of the method's name: 0 V at no load proves nothing,
        whoever wrote "voltmeter under load" beside it. Judged by the channels that the look
        carries, whatever they said: a pair is told apart if one channel's answers differ between
        the two by the rule book's ``told_apart`` (total variation). A result counts as a channel
        by its method's table, less what a column from which it was read tells. Answers about
        wires with the cover on are no sight of them and tell nothing.
        """
        look = parse(code)
        carried: dict[str, Any] = {name: 0 for name in _COLUMNS if getattr(look, name) is not None}
        if look.result not in NO_LOOK_RESULTS:
            carried["result"] = Result.CORRECT
        shape = replace(look, **carried)
        if shape not in self._told_apart:
            found = self._judge_shape(shape)
            found.setflags(write=False)
            self._told_apart[shape] = found
        return self._told_apart[shape]

    def _judge_shape(self, shape: Look) -> NDArray[np.bool_]:
        tables = []
        for name, answers, _ in self._channels(shape):
            if name in _IN_THE_BOX and not shape.cover_off:
                continue
            kept = 1.0 - answers.slip
            tables.append(kept * answers.read)
        if shape.result not in NO_LOOK_RESULTS:
            words = self._words[shape.method]
            groups = _parted([frozenset({word}) for word in WORDS] + self._figures(shape))
            merged = [words[:, _places(group)].sum(axis=1) for group in groups]
            tables.append(np.stack(merged))
        apart = np.zeros((len(CONDITIONS), len(CONDITIONS)), dtype=np.bool_)
        limit = float(self._book.evidence.told_apart)
        for table in tables:
            apart |= _distances(table.T) >= limit
        return apart

    @staticmethod
    def _figures(shape: Look) -> list[frozenset[Result]]:
        """Groups of results that the look's own figures tell, so that the word is no channel."""
        read = _READ_FROM.get(shape.method, {})
        return [group for name, group in read.items() if getattr(shape, name) is not None]

    def could_see(self, code: str, condition: Condition) -> bool:
        """Whether this very look could have told a condition from *grounded*."""
        return bool(self.told_apart(code)[_GROUNDED, CONDITIONS.index(condition)])

    def uninformative(self, code: str) -> bool:
        """Whether a look says nothing: all conditions weigh the same."""
        return bool(np.ptp(self.weights(code)) < 1e-9)

    def code_detects(self, code: str) -> frozenset[Condition]:
        """Defects that a look reports or measures as present; empty if it leaves *grounded* open.

        A look points at a defect where its weights leave *grounded* below the rule book's
        ``points_at`` and the defect at or above it. An ambiguous look points at several. A report
        of a fault that the method cannot see points at nothing, nor does a shock or a scorch mark
        by itself: it says that something is wrong, not what.
        """
        weights = self.weights(without_signs(code))
        limit = float(self._book.evidence.points_at)
        if weights[_GROUNDED] >= limit:
            return frozenset()
        return frozenset(c for c, w in zip(CONDITIONS, weights, strict=True) if w >= limit)

    def _distance_table(self) -> dict[Method, Floats]:
        return {method: _distances(self._words[method]) for method in Method}

    def separable(self, method: Method, first: Condition, second: Condition) -> bool:
        """Whether a method's results tell two conditions apart."""
        distance = self._distances[method][CONDITIONS.index(first), CONDITIONS.index(second)]
        return bool(distance >= float(self._book.evidence.told_apart))

    def sees(self, method: Method, condition: Condition) -> bool:
        """Whether a method's results tell a condition from *grounded*."""
        return self.separable(method, Condition.GROUNDED, condition)

    def distinguishes(self) -> pd.DataFrame:
        """Which pairs of conditions each method tells apart.

        Returns:
            Columns method, condition_a, condition_b, distance (total variation between the two
            rows of the result table, 0 to 1) and separable (distance at or above
            the rule book's ``told_apart``); one row per method and unordered pair.
        """
        rows = [
            (method.value, a.value, b.value, float(self._distances[method][i, j]))
            for method in Method
            for i, a in enumerate(CONDITIONS)
            for j, b in enumerate(CONDITIONS)
            if i < j
        ]
        frame = pd.DataFrame(rows, columns=["method", "condition_a", "condition_b", "distance"])
        frame["separable"] = frame["distance"] >= float(self._book.evidence.told_apart)
        return frame

    def table(self) -> pd.DataFrame:
        """The whole result table: columns method, condition, result, probability."""
        rows = [
            (method.value, condition.value, result.value, float(self.result(method)[i, j]))
            for method in Method
            for i, condition in enumerate(CONDITIONS)
            for j, result in enumerate(RESULTS)
        ]
        return pd.DataFrame(rows, columns=["method", "condition", "result", "probability"])


def _row(answers: Answers, row: int) -> Answers:
    """One row of answers that differ by circumstances."""
    return Answers(answers.read[row], answers.slip)


def _parted(groups: list[frozenset[Result]]) -> list[frozenset[Result]]:
    """Join overlapping groups until none overlap."""
    parts: list[frozenset[Result]] = []
    for group in groups:
        touching = [part for part in parts if part & group]
        parts = [part for part in parts if not part & group] + [group.union(*touching)]
    return parts


def _places(words: frozenset[Result]) -> list[int]:
    """Where words stand in ``WORDS``, in order.

    A set's own order, and so the last bit of a sum over it, differs from process to process.
    """
    return sorted(WORDS.index(word) for word in words)


def _distances(rows: Floats) -> Floats:
    """Total variation between every two rows, (C, A) to (C, C)."""
    halves: Floats = 0.5 * np.abs(rows[:, None, :] - rows[None, :, :]).sum(axis=2)
    return halves


_IN_THE_BOX = ("ground_present", "jumper")
_COLUMNS = (
    "volts",
    "ohms",
    *_IN_THE_BOX,
    "polarity",
    "plate_volts",
    "case_volts",
    "contact_volts",
    "supply",
    "detector",
    "scorch",
    "shock",
)


@lru_cache(maxsize=4)
def likelihoods_of(rule_book: RuleBook) -> Likelihoods:
    """Return the tables of a rule book, worked out once a process."""
    return Likelihoods(rule_book)
