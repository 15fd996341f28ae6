"""Names that may be of one person or firm, and words that name nobody."""

import pytest

from pipeline.ledger.persons import is_another_firm, may_be_one, may_be_one_firm, names_somebody

WORKER, FIRM = "D. Orme", "Pellworth Electric"


@pytest.mark.parametrize(
    "name",
    ["D. Orme", "ORME", "Orme, Dorothea", "D. \u041erme", "D. \u00d8rme", "Mr. Orme",
     "Electrician Orme", "Orme (Pellworth)", "Orme2", "D. Orme Jr", "Ms. D Orme",
     "Mrs. Dorothea Orme", "D.\u200bOrme", "D.\u00adOrme", "d  orme"],
)  # fmt: skip
def test_ways_to_write_the_one_who_did_the_work(name):
    assert may_be_one(name, WORKER, FIRM)


@pytest.mark.parametrize("name", ["S. Orme", "D. Armstrong", "S. Ambrel", "Cyn"])
def test_other_people_are_others(name):
    assert not may_be_one(name, WORKER, FIRM)


@pytest.mark.parametrize(
    ("one", "other"),
    [("\u0141ukasz", "Lukasz"), ("M\u00fcller", "Mueller"), ("Anne-Marie", "Annemarie"),
     ("Stra\u00dfer", "Strasser"), ("Jos\u00e9 Ruiz", "RUIZ, Jose")],
)  # fmt: skip
def test_spellings_of_one_name(one, other):
    assert may_be_one(one, other) and may_be_one(other, one)


@pytest.mark.parametrize(
    ("one", "other"),
    [("BT", "Bob Tell"), ("tb", "Bob Tell"), ("Robert Tell", "Bob Tell"),
     ("Bill Tell", "William Tell"), ("lic 4711", "Bob Tell"), ("Crew 2", "Bob Tell")],
)  # fmt: skip
def test_initials_pet_names_and_numbers_may_be_the_same_person(one, other):
    assert may_be_one(one, other) and may_be_one(other, one)


@pytest.mark.parametrize("other", ["BR", "Robert Orme", "Bill Tell", "Ann Tell"])
def test_other_initials_and_names_are_others(other):
    assert not may_be_one("Bob Tell", other)


def test_numbered_crews_are_told_apart():
    assert not may_be_one("Crew 1", "Crew 2")
    assert not may_be_one("Crew 12", "Crew 21")


@pytest.mark.parametrize("name", [None, "", "-", "same as above", "same", "unknown", "n/a", "Mr."])
def test_words_that_name_nobody(name):
    assert not names_somebody(name)


@pytest.mark.parametrize(
    "name",
    ["Site manager", "Caretaker", "Electrician", "the inspector", "staff", "tenant", "N.N.", "X Y",
     "X. Y.", "John Doe", "Carpenter", "a porter", "A porter", "Technician B", "foreman",
     "third party inspector", "City Inspector", "Electrician on duty", "Building super", "Person A",
     "House manager", "Qualified person", "Hausmeister"],
)  # fmt: skip
def test_roles_and_what_stands_for_a_name_are_no_persons(name):
    assert not names_somebody(name)


@pytest.mark.parametrize(
    "name",
    ["A. Porter", "J. Porter", "John Carpenter", "Porter, J.", "N. Foreman", "Ann Sparks",
     "A. Smith", "X. Mason", "Crew 1", "M. House", "Mary Head", "Mr. Orme", "Orme lic 4711",
     "Xu X", "Wu Y.", "A PORTER", "D. Orme (caretaker)", "Guy Orme", "Bill Tell",
     "\u5c71\u7530\u592a\u90ce"],
)  # fmt: skip
def test_surnames_that_are_roles_too_and_short_names_are_persons(name):
    assert names_somebody(name)


@pytest.mark.parametrize(
    "name", ["Caretaker Orme", "Site manager Orme", "Carpenter Orme", "Foreman Orme",
             "Orme (tenant)", "Inspector 7", "Site manager 2", "Site manager (block 2)"],
)  # fmt: skip
def test_a_role_beside_a_name_or_number_tells_nobody_apart(name):
    assert may_be_one(name, "D. Orme") and may_be_one("D. Orme", name)


