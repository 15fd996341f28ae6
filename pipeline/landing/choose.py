"""Chooses how a table is read: by name, by a saved mapping, the default layout, or a proposal.

The order is: the mapping that the caller names; one that a person's answers made for exactly these
columns; the default layout; a mapping saved in the workspace that recognises the header; a shipped
one; a proposal that is sure enough. Anything else is refused with the question that is open.
"""

from __future__ import annotations

import datetime as dt
import re
import shlex
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import duckdb

from pipeline.landing import row_kinds
from pipeline.landing.answers import Answers
from pipeline.landing.column_look import ColumnLook, look_at, look_at_rows
from pipeline.landing.conform import make_plan
from pipeline.landing.dividing import SECTION, SHEET
from pipeline.landing.mapping import DEFAULT_LAYOUT, ColumnMapping, Mapping, RecordMapping
from pipeline.landing.mapping_store import (
    all_mappings,
    as_toml,
    find_mapping,
    list_mappings,
    toml_value,
)
from pipeline.landing.matching import KNOWN_NAMES, find_column, recognition
from pipeline.landing.open_question import OpenQuestionError, Question
from pipeline.landing.propose import Proposal, propose
from pipeline.landing.questions import danger_in, questions, ticks_and_crosses, unread_columns
from pipeline.landing.raw import SAMPLE_ROWS, RawTable
from pipeline.landing.report import Finding
from pipeline.landing.row_kinds import normalised
from pipeline.landing.status_dates import find_status_dates
from pipeline.landing.synonyms import HEADER_SYNONYMS
from pipeline.landing.told_apart import KEY, dwelling_in_name, unread_places
from pipeline.landing.wide import beside_wide, find_wide, turned, wide_places, wide_question
from pipeline.landing.workspace import Workspace
from shared.records import LAYOUTS
from shared.vocabulary import RecordKind

PROPOSAL_THRESHOLD = 0.8
"""A proposal at least this sure is used without asking, and recorded with its confidence."""

RECOGNITION_THRESHOLD = 0.7
"""How surely a header must be recognised for a saved or shipped mapping to be used unasked."""


@dataclass(frozen=True)
class Choice:
    """How a table is read.

    Attributes:
        mapping: columns and words.
        label: what reports call it: the mapping's name or ``default layout``.
        confidence: 0 to 1.
    """

    mapping: Mapping
    label: str
    confidence: float


def known_header(workspace: Workspace) -> Callable[[str], bool]:
    """Return a test for normalised headers that any layout, synonym or mapping knows."""
    known = set(KNOWN_NAMES)
    for mapping in all_mappings(workspace):
        known |= {normalised(name) for name in mapping.recognised_by}
        for record in mapping.records:
            for spec in record.columns.values():
                known |= {normalised(name) for name in (*spec.from_, *spec.join)}
    known.discard("")
    return known.__contains__


def default_kind(header: Sequence[str], answers: Answers | None = None) -> RecordKind | None:
    """Return the record kind whose default layout a header has, or None.

    Every required column must be there under its own name or be the same in every row by a person's
    answer, and every other column must be the layout's too or mean nothing that the layout lacks.
    """
    said = answers or Answers()
    names = {normalised(name) for name in header}
    best: tuple[int, RecordKind] | None = None
    for kind, layout in LAYOUTS.items():
        if said.kind not in (None, kind):
            continue
        required = {field.name for field in layout.fields if field.required} - set(said.constants)
        own = names & set(layout.columns)
        if not required <= own or (kind is RecordKind.BUILDING_REGISTER and len(own) < 2):
            continue
        if names - own and _means_something_missing(header, kind, own):
            continue
        if best is None or len(own) > best[0]:
            best = len(own), kind
    return best[1] if best else None


def _means_something_missing(header: Sequence[str], kind: RecordKind, own: set[str]) -> bool:
    others = {normalised(name) for name in header} - own
    for name in LAYOUTS[kind].columns:
        meant = {normalised(word) for word in HEADER_SYNONYMS.get(name, ())}
        if name not in own and meant & others:
            return True
    return False


