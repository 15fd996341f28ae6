"""What keeps a table from being read unasked: columns with rivals, names that say too little, words
of danger in a column that nobody reads, things that are no receptacles.

A wrong guess here turns evidence into its opposite and nobody would see it, so whatever could be
read two ways is asked.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from functools import cache

import duckdb

from pipeline.landing import cells, row_kinds
from pipeline.landing.cells import word_form, word_form_sql
from pipeline.landing.column_look import ColumnLook
from pipeline.landing.open_question import Question
from pipeline.landing.row_kinds import EVIDENCE_NAMES, normalised
from pipeline.landing.synonyms import HEADER_SYNONYMS, VALUE_SYNONYMS
from pipeline.landing.voided import void_cell_sql, void_question
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


def unread_columns(
    con: duckdb.DuckDBPyConnection,
    relation: str,
    header: Sequence[str],
    used: set[int],
    ignored: Sequence[str],
    *,
    by_name: bool,
    by_danger: bool,
    into: Sequence[str] = ("result", "note"),
) -> list[Question]:
    """Return columns that nobody reads and that hold words of danger or of a result, are named so,
    or say of rows that they do not count.

    Args:
        con: any connection.
        relation: SQL of the table.
        header: its columns.
        used: places of those that are read.
        ignored: headers that a person allowed to stay unread.
        by_name: whether a header alone can say that its column tells of an opening.
        by_danger: whether a word of danger or of a measurement in a header is enough.
        into: columns that such a column may be read as.
    """
    allowed = {normalised(name) for name in ignored}
    places = [
        place
        for place, name in enumerate(header)
        if place not in used and normalised(name) not in allowed
    ]
    if not places:
        return []
    telling = ", ".join(literal(word) for word in _telling_words())
    counted = ", ".join(
        f"count(*) FILTER ({says}), any_value(c{p}) FILTER ({says}), "
        f"count(*) FILTER (trim(c{p}) <> ''), "
        f"count(*) FILTER ({void}), any_value(c{p}) FILTER ({void})"
        for p in places
        for void in [void_cell_sql(header[p], f"c{p}")]
        for says in [
            f"({row_kinds.speaks_of_danger_sql(f'c{p}')} OR "
            f"coalesce(list_contains([{telling}], {word_form_sql(f'trim(c{p})')}), false))"
        ]
    )
    (row,) = con.execute(f"SELECT {counted} FROM {relation}").fetchall()
    asked, void_rows = [], []
    for number, place in enumerate(places):
        count, example, filled, void, void_example = row[5 * number : 5 * number + 5]
        name = header[place]
        if void:
            void_rows.append(void_question(name, void, void_example))
        if count:
            found = (
                f"{name!r} would stay unread and holds words of danger or of a result in "
                f"{count} row(s), such as {example!r}"
            )
            answers = [*(f"{column}={name}" for column in into), f"ignore={name}"]
            asked.append(Question("unread_danger", "", found, tuple(answers)))
        elif filled and (
            (by_name and EVIDENCE_NAMES.search(normalised(name)))
            or (by_danger and DANGER_NAMES.search(name.casefold()))
        ):
            found = (
                f"{name!r} speaks of what was found or of a danger and would stay unread "
                f"({filled} row(s) hold something there)"
            )
            answers = [f"{into[-1]}={name}", f"ignore={name}"]
            asked.append(Question("unread_name", "", found, tuple(answers)))
    return asked + void_rows
