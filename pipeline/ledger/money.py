"""What repairs cost: estimated, quoted, committed, spent, and what all of it may come to.

``money.sql`` is the one definition, a row a sum; everything here adds such rows up.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager

import duckdb
import pandas as pd

from pipeline.ledger.due import dated_findings
from pipeline.ledger.families import URGENT_FAMILIES
from pipeline.ledger.history import MONEY_EVENTS, hand_over, sql
from pipeline.ledger.progress import GROUPS, grouping, hand_over_buildings
from pipeline.ledger.remedies import allowed_remedies
from pipeline.ledger.store import Ledger
from shared.faults import CoverplateError
from shared.rule_book import RuleBook
from shared.vocabulary import Condition, Slots

OF_SUMS: dict[str, str] = {
    "remedy": "coalesce(m.remedy, 'not known')",
    "firm": "coalesce(m.firm, 'nobody assigned')",
    "month": "coalesce(strftime(m.day, '%Y-%m'), 'not known')",
}
"""Groups that are told of each sum: by which firm and with which remedy, and in which month."""

BY: tuple[str, ...] = ("all", *OF_SUMS, "building", *(each for each in GROUPS if each != "all"))
BY = tuple(dict.fromkeys(each for each in BY if each != "building_id"))
"""By what money can be broken down."""

MONEY_TOLD = (
    "Estimate: the rule book’s typical cost, a placeholder to be replaced, of the remedy that was "
    "reported or quoted, else of the cheapest that is allowed. Quoted: of what is open, the lowest "
    "price that still holds, and that of the firm assigned. Committed: priced by the firm assigned "
    "and not yet reported. Spent: bills, and what fix reports say where no bill names the finding. "
    "Rest: the estimate of what has neither a cost nor a committed price. Forecast: spent + "
    "committed + rest."
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


def _tables(book: RuleBook, con: duckdb.DuckDBPyConnection) -> dict[str, pd.DataFrame]:
    pairs = con.execute(
        "SELECT DISTINCT condition, coalesce(slots, '') AS slots FROM due "
        "WHERE condition IS NOT NULL ORDER BY ALL"
    ).fetchall()
    cheapest = []
    for condition, slots in pairs:
        if condition in URGENT_FAMILIES:
            continue  # no condition that a remedy is known for
        allowed = allowed_remedies(book, Condition(condition), Slots(slots) if slots else None)
        if allowed:
            least = min(allowed, key=lambda name: float(allowed[name].cost_typical))
            cheapest.append((condition, slots, least))
    prices = [
        (name, float(remedy.cost_typical), remedy.scope) for name, remedy in book.remedies.items()
    ]
    return {
        "cheapest": pd.DataFrame(cheapest, columns=["condition", "slots", "remedy"], dtype=str),
        "prices": pd.DataFrame(prices, columns=["remedy", "typical", "scope"]),
    }


_CIRCUITS = ["building_id", "unit_id", "opening_id", "circuit_id"]


@contextmanager
def _sums(
    ledger: Ledger,
    rule_book: RuleBook,
    circuits: pd.DataFrame | None,
    now: dt.datetime | None,
    building_id: str | None = None,
) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open ``dated_findings`` with the tables fixes, spent, quotes, prices, cheapest, circuits."""
    moment = (now or dt.datetime.now(dt.UTC)).astimezone(dt.UTC)
    known = pd.DataFrame(columns=_CIRCUITS, dtype=str) if circuits is None else circuits[_CIRCUITS]
    with dated_findings(ledger, rule_book, now, building_id, kinds=MONEY_EVENTS) as con:
        for name, frame in {**_tables(rule_book, con), "circuits": known}.items():
            hand_over(con, name, frame)
        con.execute("UPDATE circuits SET unit_id = coalesce(unit_id, '')")
        for name in ("fixes", "spent"):
            con.execute(f"CREATE TEMP TABLE {name} AS {sql(name)}")
        con.execute(f"CREATE TEMP TABLE quotes AS {sql('quotes')}", {"today": moment.date()})
        yield con


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
    with _sums(ledger, rule_book, None, now, building_id) as con:
        return con.execute(
            "SELECT * REPLACE (amount::DOUBLE AS amount, whole::DOUBLE AS whole) FROM quotes"
        ).df()


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
        buildings: building_id, owner, manager, where known.
        circuits: building_id, unit_id, opening_id, circuit_id, where known.
        now: as of when; now by default.

    Returns:
        Columns group, findings (with any sum), estimate, quoted_lowest, quoted_chosen, committed,
        billed, reported, spent (billed + reported), on_disproved (of it, on fixes that a look
        disproved), over_reported (bills less the reports that they stand in for), rest, forecast
        (spent + committed + rest), without_cost (fixes whose cost nobody states), without_estimate
        (findings still to be paid for, of which no remedy is known). See ``MONEY_TOLD``.

    Raises:
        CoverplateError: it cannot be broken down so.
    """
    if by not in BY:
        raise CoverplateError(
            f"money cannot be shown by {by!r}",
            expected="one of " + ", ".join(BY),
            to_do="choose one of these",
        )
    group = OF_SUMS.get(by) or grouping("building_id" if by == "building" else by)
    with _sums(ledger, rule_book, circuits, now) as con:
        hand_over_buildings(con, buildings)
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
                "group", findings, estimate, quoted_lowest, quoted_chosen, committed, billed,
                reported, round(billed + reported, 2) AS spent, on_disproved, over_reported, rest,
                round(billed + reported + committed + rest, 2) AS forecast, without_cost,
                without_estimate
            FROM added ORDER BY "group"
            """
        ).df()


_KINDS = (
    "estimate",
    "quoted_lowest",
    "quoted_chosen",
    "committed",
    "billed",
    "reported",
    "over_reported",
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
    with _sums(ledger, rule_book, circuits, now) as con:
        frame = con.execute(sql("money_questions")).df()
    frame["findings"] = [list(each) for each in frame["findings"]]
    frame["amounts"] = [[float(one) for one in each] for each in frame["amounts"]]
    frame["asked"] = frame["question"].map(QUESTIONS)
    return frame
