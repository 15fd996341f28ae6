"""The record layouts, declared once: the SQL that judges whole files comes from here.

A ``Field`` says what one column may hold; a ``RowRule`` says what two columns may not say together.
``checks`` turns these declarations into SQL that finds every fault of every row of a table.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

from shared.shown import hides_something_sql
from shared.vocabulary import (
    Marking,
    Method,
    PanelCondition,
    PanelType,
    Polarity,
    RecordKind,
    ReportKind,
    ReportStatus,
    Result,
    Selection,
    Slots,
    WiringMetal,
    WiringMethod,
    YesNo,
)

ColumnType = Literal["text", "identifier", "integer", "decimal", "date", "choice"]

SQL_TYPE: dict[ColumnType, str] = {
    "text": "VARCHAR",
    "identifier": "VARCHAR",
    "integer": "BIGINT",
    "decimal": "DOUBLE",
    "date": "DATE",
    "choice": "VARCHAR",
}
"""DuckDB type of each column type in the landed Parquet."""


@dataclass(frozen=True)
class Field:
    """One column of a layout.

    Attributes:
        name: canonical column name.
        type: what the cell holds; an ``identifier`` is text whose leading zeros count.
        meaning: one sentence for documentation and screens.
        unit: unit of a measured value, or "".
        required: whether a row without it is quarantined.
        minimum, maximum: inclusive bounds of a number, or None.
        choices: allowed words of a ``choice``.
        reports_danger: whether the cell can report danger, so that a row that calls the opening
            correct does not stand while this cell cannot be read.
        blank_says: whether a blank is an answer of its own, so that a cell that cannot be read must
            not become one.
    """

    name: str
    type: ColumnType
    meaning: str
    unit: str = ""
    required: bool = False
    minimum: float | None = None
    maximum: float | None = None
    choices: tuple[str, ...] = ()
    reports_danger: bool = False
    blank_says: bool = False

    @property
    def can_be_blanked(self) -> bool:
        """Whether a row stands without this cell where it cannot be read."""
        return not (self.required or self.blank_says)

    def expected(self) -> str:
        """Say in words what the cell should hold."""
        if self.type == "choice":
            return "one of " + ", ".join(self.choices)
        words = {
            "text": "text",
            "identifier": "an identifier",
            "integer": "a whole number",
            "decimal": "a number",
            "date": "a date such as 2024-03-31, not in the future",
        }[self.type]
        if self.minimum is not None and self.maximum is not None:
            words += f" from {self.minimum:g} to {self.maximum:g}"
        elif self.minimum is not None:
            words += f" of at least {self.minimum:g}"
        return words + (f" ({self.unit})" if self.unit else "")


@dataclass(frozen=True)
class RowRule:
    """Two columns of one row that must agree: ``left <= right`` when both are present.

    Attributes:
        left, right: column names.
        expected: the rule in words.
        proves_shift: whether breaking it means that cells may stand in the wrong column, so that
            nothing of the row can be used.
    """

    left: str
    right: str
    expected: str
    proves_shift: bool = False


@dataclass(frozen=True)
class Layout:
    """A record kind: its columns in order, what identifies a record, what makes a row unique.

    Attributes:
        kind: the record kind.
        fields: the columns, in canonical order.
        row_rules: rules over two columns.
        key: the columns that say "this is the same fact": a later row with the same key and other
            content supersedes the earlier one.
        named_by: sets of columns that say what a row is about; one of them must be filled in whole.
        keeps_cells: whether every row keeps its cells as they came, because it is judged once more
            after it landed and may have to be handed back for correction.
    """

    kind: RecordKind
    fields: tuple[Field, ...]
    row_rules: tuple[RowRule, ...]
    key: tuple[str, ...]
    named_by: tuple[tuple[str, ...], ...] = ()
    keeps_cells: bool = False

    @cached_property
    def _by_name(self) -> dict[str, Field]:
        return {field.name: field for field in self.fields}

    @cached_property
    def columns(self) -> tuple[str, ...]:
        """Canonical column names in order."""
        return tuple(self._by_name)

    @property
    def naming(self) -> str:
        """What must say what a row is about, in words."""
        return ", or ".join(" and ".join(names) for names in self.named_by)

    def field(self, name: str) -> Field:
        """Return the declared column of that name; KeyError if there is none."""
        return self._by_name[name]


def _words(vocabulary: type[Any]) -> tuple[str, ...]:
    return tuple(word.value for word in vocabulary)


def _yes_no(name: str, meaning: str, *, reports_danger: bool = False) -> Field:
    return Field(name, "choice", meaning, choices=_words(YesNo), reports_danger=reports_danger)


def _earth_volts(part: str, words: str) -> Field:
    meaning = f"measured between {words} and an independent earth"
    return Field(
        f"{part}_earth_volts", "decimal", meaning, "V", minimum=0, maximum=1000, reports_danger=True
    )


def _gfci_year() -> Field:
    meaning = "the year in which the GFCI that protects the opening was made or installed"
    return Field("gfci_year", "integer", meaning, minimum=GFCI_YEARS[0], maximum=GFCI_YEARS[1])


GFCI_YEARS = (1968, 2100)
"""Years in which a GFCI can have been made: sold since 1968 or later, from memory."""

BUILDING_REGISTER = Layout(
    kind=RecordKind.BUILDING_REGISTER,
    fields=(
        Field("building_id", "identifier", "the building's identifier", required=True),
        Field("name", "text", "what people call the building"),
        Field("address", "text", "street address"),
        Field("city", "text", "town or city"),
        Field("postal_code", "identifier", "postal code"),
        Field("latitude", "decimal", "latitude, WGS 84", "°", minimum=-90, maximum=90),
        Field("longitude", "decimal", "longitude, WGS 84", "°", minimum=-180, maximum=180),
        Field("year_built", "integer", "year of construction", minimum=1600, maximum=2100),
        Field("year_rewired", "integer", "year of the last rewiring", minimum=1880, maximum=2100),
        Field(
            "wiring_method",
            "choice",
            "how the branch circuits were originally run",
            choices=_words(WiringMethod),
        ),
        Field("storeys", "integer", "storeys above ground", minimum=0, maximum=200),
        Field("dwelling_units", "integer", "dwellings in the building", minimum=0, maximum=10_000),
        Field(
            "receptacle_count",
            "integer",
            "receptacle openings in the building",
            minimum=0,
            maximum=200_000,
        ),
        Field("occupants", "integer", "people living there", minimum=0, maximum=50_000),
        Field(
            "vulnerable_occupants",
            "integer",
            "occupants less able to avoid or survive a shock",
            minimum=0,
            maximum=50_000,
        ),
        Field("insured_value", "decimal", "sum insured, in the portfolio's currency", minimum=0),
        Field("owner", "text", "who owns the building"),
        Field("manager", "text", "who manages the building"),
        Field(
            "wiring_metal",
            "choice",
            "the metal of the branch circuits' conductors",
            choices=_words(WiringMetal),
        ),
        Field("panel_type", "choice", "fuses or circuit breakers", choices=_words(PanelType)),
        Field(
            "panel_condition",
            "choice",
            "how the panel was found",
            choices=_words(PanelCondition),
        ),
        _yes_no("fuses_oversized", "whether fuses or breakers are larger than the wire allows"),
    ),
    row_rules=(
        RowRule("year_built", "year_rewired", "year_rewired not before year_built"),
        RowRule(
            "vulnerable_occupants", "occupants", "vulnerable_occupants not more than occupants"
        ),
    ),
    key=("building_id",),
)

_VISIT = Field("visit_id", "identifier", "the planned visit on which it was written down")

OPENING_OBSERVATIONS = Layout(
    kind=RecordKind.OPENING_OBSERVATIONS,
    fields=(
        Field("building_id", "identifier", "the building's identifier", required=True),
        Field("unit_id", "identifier", "the dwelling or area within the building"),
        Field("room", "text", "the room the opening is in"),
        Field("opening_id", "identifier", "the receptacle opening", required=True),
        Field("circuit_id", "identifier", "the branch circuit that feeds it"),
        Field("observed_on", "date", "the day of the look", required=True),
        Field("inspector", "text", "who looked"),
        Field("firm_of_inspector", "text", "the firm or office of who looked"),
        Field("method", "choice", "how it was looked at", required=True, choices=_words(Method)),
        Field("selection", "choice", "why this opening was looked at", choices=_words(Selection)),
        Field("slots", "choice", "what the face of the opening offers", choices=_words(Slots)),
        Field("result", "choice", "what was reported", required=True, choices=_words(Result)),
        _yes_no("cover_removed", "whether the cover was off during the look"),
        _yes_no(
            "ground_present",
            "whether an equipment grounding path was found in the box",
            reports_danger=True,
        ),
        _yes_no(
            "neutral_ground_jumper",
            "whether ground contact and neutral are tied together",
            reports_danger=True,
        ),
        Field(
            "polarity",
            "choice",
            "whether hot and neutral are on their proper contacts",
            choices=_words(Polarity),
            reports_danger=True,
        ),
        Field(
            "neutral_ground_volts",
            "decimal",
            "measured between neutral and ground contacts",
            "V",
            minimum=0,
            maximum=1000,
            reports_danger=True,
        ),
        Field(
            "load_amps", "decimal", "load at the time of that reading", "A", minimum=0, maximum=100
        ),
        Field(
            "ground_path_ohms",
            "decimal",
            "impedance of the ground path",
            "Ω",
            minimum=0,
            maximum=1e9,
            reports_danger=True,
        ),
        Field(
            "hot_neutral_volts",
            "decimal",
            "supply voltage measured between the hot and neutral slots",
            "V",
            minimum=0,
            maximum=1000,
            reports_danger=True,
        ),
        _earth_volts("plate", "the metal cover plate or its screw"),
        _earth_volts("case", "the metal case of what is plugged in"),
        _earth_volts("ground_contact", "the ground contact"),
        _yes_no(
            "non_contact_detector",
            "whether a non-contact detector indicates voltage on a metal part: plate, case or "
            "ground contact",
            reports_danger=True,
        ),
        _yes_no(
            "heat_or_scorch",
            "whether the opening is hot or shows scorch marks",
            reports_danger=True,
        ),
        _yes_no("shock_reported", "whether somebody reported a shock there", reports_danger=True),
        _yes_no("gfci_protected", "whether the opening is GFCI-protected"),
        _yes_no(
            "gfci_button_tripped",
            "whether pressing the GFCI's own test button took the power off this opening",
        ),
        _gfci_year(),
        Field("marking", "choice", "labels found on it", choices=_words(Marking)),
        Field("note", "text", "anything else that was written"),
        _VISIT,
    ),
    row_rules=(),
    key=("building_id", "unit_id", "opening_id", "observed_on", "inspector", "method"),
)

BUILDING_EVALUATIONS = Layout(
    kind=RecordKind.BUILDING_EVALUATIONS,
    fields=(
        Field("building_id", "identifier", "the building's identifier", required=True),
        Field("evaluated_on", "date", "the day of the visit", required=True),
        Field("evaluator", "text", "who graded"),
        Field("item", "text", "the graded item, in the source's own words", required=True),
        Field(
            "grade",
            "decimal",
            "the grade; blank where the item was not graded",
            minimum=0,
            blank_says=True,
        ),
        Field("scale_best", "decimal", "the best grade of this scale", required=True, minimum=1),
        Field("items_graded", "integer", "items graded on this visit, counted", minimum=0),
        Field("items_reported", "integer", "items graded, as the source states", minimum=0),
        Field("note", "text", "anything else that was written"),
    ),
    row_rules=(
        RowRule("grade", "scale_best", "grade not above scale_best", proves_shift=True),
        RowRule(
            "items_graded",
            "items_reported",
            "items_graded equal to items_reported",
            proves_shift=True,
        ),
        RowRule(
            "items_reported",
            "items_graded",
            "items_reported equal to items_graded",
            proves_shift=True,
        ),
    ),
    key=("building_id", "evaluated_on", "evaluator", "item", "scale_best"),
)

BUILDING_REPORTS = Layout(
    kind=RecordKind.BUILDING_REPORTS,
    fields=(
        Field("building_id", "identifier", "the building's identifier", required=True),
        Field("unit_id", "identifier", "the dwelling or area within the building"),
        Field(
            "report_kind",
            "choice",
            "what sort of paper it is",
            required=True,
            choices=_words(ReportKind),
        ),
        Field("reference", "identifier", "the paper's own number"),
        Field("reported_on", "date", "the day it was issued, received or opened", required=True),
        Field("status", "choice", "what became of it", choices=_words(ReportStatus)),
        Field("status_on", "date", "the day of that status"),
        Field("code_section", "text", "the section of a code that it cites"),
        Field("description", "text", "what it says"),
        Field("issued_by", "text", "who issued or received it"),
    ),
    row_rules=(RowRule("reported_on", "status_on", "status_on not before reported_on"),),
    key=("building_id", "unit_id", "report_kind", "reference", "reported_on", "description"),
)

MONEY = "money"
"""Unit of an amount of money, in the portfolio's currency; nobody writes it in thousandths."""

