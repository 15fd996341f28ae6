"""A short text code of everything in an observation row that bears on the condition.

Whole files reduce to a few hundred distinct codes in SQL; each code is weighed once. The code is
``method|result|reader`` followed by one part per measured column that is there:

* ``v3/5``: volts neutral to ground, bin 3 at load bin 5 (bins of ``measured``);
* ``o0`` to ``o9``: bin of the ground-path ohms;
* ``g`` and ``j``: ground_present and neutral_ground_jumper, then ``y`` or ``n``, then ``o`` with
  the cover off or ``c`` with the cover on;
* ``pc``, ``pr``: polarity correct, reversed;
* ``ep``, ``ec``, ``eg``: bin of the volts against earth of plate, case and ground contact;
* ``h``: bin of the volts hot to neutral;
* ``d``, ``s``, ``x``: non-contact detector, heat or scorch, shock reported, then ``y`` or ``n``.

GFCI protection and marking are separate facts, not evidence of the condition, and are left out.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from pipeline.evidence.measured import (
    EARTH_VOLT_EDGES,
    LOAD_EDGES,
    LOAD_UNKNOWN,
    OHM_EDGES,
    SUPPLY_EDGES,
    VOLT_EDGES,
)
from shared.faults import CoverplateError
from shared.records import literal, quoted
from shared.vocabulary import OPEN_BOX_METHODS, Method, Polarity, Result, YesNo

STRICT = "passes_00"
"""Label of a reader who lets nothing pass."""


def leniency_of(label: str) -> float:
    """Share of looks that a reader with this label writes correct whatever is shown."""
    return int(label.removeprefix("passes_")) / 100


def reader_label(leniency: float) -> str:
    """The label of a reader, to the nearest two per cent: readers alike share their codes."""
    return f"passes_{2 * round(50 * leniency):02d}"


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
        plate_volts, case_volts, contact_volts: bins of the volts of that metal to earth, or None.
        supply: bin of the volts hot to neutral, or None.
        detector, scorch, shock: 0 no, 1 yes, or None.
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
    plate_volts: int | None = None
    case_volts: int | None = None
    contact_volts: int | None = None
    supply: int | None = None
    detector: int | None = None
    scorch: int | None = None
    shock: int | None = None


_EARTHED = {"p": "plate_earth_volts", "c": "case_earth_volts", "g": "ground_contact_earth_volts"}
_SAID = {"d": "non_contact_detector", "s": "heat_or_scorch", "x": "shock_reported"}
_CODE = re.compile(
    r"(?P<method>[a-z_]+)\|(?P<result>[a-z_]+)\|(?P<reader>passes_[0-9]{2})"
    rf"(?:\|v(?P<volts>1[0-3]|[0-9])/(?P<load>[0-{LOAD_UNKNOWN}]))?"
    rf"(?:\|o(?P<ohms>[0-{len(OHM_EDGES)}]))?"
    r"(?:\|g(?P<ground>[yn])(?P<gcover>[oc]))?(?:\|j(?P<jumper>[yn])(?P<jcover>[oc]))?"
    r"(?:\|p(?P<polarity>[cr]))?"
    + "".join(rf"(?:\|e{x}(?P<earth_{x}>[0-{len(EARTH_VOLT_EDGES)}]))?" for x in _EARTHED)
    + rf"(?:\|h(?P<supply>[0-{len(SUPPLY_EDGES)}]))?"
    + "".join(rf"(?:\|{x}(?P<said_{x}>[yn]))?" for x in _SAID)
)


def _bin_sql(column: str, edges: tuple[float, ...]) -> str:
    arms = " ".join(f"WHEN {column} < {edge!r} THEN '{i}'" for i, edge in enumerate(edges))
    return f"CASE {arms} ELSE '{len(edges)}' END"


def look_sql(reader: str) -> str:
    """Return the SQL expression of the code; see ``Likelihoods.reading_code_sql``."""
    volts, load, ohms = quoted("neutral_ground_volts"), quoted("load_amps"), "ground_path_ohms"
    opened = ", ".join(literal(method) for method in OPEN_BOX_METHODS)
    off = f"coalesce(cover_removed = {literal(YesNo.YES)}, method IN ({opened}), false)"
    cover = f"CASE WHEN {off} THEN 'o' ELSE 'c' END"

    def answer(letter: str, column: str) -> str:
        return (
            f"CASE {column} WHEN {literal(YesNo.YES)} THEN '{letter}y' || {cover} "
            f"WHEN {literal(YesNo.NO)} THEN '{letter}n' || {cover} END"
        )

    parts = [
        # Whoever says that it is made further up has looked further up.
        f"CASE WHEN result = {literal(Result.FALSE_GROUND_UPSTREAM)} "
        f"AND method = {literal(Method.COVER_OFF_INSPECTION)} "
        f"THEN {literal(Method.UPSTREAM_BOX_SEEN)} ELSE method END",
        "result",
        f"coalesce({quoted(reader)}, {literal(STRICT)})",
        f"CASE WHEN {volts} IS NOT NULL THEN 'v' || {_bin_sql(volts, VOLT_EDGES)} || '/' || "
        f"CASE WHEN {load} IS NULL THEN '{LOAD_UNKNOWN}' ELSE {_bin_sql(load, LOAD_EDGES)} END END",
        f"CASE WHEN {ohms} IS NOT NULL THEN 'o' || {_bin_sql(ohms, OHM_EDGES)} END",
        answer("g", "ground_present"),
        answer("j", "neutral_ground_jumper"),
        f"CASE polarity WHEN {literal(Polarity.CORRECT)} THEN 'pc' "
        f"WHEN {literal(Polarity.REVERSED)} THEN 'pr' END",
        *(
            f"CASE WHEN {name} IS NOT NULL "
            f"THEN 'e{letter}' || {_bin_sql(name, EARTH_VOLT_EDGES)} END"
            for letter, name in _EARTHED.items()
        ),
        "CASE WHEN hot_neutral_volts IS NOT NULL "
        f"THEN 'h' || {_bin_sql('hot_neutral_volts', SUPPLY_EDGES)} END",
        *(
            f"CASE {name} WHEN {literal(YesNo.YES)} THEN '{letter}y' "
            f"WHEN {literal(YesNo.NO)} THEN '{letter}n' END"
            for letter, name in _SAID.items()
        ),
    ]
    return "concat_ws('|', " + ", ".join(parts) + ")"


def without_signs(code: str) -> str:
    """The code of the same look without what it says of a shock and of scorch marks."""
    return "|".join(part for part in code.split("|") if part not in ("sy", "sn", "xy", "xn"))


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
        plate_volts=number("earth_p"),
        case_volts=number("earth_c"),
        contact_volts=number("earth_g"),
        supply=number("supply"),
        detector=yes("said_d"),
        scorch=yes("said_s"),
        shock=yes("said_x"),
    )
