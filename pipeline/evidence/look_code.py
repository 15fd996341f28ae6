"""A short text code of everything in an observation row that bears on the condition.

Whole files reduce to a few hundred distinct codes in SQL; each code is weighed once. The code is
``method|result|reader`` followed by one part per measured column that is there:

* ``v3/5``: volts bin 3 at load bin 5 (bins of ``measured``);
* ``o0``, ``o1``, ``o2``: ground-path ohms good, doubtful, none;
* ``g`` and ``j``: ground_present and neutral_ground_jumper, then ``y`` or ``n``, then ``o`` with
  the cover off or ``c`` with the cover on;
* ``pc``, ``pr``: polarity correct, reversed.

GFCI protection and marking are separate facts, not evidence of the condition, and are left out.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from pipeline.evidence.measured import LOAD_EDGES, LOAD_UNKNOWN, VOLT_EDGES
from shared.faults import CoverplateError
from shared.records import literal, quoted
from shared.rule_book import RuleBook
from shared.vocabulary import Method, Polarity, Result, YesNo


@dataclass(frozen=True)
class Look:
    """A code taken apart; bins and answers are row numbers of the tables in ``measured``.

    Attributes:
        method, result, reader: as recorded.
        volts, load: bins of the neutral-to-ground volts (None if not measured) and its load.
        ohms: bin of the ground-path ohms, or None.
        ground_present, jumper: 0 no, 1 yes, or None.
        cover_off: 1 if the cover was off for those two, else 0.
        polarity: 0 correct, 1 reversed, or None.
    """

    method: Method
    result: Result
    reader: str
    volts: int | None = None
    load: int = LOAD_UNKNOWN
    ohms: int | None = None
    ground_present: int | None = None
    jumper: int | None = None
    cover_off: int = 0
    polarity: int | None = None


_NUMBERS = rf"(?:\|v(?P<volts>1[0-3]|[0-9])/(?P<load>[0-{LOAD_UNKNOWN}]))?(?:\|o(?P<ohms>[0-2]))?"
_ANSWERS = (
    r"(?:\|g(?P<ground>[yn])(?P<gcover>[oc]))?(?:\|j(?P<jumper>[yn])(?P<jcover>[oc]))?"
    r"(?:\|p(?P<polarity>[cr]))?"
)
_CODE = re.compile(
    r"(?P<method>[a-z_]+)\|(?P<result>[a-z_]+)\|(?P<reader>[^|]+)" + _NUMBERS + _ANSWERS
)


def _bin_sql(column: str, edges: tuple[float, ...]) -> str:
    arms = " ".join(f"WHEN {column} < {edge!r} THEN '{i}'" for i, edge in enumerate(edges))
    return f"CASE {arms} ELSE '{len(edges)}' END"


def look_sql(book: RuleBook, reader: str) -> str:
    """Return the SQL expression of the code; see ``Likelihoods.reading_code_sql``."""
    volts, load, ohms = quoted("neutral_ground_volts"), quoted("load_amps"), "ground_path_ohms"
    limits = (float(book.evidence.ground_good_ohms), float(book.evidence.ground_none_ohms))
    off = (
        f"coalesce(cover_removed = {literal(YesNo.YES)}, "
        f"method = {literal(Method.COVER_OFF_INSPECTION)}, false)"
    )
    cover = f"CASE WHEN {off} THEN 'o' ELSE 'c' END"

    def answer(letter: str, column: str) -> str:
        return (
            f"CASE {column} WHEN {literal(YesNo.YES)} THEN '{letter}y' || {cover} "
            f"WHEN {literal(YesNo.NO)} THEN '{letter}n' || {cover} END"
        )

    parts = [
        "method",
        "result",
        f"coalesce({quoted(reader)}, 'usual')",
        f"CASE WHEN {volts} IS NOT NULL THEN 'v' || {_bin_sql(volts, VOLT_EDGES)} || '/' || "
        f"CASE WHEN {load} IS NULL THEN '{LOAD_UNKNOWN}' ELSE {_bin_sql(load, LOAD_EDGES)} END END",
        f"CASE WHEN {ohms} IS NOT NULL THEN 'o' || {_bin_sql(ohms, limits)} END",
        answer("g", "ground_present"),
        answer("j", "neutral_ground_jumper"),
        f"CASE polarity WHEN {literal(Polarity.CORRECT)} THEN 'pc' "
        f"WHEN {literal(Polarity.REVERSED)} THEN 'pr' END",
    ]
    return "concat_ws('|', " + ", ".join(parts) + ")"


def parse(code: str) -> Look:
    """Take a code apart.

    Raises:
        CoverplateError: if it is not a code made by ``look_sql``.
    """
    found = _CODE.fullmatch(code)
    if found is None or found["method"] not in set(Method) or found["result"] not in set(Result):
        raise CoverplateError(
            f"{code!r} is not the code of a look",
            expected="method|result|reader and the measured parts",
            to_do="make codes with Likelihoods.reading_code_sql",
        )

    def number(name: str) -> int | None:
        return None if found[name] is None else int(found[name])

    def yes(name: str) -> int | None:
        return None if found[name] is None else int(found[name] == "y")

    polarity = None if found["polarity"] is None else int(found["polarity"] == "r")
    load = number("load")
    return Look(
        method=Method(found["method"]),
        result=Result(found["result"]),
        reader=found["reader"],
        volts=number("volts"),
        load=LOAD_UNKNOWN if load is None else load,
        ohms=number("ohms"),
        ground_present=yes("ground"),
        jumper=yes("jumper"),
        cover_off=int("o" in (found["gcover"], found["jcover"])),
        polarity=polarity,
    )
