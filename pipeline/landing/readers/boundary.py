"""The one place where a fault that no reader foresaw becomes the refusal of a named file."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from shared.faults import CoverplateError

NAMES: dict[str, str] = {
    "spreadsheet": "workbooks",
    "json": "JSON",
    "json_lines": "JSON Lines",
    "parquet": "Parquet",
    "delimited": "delimited text",
}
"""Names of the readers by format, for people."""


def unreadable(name: str, format_: str, fault: BaseException) -> CoverplateError:
    """The refusal of a file whose reader broke off.

    Args:
        name: the file's.
        format_: what it was read as.
        fault: what it broke off with.
    """
    first = (str(fault).splitlines() or [""])[0]
    found = (
        f"{name}: the reader of {NAMES.get(format_, format_)} could not read it "
        f"({type(fault).__name__}: {first})"
    )
    if isinstance(fault, OSError):
        return CoverplateError(
            found,
            expected="a file that may be read, and room on the disk",
            to_do="see who may read the file, and whether the disk of the workspace is full",
        )
    return CoverplateError(
        found,
        expected="a whole file, as the program that it comes from writes it",
        to_do="fetch it again, or open it and save its table as CSV; if that is refused too, the "
        "file is damaged",
    )


@contextmanager
def refusing(name: str, format_: str) -> Iterator[None]:
    """Let refusals through and turn every other fault into one.

    Args:
        name: of the file.
        format_: what it is read as.

    Raises:
        CoverplateError: whatever went wrong within.
    """
    try:
        yield
    except CoverplateError:
        raise
    except Exception as fault:
        raise unreadable(name, format_, fault) from fault
