"""Shows HTML that the program wrote: real tables and drawings that keyboards and readers reach.

Everything that comes from data goes through ``text`` on its way into HTML, through ``label`` on its
way into Markdown (every label of a control is Markdown), through ``grid``, ``cells`` or
``plainly`` on its way to where only letters are drawn: grids, charts, the options of a list.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib import resources
from typing import Any
from urllib.parse import urlencode

import pandas as pd
import streamlit as st

from dashboard.components.figures import missing
from pipeline.pages.section_drawing import SECTION_CSS
from shared.shown import as_html, as_markdown, for_spreadsheet, visible


def _asset(name: str) -> str:
    return resources.files("dashboard.components").joinpath(name).read_text(encoding="utf-8")


_plate = st.components.v2.component(
    "coverplate_plate",
    html="<div class='plate'></div>",
    css=_asset("plate.css") + SECTION_CSS,
    js=_asset("plate.js"),
)


def text(value: object) -> str:
    """Any cell as HTML text; nothing is an empty text."""
    return "" if missing(value) else as_html(str(value))


def label(value: object) -> str:
    """Any cell as Markdown, in one line; nothing is an empty text."""
    return "" if missing(value) else as_markdown(str(value))


def plainly(value: object) -> str:
    """Any cell as letters alone, for an option of a list."""
    return "" if missing(value) else visible(str(value))


def cells(frame: pd.DataFrame) -> pd.DataFrame:
    """A frame for a chart: what nobody sees in its texts and headings is told."""
    return _told(frame, visible)


def grid(frame: pd.DataFrame) -> pd.DataFrame:
    """A frame for a grid: as ``cells``, and what a spreadsheet program would take for a formula has
    an apostrophe in front, because cells of a grid can be copied out and saved."""
    return _told(frame, lambda text: for_spreadsheet(visible(text)))


def _told(frame: pd.DataFrame, tell: Callable[[str], str]) -> pd.DataFrame:
    shown = frame.rename(columns=lambda name: tell(str(name)))
    for place, kind in enumerate(frame.dtypes):
        if not (pd.api.types.is_numeric_dtype(kind) or pd.api.types.is_datetime64_any_dtype(kind)):
            told = frame.iloc[:, place].map(lambda c: tell(c) if isinstance(c, str) else c)
            shown.isetitem(place, told)
    return shown


def link(label: object, page: str, **query: object) -> str:
    """A link to a page of the program.

    Args:
        label: what it says.
        page: the page's address, such as ``building``.
        query: its query parameters.
    """
    target = page + ("?" + urlencode(query, doseq=True) if query else "")
    return f'<a href="{text(target)}" data-open="{text(target)}" target="_self">{text(label)}</a>'


def show(body: str, *, key: str) -> str | None:
    """Show prepared HTML.

    Args:
        body: the HTML.
        key: unique on the page.

    Returns:
        The address of a link inside the program that was just clicked, or None.
    """
    answer = _plate(data=body, key=key, on_open_change=_nothing)
    return answer.open


def _nothing() -> None:
    """A click is answered when the page runs again."""


@dataclass(frozen=True)
class Column:
    """One column of a table.

    Attributes:
        label: heading; shown before the value where a row becomes a card.
        cell: the row's cell as HTML.
        side: ``left`` or ``right``.
        half: whether two such cells stand side by side where a row becomes a card.
        heads: whether the cell names the row.
        bare: whether the label is left out where a row becomes a card.
        width: CSS width, or "".
        note: a line below the heading.
    """

    label: str
    cell: Callable[[dict[str, Any]], str]
    side: str = "left"
    half: bool = False
    heads: bool = False
    bare: bool = False
    width: str = ""
    note: str = ""


def table(
    rows: Sequence[dict[str, Any]],
    columns: Sequence[Column],
    caption: str,
    *,
    row_class: Callable[[dict[str, Any]], str] | None = None,
) -> str:
    """A table as HTML; each row becomes a card where there is little room."""
    head = "".join(
        f'<th scope="col" role="columnheader" class="{c.side}"'
        + (f' style="width:{c.width}"' if c.width else "")
        + f">{text(c.label)}{_note(c.note)}</th>"
        for c in columns
    )
    body = []
    for row in rows:
        cells = []
        for column in columns:
            tag, role = (
                ("th", 'scope="row" role="rowheader"')
                if column.heads
                else (
                    "td",
                    'role="cell"',
                )
            )
            label = "" if column.bare or column.heads else f' data-label="{text(column.label)}"'
            half = " half" if column.half else ""
            cells.append(
                f'<{tag} {role} class="{column.side}{half}"{label}>{column.cell(row)}</{tag}>'
            )
        kind = row_class(row) if row_class else ""
        body.append(f'<tr role="row" class="{kind}">{"".join(cells)}</tr>')
    return (
        f'<table role="table" class="cards"><caption>{caption}</caption>'
        f'<thead role="rowgroup"><tr role="row">{head}</tr></thead>'
        f'<tbody role="rowgroup">{"".join(body)}</tbody></table>'
    )


def _note(words: str) -> str:
    return f'<br><span class="note">{text(words)}</span>' if words else ""


def figures(facts: Sequence[tuple[str, str, str]]) -> str:
    """A row of figures: what, how much, and a line that explains it (all plain text)."""
    return (
        '<dl class="figures">'
        + "".join(
            f"<div><dt>{text(what)}</dt><dd>{text(much)}</dd><dd>{text(why)}</dd></div>"
            for what, much, why in facts
        )
        + "</dl>"
    )


def bar(share: float, words: str) -> str:
    """A small bar, 0 to 1, with its words for those who do not see it."""
    width = max(0.0, min(1.0, share)) * 100
    return f'<span class="bar" aria-hidden="true"><i style="width:{width:.1f}%"></i></span>{words}'


def part(value: float, largest: float, name: str) -> str:
    """A small bar to the right (adds) or, hollow, to the left (takes away) of a middle line."""
    if missing(value) or largest <= 0:
        return f'<span class="part {name}" aria-hidden="true"></span>'
    width = min(1.0, abs(value) / largest) * 50
    if width > 0:
        width = max(width, 1.2)
    left = 50 - width if value < 0 else 50
    less = ' class="less"' if value < 0 else ""
    return (
        f'<span class="part {name}" aria-hidden="true">'
        f'<i{less} style="left:{left:.1f}%;width:{width:.1f}%"></i></span>'
    )