def default_mapping(
    kind: RecordKind, header: Sequence[str], answers: Answers | None = None
) -> Mapping:
    """Return the mapping of a file in the default layout: every canonical column by its own name,
    words as the trade spells them."""
    if not answers:
        return _plain_default(kind, tuple(header))
    return _default(kind, header, answers)


@lru_cache(maxsize=256)
def _plain_default(kind: RecordKind, header: tuple[str, ...]) -> Mapping:
    return _default(kind, header, Answers())


def _default(kind: RecordKind, header: Sequence[str], said: Answers) -> Mapping:
    names = {normalised(name) for name in header}
    columns = {}
    for field in LAYOUTS[kind].fields:
        if field.name not in names:
            if field.name in said.constants:
                columns[field.name] = ColumnMapping(constant=said.constants[field.name])
            continue
        values = said.words_of(field.name)
        columns[field.name] = ColumnMapping(from_=(field.name,), values=values)
    return Mapping(
        name="default",
        records=(RecordMapping(kind=kind, columns=columns),),
        status_dates=find_status_dates(header),
        **said.for_mapping(),
    )


def choose(
    workspace: Workspace,
    con: duckdb.DuckDBPyConnection,
    table: RawTable,
    named: str | None,
    file: str,
    answers: Answers | None = None,
) -> Choice:
    """Choose how a table is read, and keep which of the columns that may be ignored held words of
    danger when a person said so; arguments and faults as of ``_choose``."""
    choice = _choose(workspace, con, table, named, file, answers)
    said = named is not None or (answers is not None and answers.date_order is not None)
    if not said and (open_ := _doubtful_days(con, table, choice.mapping)):
        raise asked(file, table, None, open_)
    if answers is None or not answers.ignore:
        return choice
    seen = danger_in(con, table.relation, table.header, answers.ignore)
    known = tuple(dict.fromkeys((*choice.mapping.ignored_danger, *seen)))
    return replace(choice, mapping=choice.mapping.model_copy(update={"ignored_danger": known}))


_WORKBOOK_DAY = re.compile(r"\d{4}-(\d\d)-(\d\d)")
_TYPED_DAY = re.compile(r"(\d{1,2})[-/. ](\d{1,2})[-/. ]\d{2,4}\b.*")
_SERIAL = re.compile(r"\d{5}(\.\d+)?")


def _doubtful_days(
    con: duckdb.DuckDBPyConnection, table: RawTable, mapping: Mapping
) -> list[Question]:
    """Columns of days that the program which wrote the file may have turned into others.

    A spreadsheet program takes 03/11/2024 for a day in its own order and leaves 14/03/2024 as text:
    then every day it knows has a number up to 12, every text one above it. And numbers without the
    format of a day are counted from 1900 here, in some workbooks from 1904.
    """
    if table.first_row is not None:
        return []  # plain text, which no such program has read
    places = {
        place
        for record in mapping.records
        for origin in make_plan(table, mapping, record, dt.date.today()).origins
        if origin.field.type == "date"
        for place in origin.used
    }
    from_1904 = any(finding.kind == "days_from_1904" for finding in table.findings)
    asked_of = []
    for place in sorted(places):
        texts = {text for row in table.sample if (text := row[place])}
        if len(table.sample) >= SAMPLE_ROWS:
            rows = con.execute(f"SELECT DISTINCT c{place} FROM {table.relation}").fetchall()
            texts = {text for (text,) in rows if text}
        name = table.header[place]
        if from_1904 and (serial := next(filter(_SERIAL.fullmatch, sorted(texts)), None)):
            found = (
                f"{name!r} holds numbers without the format of a day, such as {serial}, in a "
                "workbook that counts its days from 1904: give them that format and save it"
            )
            asked_of.append(Question("days_from_1904", "", found))
        known = [m.groups() for m in map(_WORKBOOK_DAY.fullmatch, texts) if m]
        typed = {m[0]: (int(m[1]), int(m[2])) for m in map(_TYPED_DAY.fullmatch, texts) if m}
        late = {text: pair for text, pair in sorted(typed.items()) if max(pair) > 12}
        swapped = known and all(int(day) <= 12 for _, day in known)
        if late and swapped and any(month != day for month, day in known):
            text, (one, _) = next(iter(late.items()))
            order = "dmy" if one > 12 else "mdy"
            found = (
                f"{name!r} mixes texts such as {text!r} with days of the workbook that all have a "
                "number up to 12: the program that wrote it may have read these with day and month "
                "swapped. Take the dates as text from where they come from, or say that the days "
                "are right"
            )
            asked_of.append(Question("half_converted", "", found, (f"date_order={order}",)))
    return asked_of


