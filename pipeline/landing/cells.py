r"""How the text of one cell becomes a value: SQL expressions, one for each column type.

A text with only one reading is read whatever the file's habits are (``3,5`` is three and a half,
``1,250,000`` a million and a quarter, ``13/04/2024`` the thirteenth of April). A text with two
readings (``1,250``; ``03/04/2024``) is read only when a habit has been settled on; until then it
stays unread and ``pipeline.landing.habits`` asks. Every expression gives NULL for what it cannot
read and never fails.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping
from typing import Literal

from shared.records import MONEY, Field, literal

DateOrder = Literal["dmy", "mdy", "ymd"]
DecimalMark = Literal[".", ","]

NULL_TOKENS = frozenset(
    {"", "-", "--", "–", "—", "?", "n/a", "na", "#n/a", "null", "none", "nil", "nan", "unknown"}
)
"""Cells that say "no answer", in any case. A word of a column's vocabulary is never one."""

YES_WORDS = (
    *("yes", "y", "true", "t", "1", "x", "✓", "✔", "☑", "oui", "ja", "sí", "si", "sim", "tak"),
)
NO_WORDS = ("no", "n", "false", "f", "0", "none", "✗", "✘", "non", "nein", "nee", "não", "nie")

EDGES = " \t\r\n\u00a0\u200b\ufeff"
"""Characters cut from both ends of a cell."""

UNIT_FACTORS: dict[str, dict[str, float]] = {
    "V": {"v": 1.0, "volt": 1.0, "volts": 1.0, "mv": 1e-3, "kv": 1e3},
    "A": {"a": 1.0, "amp": 1.0, "amps": 1.0, "ma": 1e-3},
    "Ω": {"ω": 1.0, "ohm": 1.0, "ohms": 1.0, "mω": 1e-3, "mohm": 1e-3, "kω": 1e3, "kohm": 1e3},
    MONEY: {"$": 1.0, "usd": 1.0, "us$": 1.0},
    "": {"": 1.0, "thousand": 1e3, "million": 1e6},
}
"""Layout unit to the units a source may use for it, in lower case, and the factor to multiply by.

Definitions of the SI prefixes; mega is left out, and a capital M stays unread: see ``number``.
"""


def trimmed(cell: str) -> str:
    """Return SQL that cuts the edges of a text."""
    return f"trim({cell}, {literal(EDGES)})"


def is_one_of(text: str, words: Iterable[str]) -> str:
    """Return SQL that is true where a text is one of some words.

    Not ``IN``: DuckDB turns a longer ``IN`` into a join, and a join does not keep the order of the
    file, which row numbers rest on.
    """
    return f"list_contains([{', '.join(map(literal, words))}]::VARCHAR[], {text})"


def cleaned(cell: str, null_tokens: Iterable[str], *, ascii_only: bool = False) -> str:
    """Return SQL for the trimmed text, NULL where it is one of the null tokens.

    Args:
        cell: SQL of the cell.
        null_tokens: in lower case.
        ascii_only: whether the text is known to hold nothing but ASCII.
    """
    tokens = sorted(set(null_tokens) | {""})
    longest = max(len(token.encode()) for token in tokens)
    text = trimmed(cell)
    # trimming by a list of characters is slow, so it is done only where an end is not plain ASCII
    plain_ends = f"ord({cell}) BETWEEN 33 AND 126 AND ord(right({cell}, 1)) BETWEEN 33 AND 126"
    within = "" if ascii_only else f" AND strlen({cell}) = length({cell})"
    return (
        f"CASE WHEN {cell} = '' THEN NULL "
        f"WHEN strlen({cell}) <= {longest} AND {is_one_of(f'lower({cell})', tokens)} THEN NULL "
        f"WHEN {plain_ends}{within} THEN {cell} "
        f"WHEN {is_one_of(f'lower({text})', tokens)} THEN NULL ELSE {tidied(text)} END"
    )


UNSEEN = r"[\x{00ad}\x{200b}-\x{200f}\x{202a}-\x{202e}\x{2060}\x{2066}-\x{2069}\x{feff}]"
"""Characters that nobody sees: soft hyphens, zero-width ones, marks of writing direction."""


def tidied(text: str) -> str:
    """Return SQL of a text without unseen characters and in Unicode's composed form (NFC), so that
    what looks the same is the same."""
    return f"nfc_normalize(regexp_replace({text}, '{UNSEEN}', '', 'g'))"


