"""GFCIs that repairs rest on: what is known of age and test, and what is asked."""

import datetime as dt

import pandas as pd
import pytest
from ledger_samples import DAY, WHO, fix, look, moment, raised

from pipeline.ledger.gfci import QUESTIONS, gfci_devices, known_words
from shared.faults import CoverplateError
from shared.rule_book import default_rule_book_text, load_rule_book, parse_rule_book

BOOK = load_rule_book()
FIXED = DAY + dt.timedelta(10)
SEEN = {"gfci_protected": "yes", "gfci_button_tripped": "yes", "marking": "both"}


@pytest.fixture
def finding(ledger):
    return ledger.raise_finding(raised(), at=moment(DAY), **WHO).finding_id


def report(ledger, finding, remedy="gfci_type_marked", **more):
    said = fix(remedy, markings=("no_equipment_ground", "gfci_protected"), fixed_on=FIXED, **more)
    return ledger.append(finding, said, at=moment(FIXED), **WHO)


def asks(ledger, days=30, looks=None, **said):
    today = FIXED + dt.timedelta(days)
    (device,) = gfci_devices(ledger, BOOK, looks=looks, today=today)
    assert len(device["asked"]) == len(device["asks"]) and set(device["asks"]) <= set(QUESTIONS)
    assert {name: device[name] for name in said} == said
    return device["asks"]


def test_what_is_not_known_is_asked(ledger, finding):
    assert gfci_devices(ledger, BOOK) == []  # nothing rests on one yet
    report(ledger, finding)
    assert asks(ledger) == ["year_not_known", "test_not_known"]


def test_a_remedy_that_rests_on_none_asks_nothing(ledger, finding):
    ledger.append(finding, fix("grounding_conductor_added"), at=moment(FIXED), **WHO)
    assert gfci_devices(ledger, BOOK) == []


@pytest.mark.parametrize(
    ("year", "expected"),
    [(2025, []), (2016, []), (2015, ["no_self_test"]), (2014, ["old", "no_self_test"])],
)
def test_age(ledger, finding, year, expected):
    report(ledger, finding, gfci_year=year, gfci_tested_on=FIXED)
    assert FIXED.year == 2025  # ten years may be, eleven may not
    assert asks(ledger, gfci_year=year, tested_on=FIXED) == expected


@pytest.mark.parametrize(("first", "then", "known"), [(2020, 2023, 2023), (2023, 2020, 2020)])
def test_of_two_reports_of_a_day_the_later_tells_the_year(ledger, finding, first, then, known):
    for year in (first, then):
        report(ledger, finding, gfci_year=year, gfci_tested_on=FIXED)
    asks(ledger, gfci_year=known)


def test_a_year_to_come_is_asked_again(ledger, finding):
    report(ledger, finding, gfci_year=2030, gfci_tested_on=FIXED)
    assert asks(ledger) == ["year_not_known"]


def test_a_test_long_ago_is_asked_about(ledger, finding):
    report(ledger, finding, gfci_year=2024, gfci_tested_on=FIXED)
    assert asks(ledger, 365) == []
    assert asks(ledger, 366) == ["test_long_ago"]


def test_the_look_that_proves_is_a_test(ledger, finding):
    report(ledger, finding, gfci_year=2024)
    seen = look("cover_off_inspection", "open_ground", days=15, **SEEN)
    ledger.record_look(finding, seen, at=moment(FIXED + dt.timedelta(5)), **WHO)
    assert ledger.finding(finding).treatment == "proven"
    assert asks(ledger, tested_on=FIXED + dt.timedelta(5)) == []
    assert ledger.verify() == []


def landed(*rows):
    frame = pd.DataFrame(rows, columns=["observed_on", "gfci_year", "gfci_button_tripped"])
    place = {"building_id": "B1", "unit_id": "2A", "opening_id": "K1"}
    frame["observed_on"] = pd.to_datetime(frame["observed_on"])
    return frame.assign(gfci_year=frame["gfci_year"].astype("Int32"), **place)


def test_landed_looks_since_the_fix_tell_and_earlier_ones_do_not(ledger, finding):
    report(ledger, finding)
    before, after = FIXED - dt.timedelta(1), FIXED + dt.timedelta(7)
    old = landed((before, 1999, "yes"))
    assert asks(ledger, looks=old) == ["year_not_known", "test_not_known"]
    assert asks(ledger, looks=landed((after, 2024, "yes")), gfci_year=2024, tested_on=after) == []
    failed = landed((after, 2024, "yes"), (after, None, "no"))
    assert asks(ledger, looks=failed, failed_on=after) == ["failed"]
    again = landed((after, 2024, "no"), (after + dt.timedelta(2), None, "yes"))
    assert asks(ledger, looks=again) == []


def test_nothing_of_it_changes_what_a_fix_is(ledger, finding):
    report(ledger, finding, gfci_year=1990, gfci_tested_on=DAY)
    with_facts = ledger.finding(finding)
    assert with_facts.treatment == "fix_reported"
    bare = with_facts.fix.model_copy(update={"gfci_year": None, "gfci_tested_on": None})
    assert "gfci_year" not in bare.model_dump(exclude_none=True)
    assert ledger.verify() == []


def test_a_test_of_a_day_to_come_and_a_year_before_any_are_refused(ledger, finding):
    with pytest.raises(CoverplateError, match=r"its GFCI tested on .*, a day in the future"):
        report(ledger, finding, gfci_tested_on=dt.date.today() + dt.timedelta(2))
    with pytest.raises(ValueError, match="1968"):
        fix(gfci_year=1950)


def test_a_rule_book_of_before_takes_the_shipped_limits():
    text = default_rule_book_text()
    start = text.index("[gfci]")
    old = text[:start] + text[text.index("# Costs beside", start) :]
    assert parse_rule_book(old).gfci == BOOK.gfci


def test_words(ledger, finding):
    report(ledger, finding, gfci_year=2001)
    (device,) = gfci_devices(ledger, BOOK, today=FIXED)
    assert known_words(device) == "made or installed in 2001, no test by its own button known"
    assert any("UL 943" in each[4] for each in BOOK.numbers() if each[0].startswith("gfci."))
    assert "of 2001, older than 10 years: ask for its test or replacement" in device["asked"]
