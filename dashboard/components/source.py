"""The workspace on show, its current warehouse, and questions put to it, remembered by version."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import duckdb
import streamlit as st

from pipeline.evidence.likelihood import Likelihoods
from pipeline.landing import Workspace
from pipeline.screens.reader import ScreenReader
from pipeline.warehouse import queries, store
from pipeline.warehouse.inputs import workspace_rule_book
from shared.rule_book import RuleBook

WORKSPACE_VARIABLE = "COVERPLATE_WORKSPACE"
"""Environment variable that names the workspace's folder."""

DEFAULT_WORKSPACE = "coverplate-workspace"

T = TypeVar("T")


def workspace() -> Workspace:
    """The workspace that this dashboard shows."""
    return Workspace(Path(os.environ.get(WORKSPACE_VARIABLE, DEFAULT_WORKSPACE)))


def version() -> str | None:
    """Version of the warehouse that is current at this moment, or None."""
    return store.current_version(workspace())


@st.cache_resource(max_entries=3, show_spinner="Opening the warehouse …")
def _reader(root: str, of_version: str) -> ScreenReader:
    return ScreenReader(Workspace(Path(root)), of_version)


@st.cache_data(max_entries=400, show_spinner=False)
def _remembered(
    root: str, of_version: str, name: str, arguments: object, _question: Callable[..., object]
) -> object:
    positional, named = arguments
    return _question(_reader(root, of_version).cursor(), *positional, **dict(named))


def forget() -> None:
    """Let go of what was opened and answered: a version that is damaged comes back whole."""
    _remembered.clear()
    _reader.clear()


class Source:
    """One version of a warehouse, asked by name.

    Args:
        of_version: the version.
    """

    def __init__(self, of_version: str) -> None:
        self.version = of_version
        self.workspace = workspace()
        self._root = str(self.workspace.root.resolve())

    def ask(self, question: Callable[..., T], *arguments: object, **named: object) -> T:
        """Ask one of the pipeline's named questions, or remember its answer.

        Args:
            question: a function whose first argument is a DuckDB connection.
            arguments, named: the rest of its arguments; values that can be hashed.
        """
        name = f"{question.__module__}.{question.__qualname__}"
        packed = (arguments, tuple(sorted(named.items())))
        answer: T = _remembered(self._root, self.version, name, packed, question)
        return answer

    def cursor(self) -> duckdb.DuckDBPyConnection:
        """A connection of its own, for questions that are not worth remembering."""
        return _reader(self._root, self.version).cursor()

    @property
    def earlier(self) -> str | None:
        """Version of the warehouse before this one, if it was there when this one was opened."""
        return _reader(self._root, self.version).earlier

    @property
    def built(self) -> dt.datetime | None:
        """When this warehouse was finished, local time."""
        try:
            stamp = store.warehouse_path(self.workspace, self.version).stat().st_mtime
        except OSError:
            return None
        return dt.datetime.fromtimestamp(stamp)

    @property
    def rule_book_hash(self) -> str:
        """Hash of the rule book that this warehouse was built with."""
        return str(self.ask(queries.build_facts)["rule_book_hash"])


@st.cache_data(max_entries=4, show_spinner=False)
def _rule_book(root: str, stamp: float) -> RuleBook:
    return workspace_rule_book(Workspace(Path(root)))


def rule_book() -> RuleBook:
    """The rule book in force in the workspace (which the warehouse may not know yet)."""
    place = workspace()
    stamp = place.rule_book.stat().st_mtime if place.rule_book.is_file() else 0.0
    return _rule_book(str(place.root.resolve()), stamp)


@st.cache_resource(max_entries=3, show_spinner=False)
def _likelihoods(rule_book_hash: str, _book: RuleBook) -> Likelihoods:
    return Likelihoods(_book)


def likelihoods(book: RuleBook) -> Likelihoods:
    """What readings say under a rule book, worked out once."""
    return _likelihoods(book.hash, book)
