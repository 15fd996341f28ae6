"""Proposes a mapping from headers and values, says how sure it is and what it cannot settle.

Confidence of a column = how surely its header is known × the share of its values that can be read;
of two columns with known headers the one with the higher product is taken. Confidence of the whole
= the least sure required column × a little for the others; a required column that nothing fits
makes the whole unsure, because guessing it would invent evidence. What only a person can settle is
listed beside it (``questions``).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from pipeline.landing.answers import Answers
from pipeline.landing.cells import word_form
from pipeline.landing.column_look import ColumnLook, look_at_rows
from pipeline.landing.mapping import ColumnMapping, Mapping, RecordMapping
from pipeline.landing.matching import TRUNCATED_LENGTH, is_cut
from pipeline.landing.open_question import Question
from pipeline.landing.questions import (
    HOLDS,
    fit,
    may_name_people,
    meanings,
    questions,
    readable_words,
    spoken_by,
    ticks_and_crosses,
)
from pipeline.landing.row_kinds import normalised
from pipeline.landing.status_dates import find_status_dates
from pipeline.landing.synonyms import HEADER_SYNONYMS
from pipeline.landing.wide import (
    CELL,
    find_wide,
    named_as_openings,
    resolved,
    turned_looks,
    wide_question,
)
from pipeline.landing.workspace import HEADING
from shared.faults import CoverplateError
from shared.records import LAYOUTS, Field
from shared.vocabulary import RecordKind, ReportKind

ANSWERED, SAME, SYNONYM, TRUNCATED = 1.0, 1.0, 0.95, 0.85
"""How surely a header is known: a person said so; the column's own name; another word for it; one
of these cut short."""

Row = Sequence[str | None]


@dataclass(frozen=True)
class ColumnProposal:
    """What one canonical column would be read from.

    Attributes:
        column: canonical column.
        header: source column.
        confidence: 0 to 1.
        unread: values that could not be read, with how often each stands there.
    """

    column: str
    header: str
    confidence: float
    unread: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Proposal:
    """A proposed mapping and how sure it is.

    Attributes:
        kind: the record kind that fits best, or None.
        mapping: a valid mapping, or None where a required column is missing.
        confidence: of the whole, 0 to 1.
        columns: per canonical column.
        missing: required columns that nothing in the file fits by name.
        suggested: of these, the source column whose values fit.
        unmapped: source columns that no canonical column fits.
        draft: the record section as far as it goes, for a person to complete.
        questions: what only a person can settle.
        wide: source columns that would be read as one opening each; the other attributes speak of
            the table with one row a look then.
    """

    kind: RecordKind | None
    mapping: Mapping | None
    confidence: float
    columns: tuple[ColumnProposal, ...] = ()
    missing: tuple[str, ...] = ()
    unmapped: tuple[str, ...] = ()
    draft: dict[str, ColumnMapping] = field(default_factory=dict)
    questions: tuple[Question, ...] = ()
    suggested: dict[str, str] = field(default_factory=dict)
    wide: tuple[str, ...] = ()

    def explanation(self) -> str:
        """Say in one line how sure the proposal is and why not surer."""
        if self.kind is None:
            return "no column is known"
        parts = [f"{self.confidence:.0%} sure that these are {self.kind.replace('_', ' ')}"]
        if self.missing:
            parts.append("nothing found for " + ", ".join(self.missing))
        doubtful = [c for c in self.columns if c.confidence < 0.8]
        if doubtful:
            parts.append(
                "unsure of "
                + ", ".join(f"{c.column} from {c.header!r} ({c.confidence:.0%})" for c in doubtful)
            )
        parts += [question.found for question in self.questions]
        return "; ".join(parts)


def propose_mapping(
    header: Sequence[str], sample: Sequence[Row], name: str = "proposed"
) -> Proposal:
    """Propose how a table is read.

    Args:
        header: its column names.
        sample: some rows, cells in the header's order.
        name: name of the proposed mapping.
    """
    return propose(look_at_rows(header, sample), name)


def propose(
    looks: Sequence[ColumnLook], name: str = "proposed", answers: Answers | None = None
) -> Proposal:
    """Propose how a table is read.

    Args:
        looks: at each of its columns.
        name: name of the proposed mapping.
        answers: what a person has settled.

    Raises:
        CoverplateError: an answer names a column that the table does not have.
    """
    said = answers or Answers()
    wide = _wide_of(looks, said)
    if wide is not None:
        return _propose_wide(looks, wide, name, said)
    _check_answers(looks, said)
    long = _propose_long(looks, name, said)
    found = None if said.wide or "opening_id" in said.columns else find_wide(looks)
    if found is None or "opening_id" in long.draft:
        return long
    proposal = _propose_wide(looks, found.headers, name, said)
    if found.surely:
        return proposal
    question = wide_question(found, [look.header for look in looks])
    return replace(proposal, questions=(question, *proposal.questions))


def _wide_of(looks: Sequence[ColumnLook], said: Answers) -> tuple[str, ...] | None:
    """The columns that a person said are one opening each."""
    if not any(said.wide):
        return None
    return resolved([text for text in said.wide if text], [look.header for look in looks])


def _propose_wide(
    looks: Sequence[ColumnLook], wide: Sequence[str], name: str, said: Answers
) -> Proposal:
    """Propose how a sheet with one column an opening is read, once it is turned."""
    turned = turned_looks(looks, wide)
    roles = {"opening_id": HEADING, "result": CELL}
    own = replace(said, columns={**roles, **said.columns})
    _check_answers(turned, own)
    kind = RecordKind.OPENING_OBSERVATIONS
    proposal = _propose_kind(kind, turned, name, own)
    draft = dict(proposal.draft)
    if "room" in draft:
        # one row a room: the openings of a dwelling are told apart by room and column only
        draft["opening_id"] = ColumnMapping(join=(*draft["room"].from_, HEADING))
    elif not all(map(named_as_openings, wide)):
        draft["room"] = ColumnMapping(from_=(HEADING,))
    if proposal.mapping is None:
        return replace(proposal, draft=draft, wide=tuple(wide))
    columns = {
        field.name: draft[field.name] for field in LAYOUTS[kind].fields if field.name in draft
    }
    known = [name for name in proposal.mapping.recognised_by if name not in roles.values()]
    mapping = proposal.mapping.model_copy(
        update={
            "wide": tuple(wide),
            # a later file of the kind may have fewer of them, or more
            "recognised_by": (*known, *wide[:2]),
            "records": (RecordMapping(kind=kind, columns=columns),),
        }
    )
    return replace(proposal, mapping=mapping, draft=draft, wide=tuple(wide))


def _propose_long(looks: Sequence[ColumnLook], name: str, said: Answers) -> Proposal:
    """Propose how a table with one row a record is read."""
    kinds = [said.kind] if said.kind else [k for k in RecordKind if _can_be(k, looks, said)]
    named = {*said.columns, *said.constants}
    if not said.kind and named:
        # a column that only some kinds have says which kind is meant
        having = [k for k in kinds if named <= set(LAYOUTS[k].columns)]
        kinds = having or kinds
    proposals = [_propose_kind(kind, looks, name, said) for kind in kinds]
    # the headers say what the file is about, the values only how well it can be read
    return max(proposals, key=lambda p: (len(p.columns), p.confidence))


def _can_be(kind: RecordKind, looks: Sequence[ColumnLook], said: Answers) -> bool:
    """Say whether a table can be of a kind at all.

    Only a column that says what was done, beside one that says where, makes a fix report: the other
    columns of one could be any inspection's.
    """
    if kind is not RecordKind.FIX_REPORTS:
        return True
    there = {normalised(look.header) for look in looks}

    def told(name: str) -> bool:
        words = {normalised(word) for word in (name, *HEADER_SYNONYMS.get(name, ()))}
        return bool(words & there) or bool(said.columns.get(name))

    return told("remedy") and (told("finding_id") or told("opening_id"))


def _check_answers(looks: Sequence[ColumnLook], said: Answers) -> None:
    header = [look.header for look in looks]
    strange = [
        f"{column}={name}"
        for column in said.columns
        for name in said.headers_of(column, header)
        if name not in header
    ]
    if strange:
        raise CoverplateError(
            f"no such column in the file: {', '.join(strange)}",
            expected="one of " + ", ".join(look.header for look in looks),
            to_do="name a column as the file spells it; several with | between them are joined",
        )


def _propose_kind(
    kind: RecordKind, looks: Sequence[ColumnLook], name: str, said: Answers
) -> Proposal:
    layout = LAYOUTS[kind]
    header = [look.header for look in looks]
    found = _match(kind, looks, said)
    columns: list[ColumnProposal] = []
    specs: dict[str, ColumnMapping] = {}
    for column in layout.fields:
        if column.name not in found:
            continue
        place, sure = found[column.name]
        look = looks[place]
        spec = _spec(column, look, said)
        answered, _, unread = readable_words(column, look)
        unread = {
            word: count
            for word, count in unread.items()
            if word.lower() not in spec.values and word not in said.no_answer
        }
        left = sum(unread.values())
        readable = 1 - left / answered if answered else 1.0
        if layout.keeps_cells and readable >= HOLDS:
            readable = 1.0  # rows are judged once more, and come back with their cells
        joined = said.headers_of(column.name, header)
        if len(joined) > 1:
            spec = ColumnMapping(join=joined)
        columns.append(ColumnProposal(column.name, look.header, sure * readable, unread))
        specs[column.name] = spec
    for constant, value in said.constants.items():
        if constant in layout.columns:
            specs[constant] = ColumnMapping(constant=value)
            columns.append(ColumnProposal(constant, value, ANSWERED))
    if kind is RecordKind.BUILDING_REPORTS and "report_kind" not in specs:
        told = _sort_of_paper(looks)
        if told is not None:
            specs["report_kind"] = ColumnMapping(constant=told)
            columns.append(ColumnProposal("report_kind", told.replace("_", " "), SYNONYM))
    missing = tuple(f.name for f in layout.fields if f.required and f.name not in specs)
    texts: set[int] = set()
    if kind is RecordKind.BUILDING_REPORTS and specs:
        texts = _more_texts(looks, found, said)
        if texts:
            own = [found["description"][0]] if "description" in found else []
            names = tuple(looks[place].header for place in [*own, *sorted(texts)])
            specs["description"] = ColumnMapping(join=names, separator=" · ")
    taken = {found[column][0] for column in specs if column in found} | texts
    joins = [name for column in said.columns if column in specs for name in specs[column].join]
    taken |= {header.index(name) for name in joins}
    unmapped = tuple(look.header for place, look in enumerate(looks) if place not in taken)
    if not columns:
        return Proposal(None, None, 0.0, unmapped=unmapped)
    read = {c.column: c.header for c in columns if c.column in found}
    settled = frozenset({*said.columns, *said.constants})
    kept = [look for look in looks if normalised(look.header) not in _ignored(said)]
    asked = (
        *questions(kind, kept, read, settled),
        *ticks_and_crosses(kind, kept, read, {name: said.words_of(name) for name in read}),
        *_halves(kind, looks, found, said),
        *([] if "load_amps" in settled else _ratings(looks, read)),
    )
    required = [
        next((c.confidence for c in columns if c.column == f.name), 0.0)
        for f in layout.fields
        if f.required
    ]
    confidences = [c.confidence for c in columns]
    # a lone building_id fits any file: the share of the file that is understood counts as well
    understood = len(columns) / len(looks)
    whole = min(required) * (0.7 + 0.3 * sum(confidences) / len(confidences))
    if kind is RecordKind.BUILDING_REGISTER and not said.kind:
        whole *= min(1.0, 0.5 + understood) if len(columns) > 1 else 0.3
    if missing:
        share = 1 - len(missing) / sum(f.required for f in layout.fields)
        spoken = {look.header: spoken_by(kind, look) for look in looks if look.header in unmapped}
        suggested = {name: header for header, name in spoken.items() if name and name in missing}
        return Proposal(
            kind,
            None,
            0.5 * share * understood,
            tuple(columns),
            missing,
            unmapped,
            specs,
            asked,
            suggested,
        )
    mapping = Mapping(
        name=name,
        description=f"proposed from a header; {whole:.0%} sure",
        recognised_by=tuple(dict.fromkeys([*read.values(), *joins])),
        records=(RecordMapping(kind=kind, columns=specs),),
        status_dates=find_status_dates(header),
        **said.for_mapping(),
    )
    return Proposal(kind, mapping, round(whole, 4), tuple(columns), (), unmapped, specs, asked)


_PAPERS = {
    ReportKind.CITATION: re.compile(
        r"(^|_)(violations?|citations?|nov|notice_no|notice_number)(_|$)"
    ),
    ReportKind.COMPLAINT: re.compile(r"(^|_)complaints?(_|$)"),
    ReportKind.WORK_ORDER: re.compile(r"(^|_)(work_orders?|wo|job_no|job_number)(_|$)"),
    ReportKind.PERMIT: re.compile(r"(^|_)permits?(_|$)"),
}
"""Names of columns that say what sort of paper a file lists."""


_FREE_TEXT = re.compile(
    r"(^|_)(desc|description|comments?|notes?|details?|narrative|remarks?|text|problem|issue|"
    r"summary|scope|reason|findings?|conditions?|complaint|violation|location)(_|$)"
)
"""Names of columns of a report that hold words about it: all of them are read."""


_NO_TEXT = re.compile(r"(^|_)(id|no|number|code|date|status|type)(_|$)")


def _more_texts(
    looks: Sequence[ColumnLook], found: dict[str, tuple[int, float]], said: Answers
) -> set[int]:
    """Columns of free text that nothing else is read from."""
    used = {place for place, _ in found.values()}
    return {
        place
        for place, look in enumerate(looks)
        if place not in used
        and normalised(look.header) not in _ignored(said)
        and _FREE_TEXT.search(normalised(look.header))
        and not _NO_TEXT.search(normalised(look.header))
    }


def _sort_of_paper(looks: Sequence[ColumnLook]) -> str | None:
    """What sort of paper the headers speak of; None where of none or of several."""
    names = [normalised(look.header) for look in looks]
    told = [kind for kind, words in _PAPERS.items() if any(words.search(name) for name in names)]
    return told[0].value if len(told) == 1 else None


def _ignored(said: Answers) -> set[str]:
    return {normalised(name) for name in said.ignore}


def _match(
    kind: RecordKind, looks: Sequence[ColumnLook], said: Answers
) -> dict[str, tuple[int, float]]:
    """Match canonical columns with source columns, the surest first, each used once."""
    names = LAYOUTS[kind].columns
    found: dict[str, tuple[int, float]] = {}
    used = {place for place, look in enumerate(looks) if normalised(look.header) in _ignored(said)}
    for column, header in said.columns.items():
        if header and column in names:
            own = [look.header for look in looks]
            answered = said.headers_of(column, own)
            found[column] = (own.index(answered[-1]), ANSWERED)
            if len(answered) == 1:  # a room may be joined to the opening and be the room still
                used.add(own.index(answered[0]))
    closed = {*said.columns, *said.constants}
    plain = [normalised(look.header) for look in looks]
    without_unit = [_without_unit(look.header) for look in looks]
    candidates = []
    for column in names:
        if column in closed:
            continue
        layout_field = LAYOUTS[kind].field(column)
        words = {normalised(word) for word in HEADER_SYNONYMS.get(column, ())}
        for place, cell in enumerate(plain):
            sure = 0.0
            # the breaker of "Breaker amps" is no circuit
            cells = {cell, without_unit[place]} if layout_field.unit else {cell}
            if column in cells:
                sure = SAME
            elif cells & words:
                sure = SYNONYM
            elif not _is_evidence(kind, layout_field) and _only_begins(cell, column, names):
                sure = TRUNCATED
            if sure:
                share = _fit(kind, layout_field, looks[place])
                if not share:
                    continue
                candidates.append((-sure * share, -sure, place, column))
    for _, sure, place, column in sorted(candidates):
        if column not in found and place not in used:
            found[column] = (place, -sure)
            used.add(place)
    return found


def _fit(kind: RecordKind, column: Field, look: ColumnLook) -> float:
    """How well values fit a column: what names a tester's kind is no inspector, so 0."""
    if column.type == "text" and column.name == "inspector":
        return float(may_name_people(look))
    answered, readable, _ = readable_words(column, look)
    # an unread word lowers the choice between columns a little, never to nothing
    return 0.1 + 0.9 * readable / answered if answered else 0.5


