"""How an urgent report is told, and what is done first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import PurePath
from typing import Any

from dashboard.components.figures import day, missing, word
from dashboard.components.plate import link, text
from shared.standing import FIRST_MEASURE


def said_by(said: Mapping[str, Any], who: str = "") -> str:
    """When, by whom, by which method, in which file and row.

    Args:
        said: a ground of an urgent opening, or a row of ``vanished.once_urgent``.
        who: "" for the report, "clearing" for what took it off the list.
    """
    columns = {
        "": ("observed_on", "inspector", "method", "file", "sheet", "row"),
        "clearing": (
            *("cleared_on", "clearing_person", "clearing_method"),
            *("clearing_file", "clearing_sheet", "clearing_row"),
        ),
    }[who]
    when, person, method, file, sheet, row = (said[name] for name in columns)
    parts = [
        None if missing(when) else day(when),
        None if missing(person) else str(person),
        None if missing(method) else word(method),
    ]
    if not missing(finding := said.get("finding_id")):
        parts.append(f"beside {finding} of the ledger")
    if not missing(file):
        named = f" [{sheet}]" if not missing(sheet) and sheet else ""
        parts.append(f"{PurePath(str(file)).name}{named} row {int(row)}")
    return text(", ".join(part for part in parts if part))


def grounds(said: Iterable[Mapping[str, Any]]) -> str:
    """What was said, one list item each."""
    return "".join(
        f'<li>{text(each["says"])} <span class="soft">({said_by(each)})</span></li>'
        for each in said
    )


def first_measure() -> str:
    """What is done first, as a paragraph and a list."""
    lines = "".join(f"<li>{text(measure)}</li>" for measure in FIRST_MEASURE)
    return f"<p><b>What to do first</b></p><ul>{lines}</ul>"


def report_line(said: Mapping[str, Any]) -> str:
    """One citation, complaint, work order or permit as a list item, linked to its building.

    Args:
        said: a row of ``queries.reports``.
    """
    unit = f", unit {text(said['unit_id'])}" if said["unit_id"] else ""
    reference = "" if missing(said["reference"]) else f" {text(said['reference'])}"
    what = said["code_section"] if missing(said["description"]) else said["description"]
    quoted = "" if missing(what) else f": “{text(what)}”"
    status = "" if missing(said["status"]) else f", {word(said['status'])}"
    opened = ""
    if said["urgent"]:
        told = (
            f"{int(said['opened'])} of {int(said['openings'])} recorded openings that it may mean "
            "were opened since"
            if said["openings"]
            else "no opening recorded there yet"
        )
        opened = f' <span class="chip quiet">{told}</span>'
    named = link(said["name"] or said["building_id"], "building", id=said["building_id"])
    return (
        f"<li>{named}{unit}: "
        f"<b>{word(said['subject'])}</b> by {word(said['report_kind'])}{reference} of "
        f'{day(said["reported_on"])}{status}{quoted} <span class="soft">'
        f"({text(PurePath(str(said['file'])).name)} row {int(said['row'])})</span>{opened}</li>"
    )
