"""Rows that stand and should be read by a person: a clean bill beside words of danger, and looks of
one file that say different things of one opening on one day."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from pathlib import Path

import duckdb

from pipeline.landing.current import valid_rows_of
from pipeline.landing.outcomes import Landing
from pipeline.landing.report import Finding
from pipeline.landing.row_kinds import GFCI_FAULT, find_dangerous
from pipeline.landing.voided import says_untested_sql, says_void_sql
from pipeline.landing.workspace import Part
from shared.records import literal
from shared.vocabulary import Method, RecordKind

_LOOKS = RecordKind.OPENING_OBSERVATIONS

TEXTS = ("note", "room")
"""Columns of free text beside a result."""

NAMES = ("building_id", "unit_id", "opening_id", "circuit_id", "inspector", "firm_of_inspector")
"""Columns of identifiers and persons."""

LOUD = frozenset(
    {
        *("danger_in_text", "contradicting_rows", "beside_rows", "cells_without_value"),
        *("void_by_note", "contradicting_cells", "building_named_twice"),
        *("danger_in_names", "untested_by_note", "gfci_fault_in_note"),
        *("danger_ignored", "sheet_may_not_count", "readings_beside_correct"),
        *("margins_of_danger", "formats_not_read"),
        *("comments_of_danger", "leading_zeros_shown", "hidden_sheet", "merged_columns"),
    }
)
"""Findings after which an intake does not end as if nothing had been."""


def contradictions(
    con: duckdb.DuckDBPyConnection, landings: Sequence[Landing], before: Sequence[Landing] = ()
) -> list[Landing]:
    """Return files with what contradicts itself in them, or what another file of the same call
    says otherwise, as findings of their parts.

    Args:
        con: the connection with the table ``outcomes`` of these files.
        landings: the files.
        before: files of the same call that are settled already.
    """
    looks = _looks_of(landings)
    a_row = {part.part: part.cells_a_row for _, part in looks}
    rows = valid_rows_of(looks, _LOOKS)
    found: dict[int, list[Finding]] = defaultdict(list)
    for part, finding in _named_twice(con, landings):
        found[part].append(finding)
    names = {
        part.part: " ".join(filter(None, [landing.manifest.name, part.sheet]))
        for landing in (*before, *landings)
        for part in landing.manifest.parts
        if part.record_kind is _LOOKS
    }
    told = _within_rows(con, rows) if looks else []
    if looks:
        told += _contradicting(con, _looks_of([*before, *landings]), names, a_row)
    for part, finding in told:
        shown = tuple(row // a_row[part] for row in finding.rows)
        found[part].append(finding.model_copy(update={"rows": shown}))
    result = []
    for landing in landings:
        parts = tuple(
            part.model_copy(update={"findings": (*part.findings, *found[part.part])})
            if part.part in found
            else part
            for part in landing.manifest.parts
        )
        manifest = landing.manifest.model_copy(update={"parts": parts})
        result.append(Landing(manifest, landing.folder))
    return result


def _looks_of(landings: Sequence[Landing]) -> list[tuple[Path, Part]]:
    return [
        (landing.folder, part)
        for landing in landings
        for part in landing.manifest.parts
        if part.record_kind is _LOOKS
    ]


_CORRECT_BUT = (
    "(result = 'correct' AND (coalesce(neutral_ground_jumper = 'yes', false) "
    "OR coalesce(polarity = 'reversed', false) OR coalesce(ground_present = 'no', false)))"
)

NEUTRAL_GROUND_TOO_HIGH = 10
"""Volts between neutral and ground; a load at the end of a long circuit makes a few. Judgement."""

GROUND_PATH_TOO_HIGH = 100
"""Ohms of the path of a ground; a sound one has a few at most. Judgement."""

FIRST_LOOKS = 1960
"""Year before which nobody made such looks. From memory, no source."""

_GFCI_FAULT = literal(rf"(^|[^a-z])({GFCI_FAULT})($|[^a-z])")

_WORDS: dict[str, tuple[tuple[str, ...], str]] = {
    "danger_in_text": (TEXTS, "t IN (FROM dangerous_texts)"),
    "danger_in_names": (NAMES, "t IN (FROM dangerous_texts)"),
    "gfci_fault_in_note": (("note",), f"regexp_matches(lower(t), {_GFCI_FAULT})"),
    "untested_by_note": (("note", "inspector"), says_untested_sql("t")),
    "void_by_note": (("note",), says_void_sql("t")),
}
"""Kinds of finding that rest on words: the columns that are asked, and SQL over a text ``t``."""

_TOLD: dict[str, tuple[str, str]] = {
    "danger_in_text": (
        "result = 'correct' AND {said}",
        "rows with the result 'correct' beside words of danger or of a defect, which nothing "
        "reads: read them, such as {example!r}",
    ),
    "gfci_fault_in_note": (
        "result <> 'correct' AND {said}",
        "rows whose note says that a GFCI is dead or gone, which nothing reads: write `no` under "
        "gfci_protected or gfci_button_tripped where it is so, such as {example!r}",
    ),
    "danger_in_names": (
        "{said}",
        "rows whose identifiers or persons hold words of danger or of a defect, which nothing "
        "reads: read them",
    ),
    "untested_by_note": (
        "result NOT IN ('not_tested', 'not_accessible') AND {said}",
        "rows with a result beside words that nothing was tested, or that it was assumed or "
        "copied; they count: read them, such as {example!r}",
    ),
    "void_by_note": (
        "{said}",
        "rows whose note may say that they do not count (void, entered in error); they count: take "
        "out of the file those that should not",
    ),
    "readings_beside_correct": (
        f"result = 'correct' AND (abs(neutral_ground_volts) >= {NEUTRAL_GROUND_TOO_HIGH} "
        f"OR ground_path_ohms >= {GROUND_PATH_TOO_HIGH})",
        "rows with the result 'correct' beside a reading that no sound ground gives "
        f"({NEUTRAL_GROUND_TOO_HIGH} V or more between neutral and ground, "
        f"{GROUND_PATH_TOO_HIGH} Ω or more in its path): look there again",
    ),
    "looks_too_old": (
        f"year(observed_on) < {FIRST_LOOKS}",
        f"looks dated before {FIRST_LOOKS}, when receptacles with three slots and testers for them "
        "were not in use: see whether the years are right",
    ),
    "contradicting_cells": (
        f"method = '{Method.COVER_OFF_INSPECTION.value}' AND coalesce({_CORRECT_BUT} "
        "OR (result = 'open_ground' AND ground_present = 'yes'), false)",
        "looks into the open box whose result is not what their other columns say (correct beside "
        "a jumper, no ground or reversed polarity; open ground beside a ground): both are weighed; "
        "ask who looked",
    ),
}
"""Kinds of finding that a row shows by itself: SQL of such a row (``{said}``: a column of
``_WORDS`` holds such a text), and what is told of them."""


def _find_words(con: duckdb.DuckDBPyConnection, rows: str) -> dict[str, list[str]]:
    """Make the table ``said`` (kind, place, t) of texts with words of ``_WORDS`` and return, of
    each kind, the columns that hold such a text: most files hold none."""
    distinct = [
        f"SELECT DISTINCT {literal(name)} AS place, {name} AS t FROM ({rows}) WHERE {name} <> ''"
        for name in (*TEXTS, *NAMES)
    ]
    con.execute(f"CREATE OR REPLACE TEMP TABLE texts AS {' UNION ALL '.join(distinct)}")
    # what has no word in it is no danger; most identifiers have none
    con.execute(
        f"DELETE FROM texts WHERE place IN ({', '.join(map(literal, NAMES))}) "
        "AND NOT regexp_matches(t, '[[:alpha:]]{4}')"
    )
    find_dangerous(con, "SELECT DISTINCT t FROM texts")
    asked = [
        f"SELECT {literal(kind)} AS kind, * FROM texts "
        f"WHERE place IN ({', '.join(map(literal, places))}) AND {says}"
        for kind, (places, says) in _WORDS.items()
    ]
    con.execute(f"CREATE OR REPLACE TEMP TABLE said AS {' UNION ALL '.join(asked)}")
    con.execute("DROP TABLE texts")
    found = con.execute("SELECT kind, list(DISTINCT place ORDER BY place) FROM said GROUP BY kind")
    return dict(found.fetchall())


def _within_rows(con: duckdb.DuckDBPyConnection, rows: str) -> list[tuple[int, Finding]]:
    places = _find_words(con, rows)

    def said(kind: str) -> str:
        texts = f"(SELECT t FROM said WHERE kind = {literal(kind)} AND place = "
        holds = [f"{name} IN {texts}{literal(name)})" for name in places.get(kind, ())]
        return f"({' OR '.join(holds) or 'false'})"

    text = f"concat_ws(' · ', {', '.join(TEXTS)})"
    # most files hold no such words, and few rows are told of: the others are only read
    asked = {
        kind: f"coalesce({where.replace('{said}', said(kind))}, false) AS {kind}"
        for kind, (where, _) in _TOLD.items()
        if kind in places or kind not in _WORDS
    }
    # an IN within FILTER is worked out in a SELECT of its own
    rows = f"SELECT _part, _row, {', '.join(TEXTS)}, {', '.join(asked.values())} FROM ({rows})"
    counted = ", ".join(
        f"count(*) FILTER ({kind}), (list(_row ORDER BY _row) FILTER ({kind}))[1:5], "
        f"arg_min({text}, _row) FILTER ({kind})"
        for kind in asked
    )
    found = []
    for part, *numbers in con.execute(
        f"SELECT _part, {counted} FROM ({rows}) WHERE {' OR '.join(asked)} "
        "GROUP BY _part ORDER BY _part"
    ).fetchall():
        for place, kind in enumerate(asked):
            count, first, example = numbers[3 * place : 3 * place + 3]
            if count:
                told = _TOLD[kind][1].format(example=example)
                found.append(
                    (part, Finding(kind=kind, message=told, count=count, rows=tuple(first)))
                )
    return found


def _named_twice(
    con: duckdb.DuckDBPyConnection, landings: Sequence[Landing]
) -> list[tuple[int, Finding]]:
    """Buildings of a register that a later row of the same file says other things of."""
    registers = [
        part.part
        for landing in landings
        for part in landing.manifest.parts
        if part.record_kind is RecordKind.BUILDING_REGISTER and not part.corrects
    ]
    if not registers:
        return []
    counted = con.execute(
        "SELECT _part, count(*), list(_row ORDER BY _row)[1:5] FROM outcomes "
        "WHERE status = 'superseded' AND other_part = _part "
        f"AND _part IN ({', '.join(map(str, registers))}) GROUP BY _part ORDER BY _part"
    ).fetchall()
    message = (
        "buildings that a later row of the same register says other things of; the later row "
        "counts (see `coverplate quality`): where these are two buildings, give each its own name"
    )
    return [
        (part, Finding(kind="building_named_twice", message=message, count=n, rows=tuple(first)))
        for part, n, first in counted
    ]


def _contradicting(
    con: duckdb.DuckDBPyConnection,
    looks: Sequence[tuple[Path, Part]],
    names: dict[int, str],
    new: Collection[int],
) -> list[tuple[int, Finding]]:
    replaced = "SELECT _part, _row, other_part, other_row FROM outcomes WHERE status = 'superseded'"
    pairs = con.execute(f"SELECT DISTINCT _part, other_part FROM ({replaced})").fetchall()
    parts = {part for pair in pairs if set(pair) <= set(names) for part in pair}
    if not parts:
        return []
    rows = valid_rows_of([each for each in looks if each[1].part in parts], _LOOKS)
    counted = con.execute(
        "SELECT o._part, o.other_part, count(*), list(s._row ORDER BY s._row)[1:5] "
        f"FROM ({replaced}) AS o "
        f"JOIN ({rows}) AS s ON s._part = o._part AND s._row = o._row "
        f"JOIN ({rows}) AS n ON n._part = o.other_part AND n._row = o.other_row "
        "WHERE s.result <> n.result GROUP BY ALL ORDER BY ALL"
    ).fetchall()
    found = []
    for part, other, count, first in counted:
        # a file that is settled already can be told nothing more
        own = part if part in new else other
        by = "of the same file" if other == part else f"of {names[other]}"
        message = (
            f"rows {'' if own == part else f'of {names[part]} '}that a later row {by} replaces "
            "with another result for the same opening, day, person and method; where these are two "
            "openings (two dwellings, two halves of a receptacle, merged cells), say which is "
            "which in unit or opening"
        )
        shown = tuple(first) if own == part else ()
        kind = "contradicting_rows"
        found.append((own, Finding(kind=kind, message=message, count=count, rows=shown)))
    return found