def danger_ignored(
    con: duckdb.DuckDBPyConnection, table: RawTable, mapping: Mapping, answers: Answers
) -> list[Finding]:
    """Return what is told of columns that may stay unread by an earlier answer, and that hold words
    of danger which were not there then."""
    names = {*mapping.ignored} - {*mapping.ignored_danger, *answers.ignore}
    return [
        Finding(
            kind="danger_ignored",
            message=f"{name!r} stays unread, as was said of an earlier file, and now holds words "
            f"of danger, such as {example!r}: read these rows; "
            f"--set {shlex.quote(f'ignore={name}')} says that it may stay unread all the same",
            count=count,
        )
        for name, (count, example) in danger_in(con, table.relation, table.header, names).items()
    ]


def _choose(
    workspace: Workspace,
    con: duckdb.DuckDBPyConnection,
    table: RawTable,
    named: str | None,
    file: str,
    answers: Answers | None = None,
) -> Choice:
    """Choose how a table is read.

    Args:
        workspace: its mappings come before those that are shipped.
        con: any connection.
        table: the table.
        named: name of a mapping, or None.
        file: the file, for messages.
        answers: what a person has settled.

    Raises:
        OpenQuestionError: it can be read more than one way, or nothing fits surely enough.
        CoverplateError: the named mapping does not exist or fit.
    """
    said = answers or Answers()
    if named is not None:
        mapping = _said_of(_answered(find_mapping(workspace, named), said), said, table)
        return Choice(mapping, mapping.name, 1.0)
    own_name = name_of(file)
    kind = default_kind(table.header, said)
    renamed = said.columns or said.wide
    if kind is not None and not renamed and not _remembered(workspace, table.header):
        mapping = default_mapping(kind, table.header, said)
        _ask_nothing(con, table, mapping, file, look_at_rows(table.header, table.sample))
        if said:
            mapping = _said_of(mapping, said, table).model_copy(
                update={"name": own_name, "recognised_by": tuple(sorted(table.header))}
            )
        return Choice(mapping, own_name if said else DEFAULT_LAYOUT, 1.0)
    rated = [
        (recognition(mapping.recognised_by, table.header), mapping)
        for mapping in all_mappings(workspace)
    ]
    others = [m for sure, m in rated if sure and _differs(m, table, own_name)]
    rated = [(sure, mapping) for sure, mapping in rated if mapping not in others]
    confidence, recognised = max(rated, key=lambda pair: pair[0], default=(0.0, None))
    if recognised is not None and confidence >= RECOGNITION_THRESHOLD and not renamed:
        mapping = _said_of(_answered(recognised, said), said, table)
        own = turned(con, table, mapping)
        _ask_nothing(con, own, mapping, file, look_at_rows(own.header, own.sample))
        return Choice(mapping, mapping.name, confidence)
    proposal = propose(look_at(con, table), own_name if said else "proposed", said)
    if proposal.mapping is not None and not proposal.questions:
        sure = proposal.confidence >= PROPOSAL_THRESHOLD
        if sure or _settled_by(proposal, said):
            own = turned(con, table, proposal.mapping)
            _ask_nothing(con, own, proposal.mapping, file, None)
            mapping = _said_of(proposal.mapping, said, table)
            return Choice(mapping, mapping.name, proposal.confidence)
    raise asked(file, table, proposal, [_kept_elsewhere(m, table, own_name) for m in others])


