"""Types and judges a whole raw table in one pass of SQL.

The steps are ``sourced → cleaned → numbers → read → looked_at → judged → listed``.

A fault in a cell that a row can do without blanks the cell and is listed; a fault in a required
one sets the row aside. So does an unread cell that could report danger in a row that calls its
opening correct: a clean bill must not stand beside what nobody could read. Only rows with a fault
carry their original cells and reasons; for all others those columns are NULL and cost nothing. The
rules of validity are those of ``shared.records.checks``
and of nothing else; what this module adds is whether a text can be read at all.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace

from pipeline.landing import cells
from pipeline.landing.cells import DateOrder, DecimalMark
from pipeline.landing.mapping import (
    ColumnMapping,
    Mapping,
    RecordMapping,
    StatusDate,
    TextRule,
    units_of,
)
from pipeline.landing.matching import find_column
from pipeline.landing.questions import meanings
from pipeline.landing.raw import EXTRAS, RawTable
from shared.finding_identity import is_of_place_sql
from shared.records import (
    LAYOUTS,
    MONEY,
    SEEN_WHOLE,
    SQL_TYPE,
    Check,
    Field,
    Layout,
    checks,
    literal,
    quoted,
)
from shared.shown import hides_something_sql
from shared.vocabulary import RecordKind

WHOLE_ROW = "(whole row)"
"""The column named in a reason that concerns the row as a whole."""

REASONS_TYPE = 'STRUCT("column" VARCHAR, found VARCHAR, expected VARCHAR)[]'

_NUMBER = re.compile(r"-?\d+")

NO_CELL = "NULL::VARCHAR"
"""SQL of the cell of a column that the file does not have."""

CORRECTION_ROW = "_fixes"
"""Column of a typed Parquet that answers quarantined rows: the row number it corrects."""


@dataclass(frozen=True)
class Habits:
    """How a file writes what could be read two ways; columns that are absent were not settled.

    Attributes:
        date_orders: canonical column to order.
        decimal_marks: canonical column to decimal mark.
    """

    date_orders: dict[str, DateOrder] = field(default_factory=dict)
    decimal_marks: dict[str, DecimalMark] = field(default_factory=dict)


@dataclass(frozen=True)
class Origin:
    """Where one canonical column comes from in a given file.

    Attributes:
        field: the layout's column.
        spec: the mapping's column.
        made: SQL that makes the original text out of several cells, worked out once in the step
            ``sourced``; None where one cell or a constant is it.
        cell: SQL of the original text; NULL where the file has none.
        used: source columns that are read, by index.
        null_tokens: in lower case.
        ascii: whether its text is known to be ASCII.
    """

    field: Field
    spec: ColumnMapping
    made: str | None
    cell: str
    used: tuple[int, ...]
    null_tokens: frozenset[str]
    ascii: bool = False

    @property
    def text(self) -> str:
        """SQL of the cleaned text: a column of the step ``cleaned`` for texts.

        For all other types it is the expression itself, which then is worked out only for the few
        cells that are not in plain form.
        """
        if self.is_text:
            return quoted("k_" + self.field.name)
        return f"({self.cleaning})"

    @property
    def told(self) -> str:
        """SQL of the text that is tried first: the cell as it stands, or the cleaned text where a
        null token (999, 1900-01-01) could itself be read as a value."""
        return (
            self.text if any(re.search(r"\d", token) for token in self.null_tokens) else self.cell
        )

    @property
    def cleaning(self) -> str:
        """SQL that cleans the cell."""
        return cells.cleaned(self.cell, self.null_tokens, ascii_only=self.ascii)

    @property
    def is_text(self) -> bool:
        """Whether the column holds text or an identifier."""
        return self.field.type in ("text", "identifier")


@dataclass(frozen=True)
class Plan:
    """All that is needed to type one table as one record kind."""

    table: RawTable
    mapping: Mapping
    record: RecordMapping
    origins: tuple[Origin, ...]
    today: dt.date

    @property
    def layout(self) -> Layout:
        """The layout of the typed rows."""
        return LAYOUTS[self.record.kind]

    @property
    def used(self) -> set[int]:
        """Source columns that some typed column or status rule is read from."""
        used = {index for origin in self.origins for index in origin.used}
        for rule in self.mapping.status_dates:
            for name in (rule.status, rule.date):
                match = find_column([name], self.table.header)
                if match:
                    used.add(match[0])
        return used


def make_plan(table: RawTable, mapping: Mapping, record: RecordMapping, today: dt.date) -> Plan:
    """Find every column of a record mapping in a table's header."""
    layout = LAYOUTS[record.kind]
    origins = []
    for column in layout.fields:
        spec = record.columns.get(column.name)
        if spec is None and column.name == "scale_best" and record.grade_scale:
            scale = record.grade_scale
            spec = ColumnMapping(constant=f"{abs(scale.best - scale.worst):.17g}")
        if spec is not None:
            origin = _origin(column, spec, mapping, table.header)
            origins.append(replace(origin, ascii=table.ascii and origin.made is None))
    return Plan(table, mapping, record, tuple(origins), today)