def word_form(text: str) -> str:
    """Return a word in the form that is compared: lower case; spaces, hyphens, slashes and full
    stops as one ``_``."""
    return re.sub(r"[\s_\-/.]+", "_", text.strip(EDGES).lower()).strip("_")


def word_form_sql(text: str) -> str:
    """Return SQL for ``word_form``."""
    return f"trim(regexp_replace(lower({text}), '[\\s_\\-/.]+', '_', 'g'), '_')"


def choice(
    cell: str, text: str, field: Field, synonyms: Mapping[str, str], rules: str | None
) -> str:
    """Return SQL that reads a word of a vocabulary.

    Args:
        cell: SQL of the original cell; a cell that is a word already is not looked at further.
        text: SQL of the cleaned cell.
        field: the layout's column.
        synonyms: a source's own words to words of the vocabulary; compared by ``word_form``.
        rules: SQL tried when no word matches, or None.
    """
    meaning = {word_form(word): word for word in field.choices}
    if set(field.choices) == {"yes", "no"}:
        meaning |= dict.fromkeys(YES_WORDS, "yes") | dict.fromkeys(NO_WORDS, "no")
    meaning |= {word_form(source): word for source, word in synonyms.items() if word}
    as_is = [
        f"WHEN {literal(word)} THEN {literal(word)}"
        for word in field.choices
        if meaning[word_form(word)] == word
    ]
    pairs = ", ".join(f"{literal(form)}: {literal(word)}" for form, word in meaning.items())
    looked_up = f"MAP {{{pairs}}}[{word_form_sql(text)}]"
    otherwise = f"coalesce({looked_up}, {rules})" if rules else looked_up
    blank = "WHEN '' THEN NULL " if rules is None else ""
    return f"CASE {cell} {' '.join(as_is)} {blank}ELSE {otherwise} END"


def phrase_pattern(phrases: Collection[str]) -> str:
    """Return a regular expression that finds any of the phrases as whole words in lower case.

    ``gfi`` is not found in ``gfix`` or ``xgfi``; a space in a phrase also matches ``_`` and ``-``.
    """
    alternatives = [
        r"[\s_\-]+".join(re.escape(word) for word in re.split(r"[\s_\-]+", phrase.strip().lower()))
        for phrase in phrases
    ]
    return rf"(^|[^\pL\pN])({'|'.join(alternatives)})($|[^\pL\pN])"


def number(
    cell: str,
    text: str,
    mark: DecimalMark | None,
    units: Mapping[str, float] | None = None,
    factor: float = 1.0,
) -> str:
    """Return SQL that reads a number as DOUBLE, in the unit whose factor is 1.

    A unit behind the number is that of the cell, whatever the column's is. With a capital M before
    a unit (``1 MΩ``, ``500 MV``) nobody can tell mega from milli in a sheet typed in capitals, and
    the cell stays unread.

    Args:
        cell: SQL of the original cell; a cell that is a plain number is not looked at further.
        text: SQL of the cleaned cell.
        mark: the decimal mark that was settled on, or None.
        units: unit words, in lower case, that may stand behind the number, and their factors.
        factor: of the column's unit, for numbers without one.
    """
    units = units or {}
    words = sorted(filter(None, units), key=len, reverse=True)
    named = "|".join(map(re.escape, words))
    tail = f"(?:{named})?$" if words else "$"
    bare = (
        f"regexp_replace(regexp_replace(lower({text}), "
        f"{literal(tail)}, ''), '[\\s\\x{{00a0}}\\x{{202f}}'']+', '', 'g')"
    )
    english = f"TRY_CAST(replace({bare}, ',', '') AS DOUBLE)"
    continental = f"TRY_CAST(replace(replace({bare}, '.', ''), ',', '.') AS DOUBLE)"
    branches = [
        _shape(bare, ENGLISH_ONLY, english),
        _shape(bare, PLAIN, f"TRY_CAST({bare} AS DOUBLE)"),
    ]
    if mark is not None:
        # evidence of a decimal comma stays unread until the column is settled: the same column may
        # hold "1.250", which then is no decimal
        branches.append(_shape(bare, CONTINENTAL_ONLY, continental))
        branches.append(_shape(bare, COMMA_GROUP, english if mark == "." else continental))
        branches.append(_shape(bare, COMMA_DECIMAL, continental))
    read = f"CASE {' '.join(branches)} END"
    grouped = continental
    if words:
        own = f"regexp_extract(lower({text}), {literal(f'({named})$')}, 1)"
        pairs = ", ".join(f"{literal(word)}: {units[word]:.17g}" for word in words)
        scale = f"coalesce(MAP {{{pairs}}}[{own}], {factor:.17g})"
        milli = [re.escape(word[1:]) for word in words if word[0] == "m" and units[word] < 1.0]
        if milli:
            doubtful = literal(f"M(?i:{'|'.join(milli)})$")
            scale = f"CASE WHEN NOT regexp_matches({text}, {doubtful}) THEN {scale} END"
        read, grouped = f"({read}) * {scale}", f"({continental}) * {scale}"
    plainly = f"TRY_CAST({cell} AS DOUBLE)"
    value = plainly if factor == 1.0 else f"{plainly} * {factor:.17g}"
    # an underscore is a thousands separator to DuckDB and to nobody who fills in an export
    direct = f"WHEN isfinite({plainly}) AND NOT contains({cell}, '_') THEN {value}"
    group = _shape(bare, POINT_GROUP, grouped) if mark == "," else ""
    return f"CASE WHEN {cell} = '' THEN NULL {group} {direct} ELSE {read} END"


