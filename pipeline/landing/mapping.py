"""A mapping: how one source's columns and words become the project's, written in TOML.

A mapping is what a person edits, so every fault in one is found and reported together.
``pipeline/landing/mappings/`` ships mappings of known sources; those that people save in a
workspace come first.
"""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Mapping as Dict
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from pipeline.landing.cells import UNIT_FACTORS, DateOrder, DecimalMark
from shared.faults import CoverplateError
from shared.records import LAYOUTS
from shared.vocabulary import RecordKind

SHIPPED = Path(__file__).parent / "mappings"

DEFAULT_LAYOUT = "default layout"


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class TextRule(_Strict):
    """A word of the vocabulary given for words found within a text, as whole words.

    Attributes:
        words: phrases; any of them counts. ``gfi`` is not found within ``gfix``.
        unless: phrases that cancel the rule when they stand in the same text ("not", "no").
        value: the word of the vocabulary.
        column: source columns to look in; the column's own ``from`` when empty.
    """

    words: tuple[str, ...] = Field(min_length=1)
    unless: tuple[str, ...] = ()
    value: str
    column: tuple[str, ...] = ()


class ColumnSpan(_Strict):
    """A run of neighbouring source columns, both ends included."""

    first: str
    last: str


class ColumnMapping(_Strict):
    """Where one canonical column comes from. Exactly one origin: the first five attributes.

    Attributes:
        from_: source headers (TOML key ``from``); the first that the file has is read.
        constant: the same text for every row.
        join: source headers whose non-empty texts are joined by ``separator``.
        count_columns: counts the cells that are not null tokens.
        text_rules: words found within texts, first match wins; may also stand beside ``from``, for
            cells that ``values`` does not cover.
        separator: used by ``join``.
        values: the source's words to ours; "" means "no answer". Case, spaces and hyphens are
            not told apart.
        date_order: ``dmy``, ``mdy`` or ``ymd``; overrides the mapping's.
        decimal_mark: ``.`` or ``,``; overrides the mapping's.
        unit: the unit of the source's numbers, converted to the layout's.
        null_tokens: replaces the mapping's for this column.
    """

    from_: tuple[str, ...] = Field(default=(), alias="from")
    constant: str | None = None
    join: tuple[str, ...] = ()
    count_columns: ColumnSpan | None = None
    text_rules: tuple[TextRule, ...] = ()
    separator: str = "-"
    values: dict[str, str] = Field(default_factory=dict)
    date_order: DateOrder | None = None
    decimal_mark: DecimalMark | None = None
    unit: str | None = None
    null_tokens: tuple[str, ...] | None = None

    @field_validator("from_", "join", mode="before")
    @classmethod
    def _one_or_many(cls, value: Any) -> Any:  # noqa: ANN401 - whatever TOML holds
        return (value,) if isinstance(value, str) else value

    @model_validator(mode="after")
    def _one_origin(self) -> ColumnMapping:
        origins = [
            bool(self.from_), self.constant is not None, bool(self.join), bool(self.count_columns)
        ]  # fmt: skip
        if sum(origins) > 1:
            raise ValueError("give only one of from, constant, join, count_columns")
        if not any(origins) and not (
            self.text_rules and all(rule.column for rule in self.text_rules)
        ):
            raise ValueError(
                "give one of from, constant, join, count_columns, or text_rules with column"
            )
        return self


class GradeScale(_Strict):
    """The ends of a source's grades; stored as worst 0 to best, whichever way the source counts."""

    worst: float
    best: float

    @model_validator(mode="after")
    def _two_ends(self) -> GradeScale:
        if self.worst == self.best:
            raise ValueError("worst and best must differ")
        return self


class StatusDate(_Strict):
    """A status word and a date that must not contradict each other.

    Attributes:
        status, date: source headers.
        closed: status words that need a date.
        open: status words that must not have one.
    """

    status: str
    date: str
    closed: tuple[str, ...] = ("closed", "fixed", "done", "completed", "resolved")
    open: tuple[str, ...] = ("open", "pending", "new", "in progress")


