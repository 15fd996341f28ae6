"""The housing authority's exports: ten files by six senders, as they lie in the inbox.

Four inspectors and a contractor, each with a layout of their own; a district office's workbook and
an insurer's extract that disagree with the register; a later extract that overlaps and corrects.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Sequence

from data_demo.generator import Portfolio
from data_demo.mess import (
    Record,
    Row,
    Style,
    Table,
    corrected,
    cut_short,
    default_style,
    overlong,
    records,
    with_note,
)
from data_demo.reckoning import Export
from data_demo.styles import (
    CONTRACTOR,
    INSURER_PROPERTIES,
    INSURER_PROPERTIES_SCHEMA,
    OFFICE_BUILDINGS,
    OFFICE_OUTLETS,
    OLD_DATABASE,
    PHONE_APP,
)
from data_demo.writers import archive_of, delimited, json_lines, parquet, workbook
from shared.vocabulary import RecordKind

REGISTER = default_style(RecordKind.BUILDING_REGISTER)
OBSERVATIONS = default_style(RecordKind.OPENING_OBSERVATIONS)
EVALUATIONS = default_style(RecordKind.BUILDING_EVALUATIONS)
PAPERS = default_style(RecordKind.BUILDING_REPORTS)

OFFICE = "Tallowgate Office"
BUILDINGS = "01_buildings"
LOOKS = "02_observations"
"""The authority's own exports, whose names also carry the month they were drawn."""
LATER = 45
"""Looks of the authority's own inspector that only the later extract holds."""
OVERLAP = 60
"""Looks that both extracts hold."""