def money(cell: str, text: str, mark: DecimalMark | None, units: Collection[str]) -> str:
    """Return SQL that reads an amount of money as DOUBLE; see ``number``.

    An amount that may be thousands or thousandths stays unread until the mark is settled.
    """
    bare = without_currency(text, units)
    read = number(bare, bare, mark)
    if mark is not None:
        return read
    return (
        f"CASE WHEN regexp_full_match({bare}, {literal(DOUBTFUL_MONEY)}) THEN NULL ELSE {read} END"
    )


def without_currency(text: str, units: Collection[str]) -> str:
    """Return SQL of an amount in lower case without its currency, in front or behind."""
    words = sorted(filter(None, units), key=len, reverse=True)
    signs = "|".join(map(re.escape, words))
    pattern = f"^({signs})?\\s*|\\s*({signs})?$"
    return f"regexp_replace(lower({text}), {literal(pattern)}, '', 'g')"


DOUBTFUL_MONEY = r"[+-]?[1-9]\d{0,2}[.,]\d{3}"
"""An amount with one mark and three digits behind it: thousands, or thousandths, which nobody
writes."""

PLAIN = r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?"
ENGLISH_ONLY = r"[+-]?[1-9]\d{0,2}((,\d{3}){2,}(\.\d*)?|,\d{3}\.\d*)"
CONTINENTAL_ONLY = r"[+-]?[1-9]\d{0,2}((\.\d{3}){2,}(,\d*)?|\.\d{3},\d*)"
COMMA_GROUP = r"[+-]?[1-9]\d{0,2},\d{3}"
COMMA_DECIMAL = r"[+-]?\d*,\d+"
POINT_GROUP = r"[+-]?[1-9]\d{0,2}\.\d{3}"


def _shape(text: str, pattern: str, value: str) -> str:
    return f"WHEN regexp_full_match({text}, {literal(pattern)}) THEN {value}"


def whole_number(value: str) -> str:
    """Return SQL that turns a DOUBLE without a fraction into BIGINT; anything else into NULL."""
    return f"CASE WHEN {value} = floor({value}) AND abs({value}) < 9e15 THEN {value}::BIGINT END"


NUMERIC_DATE = r"^(\d{1,4})([-/. ])(\d{1,2})[-/. ](\d{1,4})([ T,]+\d{1,2}:\d{2}.*)?$"
"""Three numbers with the same kind of separator, a time of day allowed behind."""


def _is_iso(cell: str) -> str:
    """SQL: year-month-day with a year of four digits, a time allowed behind."""
    return f"{cell} >= '1' AND {cell} < '3' AND TRY_CAST({cell} AS DATE) >= DATE '1600-01-01'"


