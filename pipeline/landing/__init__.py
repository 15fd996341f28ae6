"""From bytes to typed rows: takes exports in, loses nothing, and says what became of every row.

Reading order for newcomers: ``taking_in`` (the steps), ``workspace`` (what is kept where),
``readers`` (bytes to rows of text cells), ``dividing``, ``row_kinds`` and ``certificate`` (which
rows are a table's, and what every other one is), ``choose``, ``propose``, ``questions`` and
``answers`` (whose columns are these, and what must be asked?), ``wide`` (sheets with one column an
opening), ``cells``, ``habits`` and
``conform`` (text to typed, judged rows), ``identities`` (one building under two spellings?),
``reconcile`` (new, repeated or replaced?), ``quarantine`` and ``corrections`` (what was set aside),
``current`` (views of what is in force), ``fix_rows`` (what the ledger takes up).
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pipeline.landing.current import create_views
    from pipeline.landing.mapping import Mapping, load_mapping
    from pipeline.landing.mapping_store import find_mapping, list_mappings, save_mapping
    from pipeline.landing.propose import Proposal, propose_mapping
    from pipeline.landing.quarantine import QuarantinedRow, export_quarantine, list_quarantine
    from pipeline.landing.report import Finding, IntakeReport
    from pipeline.landing.taking_in import intake
    from pipeline.landing.workspace import Workspace

__all__ = [
    "Finding",
    "IntakeReport",
    "Mapping",
    "Proposal",
    "QuarantinedRow",
    "Workspace",
    "create_views",
    "export_quarantine",
    "find_mapping",
    "intake",
    "list_mappings",
    "list_quarantine",
    "load_mapping",
    "propose_mapping",
    "save_mapping",
]

_HOMES = {
    "Finding": "report",
    "IntakeReport": "report",
    "Mapping": "mapping",
    "Proposal": "propose",
    "QuarantinedRow": "quarantine",
    "Workspace": "workspace",
    "create_views": "current",
    "export_quarantine": "quarantine",
    "find_mapping": "mapping_store",
    "intake": "taking_in",
    "list_mappings": "mapping_store",
    "list_quarantine": "quarantine",
    "load_mapping": "mapping",
    "propose_mapping": "propose",
    "save_mapping": "mapping_store",
}
"""Modules of what is named above, loaded when asked for: the child that reads files needs few."""


def __getattr__(name: str) -> Any:  # noqa: ANN401 - whatever is asked for
    """Load what is named above from its module."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