def _begun(cell: str, columns: Sequence[str]) -> list[str]:
    """The columns whose name, or a word for it, begins with a header."""
    return [
        name
        for name in columns
        if any(normalised(w).startswith(cell) for w in (name, *HEADER_SYNONYMS.get(name, ())))
    ]


def _only_begins(cell: str, column: str, columns: Sequence[str]) -> bool:
    """Say whether a header cut short can mean this column and none other."""
    words = map(normalised, (column, *HEADER_SYNONYMS.get(column, ())))
    return any(is_cut(cell, word) for word in words) and _begun(cell, columns) == [column]


def _is_evidence(kind: RecordKind, column: Field) -> bool:
    """Say whether a column tells what was found, or how: never read from half a name."""
    return kind is not RecordKind.BUILDING_REGISTER and column.type in ("choice", "decimal")


def _halves(
    kind: RecordKind,
    looks: Sequence[ColumnLook],
    found: dict[str, tuple[int, float]],
    said: Answers,
) -> list[Question]:
    """Ask about columns that nobody reads and whose header begins the name of evidence that nothing
    else is read as, over values that fit."""
    layout = LAYOUTS[kind]
    used = {place for place, _ in found.values()}
    open_ = [name for name in layout.columns if name not in found and name not in said.constants
             and name not in said.columns]  # fmt: skip
    asked = []
    for place, look in enumerate(looks):
        cell = normalised(look.header)
        if place in used or cell in _ignored(said) or len(cell) < TRUNCATED_LENGTH:
            continue
        may_be = [
            name
            for name in _begun(cell, open_)
            if _is_evidence(kind, layout.field(name))
            and look.filled
            and fit(layout.field(name), look) >= HOLDS
        ]
        if may_be:
            told = f"{look.header!r} may be {' or '.join(may_be)}, or something else"
            names = [*(["note"] if "note" in open_ else []), *may_be]
            answers = (*(f"{name}={look.header}" for name in names), f"ignore={look.header}")
            asked.append(Question("half_a_name", may_be[0], f"{told} ({look.told()})", answers))
    return asked


