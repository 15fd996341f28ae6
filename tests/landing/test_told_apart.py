"""Openings of several dwellings are not put together: file in, intake, build, the lists."""

from __future__ import annotations

import pytest

from tests.cli.running import run
from tests.landing.landed import query
from tests.landing.silently_wrong.traps import workbook

HEADER = ("Building", "Unit", "Room", "Outlet", "Date Tested", "Method", "Result")
FIRST = ("B-1", "1", "Kitchen", "1", "2024-03-14", "plug-in tester", "open ground")
THEN = ("B-1", "1", "Hall", "1", "2024-03-15", "plug-in tester", "OK")


def write(inbox, rows, name="looks.csv", header=HEADER):
    path = inbox / name
    path.write_text("\n".join(map(",".join, [header, *rows])) + "\n", encoding="utf-8")
    return path


def grounds_open(workspace):
    """Dwelling and opening of what is held for an open ground now, and how many openings are."""
    looks = query(
        workspace,
        "SELECT unit_id, opening_id, arg_max(result, observed_on) "
        "FROM opening_observations_current GROUP BY ALL",
    )
    return {(unit, name) for unit, name, result in looks if result == "open_ground"}, len(looks)


def listed(workspace):
    """The same of what a build and its lists make of them."""
    assert run("build", "--workspace", workspace.root).code == 0
    found = run("openings", "B-1", "--workspace", workspace.root, "--json").json()
    return {(o["unit_id"], o["opening_id"]) for o in found if o["defect"] == "ungrounded"}, len(
        found
    )


@pytest.mark.slow
def test_a_pass_in_the_hall_does_not_take_the_kitchens_open_ground(workspace, inbox):
    path = write(inbox, [FIRST, THEN])
    refused = run("intake", path, "--workspace", workspace.root)
    assert refused.code == 2 and "opening_id=Room|Outlet" in refused.err
    answer = ("--set", "opening_id=Room|Outlet")
    assert run("intake", path, *answer, "--workspace", workspace.root).code == 0
    assert grounds_open(workspace) == ({("1", "Kitchen-1")}, 2)
    # the answer is kept
    later = write(inbox, [("B-1", "2", *FIRST[2:]), ("B-1", "2", *THEN[2:])], "later.csv")
    assert run("intake", later, "--workspace", workspace.root).code == 0
    assert listed(workspace) == ({("1", "Kitchen-1"), ("2", "Kitchen-1")}, 4)


@pytest.mark.parametrize("room", ["Kitchen", "kitchen ", "", "KITCHEN"])
def test_a_retest_in_the_same_room_is_not_asked_about(workspace, inbox, room):
    path = write(inbox, [FIRST, (*THEN[:2], room, *THEN[3:])])
    assert run("intake", path, "--workspace", workspace.root).code == 0
    corrected = write(inbox, [(*FIRST[:-1], "OK")], "corrected.csv")
    assert run("intake", corrected, "--workspace", workspace.root).code == 0


@pytest.mark.slow
def test_rooms_that_are_said_to_be_one_are_read_as_one_opening(workspace, inbox):
    path = write(inbox, [FIRST, THEN])
    answer = ("--set", "same_opening=Room")
    assert run("intake", path, *answer, "--workspace", workspace.root).code == 0
    assert grounds_open(workspace)[1] == 1
    later = write(inbox, [(*FIRST[:3], "2", *FIRST[4:]), (*THEN[:3], "2", *THEN[4:])], "2.csv")
    assert run("intake", later, "--workspace", workspace.root).code == 0


@pytest.mark.parametrize(
    "place",
    ["Floor", "Wing", "Entrance", "Gang", "Complex", "Stair", "Etage", "Escalera", "Block name"],
)
def test_a_column_of_places_that_nobody_reads_is_asked_about(workspace, inbox, place):
    path = write(inbox, [FIRST, THEN], header=(*HEADER[:2], place, *HEADER[3:]))
    refused = run("intake", path, "--workspace", workspace.root)
    assert refused.code == 2 and f"unit_id={place}|Unit" in refused.err
    answer = ("--set", f"unit_id={place}|Unit")
    assert run("intake", path, *answer, "--workspace", workspace.root).code == 0
    assert grounds_open(workspace) == ({("Kitchen-1", "1")}, 2)


