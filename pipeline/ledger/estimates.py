"""What repairs are estimated at, line by line: the remedy, and the costs beside it.

``estimates.sql`` is the one definition; totals of money add up its rows.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from typing import Any

import duckdb
import pandas as pd

from pipeline.ledger.due import dated_findings
from pipeline.ledger.families import URGENT_FAMILIES
from pipeline.ledger.history import MONEY_EVENTS, hand_over, sql
from pipeline.ledger.remedies import allowed_remedies
from pipeline.ledger.store import Ledger
from shared.rule_book import RuleBook
from shared.vocabulary import Condition, Slots

REMEDY_LINE = "remedy"
"""The line of the remedy itself; the others are keys of the rule book's cost lines."""

LINES_TOLD = (
    "Costs beside the remedies, such as the call-out, are lines of their own, once a dwelling or "
    "once a job. An estimate runs from what is sure to be needed to what may be: where the year of "
    "a building is not known, from without the lines that hang on it to with them; where it is not "
    "known which circuit feeds an opening, from one circuit for all such openings of a dwelling "
    "(none, where one that is known there may feed them) to one for each; where work on that "
    "circuit or building has a cost or a committed price already, from nothing more to all of it."
)
"""What is to be said beside estimates."""


def line_labels(book: RuleBook) -> dict[str, str]:
    """Return the lines of an estimate as people read them, in the order in which they are told."""
    return {REMEDY_LINE: "remedy", **{name: each.label for name, each in book.cost_lines.items()}}


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
        (name, float(remedy.cost_typical), remedy.scope, remedy.opens_walls)
        for name, remedy in book.remedies.items()
    ]
    lines = [
        (
            name,
            float(each.cost),
            each.per,
            each.opens_walls,
            None if each.built_before is None else float(each.built_before),
        )
        for name, each in book.cost_lines.items()
    ]
    kinds = {"line": "str", "cost": "float", "per": "str", "opens_walls": "bool"}
    kinds["built_before"] = "float"
    return {
        "cheapest": pd.DataFrame(cheapest, columns=["condition", "slots", "remedy"], dtype=str),
        "prices": pd.DataFrame(prices, columns=["remedy", "typical", "scope", "opens_walls"]),
        "cost_lines": pd.DataFrame(lines, columns=list(kinds)).astype(kinds),
    }


_CIRCUITS = ["building_id", "unit_id", "opening_id", "circuit_id"]


