"""Other numbers tried out: a changed rule book as text, and where it is kept once it is meant.

The text of the rule book is edited number by number, so that its comments and order survive.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from pipeline.landing import Workspace
from shared.faults import CoverplateError
from shared.rule_book import RuleBook, default_rule_book_text, parse_rule_book


@dataclass(frozen=True)
class Change:
    """One number of the rule book that somebody wants otherwise.

    Attributes:
        path: dotted path as in ``RuleBook.numbers``.
        value: the wanted value.
        source: where that value comes from.
    """

    path: str
    value: float
    source: str


def rule_book_text(workspace: Workspace) -> str:
    """The text of the rule book in force: the workspace's own, else the shipped one."""
    if workspace.rule_book.is_file():
        return workspace.rule_book.read_text(encoding="utf-8")
    return default_rule_book_text()


def changed_text(text: str, changes: Iterable[Change]) -> str:
    """Put other values and sources into a rule book's text.

    Raises:
        CoverplateError: naming every change whose number cannot be found in the text.
    """
    lines = text.splitlines()
    places = _places(lines)
    lost = []
    for change in changes:
        stem, _, last = change.path.rpartition(".")
        part = last if last in ("mean", "strength") and stem in places else "value"
        number = places.get(stem if part != "value" else change.path)
        if number is None:
            lost.append(change.path)
            continue
        line = re.sub(
            rf"(?<![\w]){part} = [^,}}]+?(?=\s*[,}}])",
            f"{part} = {change.value!r}",
            lines[number],
            count=1,
        )
        before, mark, rest = re.split(r'(source = )"(?:[^"\\]|\\.)*"', line, maxsplit=1)
        lines[number] = before + mark + json.dumps(change.source, ensure_ascii=False) + rest
    if lost:
        raise CoverplateError(
            "these numbers are not in the rule book's text: " + ", ".join(lost),
            expected="numbers written one a line, as in the shipped rule book",
            to_do="edit the file itself",
        )
    return "\n".join(lines) + "\n"


def _places(lines: list[str]) -> dict[str, int]:
    """The line on which each number stands, by dotted path."""
    places: dict[str, int] = {}
    section = ""
    for number, line in enumerate(lines):
        if header := re.fullmatch(r"\s*\[([\w.]+)\]\s*", line):
            section = header[1] + "."
        elif entry := re.match(r"\s*(\w+) = \{", line):
            places[section + entry[1]] = number
    return places


def tried(text: str, changes: Iterable[Change]) -> RuleBook:
    """The rule book with the changes, validated as a whole.

    Raises:
        CoverplateError: listing every fault, or where a value did not come through.
    """
    wanted = list(changes)
    book = parse_rule_book(changed_text(text, wanted), "the changed rule book")
    numbers = {path: value for path, value, *_ in book.numbers()}
    wrong = [c.path for c in wanted if numbers.get(c.path) != c.value]
    if wrong:
        raise CoverplateError(
            "these values did not come through: " + ", ".join(wrong), to_do="edit the file itself"
        )
    return book


def save(workspace: Workspace, text: str) -> Path | None:
    """Make a text the workspace's rule book; the one before it is kept beside it.

    Returns:
        Where the one before it is kept, or None where the shipped one was in force.

    Raises:
        CoverplateError: if the text is no valid rule book; nothing is changed then.
    """
    parse_rule_book(text, "the new rule book")
    kept = None
    if workspace.rule_book.is_file():
        before = workspace.rule_book.read_text(encoding="utf-8")
        old = parse_rule_book(before, str(workspace.rule_book))
        kept = workspace.rule_book.with_name(f"rule_book-{old.hash[:12]}.toml")
        kept.write_text(before, encoding="utf-8")
    partial = workspace.rule_book.with_suffix(".partial")
    partial.write_text(text, encoding="utf-8")
    partial.replace(workspace.rule_book)
    return kept
