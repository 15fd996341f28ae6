"""One correction for all rows that were set aside alike."""

import pytest

from pipeline.landing import Workspace, list_quarantine
from pipeline.landing.answers import parse_answers
from pipeline.landing.corrected_alike import alike_rows, correct_alike
from shared.faults import CoverplateError
from tests.landing.landed import counts, land, query

FILE = """Building,Apt,Outlet no,Test date,Test method,Test result,N-G volts
B-1,1A,1,2024-03-05,plug-in tester,open ground,
B-1,1A,2,2024-03-05,plug-in tester,mystery,
B-1,1B,1,2024-03-05,plug-in tester,mystery,
B-1,1B,2,2024-03-05,plug-in tester,mystery,a lot
B-1,1B,3,2024-03-05,plug-in tester,open ground,a lot
B-1,1B,4,2024-13-05,plug-in tester,mystery,
B-1,1B,5,2024-03-05,plug-in tester,other,
"""


@pytest.fixture
def workspace(tmp_path):
    made = Workspace(tmp_path / "workspace")
    land(made, tmp_path, FILE, answers=parse_answers(["result=Test result"]))
    return made


def group(workspace, found):
    return next(each for each in alike_rows(workspace) if each.found == found)


@pytest.mark.slow
def test_rows_are_alike_by_file_column_and_text(workspace):
    told = [(g.column, g.header, g.found, g.rows, g.set_aside) for g in alike_rows(workspace)]
    assert told == [
        ("result", "Test result", "mystery", 4, 4),
        ("neutral_ground_volts", "N-G volts", "a lot", 2, 1),
        ("observed_on", "Test date", "2024-13-05", 1, 1),
        ("result", "Test result", "other", 1, 1),
    ]
    assert "open_ground" in group(workspace, "mystery").choices


@pytest.mark.slow
def test_one_value_mends_all_and_what_is_wrong_beside_it_is_set_aside_again(workspace):
    (report,) = correct_alike(workspace, group(workspace, "mystery").key, "false_ground")
    # the row of the 13th month is set aside again, the one with odd volts stands without them
    assert counts(report) == (4, 3, 0, 0, 1) and report.blanked == 1
    found = query(
        workspace,
        "SELECT unit_id, opening_id FROM opening_observations_current "
        "WHERE result = 'false_ground' ORDER BY ALL",
    )
    assert found == [("1A", "2"), ("1B", "1"), ("1B", "2")]
    assert {g.found for g in alike_rows(workspace)} == {"a lot", "2024-13-05", "other"}
    # the next correction takes up what the first one left, both values together
    correct_alike(workspace, group(workspace, "2024-13-05").key, "2024-03-06")
    dated = "SELECT result FROM opening_observations_current WHERE observed_on = '2024-03-06'"
    assert query(workspace, dated) == [("false_ground",)]
    # cells that were left blank: one of a row that stands, one of a corrected row
    correct_alike(workspace, group(workspace, "a lot").key, "1.5")
    volts = "SELECT count(*) FROM opening_observations_current WHERE neutral_ground_volts = 1.5"
    assert query(workspace, volts) == [(2,)]
    assert [q.reasons[0].found for q in list_quarantine(workspace)] == ["other"]
    total = (
        "SELECT count(*), count(DISTINCT (unit_id, opening_id)) FROM opening_observations_current"
    )
    assert query(workspace, total) == [(6, 6)]


@pytest.mark.slow
def test_a_blank_is_a_value_too(workspace):
    correct_alike(workspace, group(workspace, "a lot").key, "")
    assert not [g for g in alike_rows(workspace) if g.column == "neutral_ground_volts"]


@pytest.mark.slow
def test_what_cannot_be_is_refused_and_changes_nothing(workspace):
    before = len(workspace.manifests())
    key = group(workspace, "mystery").key
    with pytest.raises(CoverplateError, match="no open rows"):
        correct_alike(workspace, "Q-0", "open_ground")
    with pytest.raises(CoverplateError, match="cannot be read"):
        correct_alike(workspace, key, "mystery")
    assert len(workspace.manifests()) == before


def test_a_column_made_of_several_is_corrected_one_by_one(tmp_path):
    rooms = (
        "Building,Apt,Room,Test date,Test method,Outlet 1,Outlet 2\n"
        "B-1,1A,Hall,2024-03-05,plug-in tester,OK,open ground\n"
        "B-1,1B,Hall,2024-03-05,plug-in tester,OK,OK\n"
        "B-1,1B,Bath,2024-03-05,plug-in tester,OK,hm\n"
    )
    made = Workspace(tmp_path / "rooms")
    land(made, tmp_path, rooms, "rooms.csv")
    (one,) = alike_rows(made)
    assert (one.column, one.header, one.found) == ("result", "cell under it", "hm")
    (report,) = correct_alike(made, one.key, "bootleg")
    assert report.accepted == 1
