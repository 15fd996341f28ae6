"""How remediation goes, told honestly: only a proven repair ends a finding's time.

Reported fixes, closing on paper and passing dates are not repairs: such findings go on counting
(reported, open) or leave the watch unrepaired (set aside, no longer indicated).
"""

from __future__ import annotations

import datetime as dt

import duckdb
import numpy as np
import pandas as pd

from pipeline.ledger.due import OVERDUE_COUNTS, dated_findings
from pipeline.ledger.history import FIX_EVENTS, hand_over, history, sql
from pipeline.ledger.store import Ledger
from pipeline.ledger.survival import Survival, clopper_pearson, kaplan_meier, survival_bounds
from shared.faults import CoverplateError
from shared.rule_book import RuleBook

GROUPS: dict[str, str] = {
    "all": "'all'",
    "owner": "b.owner",
    "manager": "b.manager",
    "building_id": "d.building_id",
    "firm": "told_firm(coalesce(d.fixed_by, d.firm))",
    "remedy": "d.remedy",
    "severity_class": "d.severity_class",
    "family": "d.family",
}
"""By what progress can be broken down, and the SQL for it over due (d) and buildings (b)."""


CURVE_TOLD = (
    "From the first look that pointed at the defect to the look that proved the repair. A finding "
    "is counted from the age at which it was raised: what was seen and never raised is in no "
    "ledger. What is open, reported or disproved counts as without proof up to today; what was set "
    "aside or is no longer indicated leaves on that day (Kaplan–Meier, delayed entry). Where few "
    "are at risk, at the early days above all, steps are large."
)
"""What the curve of the time to a proven repair means, for people."""


def grouping(by: str) -> str:
    """Return the SQL of a key of ``GROUPS``, over due (d) and buildings (b)."""
    if by not in GROUPS:
        raise CoverplateError(
            f"progress cannot be shown by {by!r}",
            expected="one of " + ", ".join(GROUPS),
            to_do="choose one of these",
        )
    return f"coalesce({GROUPS[by]}, 'not known')"


def hand_over_buildings(con: duckdb.DuckDBPyConnection, buildings: pd.DataFrame | None) -> None:
    """Make the table ``buildings`` (building_id, owner, manager), empty where none are known."""
    empty = pd.DataFrame({"building_id": [], "owner": [], "manager": []}, dtype=str)
    frame = empty if buildings is None else buildings[["building_id", "owner", "manager"]]
    hand_over(con, "buildings", frame)


def states_over_time(
    ledger: Ledger, *, now: dt.datetime | None = None, step_days: int = 7
) -> pd.DataFrame:
    """Return how many findings were in each state, as known at the end of each day.

    Args:
        ledger: the ledger.
        now: the last day; today by default.
        step_days: days between rows.

    Returns:
        Columns day, state, findings: every step since the first event, and ``now``.
    """
    last = (now or dt.datetime.now(dt.UTC)).date()
    with history(ledger) as con:
        return con.execute(
            f"""
            WITH spells AS ({sql("spells")}),
            days AS (
                SELECT day::DATE AS day FROM (
                    SELECT unnest(generate_series(min(since)::DATE::TIMESTAMP,
                        $last::TIMESTAMP, to_days($step))) AS day FROM spells)
                UNION SELECT $last::DATE WHERE EXISTS (SELECT 1 FROM spells)
            )
            SELECT d.day, s.state, count(*) AS findings
            FROM days AS d
            JOIN spells AS s ON s.since < d.day + 1
                AND (s.until IS NULL OR s.until >= d.day + 1)
            GROUP BY ALL ORDER BY ALL
            """,
            {"last": last, "step": step_days},
        ).df()


