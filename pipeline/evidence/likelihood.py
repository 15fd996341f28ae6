"""How likely each look is under each condition: P(result | condition, method) and whole looks.

The table is derived: the circuit model says what an instrument shows (``readings``), the rule book
how often people misread it. Nothing in it is typed in.

Channels within one look. A look can carry a reported result and measured columns. Measured columns
are evidence in their own right. A result read from the very instrument that was also written down
must not count twice: the words that the measurement tells apart are then merged into one, so that
the result speaks only of the rest (``merged_words``), and the channels multiply. Whatever they say
together, no condition falls below the declared floor: one look by one hand is never surer than
that, which also bounds what agreement between columns of one look can add.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from pipeline.evidence.look_code import Look, look_sql, parse
from pipeline.evidence.measured import (
    ground_present_likelihood,
    jumper_likelihood,
    ohms_likelihood,
    polarity_likelihood,
    volts_likelihood,
)
from pipeline.evidence.network import Floats
from pipeline.evidence.readings import OWN_WORDS, READINGS, WORDS, Readings
from shared.faults import CoverplateError
from shared.rule_book import RuleBook
from shared.vocabulary import CONDITIONS, NO_LOOK_RESULTS, Condition, Method, Result

USUAL = "usual"
RESULTS: tuple[Result, ...] = tuple(Result)
"""Every result in the order of every results axis (length 11)."""

_GROUNDED = CONDITIONS.index(Condition.GROUNDED)
_BY_GROUND = frozenset({Result.CORRECT, Result.OPEN_GROUND, Result.FALSE_GROUND})
_BY_GROUND_REVERSED = frozenset({Result.HOT_NEUTRAL_REVERSED, Result.REVERSED_FALSE_GROUND})
_SLOTS_RIGHT = frozenset({Result.CORRECT, Result.FALSE_GROUND, Result.REVERSED_FALSE_GROUND})
_BY_PATH = frozenset({Result.CORRECT, Result.OPEN_GROUND})
_BY_POLARITY = (
    frozenset({Result.CORRECT, Result.HOT_NEUTRAL_REVERSED}),
    frozenset({Result.FALSE_GROUND, Result.REVERSED_FALSE_GROUND}),
)


def merged_words(look: Look) -> frozenset[Result]:
    """The results that this look's own measurements tell apart, so that its result need not.

    * voltmeter with volts: correct, false_ground and reversed_false_ground (the volts decide);
    * ground-impedance meter with ohms: correct and open_ground (the ohms decide);
    * open box with ground_present or neutral_ground_jumper: correct, open_ground and false_ground,
      and likewise hot_neutral_reversed and reversed_false_ground; with polarity, each pair that
      differs only by it; with both, all five.

    Other methods' results come from an instrument that no column holds, so nothing is merged.
    """
    own = frozenset({look.result})
    groups: list[frozenset[Result]] = []
    if look.method is Method.VOLTMETER_UNDER_LOAD and look.volts is not None:
        groups = [_SLOTS_RIGHT]
    elif look.method is Method.GROUND_IMPEDANCE_METER and look.ohms is not None:
        groups = [_BY_PATH]
    elif look.method is Method.COVER_OFF_INSPECTION:
        by_ground = look.ground_present is not None or look.jumper is not None
        if by_ground and look.polarity is not None:
            groups = [_BY_GROUND | _BY_GROUND_REVERSED]
        elif by_ground:
            groups = [_BY_GROUND, _BY_GROUND_REVERSED]
        elif look.polarity is not None:
            groups = list(_BY_POLARITY)
    return next((group for group in groups if look.result in group), own)


def misread(readings: Readings, volunteers: float, right: float, points_at: float) -> Floats:
    """Words written at each condition, shape (9, 8): the legend's word, or a fault named by guess.

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
    """

    def __init__(self, rule_book: RuleBook) -> None:
        self._book = rule_book
        evidence = rule_book.evidence
        self._words: dict[tuple[Method, str], Floats] = {}
        correct = np.array([float(w is Result.CORRECT) for w in WORDS])
        for method in Method:
            rates = evidence.misreading[method]
            derived = misread(
                READINGS[method](rule_book),
                float(rates.volunteers),
                float(evidence.volunteer_right),
                float(evidence.points_at),
            )
            by_method = _mix(derived, correct, float(rates.passes_anyway), float(rates.scatter))
            for step in range(0, 100, 2):
                name = f"passes_{step:02d}" if step else USUAL
                self._words[method, name] = _mix(by_method, correct, step / 100, 0.0)
            self._words[method, "passes_00"] = by_method
        self._results = {key: self._with_no_looks(words) for key, words in self._words.items()}
        self._attention = {name: 1.0 for _, name in self._words}
        self._volts = volts_likelihood(rule_book)
        self._ohms = ohms_likelihood(rule_book)
        self._ground = ground_present_likelihood(rule_book)
        self._jumper = jumper_likelihood(rule_book)
        self._polarity = polarity_likelihood(rule_book)
        self._weights: dict[str, Floats] = {}
        self._distances = self._distance_table()

    def _with_no_looks(self, words: Floats) -> Floats:
        share = float(self._book.evidence.no_look)
        table = np.full((len(CONDITIONS), len(RESULTS)), share / len(NO_LOOK_RESULTS))
        table[:, [RESULTS.index(word) for word in WORDS]] = (1.0 - share) * words
        table.setflags(write=False)
        return table

    @property
    def readers(self) -> tuple[str, ...]:
        """Names of the reader kinds, in the rule book's order."""
        return tuple(self._book.evidence.readers)

    def result(self, method: Method, reader: str = USUAL) -> Floats:
        """P(result | condition) of one method read by one kind of reader.

        Returns:
            Shape (9 conditions, 11 results), rows sum to 1, every entry above zero. Results that
            are no look have the same chance under every condition.

        Raises:
            CoverplateError: if the rule book has no such reader.
        """
        return self._results[method, self._known(reader)]

    def _known(self, reader: str) -> str:
        if reader not in self._attention:
            raise CoverplateError(
                f"there is no kind of reader called {reader!r}",
                expected="one of " + ", ".join(self._attention),
                to_do="add it to the rule book's evidence.readers",
            )
        return reader

    def reading_code_sql(self, reader: str = "reader") -> str:
        """SQL for the code of an observation row (DuckDB, canonical column names).

        Args:
            reader: name of the column with the reader kind; NULL there means the usual one.

        Returns:
            A VARCHAR expression. Equal codes have equal weights; a file of any length has at most
            a few thousand codes, in practice a few hundred.
        """
        return look_sql(self._book, reader)

    def weights(self, code: str) -> Floats:
        """Relative likelihood P(look | condition) of a code, shape (9,), read-only.

        Scaled so that the largest is 1; none is below the rule book's look_floor.

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
        """Weights of many codes, shape (n, 9)."""
        rows = [self.weights(code) for code in codes]
        return np.array(rows).reshape(len(rows), len(CONDITIONS))

    def _weigh(self, look: Look) -> Floats:
        reader = self._known(look.reader)
        weight = np.ones(len(CONDITIONS))
        if look.result not in NO_LOOK_RESULTS:
            merged = [WORDS.index(word) for word in merged_words(look)]
            weight = weight * self._words[look.method, reader][:, merged].sum(axis=1)
        channels: list[tuple[Floats, int | None]] = [
            (self._volts[look.load], look.volts),
            (self._ohms, look.ohms),
            (self._ground[look.cover_off], look.ground_present),
            (self._jumper[look.cover_off], look.jumper),
            (self._polarity, look.polarity),
        ]
        attention = self._attention[reader]
        for table, row in channels:
            if row is not None:
                weight = weight * (attention * table[row] + (1.0 - attention) / len(table))
        floored: Floats = np.maximum(weight / weight.max(), float(self._book.evidence.look_floor))
        return floored

    def uninformative(self, code: str) -> bool:
        """Whether a look says nothing: all conditions weigh the same."""
        return bool(np.ptp(self.weights(code)) < 1e-9)

    def code_detects(self, code: str) -> frozenset[Condition]:
        """Defects that a look reports or measures as present; empty if it leaves *grounded* open.

        A look points at a defect where its weights leave *grounded* below the rule book's
        ``points_at`` and the defect at or above it. An ambiguous look points at several. A report
        of a fault that the method cannot see points at nothing.
        """
        weights = self.weights(code)
        limit = float(self._book.evidence.points_at)
        if weights[_GROUNDED] >= limit:
            return frozenset()
        return frozenset(c for c, w in zip(CONDITIONS, weights, strict=True) if w >= limit)

    def _distance_table(self) -> dict[Method, Floats]:
        tables = {method: self._words[method, USUAL] for method in Method}
        return {
            method: 0.5 * np.abs(words[:, None, :] - words[None, :, :]).sum(axis=2)
            for method, words in tables.items()
        }

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
            rows of the result table, usual reader, 0 to 1) and separable (distance at or above
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

    def table(self, reader: str = USUAL) -> pd.DataFrame:
        """The whole result table: columns method, condition, result, probability."""
        rows = [
            (method.value, condition.value, result.value, float(self.result(method, reader)[i, j]))
            for method in Method
            for i, condition in enumerate(CONDITIONS)
            for j, result in enumerate(RESULTS)
        ]
        return pd.DataFrame(rows, columns=["method", "condition", "result", "probability"])


def _mix(words: Floats, correct: Floats, passes_anyway: float, scatter: float) -> Floats:
    """Replace part of the looks by "correct" and part by any word at random."""
    read = 1.0 - passes_anyway - scatter
    mixed: Floats = read * words + passes_anyway * correct + scatter / words.shape[1]
    return mixed