@contextmanager
def sums(
    ledger: Ledger,
    rule_book: RuleBook,
    now: dt.datetime | None,
    *,
    buildings: pd.DataFrame | None = None,
    circuits: pd.DataFrame | None = None,
    building_id: str | None = None,
    alone: Collection[str] | None = None,
) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open ``dated_findings`` with fixes, spent, compared, quotes, prices, circuits, estimates.

    Args:
        ledger: the ledger.
        rule_book: gives the estimates.
        now: as of when; now by default.
        buildings: building_id, year_built, where known.
        circuits: building_id, unit_id, opening_id, circuit_id, where known.
        building_id: one building's findings only.
        alone: estimates of these findings only, as if no others were repaired.
    """
    moment = (now or dt.datetime.now(dt.UTC)).astimezone(dt.UTC)
    known = pd.DataFrame(columns=_CIRCUITS, dtype=str) if circuits is None else circuits[_CIRCUITS]
    years = pd.DataFrame({"building_id": [], "year_built": []}).astype({"building_id": str})
    if buildings is not None and "year_built" in buildings:
        years = buildings[["building_id", "year_built"]]
    with dated_findings(ledger, rule_book, now, building_id, kinds=MONEY_EVENTS) as con:
        frames = {
            **_tables(rule_book, con),
            "circuits": known,
            "years": years,
            "alone": pd.DataFrame({"finding_id": sorted(alone or ())}, dtype=str),
        }
        for name, frame in frames.items():
            hand_over(con, name, frame)
        con.execute("UPDATE circuits SET unit_id = coalesce(unit_id, '')")
        for name in ("fixes", "spent", "compared"):
            con.execute(f"CREATE TEMP TABLE {name} AS {sql(name)}")
        con.execute(f"CREATE TEMP TABLE quotes AS {sql('quotes')}", {"today": moment.date()})
        con.execute(
            f"CREATE TEMP TABLE estimates AS {sql('estimates')}", {"only": alone is not None}
        )
        yield con


def estimates(
    ledger: Ledger,
    rule_book: RuleBook,
    *,
    building_id: str | None = None,
    alone: Collection[str] | None = None,
    buildings: pd.DataFrame | None = None,
    circuits: pd.DataFrame | None = None,
    now: dt.datetime | None = None,
) -> pd.DataFrame:
    """Return what findings are estimated at, one row a finding and line.

    Args:
        ledger: the ledger.
        rule_book: gives the estimates, which are placeholders.
        building_id: one building's findings only.
        alone: these findings only, as if no others were repaired: what is to be paid for once is
            shared among them, and those that have a cost or a committed price are left out.
        buildings: building_id, year_built, where known.
        circuits: building_id, unit_id, opening_id, circuit_id, where known.
        now: as of when; now by default.

    Returns:
        Columns finding_id, building_id, unit_id, opening_id, remedy (missing where none is known),
        line, label, price (of one job or one entry), shared_over (findings that share that price at
        most), least and most (the finding's share; both missing where no remedy is known),
        year_in_doubt (whether the line applies hangs on a year that is not known),
        circuit_in_doubt (how many jobs these are hangs on circuits that are not known),
        paid_in_doubt (work there that has a cost or a committed price may cover it), rest
        (whether it has neither a cost nor a committed price), told (in words), source. Shares add
        up to the price to the cent.
    """
    with sums(
        ledger,
        rule_book,
        now,
        buildings=buildings,
        circuits=circuits,
        building_id=building_id,
        alone=alone,
    ) as con:
        frame = con.execute(
            "SELECT finding_id, building_id, unit_id, opening_id, remedy, line, price, "
            "shared_over, least::DOUBLE AS least, most::DOUBLE AS most, year_in_doubt, "
            "circuit_in_doubt, paid_in_doubt, rest "
            "FROM estimates"
        ).df()
    rows: list[dict[str, Any]] = [
        {str(name): cell for name, cell in row.items()} for row in frame.to_dict(orient="records")
    ]
    labels = line_labels(rule_book)
    place = frame.columns.get_loc("price")
    assert isinstance(place, int)
    frame.insert(place, "label", [_label(rule_book, labels, row) for row in rows])
    return frame.assign(
        told=[_told(rule_book, row) for row in rows],
        source=[_source(rule_book, row) for row in rows],
    )


def totals(frame: pd.DataFrame) -> dict[str, float]:
    """Return the least and most of rows of ``estimates``, to the cent."""
    return {name: round(float(frame[name].sum()), 2) for name in ("least", "most")}


def _label(book: RuleBook, labels: dict[str, str], row: dict[str, Any]) -> str:
    if row["line"] != REMEDY_LINE:
        return labels[row["line"]]
    remedy = book.remedies.get(row["remedy"])
    return "no remedy known" if remedy is None else remedy.label


def _told(book: RuleBook, row: dict[str, Any]) -> str:
    """How a row comes about."""
    if pd.isna(row["price"]):
        return "no remedy is known for it, so there is no estimate"
    if row["line"] == REMEDY_LINE:
        once = f"once a job, which covers one {book.remedies[row['remedy']].scope}"
    else:
        once = f"once a {book.cost_lines[row['line']].per}"
    parts = [f"{row['price']:,.2f} {once}"]
    if row["shared_over"] > 1:
        parts.append(f"shared over {row['shared_over']} findings")
    if row["circuit_in_doubt"]:
        parts.append(
            "NOT KNOWN HOW MANY CIRCUITS: one for all such openings of the dwelling, or none of "
            "their own, at least; one for each at most"
        )
    if row["paid_in_doubt"]:
        parts.append(
            "NOT KNOWN WHETHER: work of this kind there has a cost or a committed price, which may "
            "cover it"
        )
    if row["year_in_doubt"]:
        before = book.cost_lines[row["line"]].built_before
        assert before is not None
        parts.append(
            f"NOT KNOWN WHETHER: it hangs on whether the building was built before "
            f"{float(before):.0f}, and its year is not known"
        )
    return "; ".join(parts)


def _source(book: RuleBook, row: dict[str, Any]) -> str:
    if row["line"] != REMEDY_LINE:
        line = book.cost_lines[row["line"]]
        year = "" if line.built_before is None else f"; year: {line.built_before.source}"
        return f"{line.source}{year}; cost: {line.cost.source}"
    remedy = book.remedies.get(row["remedy"])
    return "" if remedy is None else remedy.cost_typical.source
