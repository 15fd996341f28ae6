"""The rules of validity are declared once: pydantic and SQL must give the same verdict on a row."""

import datetime as dt
import json

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from pipeline.landing import Workspace, intake
from shared.records import LAYOUTS
from shared.vocabulary import RecordKind
from tests.landing.landed import query
from tests.landing.row_model import row_model

pytestmark = pytest.mark.slow


TODAY = dt.date.today()


def near(field):
    """Values at, just within and just beyond the bounds of a column, and ordinary ones."""
    low = field.minimum if field.minimum is not None else -5
    high = field.maximum if field.maximum is not None else 10**6
    if field.type == "integer":
        edges = st.sampled_from([low - 1, low, low + 1, high - 1, high, high + 1])
        return edges.map(int) | st.integers(int(low) - 3, int(high) + 3)
    edges = st.sampled_from([low - 0.001, float(low), float(high), high + 0.001, float("inf")])
    return edges | st.floats(low - 1, high + 1, allow_nan=False)


def values(field):
    if field.type in ("integer", "decimal"):
        ordinary = near(field)
    elif field.type == "date":
        ordinary = st.dates(dt.date(1990, 1, 1), TODAY + dt.timedelta(days=2))
        ordinary |= st.sampled_from([TODAY, TODAY + dt.timedelta(days=1)])
    elif field.type == "choice":
        ordinary = st.sampled_from([*field.choices, "another_word"])
    elif field.name == "building_id":
        # 0 and 00 may be one building: that is asked before any row is judged
        ordinary = st.sampled_from(["B1", "c2", "X3", "Y\x07", "8 Z", "9a"])
    else:
        ordinary = st.text("abcXYZ018\x079", min_size=1, max_size=6).filter(
            lambda text: text.lower() not in ("na", "nan")
        )
    chance = ordinary if field.required else st.none() | ordinary
    return st.one_of(*[chance] * 19, st.none()) if field.required else chance


def rows_of(kind):
    good = {field.name: values(field) for field in LAYOUTS[kind].fields}
    # a row without any cell is no row
    row = st.fixed_dictionaries(good).filter(lambda row: any(v is not None for v in row.values()))
    return st.lists(row, min_size=30, max_size=40)  # each list costs an intake


def text(value):
    if value is None:
        return ""
    return value.isoformat() if isinstance(value, dt.date) else str(value)


def valid(kind, row):
    try:
        row_model(kind).model_validate(row)
    except ValidationError:
        return False
    return True


def landed_verdicts(folder, kind, rows):
    workspace = Workspace(folder / "workspace")
    header = list(LAYOUTS[kind].columns)
    path = folder / f"{kind}.jsonl"
    lines = [json.dumps({name: text(row[name]) for name in header}) for row in rows]
    path.write_text("\n".join(lines))
    intake(workspace, [path], today=TODAY)
    held = {row for (row,) in query(workspace, "SELECT row FROM quarantine")}
    return [number not in held for number in range(1, len(rows) + 1)]


@pytest.mark.parametrize("kind", list(RecordKind))
@settings(max_examples=3, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_sql_and_pydantic_agree_on_every_row(tmp_path_factory, kind, data):
    rows = data.draw(rows_of(kind))
    folder = tmp_path_factory.mktemp("verdicts")
    assert landed_verdicts(folder, kind, rows) == [valid(kind, row) for row in rows]


BASE = {
    RecordKind.BUILDING_REGISTER: {"building_id": "B1", "name": "Old Mill"},
    RecordKind.OPENING_OBSERVATIONS: {
        "building_id": "B1",
        "opening_id": "1",
        "observed_on": dt.date(2024, 3, 5),
        "method": "visual",
        "result": "correct",
    },
    RecordKind.BUILDING_EVALUATIONS: {
        "building_id": "B1",
        "evaluated_on": dt.date(2024, 3, 5),
        "item": "outlets",
        "scale_best": 3.0,
    },
    RecordKind.BUILDING_REPORTS: {
        "building_id": "B1",
        "report_kind": "citation",
        "reported_on": dt.date(2024, 3, 5),
        "description": "open ground",
    },
    RecordKind.FIX_REPORTS: {
        "building_id": "B1",
        "opening_id": "1",
        "remedy": "rewired",
        "fixed_on": dt.date(2024, 3, 5),
        "firm": "Oddy",
    },
}

SINGLE = [
    (kind, field.name, value)
    for kind, layout in LAYOUTS.items()
    for field in layout.fields
    for value in (
        [None]
        + ([field.minimum - 1, field.minimum] if field.minimum is not None else [])
        + ([field.maximum, field.maximum + 1] if field.maximum is not None else [])
        + ([TODAY, TODAY + dt.timedelta(days=1)] if field.type == "date" else [])
        + ([*field.choices, "another_word"] if field.type == "choice" else [])
    )
]

PAIRS = [
    (RecordKind.BUILDING_REGISTER, {"year_built": 1950, "year_rewired": 1949}),
    (RecordKind.BUILDING_REGISTER, {"year_built": 1950, "year_rewired": 1950}),
    (RecordKind.BUILDING_REGISTER, {"vulnerable_occupants": 3, "occupants": 2}),
    (RecordKind.BUILDING_REGISTER, {"vulnerable_occupants": 3}),
    (RecordKind.BUILDING_EVALUATIONS, {"grade": 4.0}),
    (RecordKind.BUILDING_EVALUATIONS, {"items_graded": 4, "items_reported": 5}),
    (RecordKind.BUILDING_EVALUATIONS, {"items_graded": 5, "items_reported": 4}),
    (RecordKind.BUILDING_EVALUATIONS, {"items_graded": 5, "items_reported": 5}),
    (RecordKind.FIX_REPORTS, {"building_id": None, "opening_id": None}),
    (RecordKind.FIX_REPORTS, {"building_id": None, "opening_id": None, "finding_id": "F-1"}),
    (RecordKind.FIX_REPORTS, {"opening_id": None, "finding_id": "F-1"}),
]


@pytest.mark.parametrize("kind", list(RecordKind))
def test_sql_and_pydantic_agree_at_every_bound(tmp_path, kind):
    changes = [{name: value} for k, name, value in SINGLE if k is kind]
    changes += [change for k, change in PAIRS if k is kind]
    empty = dict.fromkeys(LAYOUTS[kind].columns)
    rows = [{**empty, **BASE[kind], "note": "x", **change} for change in changes]
    rows = [{name: value for name, value in row.items() if name in empty} for row in rows]
    expected = [valid(kind, row) for row in rows]
    assert True in expected
    assert False in expected
    assert landed_verdicts(tmp_path, kind, rows) == expected