def _said_of(mapping: Mapping, said: Answers, table: RawTable) -> Mapping:
    """A mapping that keeps of which columns a person answered for words of a file."""
    if not (said.words or said.constants or said.no_answer):
        return mapping
    return mapping.model_copy(update={"said_of": table.header})


def _differs(mapping: Mapping, table: RawTable, name: str) -> list[str]:
    """What keeps answers that were given for words of one file from holding for another: columns
    that one of them lacks, for the same word may mean another thing there; a building or dwelling
    that was said of all rows, unless the file bears the same name."""
    if not mapping.said_of:
        return []

    def names(header: Sequence[str]) -> dict[str, str]:
        wide = set(wide_places(header, mapping.wide)) if mapping.wide else set()
        told = {normalised(name): name for n, name in enumerate(header) if n not in wide}
        return {plain: name for plain, name in told.items() if name not in (SECTION, SHEET)}

    before, now = names(mapping.said_of), names(table.header)
    places = [
        f"{column} is {spec.constant!r} there"
        for record in mapping.records
        for column, spec in record.columns.items()
        if column in KEY and spec.constant and mapping.name != name
    ]
    return [*sorted(repr((before | now)[n]) for n in before.keys() ^ now.keys()), *places]


def _kept_elsewhere(mapping: Mapping, table: RawTable, name: str) -> Question:
    """Tell that answers are kept which this file is not read with."""
    found = (
        f"answers are kept as {mapping.name!r} and were given for another file (what differs: "
        f"{', '.join(_differs(mapping, table, name))}); say them again where they hold here too, "
        f"or --mapping {mapping.name}"
    )
    return Question("other_columns", "", found)


def _remembered(workspace: Workspace, header: Sequence[str]) -> bool:
    """Say whether a person has answered before for a file of exactly these columns."""
    names = {normalised(name) for name in header}
    return any(
        {normalised(name) for name in mapping.recognised_by} == names
        for mapping in list_mappings(workspace)
    )


def _settled_by(proposal: Proposal, said: Answers) -> bool:
    """Say whether every required column that is unsure was named by a person."""
    assert proposal.kind is not None
    return all(
        c.column in said.columns or c.confidence >= PROPOSAL_THRESHOLD
        for c in proposal.columns
        if LAYOUTS[proposal.kind].field(c.column).required
    ) and bool(said.columns or said.constants or said.wide or said.kind)


def _answered(mapping: Mapping, said: Answers) -> Mapping:
    """A mapping with what a person answered beside it."""
    update: dict[str, object] = {}
    if said.date_order:
        update["date_order"] = said.date_order
    if said.decimal_mark:
        update["decimal_mark"] = said.decimal_mark
    if said.no_answer:
        update["null_tokens"] = (*mapping.null_tokens, *said.no_answer)
    if said.ignore:
        update["ignored"] = (*mapping.ignored, *said.ignore)
    if said.different:
        update["distinct"] = (*mapping.distinct, *said.different)
    if said.same_opening:
        update["same_opening"] = (*mapping.same_opening, *said.same_opening)
    if said.words or said.constants:
        update["records"] = tuple(
            record.model_copy(
                update={
                    "columns": {
                        name: spec.model_copy(
                            update={"values": {**spec.values, **said.words_of(name)}}
                        )
                        for name, spec in record.columns.items()
                    }
                    | {
                        name: ColumnMapping(constant=text)
                        for name, text in said.constants.items()
                        if name in LAYOUTS[record.kind].columns
                        and (name not in record.columns or record.columns[name].constant)
                    }
                }
            )
            for record in mapping.records
        )
    return mapping.model_copy(update=update) if update else mapping


