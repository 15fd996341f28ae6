"""The day that a file's facts are as of, so that newer facts win whatever the order of landing.

A person says it (``--as-of``); else a line above or below the table does ("Exported 2024-03-05"),
else the file's name (``register_2024-03.csv``: the month's end). Only forms that can be read one
way count; a year alone does not, because it mostly tells of what a file is about, nor does a day
before the newest one in the rows. A file of which nothing tells it is as of its landing: newer than
all that landed before it.
"""

from __future__ import annotations

import calendar
import datetime as dt
import re
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Literal

import pyarrow.compute as pc
from pyarrow import parquet

from pipeline.landing.certificate import Stretch
from pipeline.landing.workspace import Manifest, Part
from shared.vocabulary import RecordKind

Origin = Literal["said", "in the file", "file name"]
"""Who says what a file is as of."""

EARLIEST = dt.date.min

_MONTHS = ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"]
_MONTH = (
    r"(jan(uary)?|feb(ruary)?|mar(ch)?|apr(il)?|may|jun(e)?|jul(y)?|aug(ust)?|sept?(ember)?|"
    r"oct(ober)?|nov(ember)?|dec(ember)?)"
)
_NAMED = (
    rf"(?P<d1>\d{{1,2}})(st|nd|rd|th)?[ .\-]*(?P<m1>{_MONTH})[ ,.\-]*(?P<y1>(19|20)\d\d)"
    rf"|(?P<m2>{_MONTH})[ .\-]*(?P<d2>\d{{1,2}})(st|nd|rd|th)?,?[ |]+(?P<y2>(19|20)\d\d)"
    rf"|(?P<m3>{_MONTH})[ ,._\-]*(?P<y3>(19|20)\d\d)"
)
_TWO_WAYS = r"(?P<a>\d{1,2})(?P<t>[-/.])(?P<b>\d{1,2})(?P=t)(?P<y4>(19|20)\d\d)"
"""A day and a month in either order: read where only one of them can be a month, or both are the
same number."""
_MONTHS_AND_QUARTERS = (
    r"(?<!\d[-/._])(?P<m5>0[1-9]|1[0-2])[-_./](?P<y5>(19|20)\d\d)"
    r"|q(?P<q6>[1-4])[ _\-]?(?P<y6>(19|20)\d\d)|(?P<y7>(19|20)\d\d)[ _\-]?q(?P<q7>[1-4])"
)
_NUMBERS = (
    r"(?P<y>(19|20)\d\d)(?P<s>[-_./]?)(?P<m>0[1-9]|1[0-2])((?P=s)(?P<d>0[1-9]|[12]\d|3[01]))?"
)
_DATE = re.compile(
    rf"(?<![0-9a-z])({_TWO_WAYS}|{_MONTHS_AND_QUARTERS}|{_NUMBERS}|{_NAMED})(?![0-9])(?![-/.]\d)",
    re.IGNORECASE,
)
_SAYS_SO = re.compile(
    r"\b(as (of|at)|export(ed)?( date)?|generated|printed|extract(ed)?( date)?|downloaded|snapshot|"
    r"report date|run date|date of (export|report|extract|printing)|stand|datenstand|exportiert|"
    r"erstellt|gedruckt|date du rapport|[ée]tat au|fecha( de(l)? (informe|reporte))?)"
    r"( (on|at|by|of|am|le|el|vom))?\s*[:=,]?\s*"
    r"((mon|tues?|wed(nes)?|thu(rs)?|fri|sat(ur)?|sun)(day)?,?\s*)?",
    re.IGNORECASE,
)
_AT_THE_END = re.compile(
    r"[ _\-.]*(\(?v?\d{1,2}\)?|final|copy|corrected|new)?[ _\-.]*$", re.IGNORECASE
)


