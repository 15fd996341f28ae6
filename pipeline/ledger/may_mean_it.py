"""What a certificate of an opening says of open papers that name no opening and may mean this one.

A complaint of a shock names a dwelling, or a building, and no opening. Until every opening that it
can mean was looked at by somebody able to tell, it may mean each of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from shared.in_words import words

_NEEDED = ("report_kind", "reported_on", "unit_id", "subject")
_SPEAKS_OF = {"shock": "a shock"}


def open_papers(papers: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Return what a certificate holds of papers, rows of ``queries.urgent_papers_of``."""
    return [
        {
            name: f"{cell:%Y-%m-%d}" if name == "reported_on" else cell
            for name, cell in each.items()
            if cell is not None
        }
        for each in papers
    ]


def well_formed(entries: object) -> bool:
    """Say whether this is what ``open_papers`` returns."""
    return isinstance(entries, list) and all(
        isinstance(each, dict)
        and all(isinstance(each.get(name), str) for name in _NEEDED)
        and isinstance(each.get("reference", ""), str)
        for each in entries
    )


def in_words(paper: Mapping[str, Any]) -> str:
    """Return a paper of ``open_papers`` as a sentence."""
    of = _SPEAKS_OF.get(paper["subject"], words(paper["subject"]))
    names = "names no opening" if paper["unit_id"] else "names neither dwelling nor opening"
    reference = f", {paper['reference']}," if paper.get("reference") else ""
    return (
        f"A {words(paper['report_kind'])} of {paper['reported_on']}{reference} speaks of {of} and "
        f"{names}; it may mean this one and is not answered."
    )
