"""Prices: for which remedy a firm may name one, and how one price is shared over findings."""

from __future__ import annotations

import math

from pipeline.ledger import events as ev
from pipeline.ledger.remedies import allowed_remedies, why_refused
from pipeline.ledger.state import Finding
from shared.faults import CoverplateError
from shared.rule_book import RuleBook


def in_cents(amount: float) -> int:
    """Return an amount of money in cents.

    Raises:
        CoverplateError: it is no whole number of cents.
    """
    if not whole_cents(amount):
        raise CoverplateError(
            f"{amount!r} is no amount of money",
            expected="whole cents, such as 280.50",
            to_do="round it as the bill does",
        )
    return round(amount * 100)


def whole_cents(amount: float) -> bool:
    """Say whether a number is a whole number of cents."""
    return math.isfinite(amount) and abs(amount * 100 - round(amount * 100)) <= 1e-4


def shared_out(amount: float, over: int) -> list[float]:
    """Return equal shares of an amount that add up to it to the cent.

    Whole cents are given first; of what is left one cent each goes to the largest remainders, which
    among equal shares are those that stand first.
    """
    whole, left = divmod(in_cents(amount), over)
    return [(whole + (place < left)) / 100 for place in range(over)]


def check_quote(book: RuleBook, finding: Finding, quote: ev.Quoted) -> None:
    """Refuse a price for what would be no repair of the finding.

    Raises:
        CoverplateError: naming the remedies that are allowed for it.
    """
    if quote.remedy is None:
        return
    before, slots = finding.condition, finding.raised.slots
    if before is None:
        raise CoverplateError(
            f"{finding.finding_id} has no condition that a remedy could answer",
            expected="a price without a remedy",
            to_do="leave the remedy out, or have the opening looked at first",
        )
    allowed = allowed_remedies(book, before, slots)
    if quote.remedy in allowed:
        return
    known = book.remedies.get(quote.remedy)
    told = f"{quote.remedy!r} is no remedy of the rule book"
    if known is not None:
        told = f"{known.label} is no repair of it: {why_refused(known, before, slots)}"
    raise CoverplateError(
        f"{finding.finding_id}: {told}",
        expected="one of " + "; ".join(f"{name} ({each.label})" for name, each in allowed.items()),
        to_do="see `coverplate fix remedies`",
    )


def same_name(one: str, other: str) -> bool:
    """Say whether two texts are the same name, case and spaces aside (``names.sql``)."""
    return one.casefold().split() == other.casefold().split()
