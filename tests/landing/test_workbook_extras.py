"""What a workbook holds beside the texts of its cells is read right, or told."""

import io

import openpyxl
import pytest
from openpyxl.comments import Comment

from pipeline.landing import Workspace
from pipeline.landing.answers import parse_answers
from pipeline.landing.contradictions import LOUD
from shared.faults import CoverplateError
from tests.landing.landed import land, query

HEADER = ["Building", "Apt", "Outlet no", "Test date", "Test method", "Test result"]
LOOK = ["2024-03-05", "plug-in tester"]


@pytest.fixture
def workspace(tmp_path):
    return Workspace(tmp_path / "workspace")


def book(change, rows=None):
    made = openpyxl.Workbook()
    sheet = made.active
    sheet.append(HEADER)
    for row in rows or [
        ["B-1", "1A", "1", *LOOK, "OK"],
        ["B-1", None, "2", *LOOK, "open ground"],
        ["B-1", "1B", "1", *LOOK, "OK"],
    ]:
        sheet.append(row)
    change(made, sheet)
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def findings(reports):
    return {finding.kind: finding for report in reports for finding in report.findings}


def test_a_cell_merged_over_rows_is_said_of_each(workspace, tmp_path):
    content = book(lambda made, sheet: sheet.merge_cells("B2:B3"))
    told = findings(land(workspace, tmp_path, content, "a.xlsx"))
    assert told["merged_cells"].count == 1 and told["merged_cells"].rows == (3,)
    units = "SELECT unit_id, opening_id FROM opening_observations_current ORDER BY ALL"
    assert query(workspace, units) == [("1A", "1"), ("1A", "2"), ("1B", "1")]


def test_a_cell_merged_over_columns_of_a_row_is_told(workspace, tmp_path):
    content = book(lambda made, sheet: sheet.merge_cells("E4:F4"))
    told = findings(land(workspace, tmp_path, content, "a.xlsx"))
    assert told["merged_columns"].rows == (4,) and "merged_columns" in LOUD


def test_a_title_merged_over_the_sheet_is_nothing_to_tell(workspace, tmp_path):
    def titled(made, sheet):
        sheet.insert_rows(1)
        sheet["A1"] = "Outlet survey"
        sheet.merge_cells("A1:F1")

    told = findings(land(workspace, tmp_path, book(titled), "a.xlsx"))
    assert "merged_columns" not in told and "merged_cells" not in told


def test_hidden_sheets_rows_and_comments_are_told(workspace, tmp_path):
    def hidden(made, sheet):
        sheet.row_dimensions[3].hidden = True
        sheet["F2"].comment = Comment("tenant got a shock here", "ada")
        other = made.create_sheet("old")
        other.sheet_state = "hidden"
        other.append(HEADER)
        other.append(["B-2", "1A", "1", *LOOK, "bootleg"])

    told = findings(land(workspace, tmp_path, book(hidden), "a.xlsx"))
    assert told["hidden_rows"].count == 1
    assert "F2: ada: tenant got a shock" in told["comments_of_danger"].message or (
        "F2: tenant got a shock here" in told["comments_of_danger"].message
    )
    assert "hidden_sheet" in told
    assert {"comments_of_danger", "hidden_sheet"} <= LOUD
    assert query(workspace, "SELECT count(*) FROM opening_observations_current") == [(4,)]


def test_numbers_shown_with_leading_zeros_are_told(workspace, tmp_path):
    rows = [[42, "1A", "1", *LOOK, "OK"], [43, "1A", "1", *LOOK, "open ground"]]

    def padded(made, sheet):
        sheet["A2"].number_format = sheet["A3"].number_format = "0000"
        sheet["C2"].number_format = "0.00"

    told = findings(land(workspace, tmp_path, book(padded, rows), "a.xlsx"))
    assert told["leading_zeros_shown"].count == 2


def test_a_header_of_three_rows_names_every_column(workspace, tmp_path):
    made = openpyxl.Workbook()
    sheet = made.active
    sheet.append(["Building", "Apt", "Test date", "Test method", "Kitchen", "", "Hall", ""])
    sheet.append(["", "", "", "", "Outlet 1", "", "Outlet 1", ""])
    sheet.append(["", "", "", "", "Result", "Volts", "Result", "Volts"])
    sheet.append(["B-1", "1A", *LOOK, "OK", 120, "open ground", 119])
    for cells in ("A1:A3", "B1:B3", "C1:C3", "D1:D3", "E1:F1", "G1:H1", "E2:F2", "G2:H2"):
        sheet.merge_cells(cells)
    out = io.BytesIO()
    made.save(out)
    with pytest.raises(CoverplateError) as asked:
        land(workspace, tmp_path, out.getvalue(), "a.xlsx")
    assert "Kitchen Outlet 1 Result" in str(asked.value)
    assert "Hall Outlet 1 Result" in str(asked.value)


REGISTER = "building_id;name;insured_value\nB1;Mill;850.000\nB2;Weir;920.000\n"


def test_thousands_that_may_be_decimals_are_asked_about(workspace, tmp_path):
    with pytest.raises(CoverplateError, match="point that may part thousands"):
        land(workspace, tmp_path, REGISTER, "register.csv")
    land(workspace, tmp_path, REGISTER, "register.csv", answers=parse_answers(["decimal_mark=,"]))
    values = "SELECT insured_value FROM building_register_current ORDER BY 1"
    assert query(workspace, values) == [(850_000.0,), (920_000.0,)]


@pytest.mark.parametrize(
    ("more", "value"), [("latitude;52,5;51,5", 850_000.0), ("latitude;52.5;51.5", 850.0)]
)
def test_other_numbers_of_the_file_show_its_mark(workspace, tmp_path, more, value):
    added = more.split(";")
    text = "\n".join(
        f"{line};{cell}" for line, cell in zip(REGISTER.splitlines(), added, strict=True)
    )
    land(workspace, tmp_path, text, "register.csv")
    (first, _) = query(workspace, "SELECT insured_value FROM building_register_current ORDER BY 1")
    assert first == (value,)


@pytest.mark.parametrize(("one", "other"), [("B-7", "B7"), ("b 07", "B7"), ("7-B", "7b")])
def test_a_mark_beside_a_letter_may_be_one_building(workspace, tmp_path, one, other):
    text = f"building_id,name,year_built\n{one},Mill,1948\n{other},Mill,1948\n"
    with pytest.raises(CoverplateError, match="one under two spellings"):
        land(workspace, tmp_path, text, "register.csv")
    said = parse_answers([f"building_id:{one}={other}"])
    land(workspace, tmp_path, text, "register.csv", answers=said)
    assert query(workspace, "SELECT count(*) FROM building_register_current") == [(1,)]
    # the answer is remembered
    again = text.replace("1948", "1950")
    land(workspace, tmp_path, again, "register_2.csv")


def test_numbers_with_a_mark_between_are_two_buildings(workspace, tmp_path):
    land(workspace, tmp_path, "building_id,year_built\n1-12,1948\n11-2,1948\n", "register.csv")
    assert query(workspace, "SELECT count(*) FROM building_register_current") == [(2,)]
