"""A city's open data goes in through the shipped mapping, and no cell of it is lost."""

import csv
import os
from pathlib import Path

import pytest

from pipeline.landing import Workspace, intake
from tests.landing.landed import counts, query

FOLDER = Path(
    os.environ.get("COVERPLATE_OPEN_DATA", Path(__file__).parents[3] / "shared" / "open_data")
)
FILES = sorted(FOLDER.glob("rental_building_evaluations_*.csv")) if FOLDER.is_dir() else []

pytestmark = pytest.mark.skipif(
    not FILES, reason=f"no open data at {FOLDER}; set COVERPLATE_OPEN_DATA to its folder"
)


@pytest.fixture(scope="module")
def rows():
    with FILES[0].open(encoding="utf-8-sig", newline="") as handle:
        return list(csv.DictReader(handle))


@pytest.fixture(scope="module")
def landed(tmp_path_factory):
    workspace = Workspace(tmp_path_factory.mktemp("open") / "workspace")
    return workspace, intake(workspace, [FILES[0]])


@pytest.mark.slow
def test_every_row_becomes_a_building_and_an_evaluation(landed, rows):
    workspace, (register, evaluations) = landed
    assert register.mapping == evaluations.mapping == "rental_building_evaluations"
    assert register.rows_read == evaluations.rows_read == len(rows)
    assert evaluations.quarantined == register.quarantined == 0
    assert counts(evaluations)[1] + counts(evaluations)[2] == len(rows)
    ids = {row["RSN"].strip() for row in rows}
    assert query(workspace, "SELECT count(*) FROM building_register_current") == [(len(ids),)]


def test_the_graded_items_are_those_that_the_city_counts(landed, rows):
    workspace, _ = landed
    names = list(rows[0])
    first, last = names.index("NUMBERING OF PROPERTY"), names.index("TENANT SERVICE REQUEST LOG")
    items = names[first : last + 1]
    counted = [sum(row[name].strip() not in ("", "N/A") for name in items) for row in rows]
    assert counted == [int(row["NO OF AREAS EVALUATED"]) for row in rows]
    select = "SELECT items_graded, items_reported FROM building_evaluations_current ORDER BY _row"
    assert query(workspace, select) == [(number, number) for number in counted]


def test_grades_years_and_units_are_the_citys(landed, rows):
    workspace, _ = landed
    grades = [row["ELECTRICAL SERVICES / OUTLETS"].strip() for row in rows]
    select = "SELECT grade, scale_best FROM building_evaluations_current ORDER BY _row"
    assert query(workspace, select) == [
        (None if grade == "N/A" else float(grade), 3.0) for grade in grades
    ]
    select = "SELECT building_id, year_built, dwelling_units FROM building_register_current"
    years = {row[0]: row[1:] for row in query(workspace, select)}
    for row in rows:
        year, units = row["YEAR BUILT"].strip(), row["CONFIRMED UNITS"].strip()
        expected = (int(float(year)) if year not in ("", "N/A") else None, int(float(units)))
        assert years[row["RSN"].strip()] == expected


def test_columns_that_nothing_is_read_from_are_listed(landed):
    workspace, _ = landed
    (manifest,) = workspace.manifests()
    assert "WARDNAME" in manifest.parts[0].unmapped
    assert "YEAR BUILT" not in manifest.parts[0].unmapped