def _ask_nothing(
    con: duckdb.DuckDBPyConnection,
    table: RawTable,
    mapping: Mapping,
    file: str,
    looks: Sequence[ColumnLook] | None,
) -> None:
    """Stop where a reading leaves a column with words of danger aside, or has a rival.

    Raises:
        OpenQuestionError: so it is.
    """
    plans = [make_plan(table, mapping, record, dt.date.today()) for record in mapping.records]
    used = {place for plan in plans for place in plan.used}
    looks_only = all(r.kind is RecordKind.OPENING_OBSERVATIONS for r in mapping.records)
    kinds = {r.kind for r in mapping.records}
    open_ = unread_columns(
        con,
        table.relation,
        table.header,
        used,
        mapping.ignored,
        of_looks=looks_only,
        # a register tells of amps and volts of a whole building
        by_danger=RecordKind.BUILDING_REGISTER not in kinds,
        into=_TEXTS.get(next(iter(kinds)), _ANY_TEXT) if len(kinds) == 1 else _ANY_TEXT,
    )
    open_ += _unread_titles(table, mapping, used)
    unread = [place for place in range(len(table.header)) if place not in used]
    for plan in plans:
        if plan.record.kind is RecordKind.OPENING_OBSERVATIONS:
            open_ += unread_places(con, plan, unread)
            open_ += dwelling_in_name(file, plan.record)
    if mapping.wide:
        open_ += beside_wide(look_at(con, table), [table.header[n] for n in used], mapping.ignored)
    elif open_ and (wide := find_wide(_unread(table, used))) is not None:
        open_.append(wide_question(wide, table.header))
    ignored = {normalised(name) for name in mapping.ignored}
    for record in mapping.records if looks is not None else ():
        read = {}
        for name, spec in record.columns.items():
            found = find_column(spec.from_, table.header) if spec.from_ else None
            if found is not None:
                read[name] = table.header[found[0]]
        # columns that another record kind, a join or a rule reads are no rivals
        free = [
            look
            for place, look in enumerate(looks or ())
            if normalised(look.header) not in ignored
            and (place not in used or look.header in read.values())
        ]
        open_ += questions(record.kind, free, read, trusted=True)
        said = {
            name: {word.lower() for word in spec.values} for name, spec in record.columns.items()
        }
        open_ += ticks_and_crosses(record.kind, free, read, said)
    if open_:
        raise asked(file, table, None, open_)


_ANY_TEXT = ("result", "note")
_TEXTS = {
    RecordKind.BUILDING_REPORTS: ("description",),
    RecordKind.FIX_REPORTS: ("remedy", "note"),
}
"""Columns that words of danger in an unread column may be read as, by record kind."""


def _unread(table: RawTable, used: set[int]) -> list[ColumnLook]:
    looks = look_at_rows(table.header, table.sample)
    return [look for place, look in enumerate(looks) if place not in used]


def _unread_titles(table: RawTable, mapping: Mapping, used: set[int]) -> list[Question]:
    """Titles between the rows that no column is read from, where the rows lack a place that they
    could give."""
    if SECTION not in table.header or SECTION in mapping.ignored:
        return []
    place = table.header.index(SECTION)
    if place in used:
        return []
    titles = dict.fromkeys(row[place] for row in table.sample if row[place])
    told = ", ".join(repr(title) for title in list(titles)[:3])
    found = f"titles stand between the rows ({told}) and no column is read from them"
    answers = tuple(f"{name}={SECTION}" for name in ("unit_id", "building_id", "room"))
    return [Question("titles", "", found, (*answers, f"ignore={SECTION}"))]


def name_of(file: str) -> str:
    """Return the name of the mapping that is made for a file."""
    stem = re.sub(r"(\.[A-Za-z0-9]{1,8})+$", "", re.split(r"[/\\]", file)[-1])
    plain = re.sub(r"[^A-Za-z0-9_\-]+", "_", stem).strip("_-")
    return plain or "source"


