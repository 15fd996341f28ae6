"""What keeps a table from being read unasked: columns with rivals, names that say too little, words
of danger in a column that nobody reads, things that are no receptacles.

A wrong guess here turns evidence into its opposite and nobody would see it, so whatever could be
read two ways is asked.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import duckdb

from pipeline.landing import cells, row_kinds
from pipeline.landing.cells import word_form, word_form_sql
from pipeline.landing.column_look import ColumnLook
from pipeline.landing.open_question import Question
from pipeline.landing.row_kinds import EVIDENCE_NAMES, HARMLESS_NAMES, normalised
from pipeline.landing.synonyms import HEADER_SYNONYMS, VALUE_SYNONYMS
from pipeline.landing.voided import asks_whether_it_counts, void_cell_sql, void_question
from pipeline.offline import connect
from shared.records import LAYOUTS, Field, literal
from shared.vocabulary import RecordKind

GENERIC = frozenset(
    {
        *("status", "condition", "date", "type", "no", "number", "by", "area", "state", "reason"),
        *("location", "position", "day", "mark", "point", "load", "item", "category", "place"),
        *("tool", "means", "on", "device", "score", "grade", "rating", "class", "code", "kind"),
        *("level", "result", "results", "outcome", "reading", "value", "verdict", "fault", "face"),
        *("faults", "defect", "observation", "finding", "findings", "remark", "opened", "label"),
    }
)
"""Headers that say too little to be believed without their values. Common practice, no source."""

WEAK_WORDS = frozenset(
    {
        *("ok", "okay", "pass", "passed", "good", "fine", "normal", "satisfactory", "yes", "no"),
        *("on", "off", "open", "closed", "1", "2", "3", "x", "fail", "failed", "bad", "done"),
        *("dead", "none", "reversed", "swapped", "correct", "right", "wrong", "reverse", "all"),
        *(
            "no_fault",
            "no_faults",
            "no_defect",
            "no_defects",
            "full",
            "mix",
            "various",
            "no_access",
        ),
        *("not_done", "skipped", "blocked", "inaccessible", "not_tested", "tested_ok"),
    }
)
"""Words that could be said of anything: they do not show that a column is about receptacles."""

SPECIFIC_DATE = re.compile(r"test|insp|observ|visit|look|check|survey|evaluat|graded")
"""Headers of dates that can only be the day of the look."""

HOLDS = 0.5
"""Share of a column's values that must be readable for it to be a rival."""

ABOUT = re.compile(
    r"(^|_)(device|asset|equipment|item|category|object|component|system|element|fixture|type|"
    r"class|kind|opening|outlet|point|description|test)(_|$)"
)
"""Headers of columns that say what a row is about."""


def meanings(column: Field) -> dict[str, str]:
    """Return word form to canonical word of a vocabulary column: its own words and others' for
    them."""
    own = {word_form(word): word for word in column.choices}
    if set(column.choices) == {"yes", "no"}:
        own |= dict.fromkeys(map(word_form, cells.YES_WORDS), "yes")
        own |= dict.fromkeys(map(word_form, cells.NO_WORDS), "no")
    for word, others in VALUE_SYNONYMS.get(column.name, {}).items():
        for other in others:
            own.setdefault(word_form(other), word)
    return own


def readable_words(column: Field, look: ColumnLook) -> tuple[int, int, dict[str, int]]:
    """Say how much of a column can be read as a layout's column.

    Returns:
        cells with an answer, those of them that can be read, and the unread words with counts.
    """
    known = meanings(column) if column.type == "choice" else {}
    answered = readable = 0
    unread: dict[str, int] = {}
    words = {
        word: count
        for word, count in look.words.items()
        if word.lower() not in cells.NULL_TOKENS or word_form(word) in known
    }
    if column.type in ("text", "identifier"):
        return sum(words.values()), sum(words.values()), {}
    fine = _read_by_sql(column, list(words)) if column.type != "choice" else set()
    for word, count in words.items():
        answered += count
        if word_form(word) in known or word in fine:
            readable += count
        else:
            unread[word] = count
    return answered, readable, unread


