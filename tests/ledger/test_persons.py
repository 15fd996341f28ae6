"""Names that may be of one person or firm, and words that name nobody."""

import pytest

from pipeline.ledger.persons import may_be_one, may_be_one_firm, names_somebody

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
    ["A. Porter", "J. Porter", "John Carpenter", "Porter, J.", "N. Foreman", "Ann Sparks", "Smith",
     "A. Smith", "X. Mason", "Crew 1", "J.D.", "Caretaker Orme", "M. House", "Mary Head", "Li",
     "Xu X", "Wu Y.", "A PORTER"],
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


def test_firms_are_told_by_what_is_their_own():
    for name in ("Pellworth Ltd", "PELLWORTH", "The Pellworth Electric Company", "Electric Co"):
        assert may_be_one_firm(name, FIRM)
    for name in ("Quillmarsh", "Quillmarsh Electric", "Ambrel & Daughters"):
        assert not may_be_one_firm(name, FIRM)


def test_whoever_is_named_may_look_after_a_firm_called_by_a_role():
    assert not may_be_one("S. Ambrel", "Maintenance department")
    assert not may_be_one("S. Ambrel", "House crew")