def test_a_column_of_places_that_agrees_is_not_asked_about(workspace, inbox):
    path = write(inbox, [FIRST, (*THEN[:2], "Kitchen", *THEN[3:])],
                 header=(*HEADER[:2], "Floor", *HEADER[3:]))  # fmt: skip
    assert run("intake", path, "--workspace", workspace.root).code == 0


@pytest.mark.slow
def test_one_sheet_a_dwelling_is_asked_about(workspace, inbox):
    header = (HEADER[0], *HEADER[3:])
    rows = {
        f"Apt 1{letter}": [header, (FIRST[0], *FIRST[3:6], word)]
        for letter, word in (("A", "open ground"), ("B", "OK"), ("C", "OK"))
    }
    path = inbox / "looks.xlsx"
    path.write_bytes(workbook(rows))
    refused = run("intake", path, "--workspace", workspace.root)
    assert refused.code == 2 and "unit_id=name of the sheet" in refused.err
    answer = ("--set", "unit_id=name of the sheet")
    assert run("intake", path, *answer, "--workspace", workspace.root).code == 0
    assert listed(workspace) == ({("Apt 1A", "1")}, 3)


@pytest.mark.slow
def test_sheets_of_one_opening_are_told_where_they_contradict(workspace, inbox):
    rows = {name: [HEADER, (*FIRST[:6], word)] for name, word in
            (("Before", "open ground"), ("After", "OK"))}  # fmt: skip
    path = inbox / "looks.xlsx"
    path.write_bytes(workbook(rows))
    assert run("intake", path, "--workspace", workspace.root).code == 2
    answer = ("--set", "same_opening=name of the sheet")
    done = run("intake", path, *answer, "--workspace", workspace.root)
    assert done.code == 3 and "a later row of looks.xlsx After replaces" in done.out


def test_a_dwelling_in_the_name_of_a_file_is_asked_about(workspace, inbox):
    header = (HEADER[0], *HEADER[3:])
    first = write(inbox, [(FIRST[0], *FIRST[3:])], "B-1 apt 1A.csv", header)
    other = write(inbox, [(THEN[0], *THEN[3:])], "B-1 apt 1B.csv", header)
    refused = run("intake", first, other, "--workspace", workspace.root)
    assert refused.code == 2
    assert "all:unit_id=1A" in refused.err and "all:unit_id=1B" in refused.err
    for path, unit in ((first, "1A"), (other, "1B")):
        # the dwelling that was kept of the first file is not taken for the second's
        assert run("intake", path, "--workspace", workspace.root).code == 2
        answer = ("--set", f"all:unit_id={unit}")
        assert run("intake", path, *answer, "--workspace", workspace.root).code == 0
    assert grounds_open(workspace) == ({("1A", "1")}, 2)


@pytest.mark.slow
def test_files_of_one_call_for_two_rooms_are_asked_about(workspace, inbox):
    write(inbox, [FIRST], "a.csv")
    write(inbox, [THEN], "b.csv")
    refused = run("intake", inbox, "--workspace", workspace.root)
    assert refused.code == 2 and "b.csv: 1 opening(s) would be put together" in refused.err
    answer = ("--set", "opening_id=Room|Outlet")
    assert run("intake", inbox, *answer, "--workspace", workspace.root).code == 0
    assert grounds_open(workspace) == ({("1", "Kitchen-1")}, 2)


def test_files_of_one_call_that_contradict_each_other_are_told_by_name(workspace, inbox):
    write(inbox, [FIRST], "a.csv")
    write(inbox, [(*FIRST[:-1], "OK")], "b.csv")
    done = run("intake", inbox, "--workspace", workspace.root)
    assert done.code == 3 and "a.csv: rows that a later row of b.csv replaces" in done.out


def test_the_same_bytes_under_another_name_are_told(workspace, inbox):
    path = write(inbox, [FIRST])
    assert run("intake", path, "--workspace", workspace.root).code == 0
    done = run("intake", write(inbox, [FIRST], "other.csv"), "--workspace", workspace.root)
    assert done.code == 0 and "the very bytes of looks.csv" in done.out
