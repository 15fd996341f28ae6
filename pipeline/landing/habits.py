"""Settles how a file writes what can be read two ways: the order in dates, the decimal mark.

The whole column speaks, never a sample. A column that holds ``13/04/2024`` writes the day first;
one whose every date fits two orders is ambiguous, and so is one in which a few dates only tell the
order (one slip of the pen would turn all others), or in which they contradict one another. Then the
person is asked: a wrong guess would move every look in time and nobody would see it.
"""

from __future__ import annotations

from dataclasses import dataclass

import duckdb

from pipeline.landing import cells
from pipeline.landing.cells import DateOrder, DecimalMark
from pipeline.landing.conform import Habits, Origin, Plan
from shared.faults import CoverplateError
from shared.records import MONEY, literal, quoted

ORDERS: tuple[DateOrder, ...] = ("dmy", "mdy", "ymd")

ORDER_WORDS: dict[DateOrder, str] = {
    "dmy": "day/month/year",
    "mdy": "month/day/year",
    "ymd": "year/month/day",
}


FEW_DATES = 2
"""So few different dates need no more than one that tells."""

CLEAR_ROWS = 0.1
"""Share of the rows that must tell it."""

CLEAR_SHARE = 0.2
"""Share of the different dates that must tell the order; of days spread over a month three in five
do."""


@dataclass(frozen=True)
class Question:
    """Something that only a person can settle.

    Attributes:
        column: canonical column.
        key: key of the mapping that answers it.
        found: what makes it ambiguous, with an example.
        answers: the values that the key may take.
    """

    column: str
    key: str
    found: str
    answers: str


def declared_habits(plan: Plan) -> Habits:
    """Return what the mapping itself says."""
    orders: dict[str, DateOrder] = {}
    marks: dict[str, DecimalMark] = {}
    for origin in plan.origins:
        name, spec = origin.field.name, origin.spec
        order = spec.date_order or plan.mapping.date_order
        mark = spec.decimal_mark or plan.mapping.decimal_mark
        if origin.field.type == "date" and order:
            orders[name] = order
        if origin.field.type in ("integer", "decimal") and mark:
            marks[name] = mark
    return Habits(orders, marks)


def settle(
    con: duckdb.DuckDBPyConnection,
    plan: Plan,
    habits: Habits,
    unread: set[str],
    *,
    remembered: bool = False,
) -> Habits:
    """Settle what is still open after a first reading.

    Args:
        con: any connection.
        plan: the table and its mapping.
        habits: what is settled already.
        unread: canonical columns in which some text could not be read.
        remembered: the order of dates was said of an earlier file, not of this one; it is doubted
            where many dates do not fit it and fit another.

    Returns:
        The habits, completed; the same object where nothing had to be settled.

    Raises:
        CoverplateError: the file leaves it open; names the mapping keys to set.
    """
    questions: list[Question] = []
    orders = dict(habits.date_orders)
    for origin in plan.origins:
        name = origin.field.name
        if origin.field.type == "date" and name in unread and name not in orders:
            answer = _date_order(con, plan, origin)
            if isinstance(answer, Question):
                questions.append(answer)
            elif answer is not None:
                orders[name] = answer
        elif remembered and origin.field.type == "date" and name in unread and name in orders:
            questions += _doubts(con, plan, origin, orders[name])
    marks = dict(habits.decimal_marks)
    open_numbers = [
        origin
        for origin in plan.origins
        if origin.field.type in ("integer", "decimal") and origin.field.name not in marks
    ]
    if any(origin.field.name in unread for origin in open_numbers):
        settled, more = _decimal_marks(con, plan, open_numbers)
        marks |= settled
        questions += more
    if questions:
        raise _asking(plan, questions)
    if orders == habits.date_orders and marks == habits.decimal_marks:
        return habits
    return Habits(orders, marks)


def may_be_thousands(plan: Plan, habits: Habits) -> list[Origin]:
    """Return the columns whose numbers would be allowed a thousand times larger, their decimal mark
    not settled."""
    return [
        origin
        for origin in plan.origins
        if origin.field.type == "decimal"
        and origin.field.name not in habits.decimal_marks
        and (origin.field.maximum is None or origin.field.maximum >= 1_000_000)
    ]


