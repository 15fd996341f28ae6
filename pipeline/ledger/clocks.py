"""Three clocks instead of one: until it was known, until a fix was reported, until it was proven.

Most of the time since a defect was first seen passed before anybody was asked to repair it. A firm
is judged by what passes after it was asked.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import duckdb
import pandas as pd

from pipeline.ledger.due import dated_findings
from pipeline.ledger.effects import CAME_BACK
from pipeline.ledger.history import FIRM_EVENTS, sql
from pipeline.ledger.progress import (
    failed_verifications,
    grouping,
    hand_over_buildings,
)
from pipeline.ledger.store import Ledger
from pipeline.ledger.survival import Survival, kaplan_meier
from shared.rule_book import RuleBook


@dataclass(frozen=True)
class Clock:
    """One of the three clocks.

    Attributes:
        name: as people read it.
        meaning: from where to where it runs.
        not_ended: where those stand for which it has not run out.
        ends_as: the word in ``stands`` of those for which it has.
        of_firms: whether firms are judged by it.
    """

    name: str
    meaning: str
    not_ended: str
    ends_as: str
    of_firms: bool


CLOCKS: dict[str, Clock] = {
    "seen_to_known": Clock(
        "seen → known",
        "from the first look that pointed at the defect to the day the finding was raised; no firm "
        "had been asked yet",
        "every finding here is known; what was seen and never raised is in no ledger",
        "known",
        False,
    ),
    "assigned_to_reported": Clock(
        "assigned → fix reported",
        "from the day a firm was given the work (again, where a look disproved its fix) to the day "
        "a fix was written down; days on which the own target stood paused count",
        "those still waiting count as without a report up to today; those given to another firm, "
        "set aside or no longer indicated leave on that day",
        "reported",
        True,
    ),
    "reported_to_proven": Clock(
        "fix reported → proven",
        "from the day a fix was written down to the look that proved it; who arranges the look may "
        "be another than the firm",
        "those still waiting, and those that a look disproved, count as without proof up to today; "
        "those set aside or reopened leave on that day",
        "proven",
        True,
    ),
}
"""The clocks, in the order in which they run."""


@contextmanager
def _timed(
    ledger: Ledger,
    rule_book: RuleBook,
    buildings: pd.DataFrame | None,
    now: dt.datetime | None,
) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open ``dated_findings`` with the tables buildings, with_firms, fixes, spent and clocks."""
    moment = (now or dt.datetime.now(dt.UTC)).astimezone(dt.UTC).replace(tzinfo=None)
    with dated_findings(ledger, rule_book, now, kinds=FIRM_EVENTS) as con:
        hand_over_buildings(con, buildings)
        for name in ("with_firms", "fixes", "spent"):
            con.execute(f"CREATE TEMP TABLE {name} AS {sql(name)}")
        con.execute(f"CREATE TEMP TABLE clocks AS {sql('clocks')}", {"now": moment})
        yield con


def _times(
    ledger: Ledger,
    rule_book: RuleBook,
    by: str,
    buildings: pd.DataFrame | None,
    now: dt.datetime | None,
) -> pd.DataFrame:
    group = "c.firm" if by == "firm" else grouping(by)
    of_firms = [name for name, clock in CLOCKS.items() if clock.of_firms]
    with _timed(ledger, rule_book, buildings, now) as con:
        return con.execute(
            f"""
            SELECT {group} AS "group", c.clock, c.days::DOUBLE AS days, c.stands
            FROM clocks AS c
            JOIN due AS d USING (finding_id)
            LEFT JOIN buildings AS b USING (building_id)
            WHERE NOT $by_firm OR list_contains($of_firms, c.clock)
            ORDER BY ALL
            """,
            {"by_firm": by == "firm", "of_firms": of_firms},
        ).df()


def clock_curves(
    ledger: Ledger,
    rule_book: RuleBook,
    clock: str,
    *,
    by: str = "all",
    buildings: pd.DataFrame | None = None,
    now: dt.datetime | None = None,
) -> dict[str, Survival]:
    """Return, by group, for how many a clock still runs after so many days (Kaplan–Meier).

    Args:
        ledger: the ledger.
        rule_book: gives the probability held by the limits.
        clock: a key of ``CLOCKS``.
        by: a key of ``progress.GROUPS``; by firm a clock that firms are not judged by is empty.
        buildings: building_id, owner, manager, where known.
        now: as of when; now by default.
    """
    frame = _times(ledger, rule_book, by, buildings, now)
    interval = float(rule_book.ledger.interval)
    return {
        str(name): kaplan_meier(group["days"], group["stands"] == CLOCKS[clock].ends_as, interval)
        for name, group in frame[frame["clock"] == clock].groupby("group", sort=True)
    }


