"""What is missing is missing, stands in as assumed, and is never zero."""

import pytest

from shared.rule_book import load_rule_book

BOOK = load_rule_book()
TYPICAL = float(BOOK.counting.openings_per_dwelling)
PEOPLE = float(BOOK.counting.occupants_per_dwelling)
VULNERABLE = float(BOOK.counting.vulnerable_share)

SIZE = """
SELECT z.openings, z.openings_seen, z.openings_assumed, z.dwellings, z.dwellings_assumed,
    z.people, z.occupants_assumed, z.vulnerable_people, z.vulnerable_assumed
FROM building_sizes AS z JOIN buildings USING (building_no) WHERE building_id = ?
"""


@pytest.mark.parametrize(
    "building,expected",
    [
        # Nothing but an identifier: one typical dwelling, all of it assumed.
        ("BARE", (TYPICAL, 0, True, 1, True, PEOPLE, True, PEOPLE * VULNERABLE, True)),
        # Zero dwellings and zero openings stand for "not counted".
        ("ZERO", (TYPICAL, 0, True, 1, True, PEOPLE, True, PEOPLE * VULNERABLE, True)),
        ("REGISTER-ONLY", (80, 0, False, 4, False, 9, False, 2, False)),
        ("UNREGISTERED", (TYPICAL, 1, True, 1, True, PEOPLE, True, PEOPLE * VULNERABLE, True)),
        ("VISITED", (TYPICAL, 0, True, 1, True, PEOPLE, True, PEOPLE * VULNERABLE, True)),
        # More seen than counted: what was seen counts.
        ("FEW", (5, 5, False, 1, False, 2, False, 0, False)),
        # Nobody lives there: that is a fact, not a gap.
        ("VACANT", (30, 1, False, 2, False, 0, False, 0, False)),
        # People are at least the vulnerable ones that were counted.
        ("VULNERABLE", (20, 0, False, 1, False, 9, True, 9, False)),
    ],
)
def test_sizes(ask, building, expected):
    assert ask(SIZE, building) == [pytest.approx(expected)]


def test_every_building_that_any_source_names_is_ranked(ask):
    found = dict(ask("SELECT building_id, in_register FROM buildings"))
    assert {name for name, registered in found.items() if not registered} == {
        "UNREGISTERED",
        "VISITED",
        "UNGRADED",
    }
    assert ask("SELECT count(*) FROM building_scores") == [(len(found),)]


def test_missing_register_facts_stay_missing(ask):
    assert ask(
        "SELECT year_built, occupants, receptacle_count, name, insured_value FROM buildings "
        "WHERE building_id = 'BARE'"
    ) == [(None, None, None, None, None)]


def test_the_worst_item_of_the_latest_visit_counts_on_its_own_scale(ask):
    assert ask("SELECT graded_share FROM buildings WHERE building_id = 'VISITED'") == [(0.25,)]
    assert ask("SELECT graded_share FROM buildings WHERE building_id = 'UNGRADED'") == [(None,)]


def test_a_vacant_building_harms_nobody_and_is_still_looked_into(ask):
    ((score, dangerous),) = ask(
        "SELECT score, expected_dangerous_openings FROM building_scores "
        "JOIN buildings USING (building_no) WHERE building_id = 'VACANT'"
    )
    assert score == 0
    assert dangerous > 1
