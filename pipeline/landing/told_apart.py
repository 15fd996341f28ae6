"""Finds rows that would be taken for looks at one opening and may be of several.

An opening is known by building, dwelling and its own name. Where rows of one call have these three
alike and another room, another sheet, or another word in a column of places that nobody reads
(``Floor``, ``Wing``), a pass in one dwelling would take the place of an open ground in another. So
a person says what tells them apart, or that they are one; the answer is kept in the mapping.
"""

from __future__ import annotations

import re
import shlex
from collections.abc import Sequence
from pathlib import Path

import duckdb

from pipeline.landing.cells import trimmed
from pipeline.landing.conform import Plan
from pipeline.landing.current import valid_rows_of
from pipeline.landing.dividing import SHEET
from pipeline.landing.mapping import RecordMapping
from pipeline.landing.open_question import OpenQuestionError, Question, refusal
from pipeline.landing.outcomes import Landing
from pipeline.landing.places import form_sql
from pipeline.landing.row_kinds import normalised
from pipeline.landing.workspace import Part
from shared.records import literal
from shared.vocabulary import RecordKind

_LOOKS = RecordKind.OPENING_OBSERVATIONS

KEY = ("building_id", "unit_id", "opening_id")

PLACES = re.compile(
    r"(^|_)(floors?|storey|story|level|etage|[ée]tage|stock(werk)?|geschoss|piso|planta|piano|"
    r"verdieping|wing|fl[üu]gel|aile|ala|entrance|entry|eingang|entr[ée]e|entrada|portal|aufgang|"
    r"door|corridor|stair(s|case|way|well)?|stiege|treppenhaus|escalera|escalier|scala|house|haus|"
    r"maison|casa|street|str|stra(ss|ß)e|rue|calle|via|road|address|adresse|direcci[óo]n|gang|half|"
    r"side|upper_lower|wall|position|location|complex|estate|site|property|campus|development|"
    r"community|apartments?|apt|flat|unit|suite|dwelling|wohnung|whg|appartement|departamento|"
    r"depto|block|bloc|bloque|tower|torre|building|bldg|geb[äa]ude|b[âa]timent|edificio|section|"
    r"area|zone|space|room|zimmer|raum|pi[èe]ce|cuarto|habitaci[óo]n|city|town|lot|parcel)"
    r"(_|$)"
)
"""Names of columns that say where a row is. Common practice, no source."""

_DWELLING = re.compile(
    r"(?<![^\W\d_])(?:apartment|appartement|apt|unit|flat|suite|dwelling|wohnung|whg|depto)"
    r"[\s_#.\-]*(?!(?:19|20)\d\d(?!\d))([0-9]{1,4}[a-z]?|[a-z][0-9]{0,3})(?![a-z0-9])",
    re.I,
)
"""A dwelling in the name of a file: ``B1 apt 1A``."""


def unread_places(
    con: duckdb.DuckDBPyConnection, plan: Plan, unread: Sequence[int]
) -> list[Question]:
    """Ask about columns of places that nobody reads and that differ where the opening is the same.

    Args:
        con: any connection.
        plan: of a table of looks.
        unread: places of the columns that nothing is read from.
    """
    header = plan.table.header
    one = {normalised(name) for name in plan.mapping.same_opening}
    places = [
        place
        for place in unread
        if PLACES.search(normalised(header[place])) and normalised(header[place]) not in one
    ]
    key = sorted({n for o in plan.origins if o.field.name in KEY for n in o.used})
    if not places or not key:
        return []

    def word(place: int) -> str:
        return f"nullif(lower({trimmed(f'c{place}')}), '')"

    # rows without an opening are set aside, each by itself
    named = [n for o in plan.origins if o.field.name == "opening_id" for n in o.used]
    there = " AND ".join(f"{word(n)} IS NOT NULL" for n in named) or "true"
    lowest = ", ".join(f"min({word(p)}) AS a{p}, max({word(p)}) AS z{p}" for p in places)
    counted = ", ".join(
        f"count(*) FILTER (a{p} <> z{p}), any_value([a{p}, z{p}]) FILTER (a{p} <> z{p})"
        for p in places
    )
    (row,) = con.execute(
        f"SELECT {counted} FROM (SELECT {lowest} FROM {plan.table.relation} WHERE {there} "
        f"GROUP BY {', '.join(word(n) for n in key)})"
    ).fetchall()
    return [
        _question(header[place], row[2 * n], row[2 * n + 1], _joins(plan.record, header[place]))
        for n, place in enumerate(places)
        if row[2 * n]
    ]


