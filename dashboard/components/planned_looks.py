"""The plan of a day's looks, as asked for on a screen and remembered with its answer."""

from __future__ import annotations

import datetime as dt

import duckdb

from dashboard.components import plate
from dashboard.components.figures import missing, number, plural
from dashboard.components.source import Source, rule_book
from pipeline.planning.day import DayPlan, clock, crews_alike, plan_looks
from pipeline.planning.look_sheet import how
from pipeline.planning.must_visits import AskedFor
from pipeline.warehouse.narrowing import Narrowing

Asked = tuple[int, float, dt.date, float, bool, bool, float | None]
"""Crews, hours of each, the day, the share by lot, whether these crews go to what is urgent,
whether to open citations and complaints, and to buildings not looked at for so many years."""

TODAY_UP_TO = 300
"""Buildings up to which a day is planned unasked; above, planning takes longer than a page may."""

STOPS_SHOWN = 6


def planned(
    con: duckdb.DuckDBPyConnection,
    version: str,
    wanted: Asked,
    today: dt.date,
    rule_book_hash: str,
) -> DayPlan:
    """The plan; remembered by all that it follows from, so the rule book's hash is named."""
    crews, hours, on, share, urgent, open_reports, unseen_years = wanted
    return plan_looks(
        con,
        rule_book(),
        Narrowing(),
        crews_alike(crews, hours),
        day=on,
        version=version,
        today=today,
        random_share=share,
        urgent=urgent,
        asked=AskedFor(open_reports=open_reports, unseen_years=unseen_years),
    )


def plan_of(source: Source, wanted: Asked) -> DayPlan:
    """The plan of what was asked for, as of today."""
    return source.ask(planned, source.version, wanted, dt.date.today(), rule_book().hash)


def today_in_short(source: Source) -> str:
    """The first stops of one crew's day of eight hours, as HTML."""
    share = float(rule_book().looks.random_share)
    found = plan_of(source, (1, 8.0, dt.date.today(), share, True, False, None))
    link = plate.link("Day of looks", "day-of-looks")
    if found.stops.empty:
        return (
            f'<section class="panel next"><h3>Today</h3><p>No look to plan: {link}.</p></section>'
        )
    lines = []
    for row in found.stops.head(STOPS_SHOWN).to_dict(orient="records"):
        name = row["building_id"] if missing(row["name"]) else row["name"]
        known = not missing(row["opening_id"])
        opening = f"opening {row['opening_id']}" if known else f"{row['how_many']} at random"
        unit = None if missing(row["unit_id"]) or not row["unit_id"] else f"unit {row['unit_id']}"
        told = ", ".join(part for part in (unit, opening, how(row)) if part)
        chip = ' <span class="chip urgent">▲ Urgent</span>' if row["must_visit"] else ""
        why = f'<br><span class="soft small">{plate.text(row["why"])}</span>' if chip else ""
        lines.append(
            f'<li><span class="num soft">{clock(row["begins_after"])}</span> '
            f"{plate.link(name, 'building', id=row['building_id'])}: {plate.text(told)}"
            f"{chip}{why}</li>"
        )
    more = len(found.stops) - len(lines)
    rest = f"<p>… and {plural(more, 'stop')} more. " if more > 0 else "<p>"
    finds = number(float(found.stops["expected_new_dangerous"].sum()))
    return (
        '<section class="panel next"><h3>Today, one crew of eight hours</h3>'
        f"<ul>{''.join(lines)}</ul>{rest}Expected to find {finds} dangerous openings that nobody "
        f"knows of. Other crews, hours and days, with field sheets: {link}.</p></section>"
    )