_RATINGS = frozenset(("10", "15", "16", "20", "25", "30", "32", "40", "50", "60"))
"""Usual ratings of breakers and fuses, A. From memory; none is likely as a measured load."""


def _ratings(looks: Sequence[ColumnLook], read: dict[str, str]) -> list[Question]:
    """Ask about amperes that may be the breaker's rating."""
    header = read.get("load_amps")
    look = next((look for look in looks if look.header == header), None)
    if look is None or "load" in normalised(look.header) or not set(look.words) <= _RATINGS:
        return []
    found = f"{look.header!r} may be the rating of the breaker and no load ({look.told()})"
    answers = (f"ignore={look.header}", f"load_amps={look.header}")
    return [Question("rating", "load_amps", found, answers)]


_UNIT_BEHIND = re.compile(
    r"(?P<stem>.*[^\W\d_].*?)[\s_()\[/,.:]+(?P<prefix>[mk]?)"
    r"(?P<unit>v|volts?|a|amps?|[\u03a9\u03c9\u2126]|ohms?)\s*[)\]]?\s*",
    re.I,
)
"""A unit behind a header's name: ``N-G volts``, ``Ground path (m\u03a9)``, ``loop_kohm``."""


def _unit_of(header: str) -> str | None:
    """The unit that a header gives, as mappings write it, where it is not the layout's own."""
    found = _UNIT_BEHIND.fullmatch(header)
    # MV or M\u03a9: nobody can tell mega from milli
    if found is None or found["prefix"] not in ("m", "k"):
        return None
    unit = found["unit"][0].upper()
    return found["prefix"] + (unit if unit in "VA" else "ohm")


def _without_unit(header: str) -> str:
    """The header as it is compared, without the unit that it gives."""
    found = _UNIT_BEHIND.fullmatch(header)
    # "Circuit A" is no ampere
    if found is None or found["prefix"] == "M" or found[0].endswith((" A", " a")):
        return normalised(header)
    return normalised(found["stem"])


def _spec(column: Field, look: ColumnLook, said: Answers) -> ColumnMapping:
    values = {}
    if column.type == "choice":
        known = meanings(column)
        for text in sorted(look.words, key=str.lower):
            word = known.get(word_form(text))
            if word and word_form(text) not in column.choices:
                values[text.lower()] = word
    values |= said.words_of(column.name)
    unit = _unit_of(look.header) if column.unit in ("V", "A", "Ω") else None
    return ColumnMapping(from_=(look.header,), values=values, unit=unit)