_ISO_DATE = re.compile(r"(1[6-9]|2[0-9])[0-9]{2}-(0[1-9]|1[0-2])-(0[1-9]|1[0-9]|2[0-8])")
_PLAIN_NUMBER = re.compile(r"[+-]?[0-9]+(\.[0-9]+)?")
_NO_NUMBER = re.compile(r"[^0-9.,'\s+\-eE]")
_MAY_BE_DATE = re.compile(r"[0-9].*|.*[^\W\d_]{3}.*[0-9].*", re.DOTALL)


@cache
def _reading_connection() -> duckdb.DuckDBPyConnection:
    return connect()


def _read_by_sql(column: Field, words: list[str]) -> set[str]:
    """Return the words that intake reads as a date, or as a number, by its own SQL; those of a
    plain form, and those that plainly are neither, are told without it."""
    dates = column.type == "date"
    plain = _ISO_DATE if dates else _PLAIN_NUMBER
    fine = {word for word in words if plain.fullmatch(word)}
    rest = [
        word
        for word in words
        if word not in fine
        and (_MAY_BE_DATE.fullmatch(word) if dates else not _NO_NUMBER.search(word))
    ]
    if not rest:
        return fine
    if dates:
        orders = ", ".join(cells.numeric_date("t", order, 2100) for order in ("dmy", "mdy", "ymd"))
        sql = f"coalesce({cells.date('t', 't', None, 2100)}, {orders})"
    else:
        sql = f"coalesce({cells.number('t', 't', '.')}, {cells.number('t', 't', ',')})"
    con = _reading_connection().cursor()
    rows = con.execute(
        f"SELECT t FROM (SELECT unnest(?::VARCHAR[]) AS t) WHERE ({sql}) IS NOT NULL", [rest]
    ).fetchall()
    con.close()
    return fine | {word for (word,) in rows}


def fit(column: Field, look: ColumnLook) -> float:
    """Return the share of a column's answers that can be read as a layout's column; 1 if blank."""
    answered, readable, _ = readable_words(column, look)
    return readable / answered if answered else 1.0


def _field(kind: RecordKind, name: str) -> Field:
    return LAYOUTS[kind].field(name)


def questions(
    kind: RecordKind,
    looks: Sequence[ColumnLook],
    read: dict[str, str],
    settled: frozenset[str] = frozenset(),
    *,
    trusted: bool = False,
) -> list[Question]:
    """Return what is open about a reading.

    Args:
        kind: record kind.
        looks: at every column.
        read: canonical column to the source header it is read from.
        settled: canonical columns that a person has settled.
        trusted: the names are the layout's own or a person's, so that they are not doubted.
    """
    by_header = {look.header: look for look in looks}
    asked: list[Question] = []
    for name, header in read.items():
        if name in settled or header not in by_header:
            continue
        column = _field(kind, name)
        exact = normalised(header) == name
        rival = _rival(kind, column, header, looks, read, exact or trusted)
        if rival:
            asked.append(rival)
        elif not exact and not trusted and column.type == "choice":
            asked += _generic(column, by_header[header])
    if kind is RecordKind.OPENING_OBSERVATIONS:
        if not trusted:
            asked += _other_dates(kind, looks, read, settled)
        asked += _other_subjects(looks, read)
    return asked


TICKS = frozenset("✓✔☑")