def _question(header: str, count: int, words: Sequence[str], answers: Sequence[str]) -> Question:
    """Ask what tells openings apart that a column would."""
    found = (
        f"{count} opening(s) would be put together although {header!r} differs "
        f"({' and '.join(repr(word) for word in words[:2])}), and what one row found would take "
        "the place of what the other did"
    )
    return Question("put_together", "", found, (*answers, f"same_opening={header}"))


def _joins(record: RecordMapping, header: str) -> tuple[str, ...]:
    """Answers that make a column part of a dwelling's, an opening's or a building's name."""
    answers = []
    for name in ("unit_id", "opening_id", "building_id"):
        spec = record.columns.get(name)
        own = (*spec.join, *spec.from_[:1]) if spec is not None else ()
        if not own and name != "unit_id":
            continue  # the same in every row, or made out of words
        answers.append(f"{name}=" + "|".join((header, *own)))
    return tuple(answers)


def dwelling_in_name(file: str, record: RecordMapping) -> list[Question]:
    """Ask which dwelling a file is of whose name says one, where its rows say none or another.

    Args:
        file: name of the file.
        record: how its looks are read.
    """
    found = _DWELLING.findall(re.sub(r"\.[A-Za-z0-9]{1,8}$", "", re.split(r"[/\\]", file)[-1]))
    spec = record.columns.get("unit_id")
    if len(found) != 1 or (spec is not None and spec.constant is None):
        return []
    said = None if spec is None else spec.constant
    if said is not None and _plain(found[0]) == _plain(_DWELLING.sub(r"\1", said)):
        return []
    rows = "its rows say no dwelling" if said is None else f"the dwelling kept for it is {said!r}"
    told = f"the name of the file speaks of the dwelling {found[0]!r} and {rows}"
    return [Question("dwelling_in_name", "unit_id", told, (f"all:unit_id={found[0]}",))]


def _plain(text: str) -> str:
    return re.sub(r"[\W_]+", "", text).casefold()


_SEVERAL = (
    # 1 to 6, 1 – 6; lists; words for all of them
    "[0-9]+ *(–|—|to|thru|through|bis) *[0-9]+|[0-9]+ +- +[0-9]+"
    "|([a-z]* *#?[0-9]+)( *[,;&+] *| and | und | et | y )[a-z]* *#?[0-9]+.*"
    "|(all|alle|alles|todos|todas|tous|toutes|tutti|various|misc|miscellaneous|multiple|several|"
    "every|each|others?|rest|remaining|whole|entire|mehrere|diverse|divers|varios)"
    "( (of )?(the )?(outlets?|receptacles?|openings?|sockets?|others?|unit|apartment|apt|flat|"
    "rooms?|kitchen|bath|steckdosen|tomas|prises))*"
)
"""What stands where an opening is named and is several. Common practice, no source."""

_RUN = "([a-z]+)[ .#]*[0-9]+ *(-|–|—|to|thru|through|bis) *([a-z]+)[ .#]*[0-9]+"
"""K1-K6; C4-K2 is one opening of a circuit."""


def named_as_several(
    con: duckdb.DuckDBPyConnection, landings: Sequence[Landing]
) -> list[tuple[int, OpenQuestionError]]:
    """Ask where one row speaks of several openings: ``K1-K6``, ``all``.

    Args:
        con: any connection.
        landings: files that are typed and not settled yet.

    Returns:
        Which of the files, and the question.
    """
    looks = _looks(landings)
    if not looks:
        return []
    rows = valid_rows_of([(folder, part) for _, folder, part in looks], _LOOKS)
    found = con.execute(
        "SELECT _part, opening_id, count(*) "
        f"FROM (SELECT *, lower(opening_id) AS name FROM ({rows})) "
        f"WHERE regexp_full_match(name, {literal(_SEVERAL)}) "
        f"OR (regexp_full_match(name, {literal(_RUN)}) "
        f"AND regexp_extract(name, {literal(_RUN)}, 1) = regexp_extract(name, {literal(_RUN)}, 3)) "
        "GROUP BY ALL ORDER BY ALL"
    ).fetchall()
    asked: dict[int, dict[str, int]] = {}
    for number, _, part in looks:
        record = next(r for r in part.reading.records if r.kind is part.record_kind)
        spec = record.columns.get("opening_id")
        said = set(spec.values) if spec is not None else set()
        for of_part, name, count in found:
            if of_part == part.part and name.lower() not in said:
                names = asked.setdefault(number, {})
                names[name] = names.get(name, 0) + count
    return [(number, _several(names)) for number, names in asked.items()]


