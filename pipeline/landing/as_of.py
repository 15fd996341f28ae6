"""The day that a file's facts are as of, so that newer facts win whatever the order of landing.

A person says it (``--as-of``); else a line above or below the table does ("Exported 2024-03-05"),
else the file's name (``register_2024-03.csv``: the month's end). Only forms that can be read one
way count; a year alone does not, because it mostly tells of what a file is about. A file of which
nothing tells it is as of its landing: newer than all that landed before it.
"""

from __future__ import annotations

import calendar
import datetime as dt
import re
from collections.abc import Iterable, Sequence
from typing import Literal

from pipeline.landing.certificate import Stretch
from pipeline.landing.workspace import Manifest

Origin = Literal["said", "in the file", "file name"]
"""Who says what a file is as of."""

EARLIEST = dt.date.min

_MONTHS = ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"]
_NAMED = (
    r"(?P<d1>\d{1,2})[ .\-]*(?P<m1>" + "|".join(_MONTHS) + r")[a-z]*[ ,.\-]*(?P<y1>(19|20)\d\d)"
    r"|(?P<m2>" + "|".join(_MONTHS) + r")[a-z]*[ .\-]*(?P<d2>\d{1,2}),?[ ]+(?P<y2>(19|20)\d\d)"
)
_NUMBERS = (
    r"(?<!\d)(?P<y>(19|20)\d\d)(?P<s>[-_./ ]?)(?P<m>0[1-9]|1[0-2])"
    r"((?P=s)(?P<d>0[1-9]|[12]\d|3[01]))?(?!\d)"
)
_DATE = re.compile(f"{_NUMBERS}|(?<![a-z]){_NAMED}(?!\\d)", re.IGNORECASE)
_SAYS_SO = re.compile(
    r"\b(as (of|at)|export(ed)?|generated|printed|created|extract(ed)?|downloaded|snapshot|"
    r"report(ed)? (date|on)|run (date|on)|date of (export|report)|status as)\b",
    re.IGNORECASE,
)


def dates_in(text: str) -> list[dt.date]:
    """Return the days that a text names in a form with one reading; a month gives its last day."""
    found = []
    for match in _DATE.finditer(text):
        said = match.groupdict()
        if said["y"] and not said["d"] and not said["s"]:
            continue  # six digits may be any number
        year = int(said["y"] or said["y1"] or said["y2"])
        month = int(said["m"] or 0) or 1 + _MONTHS.index((said["m1"] or said["m2"]).lower())
        day = said["d"] or said["d1"] or said["d2"]
        try:
            found.append(dt.date(year, month, int(day or calendar.monthrange(year, month)[1])))
        except ValueError:
            continue
    return found


def read_as_of(
    name: str, stretches: Iterable[Stretch], today: dt.date
) -> tuple[dt.date, Origin] | None:
    """Return what a file is as of and what tells so; None where nothing does.

    Args:
        name: its file name.
        stretches: its certificate; only lines that are no rows can tell.
        today: a day after it is none that facts can be as of; the running month is as of today.
    """
    lines = [
        stretch.sample
        for stretch in stretches
        if stretch.role in ("preamble", "remark", "title") and _SAYS_SO.search(stretch.sample)
    ]
    texts: list[tuple[str, Origin]] = [(line, "in the file") for line in lines]
    for text, origin in [*texts, (name, "file name")]:
        days = [_not_ahead(day, today) for day in dates_in(text)]
        past = [day for day in days if day is not None]
        if past:
            return max(past), origin
    return None


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
