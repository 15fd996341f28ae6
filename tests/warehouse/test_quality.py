"""What does not fit together becomes a finding, with both sides."""

import pytest


@pytest.fixture(scope="module")
def findings(ask):
    found = ask(
        "SELECT kind, building_id, opening_id, message FROM data_quality_findings ORDER BY ALL"
    )
    return {(kind, building, opening): message for kind, building, opening, message in found}


@pytest.mark.slow
@pytest.mark.parametrize(
    "key,words",
    [
        (("more_openings_than_registered", "FEW", None), ("3 openings", "5 were recorded")),
        (("survey_not_complete", "SURVEY", None), ("4 of 6", "never looked at")),
        (("not_in_register", "UNREGISTERED", None), ("no building register",)),
        (("slots_disagree", "CONFLICT", "9"), ("three_slot, two_slot", "opening 9 in unit 1")),
        (("jumper_seen_with_cover_on", "CONFLICT", "8"), ("cover stayed on",)),
    ],
)
def test_finding(findings, key, words):
    assert all(word in findings[key] for word in words), findings.get(key)


def test_two_sources_that_disagree_are_both_quoted_with_the_precedence(ask):
    found = ask(
        'SELECT "column", "values", sources, precedence FROM data_quality_findings '
        "WHERE kind = 'sources_disagree' AND building_id = 'CONFLICT' ORDER BY ALL"
    )
    assert {row[0] for row in found} == {"year_built", "occupants"}
    for column, values, sources, precedence in found:
        assert set(values) == ({"1950", "1968"} if column == "year_built" else {"2", "3"})
        assert len(sources) == 2 and precedence


def test_a_complete_survey_and_a_plain_building_raise_nothing(findings):
    quiet = {"BLIND", "ONCE", "TWICE", "MANY", "REGISTER-ONLY", "BARE"}
    assert [key for key in findings if key[1] in quiet] == []