def _several(names: dict[str, int]) -> OpenQuestionError:
    told = ", ".join(f"{name!r} ×{count}" for name, count in list(names.items())[:6])
    found = f"rows that seem to speak of several openings at once: {told}"
    answers = [f"opening_id:{name}={name}" for name in names]
    question = Question("several_openings", "opening_id", found, tuple(answers[:1]))
    one = " ".join(f"--set {shlex.quote(answer)}" for answer in answers[:6])
    return OpenQuestionError(
        found,
        expected="one row for each opening that was looked at",
        to_do="write one row for each opening that was looked at; or, where such a name is one "
        f"opening's, say so with {one}; the answer is kept",
        questions=[question],
    )


def _looks(landings: Sequence[Landing]) -> list[tuple[int, Path, Part]]:
    return [
        (number, landing.folder, part)
        for number, landing in enumerate(landings)
        for part in landing.manifest.parts
        if part.record_kind is _LOOKS and part.corrects is None
    ]


def put_together(
    con: duckdb.DuckDBPyConnection, landings: Sequence[Landing]
) -> list[tuple[int, OpenQuestionError]]:
    """Ask where rows of files of one call have building, dwelling and opening alike and another
    room, or those of one file stand on another sheet.

    Args:
        con: any connection.
        landings: files that are typed and not settled yet.

    Returns:
        Which of the files, and the question.
    """
    looks = _looks(landings)
    places = [(part.part, number, _sheet(part), part.told_by("room")) for number, _, part in looks]
    alone = [n for _, n, sheet, _ in places if sheet]
    asking = [row for row in places if row[3] or alone.count(row[1]) > 1]
    if not asking:
        return []
    own = {row[0] for row in asking}
    rows = valid_rows_of([(folder, part) for _, folder, part in looks if part.part in own], _LOOKS)
    listed = ", ".join(
        f"({part}, {number}, {literal(sheet)}, {literal(room)})"
        for part, number, sheet, room in asking
    )
    key = ", ".join(KEY)
    looks_of = (
        f"WITH parts(_part, file, sheet, room_from) AS (VALUES {listed}), "
        f"looks AS (SELECT p.file, nullif(p.sheet, '') AS sheet, p.room_from, {key}, "
        "CASE WHEN p.room_from <> '' THEN room END AS room "
        f"FROM ({rows}) JOIN parts AS p USING (_part)) "
    )
    # figures first: few openings differ in anything
    differ = " OR ".join(
        f"min(hash({name})) FILTER ({name} IS NOT NULL) "
        f"<> max(hash({name})) FILTER ({name} IS NOT NULL)"
        for name in ("room", "sheet")
    )
    con.execute(
        f"CREATE OR REPLACE TEMP TABLE several AS {looks_of} "
        f"SELECT hash({key}) AS key_hash FROM looks GROUP BY ALL HAVING {differ}"
    )
    if con.execute("SELECT count(*) FROM several").fetchall() == [(0,)]:
        return []
    con.execute(
        f"CREATE OR REPLACE TEMP TABLE put_together AS {looks_of} "
        f"SELECT l.*, {form_sql('room')} AS form "
        f"FROM looks AS l JOIN several AS s ON s.key_hash = hash({key})"
    )
    found = con.execute(
        "WITH rooms AS (SELECT max(file) AS file, "
        "[arg_min(room, form), arg_max(room, form)] AS words, arg_max(room_from, file) AS header "
        f"FROM put_together WHERE form IS NOT NULL GROUP BY {key} HAVING min(form) <> max(form)), "
        f"sheets AS (SELECT file, [min(sheet), max(sheet)] AS words, {literal(SHEET)} AS header "
        f"FROM put_together GROUP BY file, {key} HAVING min(sheet) <> max(sheet)) "
        "SELECT file, header, count(*), any_value(words) "
        "FROM (FROM sheets UNION ALL FROM rooms) GROUP BY ALL ORDER BY ALL"
    ).fetchall()
    con.execute("DROP TABLE put_together")
    open_: dict[int, list[Question]] = {}
    for number, header, count, words in found:
        part = next(p for n, _, p in looks if n == number and p.part in own)
        record = next(r for r in part.reading.records if r.kind is part.record_kind)
        answers = _joins(record, header)
        if header != SHEET:
            answers = tuple(each for each in answers if each.startswith("opening_id"))
        open_.setdefault(number, []).append(_question(header, count, words, answers))
    expected = "one name for each opening of a dwelling"
    return [(number, refusal(questions, expected)) for number, questions in open_.items()]


def _sheet(part: Part) -> str:
    """The worksheet of a part, where there are several and nothing is read from their names; else
    ''."""
    if SHEET not in part.unmapped or SHEET in part.reading.same_opening:
        return ""
    return re.sub(r" table \d+$", "", part.sheet)