def ticks_and_crosses(
    kind: RecordKind,
    looks: Sequence[ColumnLook],
    read: dict[str, str],
    said: Mapping[str, Collection[str]],
) -> list[Question]:
    """Ask what an x means in a table whose yes is a tick: a box that was ticked too, or a cross.

    Args:
        kind: record kind.
        looks: at every column.
        read: canonical column to the source header it is read from.
        said: canonical column to the words, in lower case, that a person or a mapping has settled.
    """
    by_header = {look.header: look for look in looks}
    answered = {
        name: by_header[header].words
        for name, header in read.items()
        if header in by_header and set(_field(kind, name).choices) == {"yes", "no"}
    }
    if not any(TICKS & set(words) for words in answered.values()):
        return []
    asked = []
    for name, words in answered.items():
        crosses = sum(count for word, count in words.items() if word.lower() == "x")
        if crosses and "x" not in said.get(name, ()):
            found = f"{name}: {crosses} cells say x, in a table whose yes is a tick: yes, or no?"
            asked.append(Question("cross", name, found, (f"{name}:x=no", f"{name}:x=yes")))
    return asked


def _named(column: str, header: str) -> bool:
    words = {normalised(word) for word in (column, *HEADER_SYNONYMS.get(column, ()))}
    return normalised(header) in words


def _left_over(looks: Sequence[ColumnLook], read: dict[str, str]) -> list[ColumnLook]:
    """The columns that hold anything and that nothing is read from."""
    taken = set(read.values())
    return [look for look in looks if look.filled and look.header not in taken]


def _rival(
    kind: RecordKind,
    column: Field,
    header: str,
    looks: Sequence[ColumnLook],
    read: dict[str, str],
    exact: bool,
) -> Question | None:
    """Another column that could as well be the one that is read."""
    people = column.name == "inspector" and not exact
    if column.type == "text" and not people:
        return None
    named_apart = exact and column.type == "identifier"
    rivals = [
        look
        for look in _left_over(looks, read)
        if (
            (_named(column.name, look.header) and not named_apart) or _numbered(header, look.header)
        )
        and (column.reports_danger or fit(column, look) >= HOLDS)
        and not (column.type == "identifier" and spoken_by(kind, look))
        and (not people or may_name_people(look))
    ]
    if not rivals:
        return None
    own = next(look for look in looks if look.header == header)
    told = " or ".join(f"{look.header!r} ({look.told()})" for look in (own, *rivals))
    # who takes the first answer unread must not pass over a danger
    likely = sorted((own, *rivals), key=lambda look: not _speaks(look))
    answers = tuple(f"{column.name}={look.header}" for look in likely)
    return Question("rival", column.name, f"{column.name} could be read from {told}", answers)


def _speaks(look: ColumnLook) -> bool:
    """Say whether a column holds words of danger, or of a result other than a pass."""
    telling = _telling_words()
    return any(word_form(w) in telling or row_kinds.speaks_of_danger(w) for w in look.words)


def may_name_people(look: ColumnLook) -> bool:
    """Say whether a column of inspectors can hold people: no kinds of testers, and under a header
    that may as well mean the instrument (``Tester``) no figures, which models have."""
    method = _field(RecordKind.OPENING_OBSERVATIONS, "method")
    answered, readable, _ = readable_words(method, look)
    if answered and readable >= HOLDS * answered:
        return False
    models = sum(count for word, count in look.words.items() if re.search(r"\d", word))
    return not (_named("method", look.header) and models and models >= HOLDS * answered)


def spoken_by(kind: RecordKind, look: ColumnLook) -> str | None:
    """Return the vocabulary column that most of a column's values belong to, or None."""
    shares = {
        column.name: readable / answered
        for column in LAYOUTS[kind].fields
        if column.type == "choice" and set(column.choices) != {"yes", "no"}
        for answered, readable, _ in [readable_words(column, look)]
        if answered
    }
    best = max(shares, key=lambda name: shares[name], default=None)
    return best if best is not None and shares[best] >= HOLDS else None


def _numbered(header: str, other: str) -> bool:
    """Say whether two headers were the same before repeats were numbered."""
    return re.sub(r"_\d+$", "", header).casefold() == re.sub(r"_\d+$", "", other).casefold()


