"""Faults that a person can act on: what was found, what was expected, what to do."""

from __future__ import annotations


class CoverplateError(ValueError):
    """Root of every refusal shown to a user; carries what was found and what to do.

    Args:
        found: what is wrong, with file, row and column where there is one.
        expected: what would have been accepted.
        to_do: the next step for the person reading this.
    """

    def __init__(self, found: str, *, expected: str = "", to_do: str = "") -> None:
        self.found = found
        self.expected = expected
        self.to_do = to_do
        super().__init__(found)

    def __str__(self) -> str:
        parts = [self.found]
        if self.expected:
            parts.append(f"Expected: {self.expected}")
        if self.to_do:
            parts.append(f"What to do: {self.to_do}")
        return "\n".join(parts)
