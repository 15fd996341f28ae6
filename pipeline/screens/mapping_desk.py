"""A proposed mapping on the desk: columns with their samples, corrected by a person, made valid."""

from __future__ import annotations

from collections.abc import Mapping as Dict
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from pipeline.landing import Mapping
from pipeline.landing.cells import DateOrder, DecimalMark, word_form
from pipeline.landing.certificate import left_out
from pipeline.landing.mapping import ColumnMapping, parse_mapping
from pipeline.landing.preview import Preview
from pipeline.landing.propose import propose_mapping
from pipeline.landing.questions import meanings
from pipeline.landing.wide import CELL
from pipeline.landing.workspace import HEADING
from shared.faults import CoverplateError
from shared.records import LAYOUTS
from shared.vocabulary import RecordKind

SAMPLES = 3


@dataclass(frozen=True)
class Desk:
    """One table of a file and the mapping that is being made for it.

    Attributes:
        table: the file's table.
        kind: the record kind that it is read as.
    """

    table: Preview
    kind: RecordKind

    def samples(self, header: str, most: int = SAMPLES) -> list[str]:
        """Some different values of a column."""
        if header not in self.table.header:
            return []
        place = self.table.header.index(header)
        if self.table.looks:
            return list(self.table.looks[place].words)[:most]
        values = (row[place] for row in self.table.sample if place < len(row))
        return list(dict.fromkeys(v for v in values if v))[:most]


def interpreted(table: Preview) -> pd.DataFrame:
    """What the proposal makes of the most frequent words of each column.

    Returns:
        One row per column of the file and word: header, column (ours, "" where it stays unread),
        original, times, read_as ("" where it cannot be read).
    """
    proposal = table.proposal
    kind = proposal.kind
    by_header = {c.header: c for c in proposal.columns}
    rows = []
    for look in table.looks:
        read = by_header.get(look.header)
        for word, times in list(look.words.items())[:SAMPLES]:
            shown = ""
            if read is not None and kind is not None and word not in read.unread:
                field = LAYOUTS[kind].field(read.column)
                known = meanings(field) if field.type == "choice" else {}
                shown = known.get(word_form(word), word)
            rows.append((look.header, read.column if read else "", word, times, shown))
    return pd.DataFrame(rows, columns=["header", "column", "original", "times", "read_as"])


def unread(words: pd.DataFrame) -> int:
    """How many words of ``interpreted`` stand in a column that is read and cannot be read."""
    return int(((words["column"] != "") & (words["read_as"] == "")).sum())


def accounted(table: Preview) -> tuple[int, int, pd.DataFrame]:
    """What the lines of a file are.

    Returns:
        Lines of the file; rows of tables; and one row per stretch of other lines that hold
        anything: sheet, first, last, what, lines, text, danger.
    """
    last = {stretch.sheet: stretch.last for stretch in table.certificate}
    rows = sum(s.rows for s in table.certificate if s.role == "rows")
    other = [
        (s.sheet, s.first, s.last, s.role, s.rows, s.sample, s.danger)
        for s in left_out(table.certificate)
    ]
    names = ["sheet", "first", "last", "what", "lines", "text", "danger"]
    return sum(last.values()), rows, pd.DataFrame(other, columns=names)


def columns(desk: Desk) -> pd.DataFrame:
    """What each canonical column would be read from.

    Returns:
        One row per column of the record kind: column, meaning, required, header (the proposed
        source column, "" where none fits), samples (text), sure (0 to 1, NaN where none fits).
    """
    proposal = desk.table.proposal
    own = {c.column: c for c in proposal.columns} if proposal.kind is desk.kind else {}
    if proposal.kind is not desk.kind:
        headers = set(desk.table.header)
        fitting = {f.name: f.name for f in LAYOUTS[desk.kind].fields if f.name in headers}
    else:
        fitting = {name: c.header for name, c in own.items()}
    rows = []
    for field in LAYOUTS[desk.kind].fields:
        header = fitting.get(field.name, "")
        rows.append(
            (
                field.name,
                field.meaning,
                field.required,
                header,
                " | ".join(desk.samples(header)),
                own[field.name].confidence if field.name in own else float("nan"),
            )
        )
    names = ["column", "meaning", "required", "header", "samples", "sure"]
    return pd.DataFrame(rows, columns=names)


