"""How many looks are enough for a building or a part of the portfolio, and what so many prove."""

from __future__ import annotations

from dataclasses import dataclass

import duckdb
from scipy.stats import norm

from pipeline.evidence.likelihood import RESULTS, Likelihoods, likelihoods_of
from pipeline.planning.asked import check_asked
from pipeline.planning.sample_size import (
    looks_needed,
    looks_needed_given,
    may_be_bad,
    number_that_matters,
    spread_of,
)
from pipeline.warehouse.narrowing import Narrowing
from shared.faults import CoverplateError
from shared.in_words import number, percent, plural
from shared.rule_book import RuleBook
from shared.vocabulary import CONDITIONS, NO_LOOK_RESULTS, Condition, Method, Result

UNSEEN_BY_LAMPS = (Condition.FALSE_GROUND, Condition.REVERSED_FALSE_GROUND)
"""What the looks are for."""

MOST_WEIGHED = 2_000
"""Openings up to which the model's own answer is worked out."""


@dataclass(frozen=True)
class Enough:
    """How many looks are enough.

    Attributes:
        buildings: how many they are.
        openings: all of their openings, as far as counted or estimated.
        settled: openings that a look able to see a false ground spoke of already.
        unsettled: the others, which are to be sampled.
        method: by which looks are made.
        detection: chance that such a look finds a false ground (reversed or not, the lower), by
            the rule book; 0 for a method that cannot see one.
        confidence: how sure.
        bad: the number of dangerous openings to rule out.
        needed: looks that do, if all are clean; None where no number does.
        needed_by_model: how many make it as likely by what the model holds of these openings;
            None where no number does, or for more than one building.
        weighed: whether the model was asked.
        expected: dangerous openings that the model expects among the unsettled.
        looked, found: looks by lot that were made, and dangerous ones among them, where given.
        may_be: the largest number of dangerous ones that those looks leave possible.
    """

    buildings: int
    openings: int
    settled: int
    unsettled: int
    method: Method
    detection: float
    confidence: float
    bad: int
    needed: int | None
    needed_by_model: int | None
    weighed: bool
    expected: float
    looked: int | None
    found: int
    may_be: int | None


def detection_of(likelihoods: Likelihoods, method: Method) -> float:
    """Return the chance that a look by a method finds a false ground: that it does not say
    "correct" of one. 0 for a method that cannot tell one from a ground."""
    return min(found_by(likelihoods, method, each) for each in UNSEEN_BY_LAMPS)


def found_by(likelihoods: Likelihoods, method: Method, condition: Condition) -> float:
    """Return the chance that a look by a method does not call a condition "correct"; 0 for a
    method that cannot tell it from a ground."""
    if not likelihoods.sees(method, condition):
        return 0.0
    table = likelihoods.result(method)[CONDITIONS.index(condition)]
    none = [RESULTS.index(word) for word in NO_LOOK_RESULTS]
    return float(1.0 - table[RESULTS.index(Result.CORRECT)] / (1.0 - table[none].sum()))


