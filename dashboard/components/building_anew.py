"""Takes what people did (a file taken in, a number changed) into the warehouse."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

import streamlit as st

from dashboard.components import plate
from dashboard.components.source import workspace
from pipeline.warehouse.build import build
from shared.faults import CoverplateError


@contextmanager
def progress(label: str) -> Iterator[Callable[[str, float], None]]:
    """A bar that follows long work: called with what is being done and how far it is."""
    bar = st.progress(0.0, text=label)

    def report(step: str, fraction: float) -> None:
        told = plate.label(f"{step[:1].upper()}{step[1:]} …")
        bar.progress(min(1.0, max(0.0, fraction)), text=told)

    try:
        yield report
    finally:
        bar.empty()


def build_now() -> None:
    """Build the warehouse and show the page again; a refusal is shown, nothing is changed then."""
    try:
        with progress("Building the warehouse") as report:
            build(workspace(), progress=report)
    except CoverplateError as refusal:
        refused(refusal)
        return
    st.rerun()


def refused(refusal: CoverplateError) -> None:
    """Show a refusal: what was found, what was expected, what to do."""
    lines = [f"**{_lines(refusal.found)}**"]
    if refusal.expected:
        lines.append(f"Expected: {_lines(refusal.expected)}")
    if refusal.to_do:
        lines.append(f"What to do: {_lines(refusal.to_do)}")
    st.error("\n\n".join(lines))


def _lines(words: str) -> str:
    return "  \n".join(plate.label(line) for line in words.split("\n") if line.strip())
