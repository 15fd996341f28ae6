"""Reads a JSON document piece by piece: the items of a list one at a time, never all of them."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple, TextIO

CHUNK = 1 << 18
"""Characters read at a time; small, because what was looked at is passed over by copying."""

WHOLE = None
"""Key of the list that is the whole document."""

FOLLOWING = frozenset(",]}:")
"""What may follow a value within a list or an object."""

_BLANK = re.compile(r"[ \t\n\r]*")
_APART = re.compile(r'"[ \t\n\r]+:')


class Member(NamedTuple):
    """A value of a document.

    Attributes:
        key: the document's key that it stands under, ``WHOLE`` where the document is a list.
        number: the item's number in the list under that key, from 1; 0 announces the list itself,
            its value None; None for a value that is no list.
        value: the value.
    """

    key: str | None
    number: int | None
    value: Any


def each_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """An object whose keys all differ; one that names a key twice says two things of it.

    Raises:
        ValueError: it does.
    """
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError("a key stands twice in one object")
    return found


def read_members(text: Path) -> Iterator[Member]:
    """Yield what stands in a document, a list or an object, in order.

    Args:
        text: a UTF-8 file.

    Raises:
        ValueError: it is not valid JSON, or a key stands twice in one object.
        RecursionError: it is nested too deeply.
    """
    with text.open("r", encoding="utf-8-sig") as handle:
        scanner = _Scanner(handle)
        if scanner.next() == "[":
            yield from _items(WHOLE, scanner)
        else:
            yield from _values(scanner)
        if scanner.next():
            raise scanner.fault("more after the end of the document")


def _values(scanner: _Scanner) -> Iterator[Member]:
    keys: set[str] = set()
    scanner.take("{")
    while scanner.next() != "}":
        if keys:
            scanner.take(",")
        if scanner.next() != '"':
            raise scanner.fault("a key in double quotes is missing")
        key = scanner.value()
        if key in keys:
            raise ValueError("a key stands twice in one object")
        keys.add(key)
        scanner.take(":")
        if scanner.next() == "[":
            yield from _items(key, scanner)
        else:
            yield Member(key, None, scanner.value())
    scanner.take("}")


def _items(key: str | None, scanner: _Scanner) -> Iterator[Member]:
    scanner.take("[")
    yield Member(key, 0, None)
    for number, value in enumerate(scanner.items(), 1):
        yield Member(key, number, value)
    scanner.take("]")


class _Scanner:
    """A text that is read as far as it is needed.

    Args:
        handle: the text.
    """

    def __init__(self, handle: TextIO) -> None:
        self._handle = handle
        self._text = ""
        self._at = 0
        self._passed = 0
        self._decode = json.JSONDecoder(object_pairs_hook=each_once).raw_decode

    def _more(self) -> bool:
        """Read on, the more the longer the value is that does not end."""
        rest = self._text[self._at :]
        more = self._handle.read(max(CHUNK, len(rest)))
        self._passed += self._at
        self._text, self._at = rest + more, 0
        return bool(more)

    def fault(self, what: str) -> ValueError:
        """A fault at this place."""
        return ValueError(f"{what}, at character {self._passed + self._at + 1:,}")

    def next(self) -> str:
        """The next character that is not blank, "" at the end."""
        if self._at < len(self._text) and (found := self._text[self._at]) > " ":
            return found
        while True:
            blank = _BLANK.match(self._text, self._at)
            assert blank is not None
            self._at = blank.end()
            if self._at < len(self._text):
                return self._text[self._at]
            if not self._more():
                return ""

    def take(self, character: str) -> None:
        """Pass over a character that must come now.

        Raises:
            ValueError: another one comes.
        """
        if self.next() != character:
            raise self.fault(f"{character} is missing")
        self._at += 1

    def items(self) -> Iterator[Any]:
        """The values of a list whose bracket was taken, up to the one that closes it."""
        if self.next() == "]":
            return
        tried = -1
        while True:
            many = None
            if tried != self._passed:  # once for each piece that is read
                tried = self._passed
                many = self._many()
            if many is None:
                yield self.value()
            else:
                yield from many
            if self.next() == "]":
                return
            self.take(",")
            self.next()

    def _many(self) -> list[dict[str, Any]] | None:
        """The objects that stand whole in what was read, decoded at once; None where they cannot
        be, or where one of them may name a key twice."""
        text, at = self._text, self._at
        end = max(text.rfind("},{", at), text.rfind("}, {", at), text.rfind("},\n", at))
        if end < 0 or text[at : at + 1] != "{":
            return None
        piece = text[at : end + 1]
        try:
            many: list[Any] = json.loads(f"[{piece}]")
        except ValueError:
            return None  # that was no end of an object
        # Each member has a colon behind a quote. Where there are no more of them than keys were
        # kept, and no colon stands apart from its quote, none was named twice.
        kept = sum(map(len, many)) if all(type(value) is dict for value in many) else -1
        apart = any(f'"{blank}' in piece for blank in " \t\n\r") and _APART.search(piece)
        if piece.count('":') != kept or apart:
            return None
        self._at = end + 1
        return many

    def value(self) -> Any:  # noqa: ANN401 - any JSON value
        """The next value. It has ended only where what may follow a value is seen: a number goes
        on as long as its digits do.

        Raises:
            ValueError: there is none.
        """
        self.next()
        while True:
            said = ""
            try:
                value, end = self._decode(self._text, self._at)
            except json.JSONDecodeError as fault:
                said = fault.msg
            else:
                if self._text[end : end + 1] in FOLLOWING:
                    self._at = end
                    return value
                blank = _BLANK.match(self._text, end)
                assert blank is not None
                if blank.end() < len(self._text) and self._text[blank.end()] in FOLLOWING:
                    self._at = end
                    return value
            if not self._more():
                raise self.fault(said or "a comma or the end of a list or object is missing")