FIX_REPORTS = Layout(
    kind=RecordKind.FIX_REPORTS,
    fields=(
        Field("finding_id", "identifier", "the finding that was dealt with"),
        Field("building_id", "identifier", "the building's identifier"),
        Field("unit_id", "identifier", "the dwelling or area within the building"),
        Field("opening_id", "identifier", "the receptacle opening"),
        Field("family", "text", "which defect, where an opening has several"),
        Field(
            "remedy",
            "text",
            "what was done: a remedy of the rule book, by its name, label or a word of the trade",
            required=True,
        ),
        Field("fixed_on", "date", "the day on which it was done", required=True),
        Field("firm", "text", "the firm that did it", required=True),
        Field("worker", "text", "the person who did it"),
        Field("licence", "text", "licence number"),
        Field("permit", "text", "permit number"),
        Field("invoice", "text", "invoice number"),
        # an amount or a label that cannot be read must not turn into none
        Field("cost", "decimal", "what it cost", MONEY, minimum=0, maximum=1e10, blank_says=True),
        Field(
            "marking",
            "choice",
            "labels that were put on it",
            choices=_words(Marking),
            blank_says=True,
        ),
        _gfci_year(),
        Field(
            "gfci_tested_on",
            "date",
            "the day on which that GFCI's own test button last took the power off",
        ),
        Field("attachments", "text", "paths or links of photos and papers, parted by ;"),
        Field("note", "text", "anything else that was written"),
        _VISIT,
    ),
    row_rules=(),
    key=(
        *("finding_id", "building_id", "unit_id", "opening_id", "family"),
        # another cost of the same job is asked about, never put in the place of the first
        *("remedy", "fixed_on", "firm", "cost"),
    ),
    named_by=(("finding_id",), ("building_id", "opening_id")),
    keeps_cells=True,
)

