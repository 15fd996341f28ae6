"""What happened to the findings lately and what presses now: a page to print or to mail by hand."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from pipeline.landing.danger_aside import DangerAside, told_aside
from pipeline.ledger.due import WINDOW_WORDS, overdue_counts
from pipeline.ledger.history import history
from pipeline.ledger.store import Ledger
from pipeline.ledger.triage import in_order, urgent_findings
from pipeline.pages import page
from shared.finding_states import State
from shared.in_words import plural
from shared.shown import visible
from shared.vocabulary import CAUTIONS

SHOWN = 12
"""Rows of a section that are written out; the rest is counted."""

WEEK = 7
"""Days looked ahead for visits."""


@dataclass(frozen=True)
class Section:
    """A part of a digest.

    Attributes:
        key: what it is called in JSON.
        title: the question that it answers.
        none: what is said where it is empty.
        columns: column of ``Digest.parts`` to its heading, those that are written out.
    """

    key: str
    title: str
    none: str
    columns: dict[str, str]


_PLACE = {"building_id": "Building", "unit_id": "Unit", "opening_id": "Opening"}

SECTIONS: tuple[Section, ...] = (
    Section(
        "urgent",
        "Urgent and not proven repaired",
        "Nothing urgent is open.",
        {**_PLACE, "condition": "What", "state": "State", "firm": "Firm", "days_known": "Days"},
    ),
    Section(
        "changed",
        "What changed",
        "Nothing changed.",
        {**_PLACE, "changed_on": "Day", "was": "Was", "state": "Is now", "firm": "Firm"},
    ),
    Section(
        "late",
        "Past the first target or a regulatory window, most dangerous first",
        "Nothing is past its first target or a regulatory window.",
        {
            **_PLACE,
            "condition": "What",
            "first_target_on": "First target",
            "days_overdue": "Days late",
            "regulatory_standing": "Window",
            "firm": "Firm",
        },
    ),
    Section(
        "unproven",
        "Reported repaired, and no capable look since",
        "Every reported fix has had its look.",
        {**_PLACE, "remedy": "Remedy", "fixed_on": "Reported for", "days_unproven": "Days"},
    ),
    Section(
        "doubted",
        "Proven by a look that no export holds any more as it was judged: to be looked at again",
        "Every proof that came with an export still stands there.",
        {**_PLACE, "verified_on": "Proven by a look of", "fixed_on": "Repaired", "firm": "Firm"},
    ),
    Section(
        "visits",
        "Visits of the coming week, and past ones of which nobody said whether they were made",
        "No visit is planned.",
        {
            "visit_on": "Day",
            "starts": "From",
            "building_id": "Building",
            "unit_id": "Unit",
            "person": "Who",
            "findings": "Findings",
            "without_notice": "Notice lacking",
            "past_not_made": "Past",
        },
    ),
)
"""The sections, in the order in which they are read."""


@dataclass(frozen=True)
class Digest:
    """A digest.

    Attributes:
        since, now: the days between which changes are told, the second one counted.
        counts: open, in_doubt (records in doubt, not among these), and those of
            ``due.OVERDUE_COUNTS`` of all findings, as every list of overdue ones has them.
        parts: rows by the key of their section, the columns of ``due.due`` or ``visits.visits``;
            ``changed`` has finding_id, building_id, unit_id, opening_id, family, changed_on, was
            (None for one that was raised) and state, firm.
        aside: rows that speak of danger and are in no section.
    """

    since: dt.date
    now: dt.date
    counts: dict[str, float]
    parts: dict[str, pd.DataFrame]
    aside: tuple[DangerAside, ...] = ()


def changes_since(ledger: Ledger, since: dt.date) -> pd.DataFrame:
    """Return the findings whose state is another than at the beginning of a day.

    Returns:
        Columns finding_id, building_id, unit_id, opening_id, family, changed_on (the day of the
        last change, UTC), was (the state before that day, None where it was raised since), state,
        firm. The last change first.
    """
    with history(ledger) as con:
        return con.execute(
            """
            SELECT finding_id, building_id, unit_id, opening_id, family, changed_on, was, state,
                firm
            FROM (
                SELECT *,
                    list_filter(changes, lambda x: x.recorded_at < $since::TIMESTAMP)[-1].state
                        AS was,
                    changes[-1].recorded_at::DATE AS changed_on
                FROM findings
            )
            WHERE was IS DISTINCT FROM state
            ORDER BY changed_on DESC, building_id, unit_id, opening_id, finding_id
            """,
            {"since": since},
        ).df()


def digest(
    findings: pd.DataFrame,
    changes: pd.DataFrame,
    visits: pd.DataFrame,
    since: dt.date,
    now: dt.date,
    aside: Sequence[DangerAside] = (),
) -> Digest:
    """Put a digest together.

    Args:
        findings: those that it is about, as ``triage.with_stakes`` returns them.
        changes: ``changes_since``; those of other findings are left out.
        visits: ``visits.visits``; those of other buildings are left out.
        since: from when on changes are told.
        now: today.
        aside: ``danger_aside``.
    """
    own, places = set(findings["finding_id"]), set(findings["building_id"])
    counted = findings[findings["grade"] != "record_in_doubt"]
    week = pd.Timestamp(now) + pd.Timedelta(days=WEEK)
    ahead = visits["coming"].astype(bool) & (visits["visit_on"] <= week)
    near = visits[visits["past_not_made"].astype(bool) | ahead]
    past = findings[findings["overdue_first"] | findings["window_passed"]]
    unproven = counted[counted["treatment"] == "fix_reported"]
    parts = {
        "urgent": in_order(urgent_findings(counted), "danger"),
        "changed": changes[changes["finding_id"].isin(own)],
        "late": in_order(past, "danger"),
        "unproven": unproven.sort_values("days_unproven", ascending=False, kind="stable"),
        "doubted": counted[counted["proof_in_doubt"].notna()],
        "visits": near[near["building_id"].isin(places)],
    }
    counts = {
        "open": float(counted["open"].sum()),
        "in_doubt": float(findings["open"].sum() - counted["open"].sum()),
        **_whole(overdue_counts(findings)),
    }
    return Digest(since, now, counts, parts, tuple(aside))


def urgent_words(told: Digest) -> str:
    """Say how many of what is urgent the list of urgent openings has, and why there are more."""
    rows = told.parts["urgent"]
    listed = int(rows["on_urgent_list"].sum())
    left = len(rows) - listed
    words = f"{listed:,} on the list of urgent openings (`coverplate urgent`)"
    if left:
        words += (
            f"; {left:,} beside it: a paper names no opening, it was written down by hand, or a "
            "look found the danger gone and took the opening off that list, yet no repair is proven"
        )
    return f"{words}."


def _whole(counts: dict[str, float | None]) -> dict[str, float]:
    return {name: float(value or 0) for name, value in counts.items()}


def headline(told: Digest) -> str:
    """Return the counts of a digest in one sentence."""
    c = {name: f"{value:,.0f}" for name, value in told.counts.items()}
    return (
        f"{c['open']} open, {c['in_doubt']} records in doubt beside them; {c['overdue']} overdue: "
        f"{c['overdue_first']} past the first target, {c['overdue_present']} past the present one, "
        f"{c['window_passed']} past a regulatory window, {c['proof_overdue']} reported repaired "
        f"and too long without proof; {c['paused']} paused; "
        f"{len(told.parts['changed']):,} changed since {told.since}."
    )


def _cell(value: object) -> str:
    if value is None or (not isinstance(value, list) and pd.isna(value)):  # type: ignore[call-overload]
        return ""
    if isinstance(value, bool):
        return "yes" if value else ""
    if isinstance(value, pd.Timestamp | dt.datetime):
        return value.date().isoformat()
    if isinstance(value, float):
        return f"{value:,.0f}"
    return str(value).replace("_", " ") if str(value) in _WORDS else str(value)


_WORDS = frozenset(each.value for each in State)


def _rows(section: Section, frame: pd.DataFrame) -> list[list[str]]:
    rows = []
    for row in frame.head(SHOWN).to_dict(orient="records"):
        shown = dict(row)
        if "condition" in section.columns:
            named = row["condition"] if isinstance(row["condition"], str) else row["family"]
            shown["condition"] = str(named).replace("_", " ")
        if isinstance(row.get("remedy"), str):
            shown["remedy"] = str(row["remedy"]).replace("_", " ")
        if row.get("window_passed"):
            shown["regulatory_standing"] = WINDOW_WORDS[row["regulatory_standing"]]
        elif "regulatory_standing" in row:
            shown["regulatory_standing"] = None
        rows.append([_cell(shown[name]) for name in section.columns])
    return rows


def _none(section: Section, told: Digest) -> str:
    """What is said of an empty section: never that nothing is urgent beside rows that say it is."""
    if section.key == "urgent" and told.aside:
        rows = plural(len(told.aside), "row that is", "rows that are")
        return f"No finding; {rows} in no list and may be urgent: see above."
    return section.none


def as_text(told: Digest, title: str) -> str:
    """Return a digest as plain text for a mail, with the cautions."""
    lines = [f"{title}, {told.now}", "", *told_aside(told.aside), headline(told)]
    for section in SECTIONS:
        frame = told.parts[section.key]
        lines += ["", f"{section.title} ({len(frame):,})"]
        rows = _rows(section, frame)
        if section.key == "urgent" and rows:
            lines += [f"  {urgent_words(told)}"]
        lines += [
            "  "
            + "; ".join(
                visible(f"{head.lower()} {cell}")
                for head, cell in zip(section.columns.values(), row, strict=True)
                if cell
            )
            for row in rows
        ] or [f"  {_none(section, told)}"]
        if len(frame) > SHOWN:
            lines.append(f"  and {len(frame) - SHOWN:,} more")
    lines += ["", *CAUTIONS]
    return "\n".join(lines) + "\n"


def as_page(told: Digest, title: str) -> str:
    """Return a digest as one HTML page to print, with the cautions, nothing fetched."""
    sections = [
        {
            "title": section.title,
            "none": _none(section, told),
            "said": urgent_words(told) if section.key == "urgent" and len(frame) else "",
            "number": len(frame),
            "heads": list(section.columns.values()),
            "rows": _rows(section, frame),
        }
        for section in SECTIONS
        for frame in [told.parts[section.key]]
    ]
    return page(
        "digest.html",
        title=title,
        told_on=str(told.now),
        headline=headline(told),
        aside=told_aside(told.aside),
        sections=sections,
    )
