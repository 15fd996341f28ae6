"""What commands print: tables for people, one JSON array for scripts, progress on stderr.

Everything that a command prints goes through ``echo``, ``say``, ``print_table``, ``print_json`` or
``progress``: none of them lets a control or formatting character out of data reach a terminal.
"""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import click
import numpy as np
import pandas as pd
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table

from pipeline.warehouse.inputs import Progress as Report
from shared.shown import escaped_in_json, visible
from shared.vocabulary import CAUTIONS

FINISHED = "done"
"""The step that tells the end of all steps, and is not worth a line."""


def plain(value: Any) -> Any:  # noqa: ANN401 - any cell of a frame
    """Turn a cell into plain JSON: missing and non-finite numbers become null, dates ISO text."""
    if isinstance(value, dict):
        return {str(key): plain(member) for key, member in value.items()}
    if isinstance(value, (list, tuple, np.ndarray)):
        return [plain(member) for member in value]
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or value is pd.NaT or value is pd.NA:
        return None
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, (dt.datetime, pd.Timestamp)):
        midnight = value.time() == dt.time(0)
        return value.date().isoformat() if midnight else value.isoformat()
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, (str, bool, int)):
        return value
    return str(value)


def print_json(rows: Sequence[dict[str, Any]]) -> None:
    """Print rows as one JSON array on stdout, finite numbers only."""
    packed = json.dumps([plain(row) for row in rows], ensure_ascii=False, allow_nan=False)
    click.echo(escaped_in_json(packed))


def print_table(
    title: str, columns: Sequence[tuple[str, str]], rows: Sequence[Sequence[str]]
) -> None:
    """Print a table.

    Args:
        title: printed above it, or "".
        columns: heading and justification ("left" or "right") of each.
        rows: cells as text.
    """
    if title:
        echo(title)
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for heading, side in columns:
        table.add_column(
            visible(heading), justify="right" if side == "right" else "left", overflow="fold"
        )
    for row in rows:
        table.add_row(*map(visible, row))
    console().print(table)


def console() -> Console:
    """A console on stdout; 140 columns wide where stdout is no terminal."""
    found = Console(highlight=False, markup=False)
    if not found.is_terminal:
        found = Console(highlight=False, markup=False, width=140)
    return found


def echo(text: str, *, nl: bool = True) -> None:
    """Print a line of the answer, on stdout."""
    click.echo(visible(text), nl=nl)


def say(text: str) -> None:
    """Print a message to the person, on stderr."""
    click.echo(visible(text), err=True)


def cautions() -> None:
    """Print the cautions, on stdout below a table."""
    echo("")
    for caution in CAUTIONS:
        echo(f"  {caution}")


@contextmanager
def progress(quiet: bool = False) -> Iterator[Report]:
    """Show progress on stderr: bars in a terminal, one line a step elsewhere."""
    err = Console(stderr=True, highlight=False)
    if quiet:
        yield lambda step, fraction: None
        return
    if not err.is_terminal:
        said: set[str] = set()

        def line(step: str, fraction: float) -> None:
            if step not in said and step != FINISHED:
                said.add(step)
                say(f"{step} …")

        yield line
        return
    with Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} %"),
        TimeElapsedColumn(),
        console=err,
    ) as bars:
        tasks: dict[str, Any] = {}

        def bar(step: str, fraction: float) -> None:
            if step == FINISHED:
                return
            if step not in tasks:
                tasks[step] = bars.add_task(visible(step), total=1.0)
            bars.update(tasks[step], completed=fraction)

        yield bar