def whole_thousands(con: duckdb.DuckDBPyConnection, plan: Plan, habits: Habits, file: str) -> None:
    """Stop where amounts such as ``850.000`` may be thousands or have three decimals.

    A text with a point is read as a number at once, so this is seen only afterwards: a column whose
    values are all from 1 to 1,000, would all be allowed a thousand times larger, and are all
    written with three digits behind a point, where no other number of the file shows its mark.

    Args:
        con: any connection.
        plan: the table and its mapping.
        habits: what is settled.
        file: SQL of the typed rows.

    Raises:
        CoverplateError: so it is; names the mapping keys to set.
    """
    numbers = [
        origin
        for origin in plan.origins
        if origin.field.type == "decimal" and origin.field.name not in habits.decimal_marks
    ]
    may = may_be_thousands(plan, habits)
    if not may:
        return
    asked = ", ".join(
        f"coalesce(min({quoted(o.field.name)}) >= 1 AND max({quoted(o.field.name)}) < 1000, false)"
        for o in may
    )
    (seen,) = con.execute(f"SELECT {asked} FROM {file}").fetchall()
    doubtful = [origin for origin, is_so in zip(may, seen, strict=True) if is_so]
    found = {origin.field.name: _marks(con, plan, origin) for origin in doubtful}
    doubtful = [
        origin
        for origin in doubtful
        if found[origin.field.name].open_point and not found[origin.field.name].point
    ]
    if not doubtful:
        return
    shown = any(_marks(con, plan, origin).point for origin in numbers if origin not in doubtful)
    if not shown:
        raise _asking(
            plan,
            [
                Question(
                    origin.field.name,
                    "decimal_mark",
                    "a point that may part thousands or decimals, such as "
                    f"{found[origin.field.name].example!r}",
                    '"." or ","',
                )
                for origin in doubtful
            ],
        )


def open_date_orders(con: duckdb.DuckDBPyConnection, plan: Plan) -> list[Question]:
    """Return the questions about the order of dates that reading a table would ask.

    Args:
        con: any connection.
        plan: the table and a mapping for it.
    """
    settled = declared_habits(plan).date_orders
    asked = []
    for origin in plan.origins:
        if origin.field.type == "date" and origin.field.name not in settled:
            answer = _date_order(con, plan, origin)
            if isinstance(answer, Question):
                asked.append(answer)
    return asked


def _texts(plan: Plan, origin: Origin) -> str:
    text = cells.cleaned(origin.made or origin.cell, origin.null_tokens)
    if origin.field.unit == MONEY:
        text = cells.without_currency(text, cells.UNIT_FACTORS[MONEY])
    return f"SELECT DISTINCT {text} AS t FROM {plan.table.relation}"