def housing_authority_exports(portfolio: Portfolio) -> Sequence[Export]:
    """Make the exports in the order in which they are taken in."""
    register = records(portfolio.register, RecordKind.BUILDING_REGISTER)
    looks = records(portfolio.observations, RecordKind.OPENING_OBSERVATIONS)
    own = [
        with_note(look, NOTES[place // 23 % len(NOTES)]) if place % 23 == 5 else look
        for place, look in enumerate(_of(looks, "K. Orlan"))
    ]
    own_rows = _own_looks(own[:-LATER])
    buildings = _register(register)
    return (
        _text_export(f"{BUILDINGS}_2025-08.csv", Table(REGISTER, buildings, source=BUILDINGS)),
        _text_export(
            f"{LOOKS}_2025-08.csv",
            Table(OBSERVATIONS, own_rows, source=LOOKS),
            "utf-8-sig",
        ),
        _contractor(_of(looks, "S. Ambrel")),
        _office(register, _of(looks, "B. Quenth")),
        _phone_app(_of(looks, "T. Vesk")),
        _old_database(_of(looks, "M. Ildray")),
        _later_extract(register, buildings, own),
        _insurer(register),
        _text_export(
            "09_evaluations.csv",
            Table(EVALUATIONS, _evaluations(register), source="09_evaluations"),
        ),
        _text_export("10_papers.csv", Table(PAPERS, _papers(register, looks), source="10_papers")),
    )


def _of(looks: list[Record], inspector: str) -> list[Record]:
    return [look for look in looks if look["inspector"] == inspector]


def _text_export(path: str, table: Table, encoding: str = "utf-8") -> Export:
    return Export(path, (table,), delimited(table).encode(encoding))


def _find(rows: Sequence[Row], column: str, *, after: int = 0) -> int:
    """Return the place of the first good row after a place that has a value in the column."""
    for place in range(after, len(rows)):
        row = rows[place]
        if row.fault is None and row.record.get(column) not in (None, ""):
            return place
    raise LookupError(column)


def _register(register: list[Record]) -> tuple[Row, ...]:
    rows = REGISTER.rows(register)
    place = _find(rows, "year_rewired")
    rows[place] = REGISTER.spoil(rows[place], "year_rewired", 1887, blame="year_built")
    place = _find(rows, "receptacle_count", after=place + 1)
    rows[place] = REGISTER.spoil(rows[place], "receptacle_count", "about 90")
    place = _find(rows, "vulnerable_occupants", after=place + 1)
    rows[place] = REGISTER.spoil(rows[place], "vulnerable_occupants", 900)
    rows[-3] = REGISTER.spoil(rows[-3], "building_id", "")
    place = _find(rows, "occupants", after=place + 1)
    residents = int(str(rows[place].record["occupants"]))
    rows.append(rows[0])
    rows.append(corrected(REGISTER, rows[place], occupants=residents + 2))
    return tuple(rows)


NOTES = (
    "cover cracked,\nloose in the box",
    'tenant says "it tingles"',
    "behind the wardrobe, reached with an extension",
    "painted over",
)


def _own_looks(looks: list[Record]) -> tuple[Row, ...]:
    rows = OBSERVATIONS.rows(looks)
    spoil = OBSERVATIONS.spoil
    rows[17] = spoil(rows[17], "observed_on", "2023-02-30")
    rows[40] = spoil(rows[40], "method", "screwdriver")
    rows[61] = spoil(rows[61], "opening_id", "")
    rows[77] = spoil(rows[77], "observed_on", "2205-03-14")
    rows[90] = spoil(rows[90], "result", "correct?")
    rows[102] = spoil(rows[102], "neutral_ground_volts", "3.4.1")
    rows[118] = overlong(spoil(rows[118], "note", "loose"), " moved when pushed")
    rows[140] = spoil(rows[140], "building_id", "")
    repeats = [rows[place] for place in (12, 30, 31, 55)]
    place = _find(rows, "slots", after=150)
    again = corrected(OBSERVATIONS, rows[place], result="open_neutral", note="read again same day")
    return (*rows, *repeats, again)


def _contractor(looks: list[Record]) -> Export:
    noted = [
        with_note(look, "box “too full” – not opened further") if place % 37 == 3 else look
        for place, look in enumerate(looks)
    ]
    rows = CONTRACTOR.rows(noted)
    rows[9] = CONTRACTOR.spoil(rows[9], "observed_on", "31.02.2024")
    rows[25] = CONTRACTOR.spoil(rows[25], "building_id", "")
    place = _find(rows, "neutral_ground_volts", after=26)
    rows[place] = CONTRACTOR.spoil(rows[place], "neutral_ground_volts", "3,6,8")
    rows[60] = CONTRACTOR.spoil(rows[60], "result", "see sketch")
    rows[80] = CONTRACTOR.spoil(rows[80], "method", "by ear")
    rows.append(Row((f"Total {len(rows)} outlets",), {}, is_record=False))
    table = Table(CONTRACTOR, tuple(rows), mapping="contractor")
    text = delimited(
        table,
        delimiter=";",
        newline="\r\n",
        preamble=(
            "Varrizel Electric – outlet survey for Brackwyth Housing Authority",
            "Exported 01.10.2025; all voltages neutral to ground, load switched on",
            "",
        ),
    )
    return Export("03_contractor.csv", (table,), text.encode("cp1252"))


def _office(register: list[Record], looks: list[Record]) -> Export:
    own = [dict(building) for building in register if building["manager"] == OFFICE]
    known = [building for building in own if building["year_built"] is not None]
    known[0]["year_built"] = int(str(known[0]["year_built"])) - 8
    known[2]["year_built"] = int(str(known[2]["year_built"])) + 3
    people = next(building for building in own if building["occupants"] is not None)
    people["occupants"] = int(str(people["occupants"])) + 1
    houses = OFFICE_BUILDINGS.rows(own)
    place = _find(houses, "year_built", after=3)
    houses[place] = OFFICE_BUILDINGS.spoil(houses[place], "year_built", "ca. 1930")

    rows = OFFICE_OUTLETS.rows(looks)
    day = [column.name for column in OFFICE_OUTLETS.columns].index("observed_on")
    for place in range(3, len(rows), 4):  # some cells are true dates, as when a sheet is retyped
        cells = list(rows[place].cells)
        cells[day] = looks[place]["observed_on"]
        rows[place] = dataclasses.replace(rows[place], cells=tuple(cells))
    rows[20] = OFFICE_OUTLETS.spoil(rows[20], "observed_on", "13/45/2024")
    rows[45] = OFFICE_OUTLETS.spoil(rows[45], "method", "nose")
    rows[70] = OFFICE_OUTLETS.spoil(rows[70], "opening_id", "")
    rows.append(rows[11])
    tables = (
        Table(OFFICE_BUILDINGS, tuple(houses), "Buildings", "office_buildings", OFFICE),
        Table(OFFICE_OUTLETS, tuple(rows), "Outlets", "office_outlets", OFFICE),
    )
    return Export("04_office.xlsx", tables, workbook(tables))


def _phone_app(looks: list[Record]) -> Export:
    noted = [
        with_note(look, "Möbel davor – furniture in front") if place % 41 == 7 else look
        for place, look in enumerate(looks)
    ]
    rows = PHONE_APP.rows(noted)
    rows[14] = PHONE_APP.spoil(rows[14], "building_id", None)
    rows[33] = PHONE_APP.spoil(rows[33], "result", "dunno")
    rows[59] = PHONE_APP.spoil(rows[59], "observed_on", "2024-13-01")
    rows.extend(rows[place] for place in (5, 6))
    table = Table(PHONE_APP, tuple(rows), mapping="phone_app")
    return Export("05_phone_app.jsonl", (table,), json_lines(table).encode())


def _old_database(looks: list[Record]) -> Export:
    rows = OLD_DATABASE.rows(looks)
    rows[8] = OLD_DATABASE.spoil(rows[8], "observed_on", "31/06/2024")
    rows[31] = OLD_DATABASE.spoil(rows[31], "result", "99")
    rows[50] = OLD_DATABASE.spoil(rows[50], "building_id", "")
    rows[66] = cut_short(rows[66], 5, "result")
    table = Table(OLD_DATABASE, tuple(rows), mapping="eelmarket")
    text = delimited(table, delimiter="\t", newline="\r\n")
    return Export("06_eelmarket.tsv", (table,), text.encode("utf-16"))


def _later_extract(register: list[Record], sent: tuple[Row, ...], own: list[Record]) -> Export:
    """Hold new looks, looks already sent, three of them corrected, and mended register rows."""
    rows = OBSERVATIONS.rows(own[-(LATER + OVERLAP) :])
    for place, result in ((4, "open_ground"), (19, "not_accessible"), (33, "hot_neutral_reversed")):
        rows[place] = corrected(
            OBSERVATIONS, rows[place], result=result, note="corrected after review"
        )
    rows[-9] = OBSERVATIONS.spoil(rows[-9], "selection", "because")
    as_sent = {row.record["building_id"]: row.record for row in sent if row.fault is None}
    buildings = REGISTER.rows(
        as_sent.get(building["building_id"], building) for building in register[:-3]
    )
    members = (
        Table(REGISTER, tuple(buildings), f"extract/{BUILDINGS}_2025-10.csv", source=BUILDINGS),
        Table(OBSERVATIONS, tuple(rows), f"extract/{LOOKS}_2025-10.csv", source=LOOKS),
    )
    content = archive_of({table.part: delimited(table).encode() for table in members})
    return Export("07_later_extract.zip", members, content)


def _insurer(register: list[Record]) -> Export:
    insured: list[Record] = []
    for place, building in enumerate(register[2:26]):
        year = building["year_built"]
        wrong = place in (3, 11) and year is not None
        dwellings = int(str(building["dwelling_units"] or 4))
        insured.append(
            {
                "building_id": building["building_id"],
                "year_built": int(str(year)) + 15 if wrong else year,
                "dwelling_units": building["dwelling_units"],
                "insured_value": 185_000.0 * dwellings + 2_500.0 * place,
            }
        )
    rows = INSURER_PROPERTIES.rows(insured)
    rows[6] = INSURER_PROPERTIES.spoil(rows[6], "year_built", 19355.0)
    rows[15] = INSURER_PROPERTIES.spoil(rows[15], "insured_value", -1.0)
    table = Table(INSURER_PROPERTIES, tuple(rows), mapping="insurer_extract")
    return Export(
        "08_insurer.parquet",
        (table,),
        parquet(table, INSURER_PROPERTIES_SCHEMA),
    )


def _evaluations(register: list[Record]) -> tuple[Row, ...]:
    style: Style = EVALUATIONS
    visits: list[Record] = [
        {
            "building_id": building["building_id"],
            "evaluated_on": dt.date(2023, 4, 3) + dt.timedelta(days=9 * place),
            "evaluator": "Brackwyth Building Office",
            "item": "electrical services and outlets in common areas",
            "grade": float((3 * place + place // 4) % 4),
            "scale_best": 3.0,
            "items_graded": 17 + place % 3,
            "items_reported": 17 + place % 3,
        }
        for place, building in enumerate(register[:20])
    ]
    visits[13] = {**visits[13], "grade": None}
    rows = style.rows(visits)
    rows[5] = style.spoil(rows[5], "grade", 4)
    rows[9] = style.spoil(rows[9], "items_reported", 12, blame="items_graded")
    return tuple(rows)


SAID_ON_PAPER: tuple[tuple[int, bool, str, str, int, str | None, int | None, str], ...] = (
    (2, False, "citation", "N-1031", 20, "closed", 190, "ungrounded outlets on all storeys"),
    (4, True, "citation", "N-1044", 61, "open", None, "three-slot outlets without a ground"),
    (4, True, "citation", "N-1102", 350, "corrected", 402, "no ground at bedroom outlets"),
    (7, True, "work_order", "W-207", 95, "corrected", 101, "reversed polarity in kitchen"),
    (9, True, "complaint", "C-88", 130, "open", None, "outlet loose, cover plate cracked"),
    (11, False, "citation", "N-1060", 142, "dismissed", 160, "outlets not grounded"),
    (14, True, "citation", "N-1071", 201, "open", None, "bootleg ground found by owner's firm"),
    (16, False, "permit", "E-3310", 240, "corrected", 300, "rewire laundry room"),
    (17, False, "permit", "E-3342", 260, "open", None, "replace outlets, ungrounded wiring"),
    (19, True, "work_order", "W-260", 280, "open", None, "outlet behind stove dead"),
    (20, True, "complaint", "C-97", 310, "closed", 315, "tenant asks for more outlets"),
    (21, True, "citation", "N-1110", 377, "open", None, "open grounds in two rooms"),
)
"""Place in the register, whether a unit is named, kind, number, day, status, its day, words."""


def _papers(register: list[Record], looks: list[Record]) -> tuple[Row, ...]:
    """Citations, complaints, work orders and permits, as the building office lists them."""
    first = dt.date(2024, 1, 8)
    units: dict[object, object] = {}
    for look in looks:
        units.setdefault(look["building_id"], look["unit_id"])
    listed: list[Record] = [
        {
            "building_id": register[place]["building_id"],
            "unit_id": units.get(register[place]["building_id"]) if named else None,  # type: ignore[dict-item]
            "report_kind": kind,
            "reference": number,
            "reported_on": first + dt.timedelta(days=day),
            "status": status,
            "status_on": None if since is None else first + dt.timedelta(days=since),
            "code_section": None,
            "description": words,
            "issued_by": "Brackwyth Building Office",
        }
        for place, named, kind, number, day, status, since, words in SAID_ON_PAPER
    ]
    rows = PAPERS.rows(listed)
    rows[8] = PAPERS.spoil(rows[8], "reported_on", "2024-09-31")
    rows[9] = PAPERS.spoil(rows[9], "status", "see file")
    rows.append(rows[1])
    return tuple(rows)