def clocks(
    ledger: Ledger,
    rule_book: RuleBook,
    *,
    by: str = "all",
    buildings: pd.DataFrame | None = None,
    now: dt.datetime | None = None,
) -> pd.DataFrame:
    """Return the three clocks, one row a group and clock; by firm only those that firms answer for.

    Returns:
        Columns group, clock (key of ``CLOCKS``), times (how many were measured), ended (for which
        it has run out), waiting, disproved, left (passed on, set aside, no longer indicated or
        reopened), median_days (Kaplan–Meier; missing where under half have ended),
        share_running_90 (for which it still runs after 90 days).
    """
    frame = _times(ledger, rule_book, by, buildings, now)
    rows = []
    for (name, clock), group in frame.groupby(["group", "clock"], sort=True):
        ended = group["stands"] == CLOCKS[str(clock)].ends_as
        counts = group["stands"].value_counts()
        curve = kaplan_meier(group["days"], ended, float(rule_book.ledger.interval))
        rows.append(
            {
                "group": name,
                "clock": clock,
                "times": len(group),
                "ended": int(ended.sum()),
                "waiting": int(counts.get("waiting", 0)),
                "disproved": int(counts.get("disproved", 0)),
                "left": int(counts.get("passed_on", 0) + counts.get("ended", 0)),
                "median_days": curve.median,
                "share_running_90": curve.at(90),
            }
        )
    columns = ["group", "clock", "times", "ended", "waiting", "disproved", "left"]
    found = pd.DataFrame(rows, columns=[*columns, "median_days", "share_running_90"])
    order = {name: place for place, name in enumerate(CLOCKS)}
    return found.sort_values(
        ["group", "clock"], key=lambda c: c.map(order) if c.name == "clock" else c
    ).reset_index(drop=True)


_DONE = f"""
    WITH paid AS (
        SELECT
            told_firm(firm) AS firm,
            sum(amount)::DOUBLE AS to_date,
            count(*) FILTER (amount IS NULL) AS without_cost
        FROM spent
        WHERE kind IN ('billed', 'reported')
        GROUP BY ALL
    ),
    held AS (
        SELECT
            f.firm,
            count(DISTINCT (d.building_id, d.unit_id, d.opening_id)) AS proven_openings
        FROM fixes AS f JOIN due AS d USING (finding_id)
        -- a repair after which the defect came back counts no longer
        WHERE f.verdict = 'proven' AND f.finding_id NOT IN {CAME_BACK}
        GROUP BY ALL
    ),
    doors AS (
        SELECT
            firm,
            count(*) FILTER (kind = 'entry_refused') AS entry_refused,
            count(*) FILTER (kind = 'no_access') AS no_access
        FROM (
            SELECT kind, last_value(CASE WHEN kind = 'assigned' THEN told_firm(payload ->> 'firm')
                END IGNORE NULLS) OVER (PARTITION BY finding_id ORDER BY sequence) AS firm
            FROM history
        )
        WHERE firm IS NOT NULL
        GROUP BY ALL
    )
    SELECT
        firm AS "group",
        coalesce(proven_openings, 0) AS proven_openings,
        coalesce(to_date, 0) AS to_date,
        coalesce(without_cost, 0) AS without_cost,
        to_date / nullif(proven_openings, 0) AS cost_per_proven_opening,
        coalesce(entry_refused, 0) AS entry_refused,
        coalesce(no_access, 0) AS no_access
    FROM paid FULL JOIN held USING (firm) FULL JOIN doors USING (firm)
    ORDER BY ALL
"""


def firm_record(
    ledger: Ledger, rule_book: RuleBook, *, now: dt.datetime | None = None
) -> pd.DataFrame:
    """Return the record of every firm that was given work or reported a fix, one row each.

    Returns:
        Columns group (the firm, in the spelling that stands most often); assigned (stretches of
        work given), of which reported, waiting and left, and median_days_to_report (``clocks``);
        fixes (reported), of which proven, disproved
        and unproven; share_proven_first_look (of fixes judged by a look, by the first one),
        share_proven_low, share_proven_high (Clopper–Pearson); median_days_to_proof (``clocks``);
        proven_openings (openings with a fix of theirs that a look proved, and the defect did not
        come back since), to_date (money of all
        their work, disproved fixes too: bills, and reports where no bill stands in for them; see
        ``spent.sql``), without_cost (fixes of which neither states any),
        cost_per_proven_opening (too low where fixes state no cost); entry_refused, no_access (while
        it was assigned to them).
    """
    timed = clocks(ledger, rule_book, by="firm", now=now)
    asked = timed[timed["clock"] == "assigned_to_reported"].rename(
        columns={"times": "assigned", "ended": "reported", "median_days": "median_days_to_report"}
    )[["group", "assigned", "reported", "waiting", "left", "median_days_to_report"]]
    proof = timed[timed["clock"] == "reported_to_proven"].rename(
        columns={"median_days": "median_days_to_proof"}
    )[["group", "median_days_to_proof"]]
    judged = failed_verifications(ledger, rule_book, by="firm")
    judged = judged.assign(
        share_proven_first_look=1.0 - judged["share_disproved"].astype(float),
        share_proven_low=1.0 - judged["high"],
        share_proven_high=1.0 - judged["low"],
    ).rename(columns={"reported": "fixes"})
    judged = judged.drop(columns=["share_disproved", "low", "high"])
    with _timed(ledger, rule_book, None, now) as con:
        done = con.execute(_DONE).df()
    whole = asked.merge(judged, on="group", how="outer")
    whole = whole.merge(proof, on="group", how="left").merge(done, on="group", how="left")
    counts = ["assigned", "reported", "waiting", "left", "fixes", "proven", "disproved", "unproven"]
    counts += ["proven_openings", "without_cost", "entry_refused", "no_access"]
    whole[counts] = whole[counts].fillna(0).astype("int64")
    return whole.sort_values("group").reset_index(drop=True)