def _date_order(
    con: duckdb.DuckDBPyConnection, plan: Plan, origin: Origin
) -> DateOrder | Question | None:
    year = plan.today.year
    read = ", ".join(f"{cells.numeric_date('t', order, year)} AS {order}" for order in ORDERS)
    count = ", ".join(f"count({order})" for order in ORDERS)
    differ = ", ".join(
        f"count(*) FILTER (a.{one} IS DISTINCT FROM a.{other})"
        for one, other in (("dmy", "mdy"), ("dmy", "ymd"), ("mdy", "ymd"))
    )
    row = con.execute(
        f"WITH texts AS ({_texts(plan, origin)}), "
        f"open AS (SELECT t, {read} FROM texts "
        f"WHERE t IS NOT NULL AND {cells.date('t', 't', None, year)} IS NULL), "
        f"a AS (SELECT * FROM open WHERE coalesce(dmy, mdy, ymd) IS NOT NULL) "
        f"SELECT count(*), min(t), {count}, {differ} FROM a"
    ).fetchall()[0]
    total, example, counts, differences = row[0], row[1], row[2:5], row[5:8]
    if not total:
        return None
    fitting = [order for order, number in zip(ORDERS, counts, strict=True) if number == total]
    pairs = {("dmy", "mdy"): 0, ("dmy", "ymd"): 1, ("mdy", "ymd"): 2}
    distinct = [
        order
        for index, order in enumerate(fitting)
        if all(differences[pairs[before, order]] for before in fitting[:index])
    ]
    if len(distinct) == 1:
        most = max(n for order, n in zip(ORDERS, counts, strict=True) if order != distinct[0])
        clear = total - most  # different dates that this order only fits
        rivals = [order for order in ORDERS if order != distinct[0]]
        barred = ", ".join(f"count(*) FILTER ({order} IS NULL)" for order in rivals)
        text = cells.cleaned(origin.made or origin.cell, origin.null_tokens)
        plainly = cells.date("t", "t", None, year)
        (shares,) = con.execute(
            f"WITH texts AS (SELECT {text} AS t FROM {plan.table.relation}), "
            f"numeric AS (SELECT {read} FROM texts WHERE t IS NOT NULL AND {plainly} IS NULL) "
            f"SELECT least({barred}) / greatest(count(*), 1) FROM numeric "
            f"WHERE {distinct[0]} IS NOT NULL"
        ).fetchall()
        enough = clear >= max(1 if total <= FEW_DATES else 2, CLEAR_SHARE * total)
        if not clear or (enough and shares[0] >= CLEAR_ROWS):
            return distinct[0]
        words = ORDER_WORDS[distinct[0]]
        found = (
            f"{clear} of {total} different dates can only be {words}, the others fit another order "
            f"too, such as {example!r}: one slip would decide over all of them"
        )
        answers = " or ".join(f'"{order}" ({ORDER_WORDS[order]})' for order in ("dmy", "mdy"))
        return Question(origin.field.name, "date_order", found, answers)
    answers = " or ".join(f'"{order}" ({ORDER_WORDS[order]})' for order in (distinct or ORDERS))
    if distinct:
        words = " or ".join(ORDER_WORDS[order] for order in distinct)
        found = f"every date fits {words}, such as {example!r}"
    else:
        found = f"no one order of day, month and year fits every date, such as {example!r}"
    return Question(origin.field.name, "date_order", found, answers)


def _doubts(
    con: duckdb.DuckDBPyConnection, plan: Plan, origin: Origin, order: DateOrder
) -> list[Question]:
    """What speaks against an order that was said of an earlier file."""
    year = plan.today.year
    read = ", ".join(f"{cells.numeric_date('t', each, year)} AS {each}" for each in ORDERS)
    text = cells.cleaned(origin.made or origin.cell, origin.null_tokens)
    ((total, bad, example),) = con.execute(
        f"WITH texts AS (SELECT {text} AS t FROM {plan.table.relation}), "
        f"numeric AS (SELECT t, {read} FROM texts WHERE t IS NOT NULL "
        f"AND {cells.date('t', 't', None, year)} IS NULL) "
        f"SELECT count(*), count(*) FILTER ({order} IS NULL), min(t) FILTER ({order} IS NULL) "
        "FROM numeric WHERE coalesce(dmy, mdy, ymd) IS NOT NULL"
    ).fetchall()
    if not bad or bad < CLEAR_ROWS * total:
        return []
    found = (
        f"{bad} of {total} dates cannot be {ORDER_WORDS[order]}, as was said of an earlier file of "
        f"this kind, such as {example!r}"
    )
    answers = " or ".join(f'"{each}" ({ORDER_WORDS[each]})' for each in ("dmy", "mdy"))
    return [Question(origin.field.name, "date_order", found, answers)]


