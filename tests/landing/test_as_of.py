"""What a file is as of, and that newer facts stand whatever landed last."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from pipeline.landing import Workspace
from pipeline.landing.as_of import _found, read_as_of
from pipeline.landing.certificate import Stretch
from tests.landing.landed import HEADER, TODAY, counts, land, query

REGISTER = "building_id,name,year_built,dwelling_units\n"


@pytest.fixture
def workspace(tmp_path: Path) -> Workspace:
    return Workspace(tmp_path / "w")


@pytest.mark.parametrize(
    ("text", "days"),
    [
        ("register_2024-03.csv", ["2024-03-31"]),
        ("register_2024-03-05.csv", ["2024-03-05"]),
        ("register 20240305 v2.csv", ["2024-03-05"]),
        ("looks 2010 12th Street.csv", []),
        ("512 Market 2019.csv", []),
        ("looks 5 Mar 2024.csv", ["2024-03-05"]),
        ("Printed March 5, 2024", ["2024-03-05"]),
        ("02_looks_2025_08.csv", ["2025-08-31"]),
        ("looks_2019.csv", []),
        ("site 201203.csv", []),
        ("05-03-2024.csv", []),
        ("2024-02-31.csv", []),
        ("unit 12024-03-05.csv", []),
        ("As of: 06/30/2024", ["2024-06-30"]),
        ("Report date: June 30 | 2024", ["2024-06-30"]),
        ("Stand: 30.06.2024", ["2024-06-30"]),
        ("register Jun 2024.csv", ["2024-06-30"]),
        ("register_06-2024.csv", ["2024-06-30"]),
        ("Q2_2024.csv", ["2024-06-30"]),
    ],
)
def test_only_forms_with_one_reading_tell_a_day(text: str, days: list[str]) -> None:
    assert [str(day) for _, day in _found(text)] == days


def test_a_line_that_says_so_beats_the_name_and_days_to_come_tell_nothing() -> None:
    line = Stretch(first=1, last=1, role="preamble", rows=1, sample="Exported 2024-01-09 by Ada")
    for other in (
        "Exported 11/03/2024; template created 2009-06-01",
        "Form EL-7 rev. 2012-01. Printed on recycled paper",
        "Survey of 2011-05-01, report by Ada",
    ):
        assert read_as_of("a.csv", [line.model_copy(update={"sample": other})], TODAY) is None
    assert read_as_of("2024-05 and 2024-07 looks.csv", [], TODAY) is None
    assert read_as_of("block 2010-12-01 north wing.csv", [], TODAY) is None
    # facts cannot be as of a day before the newest of the rows
    assert read_as_of("looks_2024-01.csv", [], TODAY, dt.date(2024, 2, 1)) is None
    assert read_as_of("looks_2024-01.csv", [], TODAY, dt.date(2024, 1, 31)) is not None
    found = read_as_of("looks_2025-01.csv", [line], TODAY)
    assert found == (dt.date(2024, 1, 9), "in the file")
    other = line.model_copy(update={"sample": "Built 1950-01-01"})
    assert read_as_of("looks_2025-01.csv", [other], TODAY) == (dt.date(2025, 1, 31), "file name")
    assert read_as_of("plan_2031-01.csv", [], TODAY) is None
    assert read_as_of("this_month_2025-06.csv", [], TODAY) == (TODAY, "file name")


def test_an_older_register_that_lands_late_erases_nothing(
    workspace: Workspace, tmp_path: Path
) -> None:
    land(workspace, tmp_path, REGISTER + "B1,New name,1950,12\nB2,Two,1960,4\n", "reg_2025-03.csv")
    (report,) = land(
        workspace, tmp_path, REGISTER + "B1,Old name,1948,\nB3,Three,1930,2\n", "reg_2024-03.csv"
    )
    assert counts(report) == (2, 1, 0, 1, 0)
    assert [f.kind for f in report.findings] == ["older_than_landed"]
    rows = query(workspace, "SELECT building_id, name, year_built FROM building_register_current")
    assert sorted(rows) == [("B1", "New name", 1950), ("B2", "Two", 1960), ("B3", "Three", 1930)]


def test_a_file_without_a_day_is_newer_than_all_before_it(
    workspace: Workspace, tmp_path: Path
) -> None:
    land(workspace, tmp_path, REGISTER + "B1,First,1950,12\n", "reg_2025-03.csv")
    land(workspace, tmp_path, REGISTER + "B1,Second,1951,12\n", "reg.csv")
    assert query(workspace, "SELECT name FROM building_register_current") == [("Second",)]
    land(
        workspace, tmp_path, REGISTER + "B1,Third,1952,12\n", "other.csv", as_of=dt.date(2025, 1, 1)
    )
    assert query(workspace, "SELECT name FROM building_register_current") == [("Second",)]


@pytest.mark.slow
@pytest.mark.parametrize("together", [True, False])
def test_a_corrected_look_is_not_uncorrected_by_an_older_export(
    workspace: Workspace, tmp_path: Path, together: bool
) -> None:
    row = "B1,1A,kitchen,001,2024-03-05,Ada,cover_off_inspection,random,three_slot,"
    new, old = HEADER + "\n" + row + "false_ground\n", HEADER + "\n" + row + "correct\n"
    if together:
        for name, text in (("a_2025-02.csv", new), ("b_2025-01.csv", old)):
            (tmp_path / "in").mkdir(exist_ok=True)
            (tmp_path / "in" / name).write_text(text)
        from pipeline.landing import intake

        intake(workspace, [tmp_path / "in"], today=TODAY)
    else:
        land(workspace, tmp_path, new, "a_2025-02.csv")
        land(workspace, tmp_path, old, "b_2025-01.csv")
    assert query(workspace, "SELECT result FROM opening_observations_current") == [
        ("false_ground",)
    ]
    history = query(workspace, "SELECT result, status FROM observations_history ORDER BY result")
    assert history == [("correct", "superseded"), ("false_ground", "accepted")]


def test_the_same_row_in_an_older_file_is_a_duplicate(workspace: Workspace, tmp_path: Path) -> None:
    land(workspace, tmp_path, REGISTER + "B1,One,1950,12\nB2,Two,1950,1\n", "reg_2025-03.csv")
    (report,) = land(workspace, tmp_path, REGISTER + "B1,One,1950,12\n", "reg_2024-03.csv")
    assert counts(report) == (1, 0, 1, 0, 0)


@pytest.mark.slow
def test_buildings_that_no_register_names_are_told(workspace: Workspace, tmp_path: Path) -> None:
    row = ",1A,kitchen,001,2024-03-05,Ada,three_lamp_tester,random,three_slot,correct\n"
    (report,) = land(workspace, tmp_path, HEADER + "\nB9" + row, "before.csv")
    assert not report.findings
    land(workspace, tmp_path, REGISTER + "B1,One,1950,12\n", "reg.csv")
    (report,) = land(workspace, tmp_path, HEADER + "\nB1" + row + "B8" + row + "B7" + row)
    assert [(f.kind, f.count) for f in report.findings] == [("buildings_in_no_register", 2)]
    assert "B7, B8" in report.findings[0].message


@pytest.mark.slow
def test_a_full_register_retires_what_it_no_longer_names(
    workspace: Workspace, tmp_path: Path
) -> None:
    row = ",1A,kitchen,001,2024-03-05,Ada,three_lamp_tester,random,three_slot,"
    buildings = "".join(f"B{n},N,1950,12\n" for n in range(1, 6))
    land(workspace, tmp_path, REGISTER + buildings, "reg_2024-01.csv")
    looks = f"{HEADER}\nB3{row}correct\nB4{row}hot_ground_reversed\n"
    looks += "B5" + row.replace("2024-03-05", "2025-05-05") + "correct\n"
    land(workspace, tmp_path, looks, "looks_2025-06.csv")
    text = REGISTER + "B1,N,1950,12\n"
    (report,) = land(workspace, tmp_path, text, "reg_2025-03.csv", full_register=True)
    (finding,) = [f for f in report.findings if f.kind == "buildings_retired"]
    assert finding.message.endswith("B2, B3, B4")  # B5 was looked at since
    retired = query(workspace, "SELECT building_id FROM landed_retired ORDER BY 1")
    assert retired == [("B2",), ("B3",), ("B4",)]
    land(workspace, tmp_path, REGISTER + "B2,N,1950,12\n", "reg_2025-04.csv")
    names = query(workspace, "SELECT building_id FROM landed_retired ORDER BY 1")
    assert names == [("B3",), ("B4",)]


def test_a_full_register_with_rows_set_aside_retires_nothing(
    workspace: Workspace, tmp_path: Path
) -> None:
    land(workspace, tmp_path, REGISTER + "B1,N,1950,12\nB2,N,1950,1\n", "reg_2024-01.csv")
    text = REGISTER + "B1,N,1950,12\n,B2,1950,1\n"
    (report,) = land(workspace, tmp_path, text, "reg_2025-03.csv", full_register=True)
    assert report.quarantined == 1
    assert "retires_nothing" in {finding.kind for finding in report.findings}
    assert query(workspace, "SELECT building_id FROM landed_retired") == []


@pytest.mark.slow
def test_what_a_person_says_of_a_landed_file_is_taken_up(
    workspace: Workspace, tmp_path: Path
) -> None:
    land(workspace, tmp_path, REGISTER + "B1,Newer,1950,12\nB2,N,1950,1\n", "reg_2025-03.csv")
    older = REGISTER + "B1,Older,1948,12\n"
    land(workspace, tmp_path, older, "reg_2024-03.csv")
    name = "SELECT name FROM building_register_current WHERE building_id = 'B1'"
    assert query(workspace, name) == [("Newer",)]
    day = dt.date(2025, 5, 1)
    (report,) = land(workspace, tmp_path, older, "reg_2024-03.csv", as_of=day, full_register=True)
    assert not report.already_landed and report.as_of == day
    assert query(workspace, name) == [("Older",)]
    assert query(workspace, "SELECT building_id FROM landed_retired") == [("B2",)]
    (again,) = land(workspace, tmp_path, older, "reg_2024-03.csv")
    assert again.already_landed
    assert query(workspace, name) == [("Older",)]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("newer", "older"),
    [
        (("a.csv", "Buildings\nAs of: 06/30/2024\n"), ("b.csv", "Buildings\nAs of: 01/31/2023\n")),
        (("a.csv", "Report date: June 30, 2024\n"), ("b.csv", "Report date: January 31, 2023\n")),
        (("a.csv", "Generated on 30.06.2024\n"), ("b.csv", "Generated on 31.01.2023\n")),
        (("a.csv", "Stand: 30.06.2024\n"), ("b.csv", "Stand: 31.01.2023\n")),
        (("a.csv", "As at 30/06/2024\n"), ("b.csv", "As at 31/01/2023\n")),
        (("register Jun 2024.csv", ""), ("register Jan 2023.csv", "")),
        (("register_06-2024.csv", ""), ("register_01-2023.csv", "")),
        (("Q2_2024.csv", ""), ("Q1_2023.csv", "")),
    ],
)
def test_newer_facts_stand_however_the_day_is_written(
    workspace: Workspace, tmp_path: Path, newer: tuple[str, str], older: tuple[str, str]
) -> None:
    for (name, line), units in ((newer, 12), (older, 4)):
        content = f"{line}{REGISTER}B-1,One,1928,{units}\nB-2,Two,1931,{units}\n"
        (report,) = land(workspace, tmp_path, content, name)
    assert "older_than_landed" in {finding.kind for finding in report.findings}
    units = query(workspace, "SELECT DISTINCT dwelling_units FROM building_register_current")
    assert units == [(12,)]


def test_a_register_without_a_day_that_changes_facts_is_told(
    workspace: Workspace, tmp_path: Path
) -> None:
    def told(units: int, name: str) -> dict[str, str]:
        content = f"{REGISTER}B-1,One,1928,{units}\nB-2,Two,1931,3\n"
        (report,) = land(workspace, tmp_path, content, name)
        return {finding.kind: finding.message for finding in report.findings}

    assert "as_of_unknown" not in told(12, "2024-03-01.csv")
    assert "as_of_unknown" not in told(12, "same facts.csv")
    found = told(4, "other facts.csv")["as_of_unknown"]
    assert "--as-of DAY" in found and "B-1" in found and "B-2" not in found