LAYOUTS: dict[RecordKind, Layout] = {
    layout.kind: layout
    for layout in (
        BUILDING_REGISTER,
        OPENING_OBSERVATIONS,
        BUILDING_EVALUATIONS,
        BUILDING_REPORTS,
        FIX_REPORTS,
    )
}


SEEN_WHOLE = "an identifier without control or formatting characters and with no letter lost"
"""What is said of an identifier that breaks it; two would look like one, or steer a terminal."""


def _names_a_place(layout: Layout, field: Field) -> bool:
    """Whether a column says which building, unit or opening a row is about."""
    return field.type == "identifier" and field.name in layout.key


@dataclass(frozen=True)
class Check:
    """One declared check as SQL over a typed row.

    Attributes:
        column: the column that a fault is reported on.
        fails: a SQL expression, true where the row breaks the rule (never NULL).
        found: a SQL expression giving the offending cell as text.
        expected: the rule in words.
        columns: the optional columns that are blanked for it; () where the row cannot stand.
    """

    column: str
    fails: str
    found: str
    expected: str
    columns: tuple[str, ...] = ()


def quoted(name: str) -> str:
    """Quote a SQL identifier."""
    return '"' + name.replace('"', '""') + '"'


def literal(text: str) -> str:
    """Quote a SQL string literal."""
    return "'" + text.replace("'", "''") + "'"


