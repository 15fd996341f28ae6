"""What a layout allows of one row, as a pydantic model: a second reading of the declarations."""

import datetime as dt
from functools import cache
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, create_model, model_validator
from pydantic import Field as PydanticField

from shared.records import LAYOUTS, SEEN_WHOLE, _names_a_place
from shared.shown import hides_something
from shared.vocabulary import RecordKind


def _seen_whole(value: str) -> str:
    if hides_something(value):
        raise ValueError(f"expected {SEEN_WHOLE}")
    return value


def _not_in_future(value: dt.date) -> dt.date:
    if value > dt.date.today():
        raise ValueError("a date in the future")
    return value


def _annotation(layout, field):
    if field.type == "choice":
        kind = Literal[field.choices]
    elif field.type == "integer":
        kind = Annotated[int, PydanticField(ge=field.minimum, le=field.maximum)]
    elif field.type == "decimal":
        kind = Annotated[
            float, PydanticField(ge=field.minimum, le=field.maximum, allow_inf_nan=False)
        ]
    elif field.type == "date":
        kind = Annotated[dt.date, AfterValidator(_not_in_future)]
    elif _names_a_place(layout, field):
        kind = Annotated[str, PydanticField(min_length=1), AfterValidator(_seen_whole)]
    else:
        kind = Annotated[str, PydanticField(min_length=1)]
    return kind if field.required else kind | None


@cache
def row_model(kind: RecordKind) -> type[BaseModel]:
    """Return the pydantic model of one row of a record kind (what a person may type)."""
    layout = LAYOUTS[kind]

    def check_rules(self: BaseModel) -> BaseModel:
        for rule in layout.row_rules:
            left, right = getattr(self, rule.left), getattr(self, rule.right)
            if left is not None and right is not None and left > right:
                raise ValueError(f"{rule.left} {left}, {rule.right} {right}; {rule.expected}")
        named = [all(getattr(self, name) for name in names) for names in layout.named_by]
        if named and not any(named):
            raise ValueError(f"expected {layout.naming}")
        return self

    columns: dict = {
        field.name: (
            _annotation(layout, field),
            PydanticField(
                ... if field.required else None, description=field.meaning, title=field.name
            ),
        )
        for field in layout.fields
    }
    validators: dict = {"check_rules": model_validator(mode="after")(check_rules)}
    return create_model(
        kind.value,
        __config__=ConfigDict(extra="forbid", frozen=True),
        __validators__=validators,
        **columns,
    )
