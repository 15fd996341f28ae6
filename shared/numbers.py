"""Numbers that carry their unit and source, and the ranges that the rule book holds them to."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict
from pydantic import Field as PydanticField


class Section(BaseModel):
    """A part of the rule book: nothing unknown in it, never changed once read."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Number(Section):
    """One number with its unit and source; usable wherever a float is wanted."""

    value: float = PydanticField(allow_inf_nan=False)
    unit: str
    source: str = PydanticField(min_length=3)

    def __float__(self) -> float:
        return self.value


def bounded(low: float, high: float) -> Any:  # noqa: ANN401 - a validator made at run time
    """Return a validator that keeps a number's value within bounds, both included."""

    def check(number: Number) -> Number:
        if not low <= number.value <= high:
            raise ValueError(f"{number.value:g} is outside {low:g} to {high:g}")
        return number

    return AfterValidator(check)


Positive = Annotated[Number, bounded(1e-12, 1e12)]
Share = Annotated[Number, bounded(0.0, 1.0)]
OpenShare = Annotated[Number, bounded(1e-9, 1.0 - 1e-9)]
Odds = Annotated[Number, bounded(1e-6, 1e6)]


def says(meaning: str) -> Any:  # noqa: ANN401 - pydantic's own return type
    """Return a field whose meaning is printed beside its number."""
    return PydanticField(description=meaning)