def asked(
    file: str, table: RawTable, proposal: Proposal | None, open_: Sequence[Question] = ()
) -> OpenQuestionError:
    """Return the refusal that asks what is open about a table."""
    everything = [*(proposal.questions if proposal else ()), *open_]
    where = f" ({table.sheet})" if table.sheet else ""
    found = f"{file}{where}: the columns are not known well enough to read the file unasked "
    told = [proposal.explanation()] if proposal else []
    found += f"({'; '.join([*told, *(question.found for question in open_)])})"
    others = "; ".join(" or ".join(q.answers) for q in everything if q.answers)
    if proposal and proposal.kind:
        for column in proposal.columns:
            if column.unread and LAYOUTS[proposal.kind].field(column.column).required:
                words = ", ".join(f"{w!r} ×{n}" for w, n in list(column.unread.items())[:6])
                found += f"; {column.column} cannot be read where it says {words}"
                others = "; ".join(filter(None, [others, f"{column.column}={column.header}"]))
    settings = [question.answers[0] for question in everything if question.answers]
    if proposal:
        settings += [f"{n}={proposal.suggested.get(n, 'HEADER')}" for n in proposal.missing]
        others = "; ".join(filter(None, [others, *_constants(proposal)]))
    shown = " ".join(f"--set {shlex.quote(text)}" for text in settings) or "--set COLUMN=HEADER"
    left = not settings or any(text.endswith("=HEADER") for text in settings)
    own = ", with your own column and header" if left else ""
    name = name_of(file)
    return OpenQuestionError(
        found,
        expected="columns with one reading: the default layout, or a mapping that recognises it",
        to_do=f"answer with `coverplate intake {file} {shown}`{own}"
        + (f" (or another answer: {others}); " if others else "; ")
        + f"or correct the draft that was saved as drafts/{name}.toml in the workspace and save it "
        f"with `coverplate mapping save`; or look at it with `coverplate mapping propose {file} "
        "--save NAME`",
        questions=everything,
        draft=draft_toml(name, table.header, proposal, everything),
        name=name,
    )


def _constants(proposal: Proposal) -> list[str]:
    """Answers for required words that may be the same in every row and stand in no column."""
    assert proposal.kind is not None or not proposal.missing
    return [
        f"all:{name}=" + "|".join(LAYOUTS[proposal.kind].field(name).choices)
        for name in proposal.missing
        if proposal.kind is not None and LAYOUTS[proposal.kind].field(name).choices
    ]


def draft_toml(
    name: str, header: Sequence[str], proposal: Proposal | None, open_: Sequence[Question]
) -> str:
    """Return a mapping as far as it is known, with all that is open as comments."""
    lines = [f"# columns of the file: {', '.join(header)}".replace("\n", " ")]
    lines += [f"# open: {question.found}".replace("\n", " ") for question in open_]
    if proposal is not None and proposal.mapping is not None:
        whole = proposal.mapping.model_copy(update={"name": name})
        return "\n".join([*lines, "", as_toml(whole)])
    kind = (proposal.kind if proposal else None) or RecordKind.OPENING_OBSERVATIONS
    lines += ["", f'name = "{name}"', "recognised_by = []"]
    if proposal is not None and proposal.wide:
        lines.append(f"wide = {toml_value(list(proposal.wide))}")
    lines += ["", "[[records]]", f'kind = "{kind}"']
    drafted = proposal.draft if proposal else {}
    for field in LAYOUTS[kind].fields:
        spec = drafted.get(field.name)
        if spec is not None:
            content = spec.model_dump(mode="json", by_alias=True, exclude_defaults=True)
            lines += ["", f"[records.columns.{field.name}]"]
            lines += [f"{key} = {toml_value(value)}" for key, value in content.items()]
        elif field.required:
            lines += ["", f"# required: {field.meaning}", f"# [records.columns.{field.name}]"]
            lines += ['# from = ["HEADER"]']
    return "\n".join(lines) + "\n"


def speaks_of_receptacles(workspace: Workspace, table: RawTable) -> bool:
    """Say whether a table that cannot be read may hold something that must not be left behind: two
    known columns, or words of danger."""
    is_known = known_header(workspace)
    if sum(is_known(normalised(name)) for name in table.header) >= 2:
        return True
    return any(row_kinds.speaks_of_danger(cell) for row in table.sample for cell in row if cell)