def _generic(column: Field, look: ColumnLook) -> list[Question]:
    """A name that could mean anything, over values that could be said of anything."""
    if normalised(look.header) not in GENERIC or not look.filled:
        return []
    known = meanings(column)
    telling = [
        word
        for word in look.words
        if word_form(word) in known and word_form(word) not in WEAK_WORDS
    ]
    if telling:
        return []
    found = f"{look.header!r} says too little to be taken for {column.name} ({look.told()})"
    return [Question("generic", column.name, found, (f"{column.name}={look.header}",))]


def _other_dates(
    kind: RecordKind, looks: Sequence[ColumnLook], read: dict[str, str], settled: frozenset[str]
) -> list[Question]:
    """A second column of dates where the first does not say that it is the day of the look."""
    header = read.get("observed_on")
    if header is None or "observed_on" in settled or SPECIFIC_DATE.search(normalised(header)):
        return []
    column = _field(kind, "observed_on")
    others = [
        look
        for look in _left_over(looks, read)
        if fit(column, look) >= 0.8 and not _plain_numbers(look)
    ]
    if not others or normalised(header) == "observed_on":
        return []
    own = next((look for look in looks if look.header == header), ColumnLook(header))
    told = " or ".join(f"{look.header!r} ({look.told(2)})" for look in (own, *others))
    answers = tuple(f"observed_on={look.header}" for look in (own, *others))
    found = f"the day of the look could be {told}"
    return [Question("other_date", "observed_on", found, answers)]


def _plain_numbers(look: ColumnLook) -> bool:
    return all(word.replace(".", "", 1).isdigit() for word in look.words)


def _other_subjects(looks: Sequence[ColumnLook], read: dict[str, str]) -> list[Question]:
    """A file, or rows of one, about something else than receptacles."""
    places = {read.get("building_id"), read.get("unit_id"), read.get("room"), read.get("note")}
    about: dict[str, int] = {}
    unread: dict[str, None] = {}
    for look in looks:
        if look.header in places:
            continue
        if look.header in read.values() and (named := row_kinds.subject(look.header)):
            about[named] = about.get(named, 0) + look.filled
        telling = look.header in (read.get("opening_id"), read.get("slots"), read.get("method"))
        if telling or ABOUT.search(normalised(look.header)):
            for word, count in look.words.items():
                if named := row_kinds.subject(word):
                    about[named] = about.get(named, 0) + count
                    if look.header not in read.values():
                        unread[look.header] = None
    if not about:
        return []
    told = ", ".join(f"{name} ({count} rows)" for name, count in about.items())
    found = f"this speaks of {told}, not of receptacles alone: take those rows out of the file"
    if unread:
        # No answer that a click would give: it would make receptacles of these things.
        said = " ".join(f"--set 'ignore={header}'" for header in unread)
        found += f", or say with {said} that every row is a look at a receptacle all the same"
    return [Question("other_subject", "", found)]


@cache
def _telling_words() -> tuple[str, ...]:
    """Forms of all words of a result that is neither correct nor no reading."""
    result = LAYOUTS[RecordKind.OPENING_OBSERVATIONS].field("result")
    harmless = {"correct", "not_accessible", "not_tested"}
    return tuple(form for form, word in meanings(result).items() if word not in harmless)


DANGER_NAMES = re.compile(
    r"(?<![^\W\d_])(scorch|burn|shock|hazard|danger)"
    r"|(?<![^\W\d_])(touch|live|urgent|unsafe|volts?|voltages?|m?v|[mk]?ohms?|[mk]?ω|zs|m?amps?)"
    r"(?![^\W\d_])"
)
"""Words of danger or of a measurement in a header, in lower case: ``Touch voltage``, ``Zs (Ω)``.
Common practice, no source."""


FEW_WORDS = 12
"""A column of no more different words than this may tell of the openings that stand beside them."""

_MEASURED = (
    r"\s*[<>≤≥~≈±]*\s*[-+]?[0-9]+([.,][0-9]+)*\s*(%|°?\s*[a-zωµ]{0,5})\s*|o\.?l\.?|inf|∞|over ?load"
)
"""A reading, in lower case: a number, with a unit or without, or what a meter shows beyond its
range."""