def _origin(column: Field, spec: ColumnMapping, mapping: Mapping, header: Sequence[str]) -> Origin:
    tokens = {*cells.NULL_TOKENS, *(token.strip().lower() for token in mapping.null_tokens)}
    if column.reports_danger and "?" not in mapping.null_tokens:
        tokens.discard("?")  # somebody was in doubt about a danger: no blank answer
    if spec.null_tokens is not None:
        tokens = {token.strip().lower() for token in spec.null_tokens}
    tokens |= {source.strip().lower() for source, word in spec.values.items() if not word}
    if column.type in ("integer", "decimal"):
        tokens |= _other_spellings(tokens, units_of(column.unit))
    answers = cells.NO_WORDS if set(column.choices) == {"yes", "no"} else ()
    spoken = {*column.choices, *answers, *(source for source, word in spec.values.items() if word)}
    tokens -= {word.strip().lower() for word in spoken}
    used: tuple[int, ...] = ()
    made = None
    cell = NO_CELL
    if spec.constant is not None:
        cell = literal(spec.constant)
    elif spec.join:
        found = [find_column([name], header) for name in spec.join]
        used = tuple(match[0] for match in found if match)
        parts = [cells.cleaned(f"c{index}", tokens) for index in used]
        if parts:
            made = f"concat_ws({literal(spec.separator)}, {', '.join(parts)})"
    elif spec.count_columns is not None:
        first = find_column([spec.count_columns.first], header)
        last = find_column([spec.count_columns.last], header)
        if first and last:
            used = tuple(range(first[0], last[0] + 1))
            filled = [
                f"({cells.cleaned(f'c{index}', tokens)} IS NOT NULL)::INTEGER" for index in used
            ]
            made = f"({' + '.join(filled)})::VARCHAR"
    elif spec.from_:
        match = find_column(spec.from_, header)
        if match:
            used = (match[0],)
            cell = f"c{match[0]}"
    for rule in spec.text_rules:
        used += tuple(m[0] for m in (find_column([name], header) for name in rule.column) if m)
    if made is not None:
        cell = quoted("s_" + column.name)
    return Origin(column, spec, made, cell, used, frozenset(tokens))


def _other_spellings(tokens: set[str], units: Collection[str]) -> set[str]:
    """999 means no answer however it is written: 999.0, +999, 999 ohm."""
    numbers = [token for token in tokens if _NUMBER.fullmatch(token)]
    written = [f"{n}{end}" for n in numbers for end in ("", ".0", ".00", ".000")]
    behind = [f"{space}{unit}" for unit in units if unit for space in ("", " ")]
    return {f"{sign}{n}{end}" for n in written for sign in ("", "+") for end in ("", *behind)}


