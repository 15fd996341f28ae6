"""The remediation ledger: from finding to proven repair; nothing is lost and nothing overwritten.

Reading order for newcomers: ``families`` (what makes two sightings one finding), ``events`` (what
is written down), ``state`` (what the events amount to, and what may follow), ``chain`` (hashes),
``database``, ``checks`` and ``store`` (writing), ``remedies`` and ``verification`` (what counts as
a fix and what proves it), ``replay`` (whether a history follows the rules), ``history`` and
``current_states`` (reading), ``sync`` (from evidence to findings), ``landed_fixes`` (from landed
fix reports to events), ``due`` (targets, their moves, the one definition of overdue), ``clocks``
and ``progress`` (how long it takes, and whom that tells
something about), ``visits`` (who goes where on which day), ``visit_rows``, ``visit_beside`` (what
is urgent there besides) and what is printed of
them (``visit_sheet``, ``visit_letter``, ``visit_calendar``), ``visit_workbook`` (to fill in, and to
take in again), ``papers`` (files and permits).
"""

from pipeline.ledger.events import Event, FixReported, Look, Payload, Raised, parse_payload
from pipeline.ledger.history import current
from pipeline.ledger.state import Finding
from pipeline.ledger.store import Draft, Ledger, open_ledger
from shared.finding_states import STATE_MEANING, State

__all__ = [
    "STATE_MEANING",
    "Draft",
    "Event",
    "Finding",
    "FixReported",
    "Ledger",
    "Look",
    "Payload",
    "Raised",
    "State",
    "current",
    "open_ledger",
    "parse_payload",
]
