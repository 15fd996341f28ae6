"""Visits as a calendar file that any calendar program reads: RFC 5545, 2009.

Lines end with CRLF and are folded so that none is longer than 75 octets (section 3.1); text has
backslash, semicolon, comma and line feed escaped (3.3.11); a visit keeps its UID whatever becomes
of it (3.8.4.7). There is no METHOD, so DTSTAMP is the moment of its last revision (3.8.7.2), and
SEQUENCE counts revisions (3.8.7.4). A visit without hours has a DATE as its DTSTART, which with no
DTEND lasts that one day (3.6.1). Hours are those on the clock of the dwelling: DATE-TIME without
zone or offset, "floating", the same on every clock (3.3.5, form 1); one without an end has no DTEND
and ends when it starts (3.6.1). The sections are given from memory.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterator

import pandas as pd

from pipeline.ledger.visits import dwelling_words, place_words, who_words
from shared.in_words import plural
from shared.shown import visible

LONGEST_LINE = 75
"""Octets of a line, its end not counted."""

_STATUS = {"planned": "CONFIRMED", "made": "CONFIRMED", "called_off": "CANCELLED"}


def calendar(
    visits: pd.DataFrame,
    buildings: pd.DataFrame | None = None,
    *,
    first: dt.date | None = None,
    last: dt.date | None = None,
) -> str:
    """Return visits as one calendar.

    Args:
        visits: ``visits.visits``. Those called off stand in it as cancelled, so that a calendar
            that took them in before strikes them out.
        buildings: building_id, name, address, where known.
        first: only from this day.
        last: only up to this day.
    """
    places: dict[str, str] = {}
    if buildings is not None:
        for row in buildings.itertuples():
            words = [str(each) for each in (row.name, row.address) if isinstance(each, str)]
            places[str(row.building_id)] = ", ".join(words)
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Coverplate//Visits//EN"]
    for visit in between(visits, first, last).to_dict(orient="records"):
        lines += _event({str(k): v for k, v in visit.items()}, places)
    lines.append("END:VCALENDAR")
    return "".join(f"{folded}\r\n" for line in lines for folded in fold(line))


def between(visits: pd.DataFrame, first: dt.date | None, last: dt.date | None) -> pd.DataFrame:
    """Return the visits from one day to another, both included; None is no bound."""
    days = pd.to_datetime(visits["visit_on"])
    keep = pd.Series(True, index=visits.index)
    if first is not None:
        keep &= days >= pd.Timestamp(first)
    if last is not None:
        keep &= days <= pd.Timestamp(last)
    return visits[keep]


def _event(visit: dict[str, object], places: dict[str, str]) -> Iterator[str]:
    identity, building = str(visit["visit_id"]), str(visit["building_id"])
    place = place_words(visit, places.get(building))
    where = dwelling_words(building, str(visit["unit_id"]))
    count = plural(visit["findings"], "finding")
    told = [f"{who_words(visit)}: {count}", f"Visit {identity}"]
    if _there(visit["note"]):
        told.append(str(visit["note"]))
    if visit["without_notice"]:
        told.append("No notice of this day so far.")
    revisions = int(str(visit["times_moved"])) + (visit["standing"] == "called_off")
    stamps = [pd.Timestamp(str(visit[each])) for each in ("planned_at", "last_at")]
    # the number of a visit is its ledger's own, the moment of its planning tells ledgers apart
    own = hashlib.sha256(f"{identity} {stamps[0].isoformat()}".encode()).hexdigest()[:16]
    yield "BEGIN:VEVENT"
    yield f"UID:{identity}-{own}@coverplate"
    yield f"DTSTAMP:{stamps[1]:%Y%m%dT%H%M%SZ}"
    yield f"SEQUENCE:{revisions}"
    yield from _when(visit)
    yield f"SUMMARY:{escape(f'Visit {where}: {count}')}"
    yield f"LOCATION:{escape(place)}"
    yield "DESCRIPTION:" + escape("\n".join(told))
    yield f"STATUS:{_STATUS[str(visit['standing'])]}"
    yield "END:VEVENT"


def _when(visit: dict[str, object]) -> Iterator[str]:
    day = f"{pd.Timestamp(str(visit['visit_on'])):%Y%m%d}"
    if not _there(visit["starts"]):
        yield f"DTSTART;VALUE=DATE:{day}"
        return
    for name, hour in (("DTSTART", visit["starts"]), ("DTEND", visit["ends"])):
        if _there(hour):
            yield f"{name}:{day}T{str(hour).replace(':', '')}00"


def _there(cell: object) -> bool:
    return isinstance(cell, str) and bool(cell)


def escape(text: str) -> str:
    r"""Return a text as a value of type TEXT: ``\``, ``;``, ``,`` escaped, line feeds as ``\n``."""
    shown = visible(text).replace("\t", " ")
    for letter in ("\\", ";", ","):
        shown = shown.replace(letter, "\\" + letter)
    return shown.replace("\n", "\\n")


def fold(line: str) -> Iterator[str]:
    """Split a content line so that no part is longer than 75 octets and no letter is cut.

    Every part but the first begins with a space, which whoever reads the file takes off again.
    """
    part = ""
    for letter in line:
        if len((part + letter).encode()) > LONGEST_LINE:
            yield part
            part = " "
        part += letter
    yield part