def conform_sql(plan: Plan, habits: Habits, keep: Sequence[str] = ()) -> str:
    """Return one SELECT that types and judges every row of the plan's table.

    Columns: the layout's, typed; ``_reasons`` (list of column, found, expected; NULL for a valid
    row), ``_blanked`` (the same of cells that were blanked in a valid row, else NULL), ``_cells``
    (JSON of the original cells; NULL for a row without a fault, unless the layout keeps them),
    ``_notes`` (list of slugs of findings; NULL mostly, sometimes empty), and ``_row`` where the
    table's relation has it.

    Args:
        plan: table, mapping and columns.
        habits: the readings that were settled on.
        keep: more columns that the relation has, to be kept, such as ``_fixes``.
    """
    layout = plan.layout
    by_name = {origin.field.name: origin for origin in plan.origins}
    kept = [name for name, there in (("_row", plan.table.first_row is None),) if there]
    kept += keep
    made = [f"{origin.made} AS {origin.cell}" for origin in plan.origins if origin.made]
    texts = [f"{origin.cleaning} AS {origin.text}" for origin in plan.origins if origin.is_text]
    numbers = [
        f"{_number(origin, habits)} AS {quoted('n_' + origin.field.name)}"
        for origin in plan.origins
        if origin.field.type in ("integer", "decimal")
    ]
    typed = [
        f"({_value(by_name[f.name], plan, habits)})::{SQL_TYPE[f.type]} AS {quoted(f.name)}"
        if f.name in by_name
        else f"NULL::{SQL_TYPE[f.type]} AS {quoted(f.name)}"
        for f in layout.fields
    ]
    faults = _faults(plan, by_name, habits)
    bad = " OR ".join(f"({condition})" for condition in _row_faults(plan, faults))
    lesser = [check for check in faults if check.columns]
    odd = " OR ".join(f"({check.fails})" for check in lesser) or "false"
    names = ", ".join(_kept(name, lesser) for name in layout.columns)
    kept_when = "true" if layout.keeps_cells else "_bad OR _odd"
    extra = "".join(f", {name}" for name in kept)
    return (
        f"WITH sourced AS (SELECT *{''.join(', ' + m for m in made)} FROM {plan.table.relation}),\n"
        f"cleaned AS (SELECT *{''.join(', ' + t for t in texts)} FROM sourced),\n"
        f"numbers AS (SELECT *{''.join(', ' + n for n in numbers)} FROM cleaned),\n"
        f"read AS (SELECT *, {', '.join(typed)} FROM numbers),\n"
        f"looked_at AS (SELECT *, ({odd}) AS _odd FROM read),\n"
        f"judged AS (SELECT *, ({bad}) AS _bad FROM looked_at),\n"
        # a row that is not bad breaks lesser rules only, so that one list serves both columns
        f"listed AS (SELECT *, CASE WHEN _bad OR _odd THEN {_listed(faults)} END::{REASONS_TYPE} "
        f"AS _faults FROM judged)\n"
        f"SELECT {names},\n"
        f"CASE WHEN _bad THEN _faults END AS _reasons,\n"
        f"CASE WHEN _odd AND NOT _bad THEN _faults END AS _blanked,\n"
        f"CASE WHEN {kept_when} THEN {_cells_json(plan.table)} END AS _cells,\n"
        f"{_notes(plan)} AS _notes{extra}\n"
        f"FROM listed"
    )


def _listed(faults: Sequence[Check]) -> str:
    reasons = ", ".join(
        f"CASE WHEN {check.fails} THEN {{'column': {literal(check.column)}, "
        f"'found': coalesce(({check.found})::VARCHAR, ''), "
        f"'expected': {literal(check.expected)}}} END"
        for check in faults
    )
    return f"list_filter([{reasons}], lambda reason: reason IS NOT NULL)" if faults else "NULL"


