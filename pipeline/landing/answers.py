"""What a person answers when a file can be read more than one way: ``column=header`` and the like.

Answers become part of a mapping, which is saved once the file is in, so that nobody is asked twice.
"""

from __future__ import annotations

import codecs
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any

from pipeline.landing.cells import DateOrder, DecimalMark
from pipeline.landing.row_kinds import normalised
from shared.faults import CoverplateError
from shared.records import LAYOUTS
from shared.vocabulary import RecordKind

FORMS = (
    "COLUMN=HEADER (COLUMN= for none; COLUMN=HEADER|HEADER joined)",
    "COLUMN:WORD=OURS",
    "all:COLUMN=OURS (the same in every row)",
    "wide=HEADER|HEADER or wide=FIRST..LAST (columns that are one opening each; wide= for none)",
    "ignore=HEADER",
    "kind=RECORD_KIND",
    "date_order=dmy|mdy|ymd",
    "decimal_mark=.|,",
    "no_answer=WORD",
    "encoding=CODE_PAGE",
    "different=BUILDING",
    "same_opening=HEADER (rows that differ in it only are looks at one opening)",
)
"""Every form that an answer may take."""

_ORDERS: dict[str, DateOrder] = {"dmy": "dmy", "mdy": "mdy", "ymd": "ymd"}
_MARKS: dict[str, DecimalMark] = {".": ".", ",": ","}


@dataclass(frozen=True)
class Answers:
    """Answers of a person about one file, or about all files of a call.

    Attributes:
        columns: canonical column to the source header that it is read from, or to several with
            ``|`` between them, which are joined; "" for none.
        constants: canonical column to the text that every row has there, where the file has no
            such column.
        words: (canonical column, the source's word) to our word.
        ignore: source headers that may stay unread whatever they hold.
        kind: the record kind.
        date_order, decimal_mark: for the whole file.
        no_answer: words that mean "no answer", such as 999.
        encoding: of texts that are not UTF-8.
        different: buildings that are spelt like another one and are not it.
        same_opening: source headers that do not tell openings apart.
        wide: source headers, or runs of them, that are one opening each; ("",) for none.
    """

    columns: dict[str, str] = field(default_factory=dict)
    words: dict[tuple[str, str], str] = field(default_factory=dict)
    ignore: tuple[str, ...] = ()
    kind: RecordKind | None = None
    date_order: DateOrder | None = None
    decimal_mark: DecimalMark | None = None
    no_answer: tuple[str, ...] = ()
    encoding: str | None = None
    different: tuple[str, ...] = ()
    constants: dict[str, str] = field(default_factory=dict)
    wide: tuple[str, ...] = ()
    same_opening: tuple[str, ...] = ()

    def words_of(self, column: str) -> dict[str, str]:
        """The source's words of one canonical column, in lower case, to ours; of an identifier to
        the last one that answers lead to: ``0042=42`` and ``42=42.0`` make it ``42.0``."""
        own = {word.lower(): ours for (name, word), ours in self.words.items() if name == column}
        if not column.endswith("_id"):
            return own
        ends = {}
        for word, last in own.items():
            passed = {word}
            while last.lower() in own and last.lower() not in passed:
                passed.add(last.lower())
                last = own[last.lower()]
            ends[word] = last
        return ends

    def headers_of(self, column: str, header: Iterable[str]) -> tuple[str, ...]:
        """The source headers that a canonical column is read from by an answer, as a file with
        these spells them; a name that it does not have stands as it was said."""
        there = {normalised(name): name for name in header}
        said = self.columns.get(column, "")
        names = [said] if normalised(said) in there else said.split("|")
        return tuple(there.get(normalised(name), name.strip()) for name in names if name.strip())

    def for_mapping(self) -> dict[str, Any]:
        """What a new mapping takes from the answers as a whole."""
        return {
            "date_order": self.date_order,
            "decimal_mark": self.decimal_mark,
            "null_tokens": self.no_answer,
            "ignored": self.ignore,
            "distinct": self.different,
            "same_opening": self.same_opening,
        }

    def __bool__(self) -> bool:
        """Whether anything was answered that a mapping keeps."""
        return replace(self, encoding=None) != Answers()


def parse_answers(texts: Iterable[str]) -> Answers:
    """Read answers as a person types them; see ``FORMS``.

    Raises:
        CoverplateError: some are no answers; all of them are named.
    """
    columns: dict[str, str] = {}
    words: dict[tuple[str, str], str] = {}
    ignore: list[str] = []
    no_answer: list[str] = []
    different: list[str] = []
    same_opening: list[str] = []
    constants: dict[str, str] = {}
    wide: list[str] = []
    kind: RecordKind | None = None
    order: DateOrder | None = None
    mark: DecimalMark | None = None
    encoding: str | None = None
    faults: list[str] = []
    known = {name for layout in LAYOUTS.values() for name in layout.columns}
    for text in texts:
        key, found, value = (part.strip() for part in text.partition("="))
        column, colon, word = (part.strip() for part in key.partition(":"))
        if not found:
            faults.append(f"{text!r} has no =")
        elif key == "ignore" and value:
            ignore.append(value)
        elif key == "no_answer" and value:
            no_answer.append(value)
        elif key == "different" and value:
            different.append(value)
        elif key == "same_opening" and value:
            same_opening.append(value)
        elif key == "wide":
            wide += [part.strip() for part in value.split("|")]
        elif key == "kind" and value in set(RecordKind):
            kind = RecordKind(value)
        elif key == "date_order" and value in _ORDERS:
            order = _ORDERS[value]
        elif key == "decimal_mark" and value in _MARKS:
            mark = _MARKS[value]
        elif key == "encoding" and _is_encoding(value):
            encoding = value
        elif column == "all" and word in known and value:
            faults += _no_word(word, value)
            constants[word] = value
        elif colon and word and column in known:
            faults += _no_word(column, value) if value else []
            words[column, word] = value
        elif not colon and key in known:
            columns[key] = value
        else:
            faults.append(f"{text!r} sets nothing that there is")
    if faults:
        raise CoverplateError(
            "; ".join(faults),
            expected="; ".join(FORMS),
            to_do="the columns of each record kind stand in the README",
        )
    return Answers(
        columns,
        words,
        tuple(ignore),
        kind,
        order,
        mark,
        tuple(no_answer),
        encoding,
        tuple(different),
        constants,
        tuple(wide),
        tuple(same_opening),
    )


def _no_word(column: str, value: str) -> list[str]:
    choices = next(
        layout.field(column).choices for layout in LAYOUTS.values() if column in layout.columns
    )
    if not choices or value in choices:
        return []
    return [f"{value!r} is no word of {column} (it has {', '.join(choices)})"]


def _is_encoding(name: str) -> bool:
    try:
        return codecs.lookup(name)._is_text_encoding
    except LookupError:
        return False