def specifications(desk: Desk, chosen: Dict[str, str]) -> dict[str, ColumnMapping]:
    """How the chosen source columns are read, words and units included.

    Args:
        desk: the table.
        chosen: canonical column to source column.
    """
    back = {header: column for column, header in chosen.items()}
    renamed = [back.get(header, f"left out {n}") for n, header in enumerate(desk.table.header)]
    proposal = propose_mapping(renamed, desk.table.sample)
    drafted: dict[str, ColumnMapping] = {}
    if proposal.mapping is not None and proposal.kind is desk.kind:
        drafted = dict(proposal.mapping.records[0].columns)
    elif proposal.kind is desk.kind:
        drafted = dict(proposal.draft)
    specs = {
        column: drafted.get(column, ColumnMapping(from_=(header,))).model_copy(
            update={"from_": (header,)}
        )
        for column, header in chosen.items()
    }
    room = chosen.get("room")
    if chosen.get("opening_id") == HEADING and room not in (None, HEADING):
        # one row a room: the openings of a dwelling are told apart by room and column only
        specs["opening_id"] = ColumnMapping(join=(str(room), HEADING))
    return specs


def constant_choices(desk: Desk, chosen: Dict[str, str]) -> dict[str, tuple[str, ...]]:
    """Required words that no column of the file gives: each may be the same in every row.

    Returns:
        Canonical column to its words.
    """
    return {
        field.name: field.choices
        for field in LAYOUTS[desk.kind].fields
        if field.required and field.choices and field.name not in chosen
    }


def unknown_words(desk: Desk, chosen: Dict[str, str]) -> pd.DataFrame:
    """Words of vocabulary columns that nobody has translated yet.

    Returns:
        Columns column, word (as the file has it), choices (list of what it may mean).
    """
    rows = []
    for column, spec in specifications(desk, chosen).items():
        field = LAYOUTS[desk.kind].field(column)
        if field.type != "choice":
            continue
        known = {word_form(word) for word in (*field.choices, *spec.values)}
        for word in desk.samples(chosen[column], most=1000):
            if word_form(word) not in known and word_form(word):
                known.add(word_form(word))
                rows.append((column, word, list(field.choices)))
    return pd.DataFrame(rows, columns=["column", "word", "choices"])


def made(
    desk: Desk,
    name: str,
    chosen: Dict[str, str],
    words: Sequence[tuple[str, str, str]] = (),
    *,
    date_order: DateOrder | None = None,
    decimal_mark: DecimalMark | None = None,
    ignored: Sequence[str] = (),
    constants: Dict[str, str] | None = None,
) -> Mapping:
    """The mapping that a person settled on.

    Args:
        desk: the table.
        name: its name; letters, digits, ``_`` and ``-``.
        chosen: canonical column to source column.
        words: (canonical column, the file's word, our word; "" for no answer).
        date_order, decimal_mark: where the file alone does not tell.
        ignored: columns of the file that may stay unread whatever words they hold.
        constants: canonical column to what it holds in every row.

    Raises:
        CoverplateError: every fault of the mapping, together.
    """
    # the name of a column may be a room's and the opening's at once
    own = [header for header in chosen.values() if header != HEADING]
    twice = {header for header in own if own.count(header) > 1}
    if twice:
        raise CoverplateError(
            "these columns of the file are used twice: " + ", ".join(sorted(twice)),
            expected="each column of the file for one of ours",
            to_do="leave it to the one that it fits best",
        )
    specs = specifications(desk, chosen)
    columns_: dict[str, object] = {}
    for column, spec in specs.items():
        extra = {theirs.lower(): ours for where, theirs, ours in words if where == column}
        whole = spec.model_copy(update={"values": {**spec.values, **extra}})
        columns_[column] = whole.model_dump(by_alias=True, exclude_defaults=True)
    content: dict[str, object] = {
        "name": name,
        "description": f"made for {desk.table.path.rsplit('/', 1)[-1]}",
        "recognised_by": sorted({*own, *desk.table.wide[:2]} - {CELL}),
        "records": [{"kind": desk.kind.value, "columns": columns_}],
    }
    for name_, value in (constants or {}).items():
        columns_[name_] = {"constant": value}
    if desk.table.wide:
        content["wide"] = list(desk.table.wide)
    if ignored:
        content["ignored"] = list(ignored)
    if date_order:
        content["date_order"] = date_order
    if decimal_mark:
        content["decimal_mark"] = decimal_mark
    return parse_mapping(content, f"mapping {name!r}")
