"""What several sources say about a building, and what a person is told about it."""

import pytest

from pipeline.landing.register import source_of
from tests.landing.landed import counts, land, query

FACTS = (
    "SELECT building_id, name, year_built, dwelling_units FROM building_register_current ORDER BY 1"
)
FINDINGS = 'SELECT building_id, "column", "values", sources FROM data_quality ORDER BY ALL'


def test_a_newer_blank_does_not_erase_an_older_value(workspace, inbox):
    land(workspace, inbox, "building_id,name,year_built\n1,Old Mill,1931\n", "register-2023.csv")
    (report,) = land(
        workspace, inbox, "building_id,year_built,dwelling_units\n1,,12\n", "register-2024.csv"
    )
    assert counts(report) == (1, 1, 0, 0, 0)
    assert query(workspace, FACTS) == [("1", "Old Mill", 1931, 12)]
    assert query(workspace, FINDINGS) == []


def test_a_correction_by_the_same_source_is_no_disagreement(workspace, inbox):
    land(workspace, inbox, "building_id,year_built\n1,1931\n", "register-2023.csv")
    land(workspace, inbox, "building_id,year_built\n1,1932\n", "register-2024.csv")
    assert query(workspace, "SELECT year_built FROM building_register_current") == [(1932,)]
    assert query(workspace, FINDINGS) == []


def test_sources_that_disagree_give_both_values_and_the_precedence(workspace, inbox):
    land(
        workspace, inbox, "building_id,name,year_built\n1,Old Mill,1931\n2,Annex,1950\n", "city.csv"
    )
    land(
        workspace,
        inbox,
        "building_id,name,year_built\n1,old  mill,1934\n2,Annex,1950\n",
        "insurer.csv",
    )
    assert query(workspace, FINDINGS) == [
        ("1", "year_built", ["1934", "1931"], ["insurer", "city"])
    ]
    ((precedence, message),) = query(workspace, "SELECT precedence, message FROM data_quality")
    assert "newer file" in precedence
    assert "1934 (insurer)" in message
    assert "1931 (city)" in message
    assert message.endswith("used: 1934")
    assert query(
        workspace, "SELECT year_built FROM building_register_current WHERE building_id = '1'"
    ) == [(1934,)]


@pytest.mark.parametrize(
    ("name", "source"),
    [
        ("register_2024-03.csv", "register"),
        ("register_2024-09.xlsx", "register"),
        ("Register v2.csv", "Register"),
        ("register (3).csv", "register"),
        ("20240301.csv", "20240301"),
        ("city.tar.gz", "city"),
    ],
)
def test_extracts_of_one_source_are_known_by_their_name(name, source):
    assert source_of(name) == source


ITEMS = "building_id,unit_id,opening_id,observed_on,method,result,status,fixed on\n"


def test_a_status_and_a_date_never_contradict_silently(workspace, inbox):
    text = ITEMS + "\n".join(
        [
            "1,A,1,2024-03-05,visual,correct,Closed,2024-04-01",
            "1,A,2,2024-03-05,visual,open_ground,CLOSED,",
            "1,A,3,2024-03-05,visual,open_ground,open,2024-04-01",
            "1,A,4,2024-03-05,visual,open_ground,open,N/A",
        ]
    )
    (report,) = land(workspace, inbox, text, "items.csv")
    assert counts(report) == (4, 4, 0, 0, 0)
    kinds = "SELECT kind, opening_id, _row FROM data_quality ORDER BY _row"
    assert query(workspace, kinds) == [
        ("closed_without_date", "2", 3),
        ("date_on_open_item", "3", 4),
    ]
    assert {f.kind for f in report.findings} >= {"closed_without_date", "date_on_open_item"}
