"""Proposes a mapping from a header and some values, and says how sure it is.

Confidence of a column = how surely its header is known × how many of its values can be read.
Confidence of the whole = the least sure required column × a little for the others; a required
column that nothing fits makes the whole unsure, because guessing it would invent evidence.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from pydantic import ValidationError

from pipeline.landing import cells
from pipeline.landing.cells import word_form
from pipeline.landing.header import normalised
from pipeline.landing.mapping import ColumnMapping, Mapping, RecordMapping
from pipeline.landing.matching import TRUNCATED_LENGTH
from pipeline.landing.status_dates import find_status_dates
from pipeline.landing.synonyms import HEADER_SYNONYMS, UNIT_SUFFIXES, VALUE_SYNONYMS
from pipeline.offline import connect
from shared.records import LAYOUTS, Field
from shared.vocabulary import RecordKind

SAME, SYNONYM, TRUNCATED = 1.0, 0.95, 0.85
"""How surely a header is known: the column's own name; another word for it; one of these cut
short."""

Row = Sequence[str | None]


@dataclass(frozen=True)
class ColumnProposal:
    """What one canonical column would be read from.

    Attributes:
        column: canonical column.
        header: source column.
        confidence: 0 to 1.
        unread: some values that could not be read.
    """

    column: str
    header: str
    confidence: float
    unread: tuple[str, ...] = ()


@dataclass(frozen=True)
class Proposal:
    """A proposed mapping and how sure it is.

    Attributes:
        kind: the record kind that fits best, or None.
        mapping: a valid mapping, or None where a required column is missing.
        confidence: of the whole, 0 to 1.
        columns: per canonical column.
        missing: required columns that nothing in the file fits.
        unmapped: source columns that no canonical column fits.
        draft: the record section as far as it goes, for a person to complete.
    """

    kind: RecordKind | None
    mapping: Mapping | None
    confidence: float
    columns: tuple[ColumnProposal, ...] = ()
    missing: tuple[str, ...] = ()
    unmapped: tuple[str, ...] = ()
    draft: dict[str, ColumnMapping] = field(default_factory=dict)

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
    proposals = [_propose_kind(kind, header, sample, name) for kind in RecordKind]
    # the headers say what the file is about, the values only how well it can be read
    return max(proposals, key=lambda p: (len(p.columns), p.confidence))


def _propose_kind(
    kind: RecordKind, header: Sequence[str], sample: Sequence[Row], name: str
) -> Proposal:
    layout = LAYOUTS[kind]
    found = _match_headers(layout.columns, header)
    columns: list[ColumnProposal] = []
    specs: dict[str, ColumnMapping] = {}
    for column in layout.fields:
        if column.name not in found:
            continue
        index, sure = found[column.name]
        texts = [row[index] or "" for row in sample if index < len(row)]
        spec = _spec(column, header[index], texts)
        readable, unread = _readable(column, spec, texts)
        columns.append(ColumnProposal(column.name, header[index], sure * readable, unread))
        specs[column.name] = spec
    missing = tuple(f.name for f in layout.fields if f.required and f.name not in specs)
    taken = {found[name][0] for name in specs}
    unmapped = tuple(cell for index, cell in enumerate(header) if index not in taken)
    if not columns:
        return Proposal(None, None, 0.0, unmapped=tuple(header))
    required = [
        next((c.confidence for c in columns if c.column == f.name), 0.0)
        for f in layout.fields
        if f.required
    ]
    confidences = [c.confidence for c in columns]
    # a lone building_id fits any file: the share of the file that is understood counts as well
    understood = len(columns) / len(header)
    whole = min(required) * (0.7 + 0.3 * sum(confidences) / len(confidences))
    if kind is RecordKind.BUILDING_REGISTER:
        whole *= min(1.0, 0.5 + understood) if len(columns) > 1 else 0.3
    if missing:
        share = 1 - len(missing) / sum(f.required for f in layout.fields)
        return Proposal(
            kind, None, 0.5 * share * understood, tuple(columns), missing, unmapped, specs
        )
    try:
        mapping = Mapping(
            name=name,
            description=f"proposed from a header; {whole:.0%} sure",
            recognised_by=tuple(header[found[c.column][0]] for c in columns),
            records=(RecordMapping(kind=kind, columns=specs),),
            status_dates=find_status_dates(header),
        )
    except (
        ValidationError
    ):  # pragma: no cover - a proposal that its own model refuses is no proposal
        return Proposal(kind, None, 0.0, tuple(columns), (), unmapped, specs)
    return Proposal(kind, mapping, round(whole, 4), tuple(columns), (), unmapped, specs)


def _match_headers(columns: Sequence[str], header: Sequence[str]) -> dict[str, tuple[int, float]]:
    """Match canonical columns with source columns, the surest first, each used once."""
    plain = [_without_unit(normalised(cell)) for cell in header]
    candidates = []
    for column in columns:
        words = {normalised(word) for word in HEADER_SYNONYMS.get(column, ())}
        for index, cell in enumerate(plain):
            sure = 0.0
            if cell == column:
                sure = SAME
            elif cell in words or normalised(header[index]) in words:
                sure = SYNONYM
            elif len(cell) >= TRUNCATED_LENGTH and _only_begins(cell, column, columns):
                sure = TRUNCATED
            if sure:
                candidates.append((-sure, index, column))
    found: dict[str, tuple[int, float]] = {}
    used: set[int] = set()
    for sure, index, column in sorted(candidates):
        if column not in found and index not in used:
            found[column] = (index, -sure)
            used.add(index)
    return found


def _only_begins(cell: str, column: str, columns: Sequence[str]) -> bool:
    """Say whether a header cut short can mean this column and none other."""
    meant = [
        name
        for name in columns
        if any(normalised(w).startswith(cell) for w in (name, *HEADER_SYNONYMS.get(name, ())))
    ]
    return meant == [column]


def _unit_of(header: str) -> str | None:
    return UNIT_SUFFIXES.get(normalised(header).rsplit("_", 1)[-1])


def _without_unit(name: str) -> str:
    stem, _, last = name.rpartition("_")
    return stem if stem and last in {*UNIT_SUFFIXES, "v", "volts", "ohm", "ohms", "amps"} else name


def _spec(column: Field, header: str, texts: Sequence[str]) -> ColumnMapping:
    values = {}
    if column.type == "choice":
        meanings = {
            word_form(text): word
            for word, texts_ in VALUE_SYNONYMS.get(column.name, {}).items()
            for text in texts_
        }
        seen = {text.strip(cells.EDGES) for text in texts}
        for text in sorted(seen, key=str.lower):
            word = meanings.get(word_form(text))
            if word and word_form(text) not in column.choices:
                values[text.lower()] = word
    unit = _unit_of(header) if column.unit in ("V", "A", "Ω") else None
    return ColumnMapping(from_=(header,), values=values, unit=unit)


def _readable(
    column: Field, spec: ColumnMapping, texts: Sequence[str]
) -> tuple[float, tuple[str, ...]]:
    """Return the share of non-blank values that can be read, and some that cannot."""
    filled = [text.strip(cells.EDGES) for text in texts]
    tokens = cells.NULL_TOKENS - set(column.choices) - {text.lower() for text in spec.values}
    filled = [text for text in filled if text.lower() not in tokens]
    if not filled or column.type in ("text", "identifier"):
        return 1.0, ()
    if column.type == "choice":
        sql = cells.choice("t", "t", column, spec.values, None)
    elif column.type == "date":
        orders = ", ".join(cells.numeric_date("t", order, 2100) for order in ("dmy", "mdy", "ymd"))
        sql = f"coalesce({cells.date('t', 't', None, 2100)}, {orders})"
    else:
        sql = f"coalesce({cells.number('t', 't', '.')}, {cells.number('t', 't', ',')})"
    con = connect()
    unread = con.execute(
        f"SELECT t FROM (SELECT unnest(?::VARCHAR[]) AS t) WHERE ({sql}) IS NULL", [filled]
    ).fetchall()
    con.close()
    return 1 - len(unread) / len(filled), tuple(dict.fromkeys(row[0] for row in unread))[:5]