def _found(text: str) -> list[tuple[re.Match[str], dt.date]]:
    found = []
    for match in _DATE.finditer(text):
        said = match.groupdict()
        if said["y"] and not said["d"] and not said["s"]:
            continue  # six digits may be any number
        year = int(next(said[f"y{n}"] for n in ("", *range(1, 8)) if said[f"y{n}"]))
        day = said["d"] or said["d1"] or said["d2"]
        if name := said["m1"] or said["m2"] or said["m3"]:
            month = 1 + _MONTHS.index(name.lower()[:3])
        elif quarter := said["q6"] or said["q7"]:
            month = 3 * int(quarter)
        elif said["a"]:
            one, other = sorted((int(said["a"]), int(said["b"])))
            if other <= 12 and one != other:
                continue  # either could be the month
            month, day = one, str(other)
        else:
            month = int(said["m"] or said["m5"])
        try:
            date = dt.date(year, month, int(day or calendar.monthrange(year, month)[1]))
        except ValueError:
            continue
        found.append((match, date))
    return found


def read_as_of(
    name: str,
    stretches: Iterable[Stretch],
    today: dt.date,
    newest_row: dt.date | None = None,
) -> tuple[dt.date, Origin] | None:
    """Return what a file is as of and what tells so; None where nothing does.

    Args:
        name: its file name; it tells where it begins or ends with the only day that it names.
        stretches: its certificate; only lines that are no rows can tell, by the day that follows
            words such as "exported".
        today: a day after it is none that facts can be as of; the running month is as of today.
        newest_row: the newest day in the file's rows; facts cannot be as of a day before it, so
            that whatever names one was about something else.
    """
    told: list[tuple[dt.date, Origin]] = []
    for stretch in stretches:
        if stretch.role in ("preamble", "remark", "title"):
            told += [(day, "in the file") for day in _said_in(stretch.sample)]
    if not told:
        told = [(day, "file name") for day in _named_in(name)]
    for day, origin in told:
        known = _not_ahead(day, today)
        if known is not None and (newest_row is None or known >= newest_row):
            return known, origin
    return None


def _said_in(line: str) -> list[dt.date]:
    """Days that follow words such as "exported"."""
    begins = {match.end() for match in _SAYS_SO.finditer(line)}
    return [day for match, day in _found(line) if match.start() in begins]


def _named_in(name: str) -> list[dt.date]:
    """The day that a file name begins or ends with, where it is the only one."""
    stem = name.rsplit(".", 1)[0]
    found = _found(stem)
    if len(found) != 1:
        return []
    match, day = found[0]
    ends = _AT_THE_END.fullmatch(stem[match.end() :]) is not None
    return [day] if match.start() == 0 or ends else []


def newest_day(folder: Path, parts: Sequence[Part]) -> dt.date | None:
    """Return the newest day on which a row of a file says that something was seen or reported."""
    newest: dt.date | None = None
    for part in parts:
        column = SEEN_ON.get(part.record_kind)
        if column is None:
            continue
        table = parquet.read_table(folder / part.file, columns=[column])
        found = pc.max(table[column]).as_py()
        if found is not None and (newest is None or found > newest):
            newest = found
    return newest


SEEN_ON = {
    RecordKind.OPENING_OBSERVATIONS: "observed_on",
    RecordKind.BUILDING_EVALUATIONS: "evaluated_on",
    RecordKind.BUILDING_REPORTS: "reported_on",
    RecordKind.FIX_REPORTS: "fixed_on",
}
"""Record kind to the column with the day that a row is of."""


def _not_ahead(day: dt.date, today: dt.date) -> dt.date | None:
    if day <= today:
        return day
    return today if (day.year, day.month) == (today.year, today.month) else None


def days(manifests: Sequence[Manifest]) -> list[dt.date]:
    """Return what each landed file counts as being as of, in landing order.

    Args:
        manifests: in landing order; a file that does not tell is as new as all before it.
    """
    newest = EARLIEST
    found = []
    for manifest in manifests:
        day = manifest.as_of or newest
        newest = max(newest, day)
        found.append(day)
    return found