def checks(kind: RecordKind, today: dt.date | None = None) -> Iterator[Check]:
    """Yield the declared checks of a record kind as SQL over typed columns.

    Args:
        kind: the record kind.
        today: the day against which "not in the future" is judged; today by default.

    Yields:
        One ``Check`` per rule; cells that do not parse at all are the landing's business.
    """
    layout = LAYOUTS[kind]
    day = (today or dt.date.today()).isoformat()
    for field in layout.fields:
        cell = quoted(field.name)
        broken: list[str] = []
        if field.type in ("integer", "decimal"):
            if field.minimum is not None:
                broken.append(f"{cell} < {field.minimum:.17g}")
            if field.maximum is not None:
                broken.append(f"{cell} > {field.maximum:.17g}")
            if field.type == "decimal":
                broken.append(f"NOT isfinite({cell})")
        elif field.type == "choice":
            # not IN: a longer IN becomes a join in DuckDB, and a join loses the order of the file
            words = ", ".join(map(literal, field.choices))
            broken.append(f"NOT list_contains([{words}], {cell})")
        elif field.type == "date":
            broken.append(f"{cell} > DATE '{day}'")
        else:
            broken.append(f"{cell} = ''")
        fails = f"coalesce({' OR '.join(broken)}, false)"
        own = (field.name,) if field.can_be_blanked else ()
        yield Check(field.name, fails, f"{cell}::VARCHAR", field.expected(), own)
        if _names_a_place(layout, field):
            hidden = f"coalesce({hides_something_sql(cell)}, false)"
            yield Check(field.name, hidden, f"{cell}::VARCHAR", SEEN_WHOLE)
        if field.required:
            yield Check(field.name, f"{cell} IS NULL", "''", f"a value: {field.expected()}")
    if layout.named_by:
        lacking = " AND ".join(
            f"({' OR '.join(f'{quoted(name)} IS NULL' for name in names)})"
            for names in layout.named_by
        )
        yield Check(layout.named_by[0][0], lacking, "''", f"a value: {layout.naming}")
    for rule in layout.row_rules:
        left, right = quoted(rule.left), quoted(rule.right)
        names = literal(f"{rule.left} "), literal(f", {rule.right} ")
        found = f"concat({names[0]}, {left}, {names[1]}, {right})"
        blanked = tuple(n for n in (rule.left, rule.right) if not layout.field(n).required)
        yield Check(
            rule.left,
            f"coalesce({left} > {right}, false)",
            found,
            rule.expected,
            () if rule.proves_shift else blanked,
        )