def ageing(
    ledger: Ledger,
    rule_book: RuleBook,
    *,
    by: str = "all",
    buildings: pd.DataFrame | None = None,
    now: dt.datetime | None = None,
) -> pd.DataFrame:
    """Return what is open, overdue and unproven now, and for how long.

    Returns:
        Columns group, findings (records in doubt among them), open, in_doubt (records in doubt, not
        among the open), made_safe, reported_unproven, disproved, proven, set_aside, those of
        ``due.OVERDUE_COUNTS``, median_days_open and oldest_days_open (since raised, of the open),
        oldest_days_unproven.
    """
    with dated_findings(ledger, rule_book, now) as con:
        hand_over_buildings(con, buildings)
        return con.execute(
            f"""
            SELECT
                {grouping(by)} AS "group",
                count(*) AS findings,
                count(*) FILTER (d.open AND d.grade <> 'record_in_doubt') AS open,
                count(*) FILTER (d.open AND d.grade = 'record_in_doubt') AS in_doubt,
                count(*) FILTER (d.treatment = 'made_safe') AS made_safe,
                count(*) FILTER (d.treatment = 'fix_reported') AS reported_unproven,
                count(*) FILTER (d.treatment = 'disproved') AS disproved,
                count(*) FILTER (d.treatment = 'proven') AS proven,
                count(*) FILTER (d.treatment = 'set_aside') AS set_aside,
                {OVERDUE_COUNTS},
                median(d.days_known) FILTER (d.open AND d.grade <> 'record_in_doubt')
                    AS median_days_open,
                max(d.days_known) FILTER (d.open AND d.grade <> 'record_in_doubt')
                    AS oldest_days_open,
                max(d.days_unproven) AS oldest_days_unproven
            FROM due AS d LEFT JOIN buildings AS b USING (building_id)
            GROUP BY ALL ORDER BY ALL
            """
        ).df()


_TIMES = """
    SELECT
        {grouping} AS "group",
        d.treatment = 'proven' AS proven,
        d.first_seen_on,
        CASE
            WHEN d.treatment = 'proven' THEN d.verified_on
            WHEN d.treatment IN ('set_aside', 'withdrawn') THEN least(d.last_at::DATE, $now::DATE)
            ELSE $now::DATE
        END - d.first_seen_on AS days,
        d.raised_at::DATE - d.first_seen_on AS days_to_raising,
        d.defect_last_seen_on - d.first_seen_on AS earliest_days
    FROM due AS d
    LEFT JOIN buildings AS b USING (building_id)
    WHERE d.grade <> 'record_in_doubt'
    ORDER BY ALL
"""


def _times(
    ledger: Ledger,
    rule_book: RuleBook,
    by: str,
    buildings: pd.DataFrame | None,
    now: dt.datetime | None,
) -> pd.DataFrame:
    moment = now or dt.datetime.now(dt.UTC)
    with dated_findings(ledger, rule_book, moment) as con:
        hand_over_buildings(con, buildings)
        frame = con.execute(
            _TIMES.format(grouping=grouping(by)),
            {"now": moment.astimezone(dt.UTC).replace(tzinfo=None)},
        ).df()
    frame["days"] = frame["days"].astype(float).clip(lower=0.0)
    # it is watched from the day of its raising on, that day among them
    frame["entry"] = frame["days_to_raising"].astype(float) - 0.5
    # a defect seen on the very day of the proof leaves no room for an earlier repair
    frame["earliest_days"] = np.minimum(frame["earliest_days"].astype(float), frame["days"])
    return frame


def _not_by_firm(by: str) -> None:
    if by == "firm":
        raise CoverplateError(
            "firms are not judged by the time since a defect was first seen: most of it passed "
            "before they were asked",
            expected="another grouping, or the clocks of what firms do",
            to_do="use `coverplate findings progress --view firms`",
        )


def _curve(frame: pd.DataFrame, interval: float) -> Survival:
    return kaplan_meier(frame["days"], frame["proven"], interval, entry=frame["entry"])


def time_to_proven_repair(
    ledger: Ledger,
    rule_book: RuleBook,
    *,
    by: str = "all",
    buildings: pd.DataFrame | None = None,
    now: dt.datetime | None = None,
) -> dict[str, Survival]:
    """Return, by group, how long findings go without a proven repair (Kaplan–Meier).

    The time runs from the first look that pointed at the defect to the look that proved the repair;
    a finding is counted from the age at which it was raised (delayed entry), since a defect that
    was repaired before is in no ledger. Whatever is not proven is censored: open, made safe,
    reported and disproved ones now; set aside and no longer indicated ones on the day they left the
    watch. Proofs of before the raising are left out.

    Raises:
        CoverplateError: by firm; see ``clocks``.
    """
    _not_by_firm(by)
    frame = _times(ledger, rule_book, by, buildings, now)
    interval = float(rule_book.ledger.interval)
    return {str(name): _curve(group, interval) for name, group in frame.groupby("group", sort=True)}


BOUND_DAYS = 120
"""Days at which bounds are evaluated, at most: the ends of what is known, thinned evenly."""


