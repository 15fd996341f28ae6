"""Chooses how a table is read: by name, by a saved mapping, the default layout, or a proposal.

The order is: the mapping that the caller names; the default layout; a mapping saved in the
workspace that recognises the header; a shipped one; a proposal that is sure enough. Anything else
is refused with a message that says how to write a mapping.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from pipeline.landing.header import normalised
from pipeline.landing.mapping import DEFAULT_LAYOUT, ColumnMapping, Mapping, RecordMapping
from pipeline.landing.mapping_store import all_mappings, find_mapping
from pipeline.landing.matching import recognition
from pipeline.landing.propose import propose_mapping
from pipeline.landing.raw import RawTable
from pipeline.landing.status_dates import find_status_dates
from pipeline.landing.synonyms import HEADER_SYNONYMS
from pipeline.landing.workspace import Workspace
from shared.faults import CoverplateError
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
    known = {name for layout in LAYOUTS.values() for name in layout.columns}
    known |= {normalised(name) for names in HEADER_SYNONYMS.values() for name in names}
    for mapping in all_mappings(workspace):
        known |= {normalised(name) for name in mapping.recognised_by}
        for record in mapping.records:
            for spec in record.columns.values():
                known |= {normalised(name) for name in (*spec.from_, *spec.join)}
    known.discard("")
    return known.__contains__


def default_kind(header: Sequence[str]) -> RecordKind | None:
    """Return the record kind whose default layout a header has, or None.

    Every required column must be there under its own name, and every other column must be the
    layout's too or mean nothing that the layout lacks.
    """
    names = {normalised(name) for name in header}
    best: tuple[int, RecordKind] | None = None
    for kind, layout in LAYOUTS.items():
        required = {field.name for field in layout.fields if field.required}
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


def default_mapping(kind: RecordKind, header: Sequence[str]) -> Mapping:
    """Return the mapping of a file in the default layout: every canonical column by its own
    name."""
    names = {normalised(name) for name in header}
    columns = {
        name: ColumnMapping(from_=(name,)) for name in LAYOUTS[kind].columns if name in names
    }
    return Mapping(
        name="default",
        records=(RecordMapping(kind=kind, columns=columns),),
        status_dates=find_status_dates(header),
    )


def choose(workspace: Workspace, table: RawTable, named: str | None, file: str) -> Choice:
    """Choose how a table is read.

    Raises:
        CoverplateError: nothing fits surely enough, or the named mapping does not exist or fit.
    """
    if named is not None:
        mapping = find_mapping(workspace, named)
        return Choice(mapping, mapping.name, 1.0)
    kind = default_kind(table.header)
    if kind is not None:
        return Choice(default_mapping(kind, table.header), DEFAULT_LAYOUT, 1.0)
    rated = [
        (recognition(mapping.recognised_by, table.header), mapping)
        for mapping in all_mappings(workspace)
    ]
    confidence, recognised = max(rated, key=lambda pair: pair[0], default=(0.0, None))
    if recognised is not None and confidence >= RECOGNITION_THRESHOLD:
        return Choice(recognised, recognised.name, confidence)
    proposal = propose_mapping(table.header, table.sample)
    if proposal.mapping is not None and proposal.confidence >= PROPOSAL_THRESHOLD:
        return Choice(proposal.mapping, proposal.mapping.name, proposal.confidence)
    raise CoverplateError(
        f"{file}: the columns are not known well enough to read the file unasked "
        f"({proposal.explanation()})",
        expected="the default layout, or a file that a saved mapping recognises",
        to_do=f"run `coverplate mapping propose {file} --save NAME`, correct the saved mapping "
        "where it is unsure, and take the file in again",
    )