def _row_faults(plan: Plan, faults: Sequence[Check]) -> list[str]:
    """Conditions under which a row is set aside."""
    whole = [check for check in faults if not check.columns]
    conditions = [check.fails for check in whole if check.expected != SEEN_WHOLE]
    names = [quoted(check.column) for check in whole if check.expected == SEEN_WHOLE]
    if names:
        # one look at all of them together costs a third
        together = hides_something_sql(f"concat_ws('', {', '.join(names)})")
        conditions.append(f"coalesce({together}, false)")
    if plan.record.kind is RecordKind.OPENING_OBSERVATIONS:
        telling = [
            check.fails
            for check in faults
            if any(plan.layout.field(name).reports_danger for name in check.columns)
        ]
        if telling:
            unread = " OR ".join(f"({fails})" for fails in telling)
            # few rows have an odd cell; for all others nothing of this is worked out again
            conditions.append(f"_odd AND result = 'correct' AND ({unread})")
    return conditions


def _kept(name: str, faults: Sequence[Check]) -> str:
    """SQL of a typed column, NULL where it breaks a rule."""
    broken = [f"({check.fails})" for check in faults if name in check.columns]
    if not broken:
        return quoted(name)
    column = quoted(name)
    fails = " OR ".join(broken)
    return f"CASE WHEN _odd AND ({fails}) THEN NULL ELSE {column} END AS {column}"


def _number(origin: Origin, habits: Habits) -> str:
    name = origin.field.name
    units = units_of(origin.field.unit)
    mark = habits.decimal_marks.get(name)
    if origin.field.unit == MONEY:
        return cells.money(origin.cell, origin.text, mark, units)
    factor = units[origin.spec.unit.lower()] if origin.spec.unit else 1.0
    return cells.number(origin.told, origin.text, mark, units, factor)


def _value(origin: Origin, plan: Plan, habits: Habits) -> str:
    kind = origin.field.type
    if kind in ("integer", "decimal"):
        number = quoted("n_" + origin.field.name)
        if kind == "integer":
            return _within_bounds(origin.field, number, cells.whole_number(number))
        scale = plan.record.grade_scale
        if origin.field.name == "grade" and scale is not None:
            sign = 1 if scale.best > scale.worst else -1
            return f"({number} - ({scale.worst:.17g})) * {sign}"
        return _within_bounds(origin.field, number, number)
    if kind == "date":
        order = habits.date_orders.get(origin.field.name)
        return cells.date(origin.told, origin.text, order, plan.today.year)
    if kind == "choice":
        rules = _text_rules(origin, plan.table.header)
        return cells.choice(origin.cell, origin.text, origin.field, _words(origin), rules)
    said = {word: ours for word, ours in origin.spec.values.items() if ours}
    if said:
        pairs = ", ".join(
            f"{literal(word.lower())}: {literal(ours)}" for word, ours in said.items()
        )
        return f"coalesce(MAP {{{pairs}}}[lower({origin.text})], {origin.text})"
    return origin.text


def _within_bounds(column: Field, number: str, value: str) -> str:
    """SQL of a number that a row can do without: NULL beyond its bounds, as if it were unread."""
    if not column.can_be_blanked:
        return value
    bounds = [f"{number} >= {column.minimum:.17g}"] if column.minimum is not None else []
    bounds.append(
        f"{number} <= {column.maximum:.17g}"
        if column.maximum is not None
        else f"isfinite({number})"
    )
    return f"CASE WHEN {' AND '.join(bounds)} THEN {value} END"


def _words(origin: Origin) -> dict[str, str]:
    """A source's own words, and beside them those that the trade uses."""
    own = {cells.word_form(word) for word in origin.spec.values}
    usual = {w: ours for w, ours in meanings(origin.field).items() if w not in own}
    return {**usual, **origin.spec.values}


def _rule_texts(rule: TextRule, origin: Origin, header: Sequence[str]) -> list[str]:
    if not rule.column:
        return [origin.cell]
    found = [find_column([name], header) for name in rule.column]
    return [f"c{match[0]}" for match in found if match]


