"""Crews, ways and visits as people write them: small CSV files, every fault told with its place."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from shared.faults import CoverplateError

MOST_FAULTS = 10
"""Faults that one message tells."""


class Crew(BaseModel):
    """A crew and its day."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    crew: str = Field(min_length=1, description="a name")
    start_latitude: float | None = Field(None, ge=-90, le=90, description="degrees, -90 to 90")
    start_longitude: float | None = Field(None, ge=-180, le=180, description="degrees, -180 to 180")
    hours: float = Field(8.0, gt=0, le=24, description="hours, above 0 and up to 24")
    may_open_boxes: Literal["yes", "no"] = Field("yes", description="yes or no")

    @property
    def minutes(self) -> float:
        """Its working time."""
        return 60.0 * self.hours

    @property
    def opens(self) -> bool:
        """Whether it may open boxes."""
        return self.may_open_boxes == "yes"


class Way(BaseModel):
    """How long a way takes, either direction unless the other is given too."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    start: str = Field(alias="from", min_length=1, description="a building or a crew")
    to: str = Field(min_length=1, description="a building or a crew")
    minutes: float = Field(ge=0, le=1440, description="minutes, 0 to 1440")


class Visit(BaseModel):
    """A place to which somebody must go that day, whatever is expected to be found there."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    building_id: str = Field(min_length=1, description="a building")
    why: str = Field(min_length=1, description="why somebody must go there, in words")
    unit_id: str | None = Field(None, description="a dwelling")
    opening_id: str | None = Field(None, description="an opening")
    how_many: int | None = Field(None, ge=1, le=200, description="openings, 1 to 200")


Row = TypeVar("Row", Crew, Way, Visit)


def read_crews(path: Path, hours: float | None = None) -> list[Crew]:
    """Read a file of crews: crew, start_latitude, start_longitude, hours, may_open_boxes.

    Args:
        path: the file.
        hours: of crews of which it says none; 8 when None.

    Raises:
        CoverplateError: naming file, row and column of every fault.
    """
    found = list(_read(path, Crew))
    if hours is not None:
        found = [
            each if "hours" in each.model_fields_set else each.model_copy(update={"hours": hours})
            for each in found
        ]
    names = [each.crew for each in found]
    if not found or len(set(names)) < len(names):
        raise CoverplateError(
            f"{path}: " + ("no crew in it" if not found else "two crews of one name"),
            expected="one row a crew, each with its own name",
            to_do="correct the file; nothing was planned",
        )
    for number, crew in enumerate(found, start=2):
        if (crew.start_latitude is None) != (crew.start_longitude is None):
            raise CoverplateError(
                f"{path}, row {number}: a start with one of latitude and longitude",
                expected="both, or neither",
                to_do="correct the file; nothing was planned",
            )
    return found


def read_travel(path: Path) -> dict[tuple[str, str], float]:
    """Read a table of ways: from, to, minutes; ends are buildings, or crews for their start.

    Raises:
        CoverplateError: naming file, row and column of every fault.
    """
    given: dict[tuple[str, str], float] = {}
    for each in _read(path, Way):
        if given.setdefault((each.start, each.to), each.minutes) != each.minutes:
            raise CoverplateError(
                f"{path}: from {each.start} to {each.to} takes {given[each.start, each.to]:g} "
                f"minutes in one row and {each.minutes:g} in another",
                expected="one row a way",
                to_do="correct the file; nothing was planned",
            )
    return {(end, start): minutes for (start, end), minutes in given.items()} | given


def read_visits(path: Path) -> tuple[Visit, ...]:
    """Read a file of visits: building_id, why, unit_id, opening_id, how_many.

    Raises:
        CoverplateError: naming file, row and column of every fault.
    """
    return tuple(_read(path, Visit))


def _read(path: Path, model: type[Row]) -> Iterator[Row]:
    columns = [field.alias or name for name, field in model.model_fields.items()]
    needed = [f.alias or n for n, f in model.model_fields.items() if f.is_required()]
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.reader(file, strict=True))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise CoverplateError(
            f"{path} cannot be read: {error}",
            expected="a CSV file in UTF-8 with the columns " + ", ".join(columns),
            to_do="check path and encoding",
        ) from error
    header = [cell.strip().lower().replace(" ", "_") for cell in rows[0]] if rows else []
    unfit = [f"no column {name}" for name in needed if name not in header]
    unfit += [f"unknown column {name!r}" for name in header if name not in columns]
    if len(set(header)) < len(header):
        unfit.append("two columns of one name")
    if unfit:
        raise CoverplateError(
            f"{path}, row 1: {'; '.join(unfit)}",
            expected="the columns " + ", ".join(columns),
            to_do="correct the first row; nothing was planned",
        )
    faults: list[str] = []
    found: list[Row] = []
    for number, cells in enumerate(rows[1:], start=2):
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) > len(header):
            faults.append(f"row {number}: {len(cells)} cells, expected {len(header)}")
            continue
        told: dict[str, Any] = {
            name: cell.strip() for name, cell in zip(header, cells, strict=False) if cell.strip()
        }
        if "may_open_boxes" in told:
            told["may_open_boxes"] = told["may_open_boxes"].lower()
        try:
            found.append(model.model_validate(told))
        except ValidationError as error:
            faults += [_fault(number, each, told, model) for each in error.errors()]
    if faults:
        more = len(faults) - MOST_FAULTS
        raise CoverplateError(
            f"{path}:\n"
            + "\n".join(f"  {each}" for each in faults[:MOST_FAULTS])
            + (f"\n  and {more} more" if more > 0 else ""),
            to_do="correct these cells; nothing was planned",
        )
    yield from found


def _fault(number: int, error: Any, told: dict[str, Any], model: type[BaseModel]) -> str:  # noqa: ANN401
    column = str(error["loc"][0])
    meaning = next(f.description for n, f in model.model_fields.items() if column in (n, f.alias))
    shown = repr(told[column]) if column in told else "nothing"
    return f"row {number}, column {column}: found {shown}, expected {meaning}"
