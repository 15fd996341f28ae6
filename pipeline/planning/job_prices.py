"""What jobs of repair cost: quotes in the ledger, else the rule book's typical costs."""

from __future__ import annotations

from functools import cache
from typing import Any

import pandas as pd

from pipeline.ledger.money import quotes
from pipeline.ledger.store import Ledger
from shared.rule_book import RuleBook


class JobPrices:
    """What jobs cost: quotes in the ledger, else the rule book's typical cost and cost lines."""

    def __init__(self, book: RuleBook, ledger: Ledger | None) -> None:
        self.book = book
        self.of_job = {True: 0.0, False: 0.0}
        self.quoted: dict[tuple[str, str], tuple[float, str]] = {}
        for walls in (False, True):
            self.of_job[walls] = sum(
                float(line.cost) for line in book.cost_lines.values()
                if line.per == "job" and (walls or not line.opens_walls)
            )  # fmt: skip
        if ledger is not None:
            frame = quotes(ledger, book)
            frame = frame[frame["holds"] & frame["open"] & ~frame["reported_since"]]
            for row in frame.sort_values("amount", ascending=False).to_dict(orient="records"):
                name = row["remedy"] if isinstance(row["remedy"], str) else ""
                self.quoted[str(row["finding_id"]), name] = (float(row["amount"]), str(row["firm"]))

    def entry(self, built: Any, walls: bool) -> float:  # noqa: ANN401 - a year or a missing cell
        """What is paid once a dwelling: without, or on top of it with walls opened."""
        return sum(
            float(line.cost) for line in self.book.cost_lines.values()
            if line.per == "dwelling" and line.opens_walls == walls
            and (line.built_before is None or pd.isna(built)
                 or built < float(line.built_before))
        )  # fmt: skip

    def job(self, name: str, findings: list[str]) -> tuple[float, float, float, str]:
        """Cost, low and high cost of one job, and who says so."""
        if not self.quoted or not findings:
            return self._by_book(name)
        told = [self.quoted.get((each, name)) or self.quoted.get((each, "")) for each in findings]
        if told and all(told):
            named = [each for each in told if each]
            amount = sum(each[0] for each in named)
            return (
                amount,
                amount,
                amount,
                "quoted by " + ", ".join(dict.fromkeys(each[1] for each in named)),
            )
        return self._by_book(name)

    @cache  # noqa: B019 - lives as long as the plan
    def _by_book(self, name: str) -> tuple[float, float, float, str]:
        remedy = self.book.remedies[name]
        more = self.of_job[remedy.opens_walls]
        said = remedy.cost_typical.source
        whose = "placeholder of the rule book" if "placeholder" in said else f"rule book: {said}"
        low, typical, high = (
            float(each) + more for each in (remedy.cost_low, remedy.cost_typical, remedy.cost_high)
        )
        return typical, low, high, whose
