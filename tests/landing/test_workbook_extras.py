"""What a workbook holds beside the texts of its cells is read right, or told."""

import datetime as dt
import io

import openpyxl
import pytest
from openpyxl.comments import Comment
from openpyxl.styles import Font, PatternFill
from openpyxl.utils.datetime import CALENDAR_MAC_1904

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


def test_colours_and_what_is_struck_through_are_told(workspace, tmp_path):
    def coloured(made, sheet):
        for cell in sheet[1]:
            cell.fill = PatternFill("solid", fgColor="FFCCCCCC")
        sheet["F2"].fill = PatternFill("solid", fgColor="FFFF0000")
        for row in (3, 4):
            sheet.cell(row, 6).fill = PatternFill("solid", fgColor="FF00FF00")
        for cell in sheet[3]:
            cell.font = Font(strike=True)

    told = findings(land(workspace, tmp_path, book(coloured), "a.xlsx"))
    assert "FFFF0000 in 1 rows, FF00FF00 in 2 rows" in told["colours_not_read"].message
    assert told["struck_through"].count == 1 and told["struck_through"].rows == (3,)
    assert not {"colours_not_read", "struck_through"} & LOUD


def test_a_sheet_coloured_alike_in_every_row_is_not_told(workspace, tmp_path):
    def coloured(made, sheet):
        for row in (2, 3, 4):
            sheet.cell(row, 1).fill = PatternFill("solid", fgColor="FFEEEEEE")

    assert "colours_not_read" not in findings(land(workspace, tmp_path, book(coloured), "a.xlsx"))


def test_the_unit_that_a_format_shows_is_read(workspace, tmp_path):
    def measured(made, sheet):
        sheet["G1"] = "Ground ohms"
        for row in (2, 3, 4):
            sheet.cell(row, 7).value = 200
            sheet.cell(row, 7).number_format = '0" mΩ"'

    land(workspace, tmp_path, book(measured), "a.xlsx")
    ohms = "SELECT DISTINCT ground_path_ohms FROM opening_observations_current"
    assert query(workspace, ohms) == [(0.2,)]


def test_a_word_that_a_format_shows_is_told_and_changes_no_identifier(workspace, tmp_path):
    def called(made, sheet):
        for row in (2, 3, 4):
            sheet.cell(row, 3).value = 10 + row
            sheet.cell(row, 3).number_format = '"Outlet "0'

    told = findings(land(workspace, tmp_path, book(called), "a.xlsx"))
    assert told["formats_not_read"].count == 3
    names = "SELECT DISTINCT opening_id FROM opening_observations_current ORDER BY 1"
    assert query(workspace, names) == [("12",), ("13",), ("14",)]


def test_a_format_that_shows_a_part_of_the_number_is_told(workspace, tmp_path):
    def measured(made, sheet):
        sheet["G1"] = "Ground ohms"
        for row in (2, 3, 4):
            sheet.cell(row, 7).value = 2
            sheet.cell(row, 7).number_format = '0.0,"k"'

    told = findings(land(workspace, tmp_path, book(measured), "a.xlsx"))
    assert told["formats_not_read"].count == 3 and "formats_not_read" in LOUD


def test_danger_below_the_page_is_told(workspace, tmp_path):
    def printed(made, sheet):
        sheet.oddFooter.center.text = "2: live plate"
        sheet.oddHeader.left.text = "Page &P of &N"

    reports = land(workspace, tmp_path, book(printed), "a.xlsx")
    told = [f.message for r in reports for f in r.findings if f.kind == "margins_of_danger"]
    assert len(told) == 1 and "live plate" in told[0] and "margins_of_danger" in LOUD


def dated(*days):
    rows = [["B-1", "1A", str(n), day, "plug-in tester", "OK"] for n, day in enumerate(days, 1)]
    return book(lambda made, sheet: None, rows)


@pytest.mark.slow
def test_days_that_a_program_may_have_swapped_are_asked_about(workspace, tmp_path):
    swapped = [dt.date(2024, 11, 3), dt.date(2024, 12, 3)]
    content = dated("14/03/2024", "15/03/2024", *swapped)
    with pytest.raises(CoverplateError, match="day and month swapped"):
        land(workspace, tmp_path, content, "a.xlsx")
    land(workspace, tmp_path, content, "a.xlsx", answers=parse_answers(["date_order=dmy"]))
    # a day above 12 among those of the workbook shows that it read them right
    land(workspace, tmp_path, dated("16/03/2024", *swapped, dt.date(2024, 3, 17)), "b.xlsx")


def test_numbers_for_days_in_a_workbook_that_counts_from_1904_are_asked_about(workspace, tmp_path):
    def counted(made, sheet):
        made.epoch = CALENDAR_MAC_1904

    rows = [["B-1", "1A", "1", 43903, "plug-in tester", "OK"]]
    with pytest.raises(CoverplateError, match="from 1904"):
        land(workspace, tmp_path, book(counted, rows), "a.xlsx")
    rows[0][3] = dt.date(2024, 3, 14)
    land(workspace, tmp_path, book(counted, rows), "b.xlsx")
    days = "SELECT observed_on FROM opening_observations_current"
    assert query(workspace, days) == [(dt.date(2024, 3, 14),)]


def test_looks_from_before_there_were_testers_are_told(workspace, tmp_path):
    told = findings(land(workspace, tmp_path, dated("1924-03-14", "2024-03-14"), "a.xlsx"))
    assert told["looks_too_old"].count == 1
