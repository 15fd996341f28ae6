"""What makes an opening urgent and what clears it: the rule by itself, no model anywhere."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from urgent_rows import BOX_SEEN, COVER, LAMPS, LIVE, asked, is_urgent, look, urgent_among

from shared.records import OPENING_OBSERVATIONS
from shared.rule_book import default_rule_book_text, load_rule_book, parse_rule_book
from shared.vocabulary import Method, Result

pytestmark = pytest.mark.slow


PLAIN = {"method": "visual", "result": "not_tested"}


REPORTS = [
        ({"result": "reversed_false_ground"}, "reversed_false_ground", "reported"),
        ({"result": "hot_ground_reversed"}, "hot_on_ground", "reported"),
        ({"neutral_ground_jumper": "yes", "polarity": "reversed"},
         "reversed_false_ground", "measured"),
        ({"neutral_ground_jumper": "yes", "result": "hot_neutral_reversed"},
         "reversed_false_ground", "measured"),
        ({"result": "false_ground", "polarity": "reversed"}, "reversed_false_ground", "measured"),
        ({**PLAIN, "plate_earth_volts": 30}, "live_metal", "measured"),
        ({**PLAIN, "case_earth_volts": 118.5}, "live_metal", "measured"),
        ({**PLAIN, "ground_contact_earth_volts": 60}, "live_metal", "measured"),
        ({**PLAIN, "non_contact_detector": "yes"}, "live_metal", "measured"),
        ({**PLAIN, "heat_or_scorch": "yes"}, "heat_or_scorch", "reported"),
        ({**PLAIN, "shock_reported": "yes"}, "shock_reported", "reported"),
        ({**PLAIN, "hot_neutral_volts": 171}, "abnormal_voltage", "measured"),
        ({**PLAIN, "hot_neutral_volts": 69}, "abnormal_voltage", "measured"),
]  # fmt: skip
"""What is reported, the defect that it is, and where the word comes from."""

NONE_OF_IT = [
    {"result": "false_ground", "neutral_ground_jumper": "yes", "polarity": "correct"},
    {"result": "hot_neutral_reversed", "polarity": "reversed", "neutral_ground_jumper": "no"},
    {"plate_earth_volts": 29.9, "case_earth_volts": 0, "ground_contact_earth_volts": 2},
    {"non_contact_detector": "no", "heat_or_scorch": "no", "shock_reported": "no"},
    {"hot_neutral_volts": 121},
    {"hot_neutral_volts": 0},  # a dead circuit is another matter
    {"hot_neutral_volts": 30},
    {"neutral_ground_volts": 120, "polarity": "reversed"},
]


@pytest.fixture(scope="module")
def each():
    """What is urgent of openings with one row each, by the number of the row."""
    rows = [cells for cells, *_ in REPORTS] + NONE_OF_IT
    found = asked([look(opening=f"{n}", **cells) for n, cells in enumerate(rows)])
    return {int(row["opening_id"]): row for row in found["urgent_openings"]}


@pytest.mark.parametrize("number", range(len(REPORTS)))
def test_each_report_makes_it_urgent_by_itself(each, number):
    _, defect, standing = REPORTS[number]
    opening = each[number]
    assert (opening["defect"], opening["measured"]) == (defect, standing == "measured")
    (ground,) = opening["grounds"]
    assert ground["standing"] == standing
    assert (ground["inspector"], ground["file"], ground["row"]) == ("Ada", "a.csv", number)
    assert ground["says"]


@pytest.mark.parametrize("number", range(len(NONE_OF_IT)))
def test_what_says_none_of_it_is_noturgent_among(each, number):
    assert len(REPORTS) + number not in each


WORDS = {"method": COVER, "result": "reversed_false_ground"}
OPEN_AND_JUMPED = {"method": COVER, "result": "open_neutral", "neutral_ground_jumper": "yes"}
LOW = {"plate_earth_volts": 1, "case_earth_volts": 1, "ground_contact_earth_volts": 1}
DEAD = {**LOW, "hot_neutral_volts": 0}


SAID_AND_LATER = [
    # A pass by lamps, a volt or two at no load, a meter's verdict: none of them can tell.
    (LIVE, {"result": "correct"}, True),
    (LIVE, {"method": "voltmeter_under_load", "neutral_ground_volts": 0, "load_amps": 0}, True),
    (LIVE, {"method": "ground_impedance_meter", "ground_path_ohms": 0.2}, True),
    (LIVE, {"method": COVER, "result": "correct"}, True),  # says nothing of jumper, polarity
    (LIVE, {**BOX_SEEN, "neutral_ground_jumper": None}, True),
    (LIVE, {**BOX_SEEN, "polarity": "reversed"}, True),  # a jumper further up reaches it
    (LIVE, {**BOX_SEEN, "cover_removed": "no"}, True),
    (LIVE, {**BOX_SEEN, "result": "no_power"}, True),
    (LIVE, {"non_contact_detector": "no"}, True),
    (LIVE, BOX_SEEN, False),
    (LIVE, {**BOX_SEEN, "method": "visual"}, False),  # the reading, not the method's name
    (LIVE, {**BOX_SEEN, "neutral_ground_jumper": "yes", "result": "false_ground"}, False),
    (LIVE, {"ground_contact_earth_volts": 0.4}, False),
    (LIVE, {"ground_contact_earth_volts": 29}, False),
    # Nothing says that the breaker was on.
    (LIVE, {"ground_contact_earth_volts": 0.4, "method": "visual"}, True),
    (LIVE, {"ground_contact_earth_volts": 0.4, "method": COVER, "load_amps": 0}, True),
    (LIVE, {"ground_contact_earth_volts": 0.4, "method": COVER, "load_amps": 9}, False),
    (LIVE, {"ground_contact_earth_volts": 0.4, "method": COVER, "hot_neutral_volts": 119}, False),
    ({"case_earth_volts": 118}, {"case_earth_volts": 0, "result": "open_neutral"}, True),
    # Traced to a box further up: this box alone does not tell.
    ({**WORDS, "method": "upstream_box_seen"}, BOX_SEEN, True),
    ({**WORDS, "method": "neutral_lifted_test"}, BOX_SEEN, True),
    ({**WORDS, "method": "upstream_box_seen"}, {**BOX_SEEN, "method": "upstream_box_seen"}, False),
    (OPEN_AND_JUMPED, {"result": "correct"}, True),
    (OPEN_AND_JUMPED, {**BOX_SEEN, "neutral_ground_jumper": "yes", "result": "false_ground"}, True),
    (OPEN_AND_JUMPED, BOX_SEEN, False),
    (LIVE, {"ground_contact_earth_volts": 0.4, "hot_neutral_volts": 0}, True),  # dead
    (LIVE, {"ground_contact_earth_volts": 0.4, "result": "no_power"}, True),
    (LIVE, {"plate_earth_volts": 0, "case_earth_volts": 0}, True),
    (LIVE, {**BOX_SEEN, "shock_reported": "yes"}, True),
    (WORDS, BOX_SEEN, False),
    ({"plate_earth_volts": 80}, {"plate_earth_volts": 2}, False),
    ({"plate_earth_volts": 80}, {"case_earth_volts": 2}, True),
    # A jumper further up may still feed it: this box alone does not tell.
    ({"plate_earth_volts": 80}, BOX_SEEN, True),
    ({"plate_earth_volts": 80}, {**BOX_SEEN, "method": "upstream_box_seen"}, False),
    ({"case_earth_volts": 118}, {**BOX_SEEN, "result": "open_neutral"}, True),
    ({"case_earth_volts": 118}, {**BOX_SEEN, "hot_neutral_volts": 0}, True),
    (LIVE, {**BOX_SEEN, "result": "open_neutral"}, True),
    (LIVE, {**BOX_SEEN, "result": "open_neutral", "ground_present": "yes"}, False),
    (LIVE, {**BOX_SEEN, "result": "hot_neutral_reversed"}, True),
    (LIVE, {**BOX_SEEN, "result": "false_ground_upstream"}, True),
    ({"case_earth_volts": 80}, {"case_earth_volts": 2}, False),
    ({"case_earth_volts": 80}, {"ground_contact_earth_volts": 2}, True),
    ({"ground_contact_earth_volts": 80}, {"ground_contact_earth_volts": 2}, False),
    ({"ground_contact_earth_volts": 80}, {"plate_earth_volts": 2}, True),
    ({"non_contact_detector": "yes"}, {"non_contact_detector": "no"}, True),
    ({"non_contact_detector": "yes"}, LOW, False),
    ({"non_contact_detector": "yes"}, DEAD, True),
    ({"heat_or_scorch": "yes"}, {"heat_or_scorch": "no"}, True),  # with the cover on
    ({"heat_or_scorch": "yes"}, {"heat_or_scorch": "no", "cover_removed": "yes"}, False),
    ({"heat_or_scorch": "yes"}, BOX_SEEN, True),
    ({"shock_reported": "yes"}, {"shock_reported": "no"}, True),
    ({"shock_reported": "yes"}, {"ground_contact_earth_volts": 1}, True),
    ({"shock_reported": "yes"}, LOW, False),
    ({"shock_reported": "yes"}, BOX_SEEN, True),
    ({"shock_reported": "yes"}, {**BOX_SEEN, "method": "upstream_box_seen"}, False),
    ({"hot_neutral_volts": 171}, {"hot_neutral_volts": 119}, False),
    ({"hot_neutral_volts": 171}, {"hot_neutral_volts": 0}, True),
    ({"hot_neutral_volts": 171}, BOX_SEEN, True),
]
"""What was said, the later reading, and whether it stays urgent."""


def test_only_a_later_reading_that_is_able_to_tell_clears_it():
    rows = []
    for number, (said, later, _) in enumerate(SAID_AND_LATER):
        rows += [look(opening=f"{number} said", **said)]
        rows += [look(opening=f"{number} later", **said), look(3, f"{number} later", **later)]
        # The same reading of the same day, or of before, never clears it.
        rows += [look(opening=f"{number} same day", **said)]
        rows += [look(0, f"{number} same day", inspector="Bo", **later)]
        rows += [look(5, f"{number} before", **said), look(3, f"{number} before", **later)]
    urgent = {row["opening_id"] for row in asked(rows)["urgent_openings"]}
    for number, (said, later, stays) in enumerate(SAID_AND_LATER):
        found = {when for when in ("said", "later", "same day", "before")
                 if f"{number} {when}" in urgent}  # fmt: skip
        expected = {"said", "same day", "before"} | ({"later"} if stays else set())
        assert found == expected, (said, later)


def test_what_is_seen_again_after_having_been_cleared_is_urgent_again():
    rows = [look(**LIVE), look(3, **BOX_SEEN)]
    assert urgent_among({"cleared": rows, "again": [*rows, look(9, **LIVE)]}) == {"again"}


def test_each_ground_is_cleared_by_itself():
    both = look(**{**LIVE, "heat_or_scorch": "yes"})
    (opening,) = asked([both, look(3, **BOX_SEEN)])["urgent_openings"]
    assert [ground["says"] for ground in opening["grounds"]] == ["heat or scorch marks"]
    assert opening["defect"] == "heat_or_scorch"
    assert not is_urgent(both, look(3, **BOX_SEEN, heat_or_scorch="no"))


def test_cleared_says_by_which_row():
    found = asked([look(**WORDS), look(3, **BOX_SEEN, inspector="Bo"), look(9, **BOX_SEEN)])
    (cleared,) = found["cleared_openings"]
    assert found["urgent_openings"] == []
    assert (cleared["cleared_by"], cleared["clearing_person"]) == ("look", "Bo")
    assert (cleared["clearing_file"], cleared["clearing_row"]) == ("a.csv", 1)
    assert cleared["cleared_how"] == "cover off, polarity correct, no jumper"


def test_a_proven_repair_clears_what_was_said_before_its_proof():
    # Said after the repair, before its proof: the repair does not answer it.
    said = {f"{day}": [look(day, **LIVE)] for day in (0, 2, 3, 4, 9)}
    assert urgent_among(said, fixes=[(2, 4)]) == {"3", "4", "9"}
    (cleared,) = asked([look(**WORDS)], fixes=[("H", "1", 2, 4)])["cleared_openings"]
    assert (cleared["cleared_by"], cleared["clearing_person"]) == ("proven_fix", "Firm")
    assert "circuit rewired" in cleared["cleared_how"]


def test_thresholds_are_the_rule_book_s():
    text = default_rule_book_text().replace(
        "touch_volts = { value = 30.0", "touch_volts = { value = 20.0"
    )
    book = parse_rule_book(text)
    assert is_urgent(look(case_earth_volts=25), book=book)
    assert not is_urgent(look(case_earth_volts=25))


def test_a_rule_book_of_before_takes_the_shipped_urgent_numbers():
    text = default_rule_book_text()
    start, end = text.index("[urgent]"), text.index("[due]")
    assert parse_rule_book(text[:start] + text[end:]).urgent == load_rule_book().urgent


def _cells():
    """Any row of any other building, live metal and clearing looks among them."""
    answers = st.sampled_from([None, "yes", "no"])
    volts = st.none() | st.sampled_from([0, 5, 60, 121, 180])
    wanted = {"method": st.sampled_from(list(Method)), "result": st.sampled_from(list(Result))}
    for field in OPENING_OBSERVATIONS.fields:
        if set(field.choices) == {"yes", "no"}:
            wanted[field.name] = answers
        elif field.unit == "V":
            wanted[field.name] = volts
    wanted["polarity"] = st.sampled_from([None, "correct", "reversed"])
    return st.fixed_dictionaries(wanted)


_rows = st.lists(st.tuples(st.integers(0, 9), _cells()), max_size=5)


def _told(rows):
    """What is urgent and why, by opening, with its building and number among all that are told."""
    names = sorted({row["building_id"] for row in rows})
    return {
        (names[each["building_no"]], each["opening_id"]): (
            each["defect"], [ground["says"] for ground in each["grounds"]]
        )
        for each in asked(rows)["urgent_openings"]
    }  # fmt: skip


@settings(max_examples=5, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    cases=st.lists(st.tuples(_rows.filter(len), _rows), min_size=8, max_size=8),
    alone=st.integers(0, 7),
)
def test_urgency_depends_on_an_opening_s_own_rows_only(cases, alone):
    mine = [
        [look(days, building=f"H{n}", **cells) for days, cells in own]
        for n, (own, _) in enumerate(cases)
    ]
    beside = [
        look(days, building=building, opening=opening, **cells)
        for n, (_, others) in enumerate(cases)
        for building, opening in ((f"{'AZ'[n % 2]}{n}", "1"), (f"H{n}", "2"))
        for days, cells in others
    ]
    together = _told([row for rows in mine for row in rows])
    crowded = _told([row for rows in mine for row in rows] + beside)
    assert {key: told for key, told in crowded.items() if key[0][0] == "H" and key[1] == "1"} == (
        together
    )
    only = (f"H{alone}", "1")
    assert _told(mine[alone]) == {key: told for key, told in together.items() if key == only}


@settings(max_examples=5, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    cases=st.lists(
        st.tuples(_rows.filter(len), st.sampled_from(["heat_or_scorch", "shock_reported"])),
        min_size=8,
        max_size=8,
    )
)
def test_a_repeated_or_corroborating_look_takes_nothing_off_the_list(cases):
    told = {}
    for n, (rows, extra) in enumerate(cases):
        own = [look(days, **cells) for days, cells in rows]
        told |= {
            f"{n} said": own,
            f"{n} twice": [*own, *own],
            f"{n} with more": [{**row, extra: "yes"} for row in own],
            f"{n} passed": [*own, look(10, method=LAMPS, result="correct", inspector="Bo")],
        }
    urgent = urgent_among(told)
    for name in {name.split()[0] for name in urgent if name.endswith("said")}:
        assert {f"{name} twice", f"{name} with more", f"{name} passed"} <= urgent, told[
            f"{name} said"
        ]


VOLTS = {"method": "voltmeter_under_load", "hot_neutral_volts": 120.0}


FURTHER_UP = [
    {"method": "upstream_box_seen", "result": "false_ground", "polarity": "reversed"},
    {"method": "upstream_box_seen", "result": "open_neutral", "neutral_ground_jumper": "yes"},
    {"method": "upstream_box_seen", "polarity": "reversed", "neutral_ground_jumper": "yes"},
    {"method": "ground_wire_clamp", "result": "reversed_false_ground"},
]


def test_what_may_sit_further_up_is_not_cleared_by_a_look_into_this_box():
    here = look(5, slots="three_slot", **BOX_SEEN)
    up = look(5, **{**BOX_SEEN, "method": "upstream_box_seen"})
    cases = {
        f"{n} {where}": [look(**said), later]
        for n, said in enumerate(FURTHER_UP)
        for where, later in (("here", here), ("up", up))
    }
    assert urgent_among(cases) == {f"{n} here" for n, _ in enumerate(FURTHER_UP)}


def test_an_opening_without_a_ground_contact_has_no_volts_there_to_clear_it():
    zero = look(5, ground_contact_earth_volts=0.0, **VOLTS)
    cases = {each: [look(**LIVE), {**zero, "slots": each}] for each in ("two_slot", "three_slot")}
    assert urgent_among(cases) == {"two_slot"}


def test_a_supply_voltage_is_cleared_by_somebody_who_tested():
    high = look(**{**VOLTS, "hot_neutral_volts": 170.0})
    seen = look(5, **{**VOLTS, "method": "visual", "result": "not_tested"})
    assert urgent_among({"seen": [high, seen], "tested": [high, look(5, **VOLTS)]}) == {"seen"}


def test_a_proven_repair_answers_for_no_other_family_of_defects():
    more = {
        "case": {"case_earth_volts": 118.0},
        "heat": {"heat_or_scorch": "yes"},
        "shock": {"shock_reported": "yes"},
        "supply": {"hot_neutral_volts": 170.0},
    }
    cases = {name: [look(**LIVE, **cells)] for name, cells in more.items()}
    assert urgent_among({"alone": [look(**LIVE)], **cases}, fixes=[(2, 4)]) == set(more)