def time_to_repair_bounds(
    ledger: Ledger,
    rule_book: RuleBook,
    *,
    by: str = "all",
    buildings: pd.DataFrame | None = None,
    now: dt.datetime | None = None,
) -> dict[str, pd.DataFrame]:
    """Return, by group, bounds on the time from the raising to the repair itself.

    A repair happened somewhere between the last look that found the defect and the look that proved
    it gone; the day that was reported lies in between and is a claim.

    Returns:
        For each group columns days, lowest, highest: the smallest and largest share without a
        repair so many days after the raising that the looks allow (``survival.survival_bounds``).

    Raises:
        CoverplateError: by firm; see ``clocks``.
    """
    _not_by_firm(by)
    frame = _times(ledger, rule_book, by, buildings, now)
    return {str(name): _bounds(group) for name, group in frame.groupby("group", sort=True)}


def _bounds(group: pd.DataFrame) -> pd.DataFrame:
    group = group[group["entry"] < group["days"]]
    proven = group["proven"].to_numpy(dtype=bool)
    begun = group["days_to_raising"].to_numpy(dtype=np.float64)
    earliest = np.maximum(group["earliest_days"].to_numpy() - begun, 0.0)
    latest = group["days"].to_numpy() - begun
    days = np.unique(np.concatenate([earliest[proven], latest[proven]]))
    if len(days) > BOUND_DAYS:
        days = days[np.linspace(0, len(days) - 1, BOUND_DAYS).round().astype(int)]
    lowest, highest = survival_bounds(earliest, latest, proven, days)
    return pd.DataFrame({"days": days, "lowest": lowest, "highest": highest})


def repair_summary(
    ledger: Ledger,
    rule_book: RuleBook,
    *,
    by: str = "all",
    buildings: pd.DataFrame | None = None,
    now: dt.datetime | None = None,
) -> pd.DataFrame:
    """Return one row a group.

    Returns:
        Columns group, findings (that were under watch), proven, median_days (from first seen to
        proof; missing if it was not reached), share_open_90, share_open_365 (share without a
        proven repair so many days after first seen); see ``time_to_proven_repair``.

    Raises:
        CoverplateError: by firm; see ``clocks``.
    """
    _not_by_firm(by)
    frame = _times(ledger, rule_book, by, buildings, now)
    interval = float(rule_book.ledger.interval)
    rows = []
    for name, group in frame.groupby("group", sort=True):
        curve = _curve(group, interval)
        rows.append(
            {
                "group": name,
                "findings": curve.number,
                "proven": curve.happened,
                "median_days": curve.median,
                "share_open_90": curve.at(90),
                "share_open_365": curve.at(365),
            }
        )
    columns = ["group", "findings", "proven", "median_days", "share_open_90", "share_open_365"]
    return pd.DataFrame(rows, columns=columns)


def reported_fixes(ledger: Ledger) -> pd.DataFrame:
    """Return every reported fix with its verdict; columns as in ``fixes.sql``."""
    with history(ledger, kinds=FIX_EVENTS) as con:
        return con.execute(sql("fixes")).df()


def failed_verifications(ledger: Ledger, rule_book: RuleBook, *, by: str = "firm") -> pd.DataFrame:
    """Return the share of reported fixes that a look disproved, with Clopper–Pearson limits.

    Args:
        ledger: the ledger.
        rule_book: gives the probability held by the limits.
        by: firm or remedy.

    Returns:
        Columns group, reported, proven, disproved, unproven, share_disproved (of those with a
        verdict; missing where there is none), low, high.
    """
    if by not in ("firm", "remedy"):
        raise CoverplateError(
            f"fixes cannot be shown by {by!r}", expected="firm or remedy", to_do="choose one"
        )
    fixes = reported_fixes(ledger)
    interval = float(rule_book.ledger.interval)
    rows = []
    for name, group in fixes.groupby(by, sort=True):
        counts = group["verdict"].value_counts()
        proven, disproved = int(counts.get("proven", 0)), int(counts.get("disproved", 0))
        judged = proven + disproved
        low, high = clopper_pearson(disproved, judged, interval)
        rows.append(
            {
                "group": name,
                "reported": len(group),
                "proven": proven,
                "disproved": disproved,
                "unproven": len(group) - judged,
                "share_disproved": disproved / judged if judged else None,
                "low": low,
                "high": high,
            }
        )
    columns = ["group", "reported", "proven", "disproved", "unproven", "share_disproved"]
    return pd.DataFrame(rows, columns=[*columns, "low", "high"])