class RecordMapping(_Strict):
    """How one record kind is read from a file; a file can hold more than one.

    Attributes:
        kind: the record kind.
        columns: canonical column to where it comes from.
        grade_scale: for building evaluations; gives ``scale_best`` by itself.
        filled: source headers of cells that are filled in by hand, of which one must hold something
            for a row to be of this kind; a row in which all of them are blank is none. For sheets
            in which a row has room for several kinds, with other cells printed beforehand.
        finding: source header of the finding that a row is about; a row at another place than that
            finding's is set aside.
    """

    kind: RecordKind
    columns: dict[str, ColumnMapping] = Field(min_length=1)
    grade_scale: GradeScale | None = None
    filled: tuple[str, ...] = ()
    finding: str | None = None

    @model_validator(mode="after")
    def _fits_layout(self) -> RecordMapping:
        layout = LAYOUTS[self.kind]
        faults = [
            f"{name} is no column of {self.kind} (it has {', '.join(layout.columns)})"
            for name in self.columns
            if name not in layout.columns
        ]
        known = {name: spec for name, spec in self.columns.items() if name in layout.columns}
        given = set(known) | ({"scale_best"} if self.grade_scale else set())
        faults += [
            f"{field.name} is required and has no column here"
            for field in layout.fields
            if field.required and field.name not in given
        ]
        if self.grade_scale and self.kind is not RecordKind.BUILDING_EVALUATIONS:
            faults.append("grade_scale belongs to building_evaluations only")
        for name, spec in known.items():
            field = layout.field(name)
            words = [*spec.values.values(), *(rule.value for rule in spec.text_rules)]
            if field.type == "choice":
                faults += [
                    f"{name}: {word!r} is not one of {', '.join(field.choices)}"
                    for word in words
                    if word and word not in field.choices
                ]
            elif spec.text_rules:
                faults.append(f"{name}: text_rules are for columns with a vocabulary")
            if spec.unit is not None and spec.unit.lower() not in units_of(field.unit):
                faults.append(
                    f"{name}: unit {spec.unit!r} is not one of {', '.join(units_of(field.unit))}"
                )
        if faults:
            raise ValueError("; ".join(faults))
        return self


def units_of(layout_unit: str) -> dict[str, float]:
    """Return the units a source may use for a layout's unit, with factors; {} where none apply."""
    return UNIT_FACTORS.get(layout_unit, {})


class Mapping(_Strict):
    """How a source's files are read.

    Attributes:
        name: also the file's name; letters, digits, ``_`` and ``-``.
        description: for people.
        source: who says so, as shown beside a disagreement; the name by default.
        precedence: higher wins where sources disagree about a building; equal: the newer file.
        recognised_by: headers that a file must have, all of them, to be read this way unasked.
        date_order, decimal_mark: for all columns that do not say otherwise.
        null_tokens: cells that mean "no answer", beside the usual ones.
        ignored: source headers that may stay unread whatever words they hold.
        ignored_danger: those of them that held words of danger when a person let them be ignored;
            in any other such words are told.
        distinct: identifiers of buildings that are spelt like another one's and are not it.
        same_opening: source headers that do not tell openings apart, whatever they hold.
        said_of: headers of the file that words were answered for; no other file is read with these
            words unasked.
        wide: source headers that are one opening each, in a sheet with one row a dwelling, room or
            visit; others of the same name with another number count as well (see ``wide``).
        records: the record kinds in the file.
        status_dates: status words and dates that must agree.
    """

    name: str = Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_\-]*$")
    description: str = ""
    source: str = ""
    precedence: int = 0
    recognised_by: tuple[str, ...] = ()
    date_order: DateOrder | None = None
    decimal_mark: DecimalMark | None = None
    null_tokens: tuple[str, ...] = ()
    ignored: tuple[str, ...] = ()
    ignored_danger: tuple[str, ...] = ()
    distinct: tuple[str, ...] = ()
    same_opening: tuple[str, ...] = ()
    said_of: tuple[str, ...] = ()
    wide: tuple[str, ...] = ()
    records: tuple[RecordMapping, ...] = Field(min_length=1)
    status_dates: tuple[StatusDate, ...] = ()

    @property
    def source_name(self) -> str:
        """Who says so."""
        return self.source or self.name

    def content_hash(self) -> str:
        """Return the SHA-256 of everything that decides how a file is read."""
        # fields that came later count only where they say anything, so that what was landed
        # before them is still known to be read alike
        later = {name for name in ("ignored", "distinct", "wide") if not getattr(self, name)}
        of_mapping: dict[str, Any] = dict.fromkeys(
            # what is asked and remembered changes no row
            ("description", "same_opening", "said_of", "ignored_danger", *later),
            True,
        )
        unsaid = {
            name
            for name in ("filled", "finding")
            if not any(getattr(record, name) for record in self.records)
        }
        if unsaid:
            of_mapping["records"] = {"__all__": unsaid}
        text = self.model_dump_json(exclude=of_mapping)
        return hashlib.sha256(text.encode()).hexdigest()


def load_mapping(path: Path) -> Mapping:
    """Read a mapping file.

    Raises:
        CoverplateError: it is not TOML or not a valid mapping; every fault is named.
    """
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except (ValueError, OSError) as fault:
        raise CoverplateError(
            f"{path}: cannot be read as TOML ({fault})", to_do="correct the file"
        ) from fault
    return parse_mapping(content, str(path))


def parse_mapping(content: Dict[str, Any], where: str) -> Mapping:
    """Validate the content of a mapping file; ``where`` names it in faults.

    Raises:
        CoverplateError: it is not a valid mapping; every fault is named.
    """
    try:
        return Mapping.model_validate(content)
    except ValidationError as fault:
        lines = [
            f"  {'.'.join(map(str, error['loc'])) or 'mapping'}: "
            f"{error['msg'].removeprefix('Value error, ')}"
            for error in fault.errors()
        ]
        raise CoverplateError(
            "\n".join([f"{where}: {len(lines)} fault(s) in the mapping", *lines]),
            to_do="correct the file; the columns of each record kind stand in the README",
        ) from fault