def date(cell: str, text: str, order: DateOrder | None, this_year: int) -> str:
    """Return SQL that reads a date.

    Args:
        cell: SQL of the original cell; a cell that is an ISO date is not looked at further.
        text: SQL of the cleaned cell.
        order: the order of day, month and year that was settled on, or None.
        this_year: a year of two digits above this one's is of the last century.
    """
    spelt = f"regexp_replace({text}, '(\\d)(st|nd|rd|th|er|º|ª)\\b', '\\1')"
    spelt = f"regexp_replace({spelt}, '(?i)\\bde\\b', ' ', 'g')"
    for month, words in MONTH_WORDS.items():
        spelt = f"regexp_replace({spelt}, '(?i)(^|[^\\pL])({words})($|[^\\pL])', '\\1{month}\\3')"
    named = f"trim(regexp_replace({spelt}, '[-,./\\s]+', ' ', 'g'))"
    with_name = (
        f"CASE WHEN regexp_matches({text}, '(?i)\\pL{{3}}') "
        f"AND regexp_matches({text}, '\\d{{4}}') "
        f"THEN try_strptime({named}, [{_listed(NAMED_MONTH)}])::DATE "
        f"WHEN regexp_matches({text}, '(?i)\\pL{{3}}') AND regexp_matches({text}, '\\d') "
        f"THEN try_strptime({named}, [{_listed(NAMED_MONTH_SHORT_YEAR)}])::DATE END"
    )
    serial = (
        f"CASE WHEN regexp_full_match({text}, '\\d{{5}}(\\.\\d+)?') "
        f"AND {text} BETWEEN '18264' AND '73051' "
        f"THEN DATE '1899-12-30' + floor(TRY_CAST({text} AS DOUBLE))::INTEGER END"
    )
    compact = (
        f"CASE WHEN regexp_full_match({text}, '(1[6-9]|20)\\d{{6}}') "
        f"THEN try_strptime({text}, '%Y%m%d')::DATE END"
    )
    year_first = (
        f"CASE WHEN regexp_full_match({text}, "
        f"'\\d{{4}}[-/. ]\\d{{1,2}}[-/. ]\\d{{1,2}}([ T,].*)?') "
        f"THEN {numeric_date(text, 'ymd', this_year)} END"
    )
    readings = [with_name, year_first, compact, serial]
    if order is not None:
        readings.append(numeric_date(text, order, this_year))
    return (
        f"CASE WHEN {cell} = '' THEN NULL WHEN {_is_iso(cell)} THEN TRY_CAST({cell} AS DATE) "
        f"ELSE coalesce({', '.join(readings)}) END"
    )


MONTH_WORDS: dict[str, str] = {
    "Jan": "janvier|janv|januar|jänner|enero|ene",
    "Feb": "février|fevrier|févr|fevr|fév|februar|febrero",
    "Mar": "mars|märz|maerz|mär|mrz|marzo",
    "Apr": "avril|avr|abril|abr",
    "May": "mai|mayo",
    "Jun": "juin|juni|junio",
    "Jul": "juillet|juil|juli|julio",
    "Aug": "août|aout|agosto|ago",
    "Sep": "septembre|septiembre|setiembre|sept|set",
    "Oct": "octobre|oktober|okt|octubre",
    "Nov": "novembre|noviembre",
    "Dec": "décembre|decembre|déc|dezember|dez|diciembre|dic",
}
"""English month to its French, German and Spanish names. From memory."""

NAMED_MONTH = ("%d %b %Y", "%d %B %Y", "%b %d %Y", "%B %d %Y", "%Y %b %d", "%Y %B %d")
NAMED_MONTH_SHORT_YEAR = ("%d %b %y", "%d %B %y", "%b %d %y", "%B %d %y")


def _listed(formats: Iterable[str]) -> str:
    return ", ".join(map(literal, formats))


def numeric_date(text: str, order: DateOrder, this_year: int) -> str:
    """Return SQL that reads three numbers as a date in one given order, or NULL."""
    first, second, third = (
        f"regexp_extract({text}, {literal(NUMERIC_DATE)}, {group})" for group in (1, 3, 4)
    )
    year, month, day = {
        "dmy": (third, second, first),
        "mdy": (third, first, second),
        "ymd": (first, second, third),
    }[order]
    century = f"CASE WHEN TRY_CAST({year} AS INTEGER) > {this_year % 100} THEN '19' ELSE '20' END"
    full_year = (
        f"CASE WHEN strlen({year}) = 2 THEN concat({century}, {year}) "
        f"WHEN strlen({year}) = 4 AND {year} >= '1600' THEN {year} END"
    )
    fits = f"strlen({month}) BETWEEN 1 AND 2 AND strlen({day}) BETWEEN 1 AND 2"
    return (
        f"CASE WHEN {fits} THEN TRY_CAST({full_year} || '-' || {month} || '-' || {day} AS DATE) END"
    )
