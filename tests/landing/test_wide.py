"""Sheets with one column an opening: every cell is accounted for, and what is set aside comes
back."""

import pytest

from pipeline.landing import Workspace, export_quarantine, find_mapping, list_quarantine
from pipeline.landing.answers import parse_answers
from pipeline.landing.integrity import check
from pipeline.landing.open_question import OpenQuestionError
from pipeline.landing.preview import preview
from shared.faults import CoverplateError
from tests.landing.landed import counts, land, query, reconciles

SHEET = """Building,Apt,Test date,Inspected by,Test method,Outlet 1,Outlet 2,Outlet 3,Notes
B-1,1A,2024-03-05,Ada,plug-in tester,OK,open ground,,
B-1,1B,2024-03-05,Ada,plug-in tester,rev pol,OK,OK?,
B-1,1C,2024-03-06,Ada,plug-in tester,-,,not tested,no access to kitchen
B-2,2A,2024-03-06,Bo,plug-in tester,OK,OK,OK,
B-2,2B,2024-03-06,Bo,plug-in tester,,,,
"""
LOOKS = "SELECT unit_id, opening_id, result FROM opening_observations_current ORDER BY ALL"


@pytest.fixture
def workspace(tmp_path):
    return Workspace(tmp_path / "workspace")


def test_every_cell_is_a_look_or_said_to_hold_none(workspace, tmp_path):
    (report,) = land(workspace, tmp_path, SHEET)
    assert counts(report) == (9, 8, 0, 0, 1) and reconciles(report)
    (told,) = [f for f in report.findings if f.kind == "wide_sheet"]
    assert "5 rows × 3 columns = 15 cells; 9 looks, 6 cells without one" in told.message
    assert "1 rows without any look" in told.message
    assert query(workspace, LOOKS) == [
        ("1A", "Outlet 1", "correct"),
        ("1A", "Outlet 2", "open_ground"),
        ("1B", "Outlet 1", "hot_neutral_reversed"),
        ("1B", "Outlet 2", "correct"),
        ("1C", "Outlet 3", "not_tested"),
        ("2A", "Outlet 1", "correct"),
        ("2A", "Outlet 2", "correct"),
        ("2A", "Outlet 3", "correct"),
    ]


@pytest.mark.slow
def test_a_cell_that_cannot_be_read_is_set_aside_alone_and_comes_back(workspace, tmp_path):
    land(workspace, tmp_path, SHEET)
    (aside,) = list_quarantine(workspace)
    assert (aside.row, aside.where) == (3, "3, Outlet 3")
    assert [(r.column, r.found) for r in aside.reasons] == [("result", "OK?")]
    (written,) = export_quarantine(workspace, tmp_path / "fix.csv")
    text = written.path.read_text("utf-8-sig")
    (report,) = land(workspace, tmp_path, text.replace("OK?", "false ground"), "fixed.csv")
    assert counts(report) == (1, 1, 0, 0, 0)
    assert list_quarantine(workspace) == []
    assert ("1B", "Outlet 3", "false_ground") in query(workspace, LOOKS)
    # what failed again is told with the row of the file that came back
    (report,) = land(workspace, tmp_path, text.replace("OK?", "hm"), "again.csv")
    assert report.quarantined == 1


def test_columns_of_rooms_are_asked_about_and_the_answer_is_remembered(workspace, tmp_path):
    rooms = SHEET.replace("Outlet 1", "Kitchen").replace("Outlet 2", "Bath").replace(
        "Outlet 3", "Hall"
    )  # fmt: skip
    with pytest.raises(OpenQuestionError) as asked:
        land(workspace, tmp_path, rooms, "rooms.csv")
    assert "wide=Kitchen..Hall" in str(asked.value)
    land(workspace, tmp_path, rooms, "rooms.csv", answers=parse_answers(["wide=Kitchen..Hall"]))
    assert find_mapping(workspace, "rooms").wide == ("Kitchen", "Bath", "Hall")
    found = query(workspace, "SELECT DISTINCT room, opening_id FROM opening_observations_current")
    assert set(found) == {("Kitchen", "Kitchen"), ("Bath", "Bath"), ("Hall", "Hall")}
    # the next one has a column more, of words of a result that would stay unread
    more = "\n".join(
        line + ("," + ("Den" if n == 0 else "OK")) for n, line in enumerate(rooms.splitlines())
    )
    with pytest.raises(OpenQuestionError, match="'Den' would stay unread"):
        land(workspace, tmp_path, more.replace("2024", "2025"), "rooms_2025.csv")


@pytest.mark.slow
def test_a_later_file_may_have_more_columns_of_the_same_name(workspace, tmp_path):
    land(workspace, tmp_path, SHEET, answers=parse_answers(["wide=Outlet 1..Outlet 3"]))
    more = [line.split(",") for line in SHEET.replace("2024", "2025").splitlines()]
    text = "\n".join(
        ",".join([*row[:8], "Outlet 4" if n == 0 else "OK", *row[8:]]) for n, row in enumerate(more)
    )
    (report,) = land(workspace, tmp_path, text, "next.csv")
    assert report.mapping == "looks" and report.rows_read == 9 + 5


def test_a_method_in_no_column_is_said_once_for_all_rows(workspace, tmp_path):
    bare = SHEET.replace("Test method,", "").replace("plug-in tester,", "")
    with pytest.raises(OpenQuestionError, match="all:method="):
        land(workspace, tmp_path, bare)
    with pytest.raises(CoverplateError, match="no word of method"):
        parse_answers(["all:method=magic"])
    land(workspace, tmp_path, bare, answers=parse_answers(["all:method=three_lamp_tester"]))
    found = query(workspace, "SELECT DISTINCT method FROM opening_observations_current")
    assert found == [("three_lamp_tester",)]


def test_answers_name_columns_that_there_are(workspace, tmp_path):
    with pytest.raises(CoverplateError, match="no such column in the file: Outlet 9"):
        land(workspace, tmp_path, SHEET, answers=parse_answers(["wide=Outlet 9"]))


def test_the_preview_shows_one_row_a_look(workspace, tmp_path):
    path = tmp_path / "looks.csv"
    path.write_text(SHEET)
    (seen,) = preview(workspace, [path])
    assert seen.wide == ("Outlet 1", "Outlet 2", "Outlet 3") and seen.read_by is not None
    assert "Outlet 1" not in seen.header and "Outlet 1" in seen.columns
    assert len(seen.sample) == 9
    (otherwise,) = preview(workspace, [path], wide={(str(path), ""): ()})
    assert otherwise.wide == () and otherwise.read_by is None


@pytest.mark.slow
def test_parts_are_derived_anew_from_the_original(workspace, tmp_path):
    land(workspace, tmp_path, SHEET)
    before = query(workspace, LOOKS)
    (part,) = workspace.landed.glob("*/*000.parquet")
    part.write_bytes(b"damaged")
    assert [found.verdict for found in check(workspace)] != ["whole"] * 2
    check(workspace, repair=True)
    assert query(workspace, LOOKS) == before
