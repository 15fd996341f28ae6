"""From bytes to typed rows: takes exports in, loses nothing, and says what became of every row.

Reading order for newcomers: ``taking_in`` (the steps), ``workspace`` (what is kept where),
``readers`` (bytes to rows of text cells), ``dividing``, ``row_kinds`` and ``certificate`` (which
rows are a table's, and what every other one is), ``choose``, ``propose``, ``questions`` and
``answers`` (whose columns are these, and what must be asked?), ``cells``, ``habits`` and
``conform`` (text to typed, judged rows), ``identities`` (one building under two spellings?),
``reconcile`` (new, repeated or replaced?), ``quarantine`` and ``corrections`` (what was set aside),
``current`` (views of what is in force).
"""

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