_DAY = r".*\d{1,4}[-/.]\d{1,2}[-/.]\d{2,4}.*|.*\d{1,2}:\d{2}.*"

_COULD_BE = {
    "neutral_ground_volts": r"^v?_?(n_?[ge]|g_?n)(_|$)|neutral_(to_)?(ground|earth)",
    "hot_neutral_volts": r"^v?_?[hl]_?n(_|$)|(hot|line)_(to_)?neutral",
    "ground_path_ohms": r"^(z|zs|zg|re|ra|r1_r2|ohms?)(_|$)|loop|impedance|resistance",
    "ground_present": r"^(gnd|ground|egc|pe|earth|ground_(ok|verified|present|wire))$",
}
"""Columns that an unread one could be, by its normalised header."""


def unread_columns(
    con: duckdb.DuckDBPyConnection,
    relation: str,
    header: Sequence[str],
    used: set[int],
    ignored: Sequence[str],
    *,
    of_looks: bool,
    by_danger: bool,
    into: Sequence[str] = ("result", "note"),
) -> list[Question]:
    """Return columns that nobody reads and that hold words of danger or of a result, are named so,
    or say of rows that they do not count; of looks also those that hold readings, yes and no, or
    few different words, unless their names are harmless.

    Args:
        con: any connection.
        relation: SQL of the table.
        header: its columns.
        used: places of those that are read.
        ignored: headers that a person allowed to stay unread.
        of_looks: whether the table holds looks and nothing else.
        by_danger: whether a word of danger or of a measurement in a header is enough.
        into: columns that such a column may be read as.
    """
    allowed = {normalised(name) for name in ignored}
    places = [
        place
        for place, name in enumerate(header)
        if place not in used and normalised(name) not in allowed
    ]
    asked, void_rows = [], []
    for place, cell in _unread_cells(con, relation, header, places, of_looks=of_looks).items():
        name = header[place]
        if cell.void:
            void_rows.append(void_question(name, cell.void, cell.void_example or ""))
        if cell.telling:
            found = (
                f"{name!r} would stay unread and holds words of danger or of a result in "
                f"{cell.telling} row(s), such as {cell.example!r}"
            )
            answers = [*(f"{column}={name}" for column in into), f"ignore={name}"]
            asked.append(Question("unread_danger", "", found, tuple(answers)))
        elif (of_looks and EVIDENCE_NAMES.search(normalised(name))) or (
            by_danger and DANGER_NAMES.search(name.casefold())
        ):
            found = (
                f"{name!r} speaks of what was found or of a danger and would stay unread "
                f"({cell.filled} row(s) hold something there)"
            )
            asked.append(Question("unread_name", "", found, _answers(name, into)))
        elif of_looks and not cell.void and cell.may_tell(name):
            found = (
                f"{name!r} would stay unread and may tell of the openings: {cell.filled} row(s) "
                f"hold something there, such as {cell.some!r}"
            )
            asked.append(Question("unread_words", "", found, _answers(name, into)))
    return asked + void_rows


def _answers(name: str, into: Sequence[str]) -> tuple[str, ...]:
    could = [
        column for column, pattern in _COULD_BE.items() if re.search(pattern, normalised(name))
    ]
    return (*(f"{column}={name}" for column in (*could, into[-1])), f"ignore={name}")


@dataclass(frozen=True)
class _Unread:
    """What the cells of an unread column hold: rows with words of danger or of a result, with
    anything, that say they do not count, with readings, yes or no, days; different texts; the
    longest; rows of the table."""

    telling: int
    example: str | None
    filled: int
    void: int
    void_example: str | None
    readings: int
    answers: int
    days: int
    different: int
    longest: int
    some: str
    rows: int

    def may_tell(self, header: str) -> bool:
        """Say whether such a column may tell of the openings beside it."""
        if HARMLESS_NAMES.search(normalised(header)) or 2 * self.days > self.filled:
            return False
        if asks_whether_it_counts(header):
            return False
        if 2 * self.readings > self.filled or 2 * self.answers > self.filled:
            return True
        alike = self.different == 1 and self.filled == self.rows
        names_rows = self.different == self.rows > 2
        return self.different <= FEW_WORDS and self.longest <= 60 and not alike and not names_rows