@pytest.mark.parametrize(
    ("one", "other"),
    [("John Porter", "John Smith"), ("J. Porter", "J. Mason"), ("Porter, John", "Smith, John"),
     ("Ann Sparks", "Bob Sparks"), ("George Foreman", "George Head")],
)  # fmt: skip
def test_people_with_such_surnames_are_told_apart(one, other):
    assert not may_be_one(one, other) and not may_be_one(other, one)


@pytest.mark.parametrize(
    "name",
    ["Smith", "Li", "J.D.", "BT", "Caretaker Orme", "Dad", "OK", "Yes", "Done", "Pending", "QC",
     "illegible", "(illegible)", "not recorded", "not stated", "not known", "see invoice", "2 men",
     "as per invoice", "Owner rep", "N/K", "n/k", "nil", "Reviewer", "President", "Spouse",
     "Portero", "Geselle", "D. Orme + 1", "D. Orme & crew", "D. Orme and a helper",
     "Colleague of D. Orme", "Night shift", "Maintenance Dept"],
)  # fmt: skip
def test_one_word_letters_and_others_who_are_not_named_are_no_persons(name):
    assert not names_somebody(name)


@pytest.mark.parametrize(
    ("one", "other"),
    [("Mike Orme", "Michael Orme"), ("William Orme", "Wm. Orme"), ("James Orme", "Jas. Orme"),
     ("Jos\u00e9 Garcia", "Pepe Garcia"), ("Gerald Tarrow", "Jerry Tarrow"),
     ("Mike O", "Michael Orme"),
     ("Jacob Quill", "Jake Quill"), ("Rebecca Orme", "Becky Orme"), ("Orme, Dick", "Richard Orme"),
     ("Bill Orme", "W. Orme"), ("Jim Orme", "James Orme"), ("Liz Orme", "Elizabeth Orme"),
     ("Kate Orme", "Katherine Orme"), ("Abmrel Sally", "Sally Ambrel"), ("MO", "Mike Orme"),
     ("Dorthea Ormes", "Dorothea Orme"), ("Geoff Orme", "Jeffrey Orme"),
     ("Kris Orme", "Chris Orme"),
     ("Sean O'Brien", "Shawn Obrien"), ("Greg McDonald", "Gregory MacDonald"),
     ("D. Orme lic. 4711", "T. Orme, licence no 4711")],
)  # fmt: skip
def test_under_one_surname_first_names_that_may_be_one_are_one_person(one, other):
    assert may_be_one(one, other) and may_be_one(other, one)


@pytest.mark.parametrize(
    ("one", "other"),
    [("Anna Orme", "Peter Orme"), ("S. Orme", "D. Orme"), ("Sally Ambrel", "Sam Amber"),
     ("Mike Orme lic 4711", "Michael Orme lic 4712"), ("Mike Orme", "Michael Tarrow")],
)  # fmt: skip
def test_names_that_are_plainly_two_and_licences_that_differ_are_two_people(one, other):
    assert not may_be_one(one, other) and not may_be_one(other, one)


@pytest.mark.parametrize(
    ("one", "other"),
    [("Pelworth Electric", FIRM), ("Pellwroth Electric", FIRM), ("Pell Worth Elec", FIRM),
     ("PE", FIRM), ("PWE Ltd", FIRM), ("Pellworths", "Pellworth & Daughters"), ("n/k", FIRM),
     ("In-house", "Housing Authority"), ("own staff", "Estate office"), ("not stated", FIRM),
     ("subcontractor", FIRM), ("not known", "Quillmarsh"), ("www.pellworth.example", FIRM)],
)  # fmt: skip
def test_firms_in_another_spelling_and_firms_that_are_not_named_are_no_other_firm(one, other):
    assert not is_another_firm(one, other) and not is_another_firm(other, one)


def test_a_house_crew_and_a_firm_are_two():
    assert is_another_firm("House crew", "Quillmarsh") and is_another_firm(FIRM, "In-house")


def test_firms_are_told_by_what_is_their_own():
    for name in ("Pellworth Ltd", "PELLWORTH", "The Pellworth Electric Company", "Electric Co"):
        assert may_be_one_firm(name, FIRM)
    for name in ("Quillmarsh", "Quillmarsh Electric", "Ambrel & Daughters"):
        assert not may_be_one_firm(name, FIRM)


def test_whoever_is_named_may_look_after_a_firm_called_by_a_role():
    assert not may_be_one("S. Ambrel", "Maintenance department")
    assert not may_be_one("S. Ambrel", "House crew")
