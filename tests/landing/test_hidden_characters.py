"""Characters that nobody sees where a place is named: put right if that can be, else set aside."""

import pytest

from pipeline.landing import intake, list_quarantine
from shared.records import SEEN_WHOLE
from tests.landing.landed import query

HEADER = "building_id,unit_id,opening_id,observed_on,inspector,method,result,note\n"


def looks(inbox, *rows):
    path = inbox / "looks.csv"
    lines = "".join(f"{b},{u},{o},2024-03-01,Q,visual,correct,{n}\n" for b, u, o, n in rows)
    path.write_text(HEADER + lines, encoding="utf-8", newline="")
    return path


@pytest.mark.slow
@pytest.mark.parametrize("place", ["building_id", "unit_id", "opening_id"])
@pytest.mark.parametrize("hidden", ["\x1b[31m", "\x07", "\x9b2J", "\U000e0041", "\ufff9"])
def test_what_cannot_be_put_right_is_set_aside_with_the_reason(workspace, inbox, place, hidden):
    names = {"building_id": "B1", "unit_id": "2A", "opening_id": "K1"}
    names[place] = f"{names[place]}{hidden}x"
    path = looks(inbox, (*names.values(), ""), ("B1", "2A", "K2", ""))
    (report,) = intake(workspace, [path])
    assert (report.accepted, report.quarantined) == (1, 1)
    (row,) = list_quarantine(workspace)
    (reason,) = [each for each in row.reasons if each.expected == SEEN_WHOLE]
    assert reason.column == place and hidden in reason.found


def test_what_can_be_put_right_stands(workspace, inbox):
    path = looks(inbox, ("B\u202e1", "2\u200bA", "K\u00ad1", "tab\there \x1b[31m stays"))
    (report,) = intake(workspace, [path])
    assert (report.accepted, report.quarantined) == (1, 0)
    assert query(
        workspace, "SELECT building_id, unit_id, opening_id, note FROM opening_observations_valid"
    ) == [("B1", "2A", "K1", "tab\there \x1b[31m stays")]


def test_a_line_break_inside_an_identifier_is_set_aside(workspace, inbox):
    path = looks(inbox, ('"B\n1"', "2A", "K1", ""), ("B1", "2A", "K2", ""))
    (report,) = intake(workspace, [path])
    assert (report.accepted, report.quarantined) == (1, 1)