def _text_rule(rule: TextRule, origin: Origin, header: Sequence[str]) -> str | None:
    """SQL that is true where the rule's words stand in its texts and nothing cancels them."""
    texts = _rule_texts(rule, origin, header)
    if not texts:
        return None
    text = f"lower(concat_ws(' ', {', '.join(texts)}))"
    hit = f"regexp_matches({text}, {literal(cells.phrase_pattern(rule.words))})"
    if rule.unless:
        hit += f" AND NOT regexp_matches({text}, {literal(cells.phrase_pattern(rule.unless))})"
    return f"coalesce({hit}, false)"


def _text_rules(origin: Origin, header: Sequence[str]) -> str | None:
    branches = []
    for rule in origin.spec.text_rules:
        hit = _text_rule(rule, origin, header)
        if hit:
            branches.append(f"WHEN {hit} THEN {literal(rule.value)}")
    return f"CASE {' '.join(branches)} END" if branches else None


def _faults(plan: Plan, by_name: dict[str, Origin], habits: Habits) -> list[Check]:
    """Every way a row can fail: as a whole, by a text that cannot be read, by a declared check."""
    # cells beyond the header that hold nothing come from a delimiter at the end of every line
    extra = f"{EXTRAS[0]} IS NOT NULL AND concat({', '.join(EXTRAS)}) <> ''"
    width = len(plan.table.header)
    faults = [
        Check(
            WHOLE_ROW,
            f"({extra})",
            f"concat('more cells than columns: ', {EXTRAS[0]})",
            f"{width} cells, as in the header",
        )
    ]
    if plan.table.first_row is None:
        faults.append(Check(WHOLE_ROW, "_problem IS NOT NULL", "_problem", "one whole record"))
    faults += _at_another_place(plan)
    unread: dict[str, str] = {}
    for origin in plan.origins:
        column = origin.field
        if origin.is_text:
            continue
        fails = (
            f"(CASE WHEN {quoted(column.name)} IS NOT NULL OR {origin.cell} = '' THEN false "
            f"ELSE {origin.text} IS NOT NULL END)"
        )
        unread[column.name] = fails
        alone = (column.name,) if column.can_be_blanked else ()
        faults.append(Check(column.name, fails, origin.cell, column.expected(), alone))
        faults += _contradicting_rules(origin, plan.table.header)
    for check in checks(plan.record.kind, plan.today):
        column = plan.layout.field(check.column)
        if check.expected == column.expected() and (
            column.type == "choice"
            or (column.type in ("integer", "decimal") and column.can_be_blanked)
        ):
            continue  # what was read is allowed there, or the text counts as unread
        found = check.found
        own = by_name.get(check.column)
        single = check.expected not in {rule.expected for rule in plan.layout.row_rules}
        if own is not None and single and own.cell != NO_CELL:
            found = own.cell
        fails = check.fails
        if check.column in unread and fails.endswith("IS NULL"):
            fails = f"({fails} AND NOT {unread[check.column]})"
        faults.append(Check(check.column, fails, found, check.expected, check.columns))
    return faults


def _contradicting_rules(origin: Origin, header: Sequence[str]) -> list[Check]:
    """Texts that two rules read differently and no listed word settles are nobody's to guess."""
    meanings: dict[str, list[str]] = {}
    for rule in origin.spec.text_rules:
        hit = _text_rule(rule, origin, header)
        if hit:
            meanings.setdefault(rule.value, []).append(hit)
    if len(meanings) < 2:
        return []
    settled = cells.choice(origin.cell, origin.text, origin.field, _words(origin), None)
    counts = " + ".join(f"({' OR '.join(hits)})::INTEGER" for hits in meanings.values())
    texts = [t for rule in origin.spec.text_rules for t in _rule_texts(rule, origin, header)]
    return [
        Check(
            origin.field.name,
            f"(({settled}) IS NULL AND ({counts}) > 1)",
            f"concat_ws(' ', {', '.join(dict.fromkeys(texts))})",
            f"words that mean one of {', '.join(meanings)}, not several",
            (origin.field.name,) if origin.field.can_be_blanked else (),
        )
    ]


