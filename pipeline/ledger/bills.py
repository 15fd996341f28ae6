"""Bills: one invoice of a firm, shared over the findings that it names, asked about if told twice.

A bill is written on all its findings in one transaction. It stands in for what the firm's own fix
reports of these findings said that they cost (``spent.sql``).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Hashable, Sequence
from typing import Any

import pandas as pd
import sqlalchemy as sa
from sqlalchemy.engine import Connection

from pipeline.ledger import events as ev
from pipeline.ledger.chain import parsed_event
from pipeline.ledger.database import EVENTS
from pipeline.ledger.history import PAID_EVENTS, history, sql
from pipeline.ledger.persons import may_be_one_firm
from pipeline.ledger.prices import in_cents, same_name, shared_out
from pipeline.ledger.store import Draft, Ledger
from shared.faults import CoverplateError


def bills(ledger: Ledger) -> pd.DataFrame:
    """Return every bill, one row each, in the order written; columns as in ``bills.sql``."""
    with history(ledger, kinds=PAID_EVENTS) as con:
        for name in ("fixes", "spent", "compared"):
            con.execute(f"CREATE TEMP TABLE {name} AS {sql(name)}")
        frame = con.execute(sql("bills")).df()
    frame["findings"] = [[str(one) for one in each] for each in frame["findings"]]
    return frame


def write_bill(
    ledger: Ledger,
    findings: Sequence[tuple[str, int | None]],
    *,
    firm: str,
    invoice: str,
    amount: float,
    on: dt.date,
    who: str,
    origin: str,
    again: bool = False,
    corrects: bool = False,
    note: str | None = None,
    at: dt.datetime | None = None,
) -> list[ev.Event]:
    """Write a bill on all its findings, or on none.

    Args:
        ledger: the ledger.
        findings: those that it names, each with the version that was seen, or None.
        firm: whose bill it is.
        invoice: its number.
        amount: the whole of it.
        on: its day.
        who: who says so.
        origin: from where.
        again: it is another bill than the one that it looks like.
        corrects: it takes the place of the last bill of that number.
        note: anything worth keeping.
        at: when it was written down; now by default.

    Returns:
        The events, in the order of the findings.

    Raises:
        CoverplateError: the number was used before or the same sum was billed for the same findings
            before, and nobody said which it is; the day has not come or lies before any of the
            findings was seen; it comes to 0.00 and corrects none; what ``append_many`` says.
    """
    if on > dt.date.today():
        raise CoverplateError(
            f"the bill {invoice} of {on}, a day in the future",
            expected="a day that has come",
            to_do="check the date",
        )
    ids = [identity for identity, _ in findings]
    known = bills(ledger)
    if not in_cents(amount) and not corrects:
        raise CoverplateError(
            f"the bill {invoice} of 0.00",
            expected="an amount above 0",
            to_do="check the amount; 0.00 is taken only with --corrects, which takes an earlier "
            "bill back",
        )
    seen = _first_seen(ledger, ids)
    if seen is not None and on < seen:
        raise CoverplateError(
            f"the bill {invoice} of {on}, before any of its findings was first seen ({seen})",
            expected="a day on which there was something to repair",
            to_do="check the date, and which findings the bill names",
        )
    number, corrected = _place(known, ids, firm, invoice, amount, again=again, corrects=corrects)
    drafts = [
        Draft(
            identity,
            ev.parse_payload(
                {
                    "kind": "billed",
                    "firm": firm,
                    "invoice": invoice,
                    "amount": amount,
                    "share": share,
                    "shared_over": len(ids),
                    "on": on,
                    "number": number,
                    "corrects": corrected,
                    "note": note,
                }
            ),
            version,
        )
        for (identity, version), share in zip(findings, shared_out(amount, len(ids)), strict=True)
    ]

    def nothing_came_between(con: Connection, written: list[ev.Event]) -> None:
        last = int(max(known["position"], default=0))
        since = sa.and_(EVENTS.c.kind == "billed", EVENTS.c.position > last)
        count = con.execute(sa.select(sa.func.count()).where(since)).scalar_one()
        if count > len(written):
            raise CoverplateError(
                "another bill was written meanwhile", to_do="look at `coverplate fix bills`"
            )

    return ledger.append_many(
        drafts, who=who, origin=origin, at=at, before_commit=nothing_came_between
    )


def _first_seen(ledger: Ledger, ids: Sequence[str]) -> dt.date | None:
    """Return the day on which the earliest of some findings was first seen, None of none."""
    with ledger.reading() as con:
        first = [each for each in ledger.stored_of(con, set(ids)) if each.sequence == 1]
    raised = [parsed_event(each).payload for each in first]
    return min((each.first_seen_on for each in raised if isinstance(each, ev.Raised)), default=None)


def _place(
    known: pd.DataFrame,
    ids: Sequence[str],
    firm: str,
    invoice: str,
    amount: float,
    *,
    again: bool,
    corrects: bool,
) -> tuple[int, int | None]:
    """Return the number of a bill among those of its invoice number, and which it corrects.

    Raises:
        CoverplateError: it looks like an earlier one; or there is none to correct.
    """
    of_firm = [
        each for each in known.to_dict(orient="records") if same_name(str(each["firm"]), firm)
    ]
    same_number = [each for each in of_firm if same_name(str(each["invoice"]), invoice)]
    standing = [each for each in same_number if not each["corrected"]]
    number = 1 + max((int(each["number"]) for each in same_number), default=0)
    if corrects:
        if not standing:
            raise CoverplateError(
                f"{firm} has no bill {invoice} that could be corrected",
                expected="the firm and the number of an earlier bill",
                to_do="see `coverplate fix bills`",
            )
        return number, int(standing[-1]["number"])
    alike = [
        each
        for each in known.to_dict(orient="records")
        if not each["corrected"] and _may_be_it(each, ids, firm, invoice, amount)
    ]
    if alike and not again:
        told = [
            f"  written before: {each['firm']}, invoice {each['invoice']} of "
            f"{each['on']:%Y-%m-%d}, {each['amount']:,.2f} for {', '.join(each['findings'])}"
            for each in alike
        ]
        raise CoverplateError(
            "\n".join([f"is this another bill? {firm}, invoice {invoice}, {amount:,.2f}", *told]),
            expected="an invoice number once, and the same sum for the same findings once",
            to_do="say --again where it is another bill, --corrects (with the firm and the number "
            "as they were written) where it puts the earlier one right; nothing was written",
        )
    return number, None


def _may_be_it(
    earlier: dict[Hashable, Any], ids: Sequence[str], firm: str, invoice: str, amount: float
) -> bool:
    """Say whether a bill may be an earlier one told again, perhaps for fewer or more findings."""
    same_number = _bare(str(earlier["invoice"])) == _bare(invoice)
    same_sum = in_cents(earlier["amount"]) == in_cents(amount)
    overlaps = not set(earlier["findings"]).isdisjoint(ids)
    one_firm = may_be_one_firm(str(earlier["firm"]), firm)
    return (
        (same_number and one_firm)
        or (same_number and same_sum and overlaps)
        or (one_firm and same_sum and overlaps)
    )


def _bare(invoice: str) -> str:
    """Return the letters and digits of an invoice number: "R 1" may be "r-1"."""
    return "".join(filter(str.isalnum, invoice.casefold())) or invoice
