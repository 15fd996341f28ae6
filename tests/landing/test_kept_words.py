"""A word that a person explained of one source says nothing of another one."""

from __future__ import annotations

import pytest

from tests.cli.running import run
from tests.landing.landed import query

FIRST = """Bldg,Apt,Outlet,Test Date,Method,Result
B-1,1A,K1,2024-03-14,plug-in tester,A
B-1,1A,K2,2024-03-14,plug-in tester,B
"""
ANSWERS = ("--set", "result:A=correct", "--set", "result:B=open_ground")
OTHER = """Bldg,Apt,Outlet,Test Date,Method,Result,Crew
B-9,2A,K1,2024-05-14,cover off,A,north
B-9,2A,K2,2024-05-14,cover off,B,north
"""


@pytest.fixture
def kept(workspace, inbox):
    """The words of one source are explained and kept."""
    path = inbox / "first.csv"
    path.write_text(FIRST)
    assert run("intake", path, "--workspace", workspace.root).code == 2
    assert run("intake", path, *ANSWERS, "--workspace", workspace.root).code == 0
    return inbox, ("--workspace", workspace.root)


def take(kept, text, name, *answers):
    inbox, place = kept
    path = inbox / name
    path.write_text(text)
    return run("intake", path, *answers, *place)


def test_a_later_file_of_these_columns_is_read_unasked(kept, workspace):
    assert take(kept, FIRST.replace("1A", "1B"), "second.csv").code == 0
    assert query(workspace, "SELECT count(*) FROM opening_observations_current") == [(4,)]


@pytest.mark.slow
@pytest.mark.parametrize("text", [OTHER, OTHER.replace(",Crew", ",Inspector 2")])
def test_another_file_is_asked_about_with_what_differs(kept, workspace, text):
    refused = take(kept, text, "other.csv")
    assert refused.code == 2
    assert "'first'" in refused.err and repr(text.splitlines()[0].split(",")[-1]) in refused.err
    answers = ("--set", "result:A=open_ground", "--set", "result:B=correct")
    assert take(kept, text, "other.csv", *answers).code == 0
    assert query(
        workspace,
        "SELECT opening_id, result FROM opening_observations_current WHERE building_id = 'B-9' "
        "ORDER BY 1",
    ) == [("K1", "open_ground"), ("K2", "correct")]
    # and what was said of the first still holds there
    assert take(kept, FIRST.replace("1A", "1C"), "third.csv").code == 0
    assert query(
        workspace, "SELECT result FROM opening_observations_current WHERE unit_id = '1C' ORDER BY 1"
    ) == [("correct",), ("open_ground",)]


def test_a_word_for_no_answer_and_a_constant_are_kept_for_that_source_alone(workspace, inbox):
    kept = inbox, ("--workspace", workspace.root)
    bare = FIRST.replace(",Method", "").replace(",plug-in tester", "").replace(",B\n", ",OK\n")
    answers = ("--set", "all:method=cover_off_inspection", "--set", "no_answer=A",
               "--set", "result=Result")  # fmt: skip
    first = take(kept, bare, "bare.csv", *answers)
    assert first.code == 3, first.err
    more = bare.replace("Result", "Result,Crew").replace("OK\n", "OK,x\n").replace("A\n", "A,x\n")
    refused = take(kept, more.replace("1A", "1B"), "more.csv")
    assert refused.code == 2 and "'Crew'" in refused.err
    # named by a person it is read with them
    assert take(kept, more.replace("1A", "1B"), "more.csv", "--mapping", "bare").code == 3


@pytest.mark.slow
def test_a_building_that_was_said_of_one_file_is_not_taken_for_the_next(workspace, inbox):
    kept = inbox, ("--workspace", workspace.root)
    bare = FIRST.replace("Bldg,", "").replace("B-1,", "").replace(",A", ",OK").replace(",B", ",OK")
    assert take(kept, bare, "march.csv", "--set", "all:building_id=B-1").code == 0
    refused = take(kept, bare.replace(",K", ",L"), "april.csv")
    assert refused.code == 2 and "building_id is 'B-1' there" in refused.err
    assert (
        take(kept, bare.replace(",K", ",L"), "april.csv", "--set", "all:building_id=B-2").code == 0
    )
    assert take(kept, bare.replace(",K", ",M"), "march.csv").code == 0
    assert query(
        workspace,
        "SELECT building_id, count(*) FROM opening_observations_current GROUP BY 1 ORDER BY 1",
    ) == [("B-1", 4), ("B-2", 2)]