def _money_mark(
    con: duckdb.DuckDBPyConnection, plan: Plan, origin: Origin, marks: _Marks
) -> DecimalMark | Question:
    """Settle the decimal mark of amounts of money.

    Nobody writes money in thousandths: an amount such as 1,350 is thousands where another amount
    of the column shows that its mark is the other one, and is asked about everywhere else.
    """
    shown: DecimalMark | None = None
    if bool(marks.comma) != bool(marks.point):
        shown = "," if marks.comma else "."
    pattern = cells.DOUBTFUL_MONEY.replace(".,", shown or ".,")
    ((example,),) = con.execute(
        f"WITH texts AS ({_texts(plan, origin)}) "
        f"SELECT min(t) FILTER (regexp_full_match(t, {literal(pattern)})) FROM texts"
    ).fetchall()
    if example is None:
        return shown or "."
    found = (
        f"an amount that may be {example.replace(',', '').replace('.', '')}.00 or "
        f"{example.replace(',', '.')}, such as {example!r}"
    )
    return Question(origin.field.name, "decimal_mark", found, '"." or ","')


@dataclass(frozen=True)
class _Marks:
    comma: int
    point: int
    open_comma: int
    open_point: int
    example: str | None


def _decimal_marks(
    con: duckdb.DuckDBPyConnection, plan: Plan, origins: list[Origin]
) -> tuple[dict[str, DecimalMark], list[Question]]:
    seen = {origin.field.name: _marks(con, plan, origin) for origin in origins}
    comma = sum(marks.comma for marks in seen.values())
    point = sum(marks.point for marks in seen.values())
    pooled: DecimalMark | None = None
    if bool(comma) != bool(point):
        pooled = "," if comma else "."
    settled: dict[str, DecimalMark] = {}
    questions = []
    for origin in origins:
        name, marks = origin.field.name, seen[origin.field.name]
        if origin.field.unit == MONEY:
            answer = _money_mark(con, plan, origin, marks)
            if isinstance(answer, Question):
                questions.append(answer)
            else:
                settled[name] = answer
            continue
        is_open = bool(marks.open_comma or (marks.open_point and (marks.comma or pooled == ",")))
        own: DecimalMark | None = None
        if bool(marks.comma) != bool(marks.point):
            own = "," if marks.comma else "."
        mark = own or (None if marks.comma else pooled)
        if mark is not None:
            settled[name] = mark
        elif not is_open:
            settled[name] = "."  # every text has one reading only; either mark gives the same
        else:
            found = f"a comma that may part thousands or decimals, such as {marks.example!r}"
            questions.append(Question(name, "decimal_mark", found, '"." or ","'))
    return settled, questions


def _marks(con: duckdb.DuckDBPyConnection, plan: Plan, origin: Origin) -> _Marks:
    def like(pattern: str) -> str:
        return f"regexp_full_match(t, {literal(pattern)})"

    group, point_group = like(cells.COMMA_GROUP), like(cells.POINT_GROUP)
    comma = f"{like(cells.CONTINENTAL_ONLY)} OR ({like(cells.COMMA_DECIMAL)} AND NOT {group})"
    point = (
        f"{like(cells.ENGLISH_ONLY)} OR "
        f"({like(cells.PLAIN)} AND contains(t, '.') AND NOT {point_group})"
    )
    row = con.execute(
        f"WITH texts AS ({_texts(plan, origin)}) SELECT count(*) FILTER ({comma}), "
        f"count(*) FILTER ({point}), count(*) FILTER ({group}), count(*) FILTER ({point_group}), "
        f"coalesce(min(t) FILTER ({group}), min(t) FILTER ({point_group})) FROM texts"
    ).fetchall()[0]
    return _Marks(*row)


def _asking(plan: Plan, questions: list[Question]) -> CoverplateError:
    sheet = f" (sheet {plan.table.sheet})" if plan.table.sheet else ""
    found = "; ".join(f"{question.column}{sheet}: {question.found}" for question in questions)
    keys = "; ".join(
        f"{question.key} = {question.answers} under [records.columns.{question.column}]"
        for question in questions
    )
    return CoverplateError(
        found,
        expected="texts with one reading, or a mapping that says which one is meant",
        to_do=f"take the file in again with --set {questions[0].key}=ANSWER, which is remembered; "
        f"or set {keys} in the mapping of this source, or {questions[0].key} once at its top for "
        "all columns, and name it with --mapping NAME",
    )
