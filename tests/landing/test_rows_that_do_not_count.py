"""Rows that their own export calls void, lines that sum up, and cells that contradict a result."""

from __future__ import annotations

import pytest

from pipeline.landing import intake
from pipeline.landing.answers import parse_answers
from pipeline.landing.open_question import OpenQuestionError
from tests.landing.landed import TODAY, query

LOOKS = "Bldg,Apt,Outlet,Test Date,Instrument,Finding"
ROWS = ("B-1,1,O-1,2024-05-01,3 lamp tester,no ground", "B-1,1,O-2,2024-05-01,3 lamp tester,OK")
REGISTER = "building_id,name,year_built,dwelling_units"


def written(inbox, header, *rows):
    path = inbox / "file.csv"
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return path


@pytest.mark.slow
@pytest.mark.parametrize(
    ("header", "void", "stands"),
    [
        *[("Deleted", each, "") for each in ("Y", "1", "x", "yes")],
        *[("Valid", each, "Yes") for each in ("No", "0", "false")],
        ("Is Active", "false", "true"),
        ("QA", "rejected", "passed"),
        ("State", "cancelled", "done"),
        ("Bookkeeping", "Created in error", ""),
    ],
)
def test_a_column_by_which_rows_do_not_count_is_asked_about(workspace, inbox, header, void, stands):
    path = written(inbox, f"{LOOKS},{header}", f"{ROWS[0]},{void}", f"{ROWS[1]},{stands}")
    with pytest.raises(OpenQuestionError) as asked:
        intake(workspace, [path], today=TODAY)
    assert [q.slug for q in asked.value.questions] == ["void_rows"]
    (answer,) = asked.value.questions[0].answers
    (report,) = intake(workspace, [path], answers=parse_answers([answer]), today=TODAY)
    assert report.accepted == 2


def test_a_building_created_in_error_is_not_taken_in_unasked(workspace, inbox):
    path = written(
        inbox, f"{REGISTER},status", "B-1,One,1928,12,active", "B-2,Two,1928,12,created in error"
    )
    with pytest.raises(OpenQuestionError, match="created in error"):
        intake(workspace, [path], today=TODAY)


def test_no_row_is_doubted_where_all_stand(workspace, inbox):
    path = written(inbox, f"{LOOKS},Valid,Town", f"{ROWS[0]},Yes,open", f"{ROWS[1]},Y,done")
    (report,) = intake(workspace, [path], today=TODAY)
    assert report.accepted == 2


@pytest.mark.parametrize("line", ["Subtotal Block A,,,60", "Average,,1928,12", "Avg.,,1928,12",
                                  "Sub-total north,,,24"])  # fmt: skip
def test_a_line_that_sums_up_is_no_building(workspace, inbox, line):
    path = written(inbox, REGISTER, "B-1,One,1928,12", "B-2,Two,1930,12", line)
    intake(workspace, [path], today=TODAY)
    listed = query(workspace, "SELECT building_id FROM building_register_current ORDER BY 1")
    assert listed == [("B-1",), ("B-2",)]


DEFAULT = "building_id,unit_id,opening_id,observed_on,method,result"


@pytest.mark.parametrize(
    ("columns", "cells", "kind"),
    [
        ("cover_removed,neutral_ground_jumper", "yes,yes", "contradicting_cells"),
        ("cover_removed,polarity", "yes,reversed", "contradicting_cells"),
        ("cover_removed,ground_present", "yes,no", "contradicting_cells"),
        ("note", "entered in error - disregard", "void_by_note"),
        ("note", "hot to touch", "danger_in_text"),
        ("note", "jumper found behind", "danger_in_text"),
        ("note", "arcing", "danger_in_text"),
        ("note", "shock", "danger_in_text"),
    ],
)
def test_a_clean_bill_that_its_own_row_contradicts_is_told(workspace, inbox, columns, cells, kind):
    row = f"B-1,1,O-1,2024-05-01,cover_off_inspection,correct,{cells}"
    path = written(inbox, f"{DEFAULT},{columns}", row)
    (report,) = intake(workspace, [path], today=TODAY)
    assert kind in {finding.kind for finding in report.findings}


@pytest.mark.parametrize("cell", ["999", "999.0", "+999", "999 ohm", "999.00 ohms"])
def test_a_declared_null_token_is_one_however_it_is_written(workspace, inbox, cell):
    rows = [f"B-1,1,O-{n},2024-05-01,ground_impedance_meter,correct,{c}"
            for n, c in enumerate((cell, "0.4"))]  # fmt: skip
    path = written(inbox, f"{DEFAULT},ground_path_ohms", *rows)
    answers = parse_answers(["no_answer=999"])
    intake(workspace, [path], answers=answers, today=TODAY)
    sql = "SELECT ground_path_ohms FROM opening_observations_current ORDER BY opening_id"
    assert query(workspace, sql) == [(None,), (0.4,)]


@pytest.mark.slow
def test_an_x_beside_ticks_is_asked_about_and_an_x_alone_is_a_yes(workspace, inbox):
    row = "B-1,1,O-{},2024-05-01,cover_off_inspection,correct,{},{}"
    header = f"{DEFAULT},cover_removed,neutral_ground_jumper"
    intake(workspace, [written(inbox, header, row.format(3, "x", "x"))], today=TODAY)
    path = written(inbox, header, row.format(1, "✓", "x"), row.format(2, "✓", "✓"))
    with pytest.raises(OpenQuestionError, match="cells say x"):
        intake(workspace, [path], today=TODAY)
    intake(workspace, [path], answers=parse_answers(["neutral_ground_jumper:x=no"]), today=TODAY)
    sql = "SELECT neutral_ground_jumper FROM opening_observations_current ORDER BY opening_id"
    assert query(workspace, sql) == [("no",), ("yes",), ("yes",)]
