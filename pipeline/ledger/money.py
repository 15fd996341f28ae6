"""What repairs cost: estimated, quoted, committed, spent, and what all of it may come to.

``money.sql`` is the one definition, a row a sum; everything here adds such rows up.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager

import duckdb
import pandas as pd

from pipeline.ledger.estimates import LINES_TOLD, line_labels, sums
from pipeline.ledger.history import sql
from pipeline.ledger.progress import GROUPS, grouping, hand_over_buildings
from pipeline.ledger.store import Ledger
from shared.faults import CoverplateError
from shared.rule_book import RuleBook

OF_SUMS: dict[str, str] = {
    "remedy": "coalesce(m.remedy, 'not known')",
    "firm": "coalesce(told_firm(m.firm), 'nobody assigned')",
    "month": "coalesce(strftime(m.day, '%Y-%m'), 'not known')",
}
"""Groups that are told of each sum: by which firm and with which remedy, and in which month."""

BY: tuple[str, ...] = ("all", *OF_SUMS, "building", *(each for each in GROUPS if each != "all"))
BY = tuple(dict.fromkeys(each for each in BY if each != "building_id"))
"""By what money can be broken down."""

MONEY_TOLD = (
    "Estimate: the rule book’s typical cost, a placeholder to be replaced, of the remedy that was "
    "reported or quoted, else of the cheapest that is allowed, and what comes beside it. "
    f"{LINES_TOLD} "
    "Quoted: of what is open, the lowest price that still holds, and that of the firm assigned. "
    "Committed: what is still owed of the price of the firm assigned, or of the firm that did "
    "the work: less what it billed before the work, until a bill from the day of the work on, "
    "or the fix report, says what it came to. Spent: bills, and what fix reports say where no "
    "bill names the finding. Rest: the estimate of what has neither a cost nor a committed "
    "price. Forecast: spent + committed + rest."
)
"""What the columns of ``money`` mean, for people."""

SEVERAL_GROUPS = (
    "A finding may stand in more than one group, so counts of findings do not add up to that of "
    "all; sums of money do."
)
"""What is to be said under money broken down by a key of ``OF_SUMS``."""

QUESTIONS: dict[str, str] = {
    "same_job": "one job reported with several costs; the last one counts. Was it one job?",
    "same_sum": "work on one circuit or building with the same cost at every finding; each counts. "
    "Is it one price, to be counted once? Then write it as a bill that names all of them.",
    "same_opening": "work of one day at several findings of one opening; each counts. Is it one "
    "job? Then write it as a bill that names all of them.",
    "same_price": "the same price at every finding of one circuit or building; each counts. Is it "
    "one price? Then quote it once for all of them.",
    "another_firm": "billed by a firm that reported no fix here; the bill counts instead of what "
    "was reported. Is it the same work?",
}
"""What ``money_questions`` asks."""


def quotes(
    ledger: Ledger,
    rule_book: RuleBook,
    *,
    building_id: str | None = None,
    now: dt.datetime | None = None,
) -> pd.DataFrame:
    """Return the prices that firms named, the last of each finding, firm and remedy.

    Returns:
        Columns finding_id, building_id, unit_id, opening_id, sequence and named_at (of the event),
        firm, amount, remedy, valid_until, whole and shared_over (where one price was named for
        several findings), expired, reported_since, lowest (of those of the finding that hold),
        chosen (the last one of the firm assigned), holds, open. Order: by place, then amount.
    """
    with sums(ledger, rule_book, now, building_id=building_id) as con:
        return con.execute(
            "SELECT * REPLACE (amount::DOUBLE AS amount, whole::DOUBLE AS whole) FROM quotes"
        ).df()


@contextmanager
def _grouped(
    ledger: Ledger,
    rule_book: RuleBook,
    by: str,
    buildings: pd.DataFrame | None,
    circuits: pd.DataFrame | None,
    now: dt.datetime | None,
) -> Iterator[tuple[duckdb.DuckDBPyConnection, str]]:
    """Open ``sums`` with buildings; give the SQL of a group over sums m, due d and buildings b."""
    if by not in BY:
        raise CoverplateError(
            f"money cannot be shown by {by!r}",
            expected="one of " + ", ".join(BY),
            to_do="choose one of these",
        )
    with sums(ledger, rule_book, now, buildings=buildings, circuits=circuits) as con:
        hand_over_buildings(con, buildings)
        yield con, OF_SUMS.get(by) or grouping("building_id" if by == "building" else by)


def money(
    ledger: Ledger,
    rule_book: RuleBook,
    *,
    by: str = "all",
    buildings: pd.DataFrame | None = None,
    circuits: pd.DataFrame | None = None,
    now: dt.datetime | None = None,
) -> pd.DataFrame:
    """Return money by group, in the ledger's currency.

    Args:
        ledger: the ledger.
        rule_book: gives the estimates, which are placeholders.
        by: one of ``BY``.
        buildings: building_id, owner, manager, year_built, where known.
        circuits: building_id, unit_id, opening_id, circuit_id, where known.
        now: as of when; now by default.

    Returns:
        Columns group, findings (with any sum), estimate_least, estimate (the most), quoted_lowest,
        quoted_chosen, committed, billed, reported, spent (billed + reported), on_disproved (of it,
        on fixes that a look disproved), over_reported (bills less the reports that they stand in
        for), rest_least, rest (the most), forecast_least, forecast (spent + committed + rest),
        without_cost (fixes whose cost nobody states), without_estimate (findings still to be paid
        for, of which no remedy is known). See ``MONEY_TOLD``; ``money_lines`` takes the estimates
        apart.

    Raises:
        CoverplateError: it cannot be broken down so.
    """
    with _grouped(ledger, rule_book, by, buildings, circuits, now) as (con, group):
        return con.execute(
            f"""
            WITH sums AS (
                SELECT {group} AS "group", m.*
                FROM ({sql("money")}) AS m
                JOIN due AS d USING (finding_id)
                LEFT JOIN buildings AS b USING (building_id)
            ),
            added AS (
                SELECT
                    "group",
                    count(DISTINCT finding_id) AS findings,
                    {", ".join(f"{_sum(kind)} AS {kind}" for kind in _KINDS)},
                    {_sum("billed", "reported", more="verdict = 'disproved'")} AS on_disproved,
                    count(*) FILTER (kind = 'reported' AND amount IS NULL) AS without_cost,
                    count(*) FILTER (kind = 'rest' AND amount IS NULL) AS without_estimate
                FROM sums
                GROUP BY ALL
            )
            SELECT
                "group", findings, estimate_least, estimate, quoted_lowest, quoted_chosen,
                committed, billed, reported, round(billed + reported, 2) AS spent, on_disproved,
                over_reported, rest_least, rest,
                round(spent + committed + rest_least, 2) AS forecast_least,
                round(spent + committed + rest, 2) AS forecast, without_cost, without_estimate
            FROM added ORDER BY "group"
            """
        ).df()


def money_lines(
    ledger: Ledger,
    rule_book: RuleBook,
    *,
    by: str = "all",
    buildings: pd.DataFrame | None = None,
    circuits: pd.DataFrame | None = None,
    now: dt.datetime | None = None,
) -> pd.DataFrame:
    """Return the lines that the estimates of ``money`` are made of; arguments as there.

    Returns:
        Columns group, line, label, findings (that bear it), in_doubt (of them, where it is not
        known whether it applies or how many jobs they are), estimate_least, estimate (the most),
        rest_least, rest. Lines of a group add up to what ``money`` says of it.
    """
    with _grouped(ledger, rule_book, by, buildings, circuits, now) as (con, group):
        frame = con.execute(
            f"""
            SELECT
                {group} AS "group",
                m.line,
                count(m.most) AS findings,
                count(*) FILTER (
                    m.year_in_doubt OR m.circuit_in_doubt OR m.paid_in_doubt
                ) AS in_doubt,
                coalesce(sum(m.least), 0)::DOUBLE AS estimate_least,
                coalesce(sum(m.most), 0)::DOUBLE AS estimate,
                coalesce(sum(m.least) FILTER (m.rest), 0)::DOUBLE AS rest_least,
                coalesce(sum(m.most) FILTER (m.rest), 0)::DOUBLE AS rest
            FROM (SELECT * EXCLUDE (building_id, unit_id, opening_id) FROM estimates) AS m
            JOIN due AS d USING (finding_id)
            LEFT JOIN buildings AS b USING (building_id)
            GROUP BY ALL
            ORDER BY "group", min(list_position($lines, m.line))
            """,
            {"lines": list(line_labels(rule_book))},
        ).df()
    frame.insert(2, "label", frame["line"].map(line_labels(rule_book)))
    return frame


_KINDS = (
    "estimate_least",
    "estimate",
    "quoted_lowest",
    "quoted_chosen",
    "committed",
    "billed",
    "reported",
    "over_reported",
    "rest_least",
    "rest",
)


def _sum(*kinds: str, more: str = "true") -> str:
    """SQL of the sum of some kinds, to the cent: whole fractions of cents are added exactly."""
    named = ", ".join(f"'{kind}'" for kind in kinds)
    exact = "sum(amount::DECIMAL(24, 8))"
    return f"coalesce(round({exact} FILTER (kind IN ({named}) AND {more}), 2), 0)::DOUBLE"


def money_questions(
    ledger: Ledger,
    rule_book: RuleBook,
    *,
    circuits: pd.DataFrame | None = None,
    now: dt.datetime | None = None,
) -> pd.DataFrame:
    """Return sums that may stand for one job; none of them is merged.

    Returns:
        Columns question (a key of ``QUESTIONS``), findings (list), firm, day, amounts (list),
        counted (what counts now), once (what would count as one price; missing where that is not
        the question), asked (the question in words).
    """
    with sums(ledger, rule_book, now, circuits=circuits) as con:
        frame = con.execute(sql("money_questions")).df()
    frame["findings"] = [list(each) for each in frame["findings"]]
    frame["amounts"] = [[float(one) for one in each] for each in frame["amounts"]]
    frame["asked"] = frame["question"].map(QUESTIONS)
    return frame