def enough(
    con: duckdb.DuckDBPyConnection,
    rule_book: RuleBook,
    only: Narrowing,
    *,
    method: Method,
    confidence: float,
    share: float | None,
    bad: int | None,
    looked: int | None = None,
    found: int = 0,
) -> Enough:
    """Return how many looks by lot are enough.

    Args:
        con: a warehouse.
        rule_book: by which it was built.
        only: which buildings.
        method: by which looks are made.
        confidence: how sure, between 0 and 1.
        share, bad: what is to be ruled out: so large a share of the unsettled openings, or so many
            of them. One of the two.
        looked, found: looks by lot that were made already beyond what landed, and bad ones found.

    Raises:
        CoverplateError: no building, nothing to look at, or numbers that cannot be.
    """
    check_asked(con, only)
    where, parameters = only.where()
    # the interval's half-width in standard deviations, were the number normal
    deviations = float(norm.ppf(0.5 + float(rule_book.scoring.interval) / 2.0))
    ((buildings, openings, settled, expected, variance),) = con.execute(
        f"""
        WITH chosen AS (SELECT building_no, openings_capable FROM narrowed_by WHERE {where}),
        known AS (
            SELECT g.building_no,
                sum(g.openings * g.p_dangerous) AS dangerous
            FROM opening_groups AS g
            SEMI JOIN chosen USING (building_no)
            WHERE g.sees_false_ground
            GROUP BY g.building_no
        )
        SELECT count(*), coalesce(sum(z.openings), 0), coalesce(sum(c.openings_capable), 0),
            coalesce(sum(s.expected_dangerous_openings - coalesce(k.dangerous, 0)), 0),
            coalesce(sum(((s.dangerous_high - s.dangerous_low) / (2 * {deviations:.9g})) ** 2), 0)
        FROM chosen AS c
        JOIN building_sizes AS z USING (building_no)
        JOIN building_scores AS s USING (building_no)
        LEFT JOIN known AS k USING (building_no)
        """,
        parameters,
    ).fetchall()
    unsettled = int(openings) - int(settled)
    if unsettled < 1:
        raise CoverplateError(
            "every opening was looked at by a method able to see a false ground",
            to_do="see `coverplate openings ID` for what was found",
        )
    expected = max(float(expected), 0.0)
    detection = detection_of(likelihoods_of(rule_book), method)
    ruled_out = number_that_matters(unsettled, share) if share is not None else (bad or 1)
    needed = looks_needed(unsettled, ruled_out, confidence, detection)
    weighed = int(buildings) == 1 and unsettled <= MOST_WEIGHED
    by_model = None
    if weighed:
        spread = spread_of(unsettled, expected, float(variance))
        by_model = looks_needed_given(spread, ruled_out, confidence, detection)
    may_be = None
    if looked is not None:
        may_be = may_be_bad(unsettled, looked, found, confidence, detection)
    return Enough(
        buildings=int(buildings),
        openings=int(openings),
        settled=int(settled),
        unsettled=unsettled,
        method=method,
        detection=detection,
        confidence=confidence,
        bad=ruled_out,
        needed=needed,
        needed_by_model=by_model,
        weighed=weighed,
        expected=expected,
        looked=looked,
        found=found,
        may_be=may_be,
    )


BY_LOT = (
    "Openings must be picked by lot from the whole list, those that are hard to reach too; each is "
    "looked at once. The first dangerous one found ends the case: count again with "
)
"""What the numbers rest on; who shows them adds where the number found is put in."""


def in_rows(answer: Enough) -> list[list[str]]:
    """The answer as rows of a table: what, and how many."""
    sure = percent(answer.confidence)
    rows = [
        ["openings", f"{answer.openings:,} in {plural(answer.buildings, 'building')}"],
        ["told of already by a capable look", f"{answer.settled:,}"],
        ["to draw from", f"{answer.unsettled:,}"],
        ["a look finds a false ground", percent(answer.detection)],
        [
            f"to be {sure} sure that fewer than {answer.bad:,} are dangerous",
            _looks(answer.needed, answer.unsettled),
        ],
    ]
    if answer.weighed:
        rows.append(["the same by what the model holds", _looks(answer.needed_by_model, 0)])
    rows.append(["dangerous ones that the model expects among them", number(answer.expected)])
    if answer.looked is not None and answer.may_be is not None:
        rows.append(
            [
                f"{plural(answer.looked, 'look')} by lot that found {answer.found} leave possible",
                f"up to {answer.may_be:,} dangerous ones ({sure})",
            ]
        )
    return rows


def _looks(needed: int | None, openings: int) -> str:
    if needed is None:
        return "no number of looks is enough"
    if needed == 0:
        return "none: it is so likely already"
    return plural(needed, "clean look") + (" (every opening)" if needed == openings else "")


def why_they_differ(found: Enough) -> str:
    """Say in words why the sample's answer and the model's are not the same."""
    if not found.weighed:
        return "The model is asked for one building at a time."
    if found.detection == 0.0:
        return "A method that cannot see the fault proves nothing, however often it is used."
    known = f"The model expects {found.expected:.1f} dangerous ones among them"
    if found.needed_by_model is None:
        return f"{known}, too many to become unlikely by clean looks."
    if found.needed is None or found.needed_by_model < found.needed:
        return (
            f"{known} from era, wiring and looks so far, and counts that; the sample size assumes "
            "nothing, and holds however wrong the model is."
        )
    if found.expected >= found.bad:
        return (
            f"{known} from era, wiring and looks so far, and it takes more clean looks to make "
            "that unlikely; the sample size assumes nothing."
        )
    return (
        f"{known}, but where there is one there are more, in a dwelling or on a circuit, so that "
        "clean looks elsewhere say less of the rest; the sample size needs no such thing, since "
        "openings are picked by lot."
    )