def _gather(con: duckdb.DuckDBPyConnection, relation: str, places: Sequence[int]) -> str:
    """Make the tables ``unread_cells`` (place, t, n) and ``dangerous_texts`` of some columns and
    return SQL of the cells that hold anything."""
    listed = ", ".join(map(str, places))
    named = ", ".join(f"c{place}" for place in places)
    con.execute(
        "CREATE OR REPLACE TEMP TABLE unread_cells AS SELECT place, t, count(*) AS n FROM ("
        f"SELECT unnest([{listed}]) AS place, unnest([{named}]) AS t FROM {relation}) "
        "GROUP BY ALL"
    )
    filled = f"{cells.trimmed('t')} <> ''"
    row_kinds.find_dangerous(con, f"SELECT DISTINCT t FROM unread_cells WHERE {filled}")
    return filled


def danger_in(
    con: duckdb.DuckDBPyConnection, relation: str, header: Sequence[str], names: Collection[str]
) -> dict[str, tuple[int, str]]:
    """Return rows with words of danger, and one of them, of those columns that hold any.

    Args:
        con: any connection.
        relation: SQL of the table.
        header: its columns.
        names: of the columns that are looked at.
    """
    wanted = {normalised(name) for name in names}
    places = [place for place, name in enumerate(header) if normalised(name) in wanted]
    if not places:
        return {}
    _gather(con, relation, places)
    rows = con.execute(
        "SELECT place, sum(n), min(t) FROM unread_cells WHERE t IN (FROM dangerous_texts) "
        "GROUP BY place ORDER BY place"
    ).fetchall()
    return {header[place]: (int(count), example) for place, count, example in rows}


def _unread_cells(
    con: duckdb.DuckDBPyConnection,
    relation: str,
    header: Sequence[str],
    places: Sequence[int],
    *,
    of_looks: bool,
) -> dict[int, _Unread]:
    """What stands in some columns, by place; those that hold nothing are not there."""
    if not places:
        return {}
    filled = _gather(con, relation, places)
    telling = ", ".join(literal(word) for word in _telling_words())
    says = (
        f"(t IN (FROM dangerous_texts) OR "
        f"coalesce(list_contains([{telling}], {word_form_sql('trim(t)')}), false))"
    )
    by_header = " ".join(
        f"WHEN {place} THEN {void_cell_sql(header[place], 't', of_looks=of_looks)}"
        for place in places
    )
    word = f"lower({cells.trimmed('t')})"
    yes_no = ", ".join(map(literal, (*cells.YES_WORDS, *cells.NO_WORDS)))
    rows = con.execute(
        f"WITH told AS (SELECT *, {says} AS says, CASE place {by_header} END AS void, "
        f"regexp_full_match({word}, {literal(_MEASURED)}) AS reading, "
        f"list_contains([{yes_no}]::VARCHAR[], {word}) AS answer, "
        f"regexp_full_match(t, {literal(_DAY)}) AS day FROM unread_cells WHERE {filled}) "
        "SELECT place, coalesce(sum(n) FILTER (says), 0), min(t) FILTER (says), sum(n), "
        "coalesce(sum(n) FILTER (void), 0), min(t) FILTER (void), "
        "coalesce(sum(n) FILTER (reading AND NOT answer), 0), "
        "coalesce(sum(n) FILTER (answer), 0), coalesce(sum(n) FILTER (day), 0), count(*), "
        "max(length(t)), min(t), "
        f"(SELECT sum(n) FROM unread_cells WHERE place = {places[0]}) "
        "FROM told GROUP BY place ORDER BY place"
    ).fetchall()
    return {place: _Unread(*told) for place, *told in rows}