def _cells_json(table: RawTable) -> str:
    named = [
        f"{literal(name)}, {cell}" for name, cell in zip(table.header, table.cells, strict=True)
    ]
    plain = f"json_object({', '.join(named)})"
    extras = ", ".join(f"{literal(f'coverplate_extra_{n + 1}')}, {x}" for n, x in enumerate(EXTRAS))
    # merge patch drops the keys that are NULL: only a row that is too long has extra cells
    wide = f"json_merge_patch({plain}, json_object({extras}))"
    return f"(CASE WHEN {EXTRAS[0]} IS NULL THEN {plain} ELSE {wide} END)::VARCHAR"


def _at_another_place(plan: Plan) -> list[Check]:
    """A row about a finding whose cells name another place than the finding's."""
    header = plan.record.finding
    match = find_column([header], plan.table.header) if header else None
    if match is None:
        return []
    identifier = cells.cleaned(f"c{match[0]}", cells.NULL_TOKENS)
    place = [quoted(name) for name in ("building_id", "unit_id", "opening_id")]
    shown = f"concat_ws(' ', {', '.join(place)})"
    fails = f"coalesce(NOT {is_of_place_sql(identifier, *place)}, false)"
    found = f"concat({shown}, ', on the row of ', {identifier})"
    expected = (
        "the place of the finding on the same row; write a look at another opening on its row"
    )
    return [Check("opening_id", fails, found, expected)]


BLANK_ROW = "blank_row"
SHORT_ROW = "short_row"
CLOSED_WITHOUT_DATE = "closed_without_date"
DATE_ON_OPEN_ITEM = "date_on_open_item"


def _notes(plan: Plan) -> str:
    last = plan.table.cells[-1]
    everything = f"concat({', '.join([*plan.table.cells, *EXTRAS])})"
    contradictions = [
        note
        for rule in plan.mapping.status_dates
        for note in _status_notes(rule, plan.table.header)
    ]
    notes = [
        f"CASE WHEN {last} IS NULL THEN {literal(SHORT_ROW)} END",
        f"CASE WHEN _bad AND {_holds_nothing(plan, everything)} THEN {literal(BLANK_ROW)} END",
        *contradictions,
    ]
    # most rows have nothing to note; for them this is all that is looked at
    worth_a_look = " OR ".join(
        ["_bad", f"{last} IS NULL", *(f"({note}) IS NOT NULL" for note in contradictions)]
    )
    return (
        f"CASE WHEN {worth_a_look} THEN "
        f"list_filter([{', '.join(notes)}], lambda note: note IS NOT NULL) END"
    )


def _holds_nothing(plan: Plan, everything: str) -> str:
    """SQL that is true of a row without a record of this kind: of all cells that are filled in by
    hand none holds anything, nor any beyond the last column."""
    told = [find_column([name], plan.table.header) for name in plan.record.filled]
    places = [f"c{match[0]}" for match in told if match]
    held = f"concat({', '.join([*places, *EXTRAS])})" if places else everything
    return f"{cells.trimmed(held)} = ''"


def _status_notes(rule: StatusDate, header: Sequence[str]) -> list[str]:
    status, date = find_column([rule.status], header), find_column([rule.date], header)
    if not status or not date:
        return []
    word = cells.word_form_sql(cells.trimmed(f"c{status[0]}"))
    day = cells.cleaned(f"c{date[0]}", cells.NULL_TOKENS)
    closed = cells.is_one_of(word, map(cells.word_form, rule.closed))
    is_open = cells.is_one_of(word, map(cells.word_form, rule.open))
    return [
        f"CASE WHEN {closed} AND ({day}) IS NULL THEN '{CLOSED_WITHOUT_DATE}' END",
        f"CASE WHEN {is_open} AND ({day}) IS NOT NULL THEN '{DATE_ON_OPEN_ITEM}' END",
    ]
