"""Grants: sums that may pay for some remedies in some buildings only, read from a file."""

from __future__ import annotations

import tomllib
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from shared.faults import CoverplateError
from shared.rule_book import RuleBook


class Grant(BaseModel):
    """A sum that may pay for some remedies in some buildings only."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: str = Field(min_length=1, description="a name")
    amount: float = Field(ge=0, le=1e12, description="a sum of 0 or more")
    remedies: tuple[str, ...] = Field((), description="names of remedies; all when left out")
    buildings: tuple[str, ...] = Field((), description="building numbers; all when left out")


class Grants(BaseModel):
    """A file of grants."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    grants: tuple[Grant, ...] = Field((), max_length=6, description="up to six tables [[grants]]")


def read_grants(path: Path, book: RuleBook) -> tuple[Grant, ...]:
    """Read a TOML file of grants: ``[[grants]]`` with name, amount, remedies, buildings.

    Raises:
        CoverplateError: naming every fault.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise _unread(str(path), error) from error
    return grants_of(data, str(path), book)


def grants_of(data: bytes, path: str, book: RuleBook) -> tuple[Grant, ...]:
    """The same of a file that is at hand; ``path`` is what faults call it.

    Raises:
        CoverplateError: naming every fault.
    """
    try:
        found = Grants.model_validate(tomllib.loads(data.decode("utf-8"))).grants
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise _unread(path, error) from error
    except ValidationError as error:
        faults = "; ".join(
            f"{'.'.join(map(str, each['loc']))}: {each['msg']}" for each in error.errors()[:10]
        )
        raise CoverplateError(
            f"{path}: {faults}",
            expected="tables [[grants]] with name, amount, and remedies and buildings as lists",
            to_do="correct the file; nothing was planned",
        ) from error
    unknown = sorted({name for each in found for name in each.remedies} - set(book.remedies))
    if unknown:
        raise CoverplateError(
            f"{path}: no remedy is called {', '.join(unknown)}",
            expected="names such as " + ", ".join(book.remedies),
            to_do="correct the file; nothing was planned",
        )
    names = [each.name for each in found]
    if len(set(names)) < len(names):
        raise CoverplateError(
            f"{path}: two grants of one name",
            expected="each grant with its own name",
            to_do="correct the file; nothing was planned",
        )
    return found


def _unread(path: str, error: Exception) -> CoverplateError:
    return CoverplateError(
        f"{path} cannot be read: {error}",
        expected="a TOML file with tables [[grants]]: name, amount, remedies, buildings",
        to_do="check path and text",
    )
