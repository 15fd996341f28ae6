"""How texts become values, and when the person is asked instead of a guess being made."""

import datetime as dt

import pytest

from pipeline.landing import list_quarantine, propose_mapping, save_mapping
from pipeline.landing.answers import Answers
from pipeline.landing.cells import phrase_pattern
from pipeline.landing.mapping import parse_mapping
from shared.faults import CoverplateError
from tests.landing.landed import HEADER, ROWS, counts, land, query

DAY = dt.date(2024, 3, 5)


def looks(dates):
    rows = [
        ROWS[0].replace("2024-03-05", f'"{text}"').replace(",001,", f",{n:03},")
        for n, text in enumerate(dates)
    ]
    return "\n".join([HEADER, *rows]) + "\n"


def days(workspace):
    select = "SELECT observed_on FROM opening_observations_current ORDER BY _row"
    return [day for (day,) in query(workspace, select)]


@pytest.mark.slow
@pytest.mark.parametrize(
    "text",
    [
        "2024-03-05", "2024/03/05", "2024/3/5", "2024.03.05", "20240305", "2024-03-05 14:30",
        "2024-03-05T14:30:00Z", "2024-03-05T14:30:00.123+02:00", "5 Mar 2024", "5-Mar-2024",
        "05-Mar-24", "March 5, 2024", "Mar 5th, 2024", "5 MARCH 2024", "2024-Mar-05", "45356",
        "45356.75", " 2024-03-05 ", "\u00a02024-03-05\u00a0",
    ],
)  # fmt: skip
def test_dates_with_one_reading_need_no_order(workspace, inbox, text):
    land(workspace, inbox, looks([text]))
    assert days(workspace) == [DAY]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("texts", "expected"),
    [
        (["5/3/2024", "13/03/2024"], [DAY, dt.date(2024, 3, 13)]),
        (["3/5/2024", "03/13/2024"], [DAY, dt.date(2024, 3, 13)]),
        (["05.03.2024", "31.12.2023"], [DAY, dt.date(2023, 12, 31)]),
        (["5-3-24", "28-2-24"], [DAY, dt.date(2024, 2, 28)]),
        (["24-03-05", "24-02-31x", "99-12-31"], [DAY, dt.date(1999, 12, 31)]),
        (["3/5/2024 9:15 AM", "3/25/2024 12:00"], [DAY, dt.date(2024, 3, 25)]),
        (["03/03/2024", "2024-03-05"], [dt.date(2024, 3, 3), DAY]),
    ],
)
def test_one_clear_date_settles_the_order_of_the_column(workspace, inbox, texts, expected):
    land(workspace, inbox, looks(texts))
    assert days(workspace) == expected


@pytest.mark.parametrize(
    "texts",
    [
        ["03/05/2024", "04/06/2024"],
        ["03/05/2024", "2024-03-31"],
        ["3-5-24"],
        ["13/03/2024", "03/13/2024"],
    ],
)
def test_an_ambiguous_order_is_asked_for_not_guessed(workspace, inbox, texts):
    with pytest.raises(CoverplateError) as asked:
        land(workspace, inbox, looks(texts))
    said = str(asked.value)
    assert "observed_on" in said
    assert 'date_order = "dmy"' in said
    assert '"mdy"' in said
    assert workspace.manifests() == []


@pytest.mark.parametrize(("order", "day"), [("dmy", dt.date(2024, 5, 3)), ("mdy", DAY)])
def test_the_answer_in_a_mapping_is_used(workspace, inbox, order, day):
    proposal = propose_mapping(HEADER.split(","), [], name="crew")
    save_mapping(workspace, proposal.mapping.model_copy(update={"date_order": order}))
    land(workspace, inbox, looks(["03/05/2024"]), mapping="crew")
    assert days(workspace) == [day]


@pytest.mark.slow
@pytest.mark.parametrize(
    "text",
    [
        "soon",
        "2024-02-30",
        "31 Feb 2024",
        "2024-13-01",
        "epoch",
        "infinity",
        "0024-03-05",
        "2031-01-01",
    ],
)
def test_what_is_no_date_is_set_aside_with_its_text(workspace, inbox, text):
    (report,) = land(workspace, inbox, looks(["2024-03-05", text]))
    assert counts(report) == (2, 1, 0, 0, 1)
    ((reason,),) = (held.reasons for held in list_quarantine(workspace))
    assert (reason.column, reason.found) == ("observed_on", text)


def volts(texts, column="neutral_ground_volts"):
    rows = [ROWS[0].replace(",001,", f",{n:03},") + f',"{text}"' for n, text in enumerate(texts)]
    return "\n".join([HEADER + "," + column, *rows]) + "\n"


def numbers(workspace, column="neutral_ground_volts"):
    select = f"SELECT {column} FROM opening_observations_current ORDER BY _row"
    return [number for (number,) in query(workspace, select)]


@pytest.mark.parametrize(
    ("texts", "expected"),
    [
        (["3.68", "0", " 12 ", "1e2"], [3.68, 0, 12, 100]),
        (["3,68", "0,5", "12"], [3.68, 0.5, 12]),
        (["3.68 V", "3.68v", "2 volts"], [3.68, 3.68, 2]),
        (["N/A", "-", "", "null", "None", "unknown", "#N/A"], [None] * 7),
        (["3,5", "1.000"], [3.5, 1000]),
        (["1.000", "2.5"], [1, 2.5]),
    ],
)
def test_numbers_are_read_as_people_write_them(workspace, inbox, texts, expected):
    land(workspace, inbox, volts(texts))
    assert numbers(workspace) == expected


@pytest.mark.slow
@pytest.mark.parametrize(
    ("texts", "expected"),
    [
        (["1,250,000"], [1250000]),
        (["1.250.000"], [1250000]),
        (["1 250 000", "1\u00a0250"], [1250000, 1250]),
        (["1,250", "2,500.75"], [1250, 2500.75]),
        (["1.250", "2.500,75"], [1250, 2500.75]),
        (["1'250'000"], [1250000]),
        (["1,250", "12.5"], [1250, 12.5]),
    ],
)
def test_thousands_are_told_from_decimals_by_the_rest_of_the_column(
    workspace, inbox, texts, expected
):
    land(workspace, inbox, volts(texts, "ground_path_ohms"))
    assert numbers(workspace, "ground_path_ohms") == expected


def test_a_comma_with_two_meanings_is_asked_for(workspace, inbox):
    with pytest.raises(CoverplateError, match="decimal_mark"):
        land(workspace, inbox, volts(["1,250", "2,500"], "ground_path_ohms"))


@pytest.mark.slow
@pytest.mark.parametrize("text", ["abc", "1_000", "3.5.1", "1,2,3", "--3", "inf", "0x10", "1001"])
def test_what_is_no_number_in_range_is_set_aside(workspace, inbox, text):
    (report,) = land(workspace, inbox, volts(["1.5", text]))
    assert counts(report) == (2, 1, 0, 0, 1)
    ((reason,),) = (held.reasons for held in list_quarantine(workspace))
    assert (reason.column, reason.found) == ("neutral_ground_volts", text)
    assert "1000" in reason.expected


@pytest.mark.parametrize(
    ("text", "year"),
    [("1971", 1971), ("1971.0", 1971), (" 1971 ", 1971), ("1971.", 1971), ("1.971e3", 1971)],
)
def test_years_written_as_decimals_are_whole(workspace, inbox, text, year):
    land(workspace, inbox, f"building_id,year_built\n0042,{text}\n", "register.csv")
    select = "SELECT building_id, year_built FROM building_register_current"
    assert query(workspace, select) == [("0042", year)]


@pytest.mark.parametrize("text", ["1971.6", "c. 1928", "1928?", "before 1900"])
def test_a_year_that_is_none_is_left_blank_and_listed(workspace, inbox, text):
    register = f"building_id,year_built\n1,{text}\n2,1972\n"
    (report,) = land(workspace, inbox, register, "register.csv")
    assert (report.quarantined, report.blanked) == (0, 1)
    select = "SELECT building_id, year_built FROM building_register_current ORDER BY 1"
    assert query(workspace, select) == [("1", None), ("2", 1972)]
    ((reason,),) = (held.reasons for held in list_quarantine(workspace))
    assert (reason.column, reason.found) == ("year_built", text)


def test_a_word_of_the_vocabulary_is_never_a_null_token(workspace, inbox):
    land(workspace, inbox, HEADER + "\n" + ROWS[0].replace("random", "Unknown") + "\n")
    assert query(workspace, "SELECT selection FROM opening_observations_current") == [("unknown",)]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("text", "word"),
    [("yes", "yes"), ("Y", "yes"), ("TRUE", "yes"), ("1", "yes"), ("no", "no"), ("n", "no"),
     ("False", "no"), ("0", "no"), ("", None), ("n/a", None)],
)  # fmt: skip
def test_yes_and_no(workspace, inbox, text, word):
    land(workspace, inbox, volts([text], "gfci_protected"))
    assert numbers(workspace, "gfci_protected") == [word]


@pytest.mark.parametrize(
    ("phrases", "text", "hit"),
    [
        (["gfi"], "gfi ok", True),
        (["gfi"], "has gfi.", True),
        (["gfi"], "(gfi)", True),
        (["gfi"], "agfia", False),
        (["gfi"], "gfix", False),
        (["gfi"], "gfi2", False),
        (["gfi"], "égfi", False),
        (["no ground"], "no-ground", True),
        (["no ground"], "no  ground", True),
        (["no ground"], "no grounds", False),
        (["n/g"], "n/g jumper", True),
        (["a.c"], "abc", False),
    ],
)
def test_phrases_are_found_as_whole_words(phrases, text, hit):
    import duckdb

    found = duckdb.execute("SELECT regexp_matches(?, ?)", [text, phrase_pattern(phrases)])
    assert found.fetchall() == [(hit,)]


TEXT_RULES = {
    "name": "sheet",
    "records": [
        {
            "kind": "opening_observations",
            "columns": {
                "building_id": {"from": ["House"]},
                "opening_id": {"join": ["Room", "No"]},
                "observed_on": {"from": ["When"]},
                "method": {"constant": "three_lamp_tester"},
                "result": {
                    "from": ["Said"],
                    "values": {"OK": "correct"},
                    "text_rules": [
                        {"words": ["open ground", "no ground"], "value": "open_ground"},
                        {"words": ["dead"], "value": "no_power"},
                    ],
                },
                "gfci_protected": {
                    "text_rules": [
                        {
                            "words": ["gfi", "gfci"],
                            "unless": ["not", "without"],
                            "value": "yes",
                            "column": ["Said"],
                        }
                    ]
                },
                "neutral_ground_volts": {"from": ["N-G mV"], "unit": "mV"},
                "ground_path_ohms": {"from": ["Z"], "unit": "kΩ"},
            },
        }
    ],
}
SHEET = "House,Room,No,When,Said,N-G mV,Z\n"


def test_mapped_texts_units_joins_and_constants(workspace, inbox):
    save_mapping(workspace, parse_mapping(TEXT_RULES, "test"))
    rows = [
        "7,hall,1,2024-03-05,ok,3680,1.5 kΩ",
        "7,hall,2,2024-03-05,Found no ground; has GFI,50,2",
        "7,hall,3,2024-03-05,DEAD (not gfi),,",
        "7,hall,4,2024-03-05,dead and no ground,,",
        "7,hall,5,2024-03-05,deadline unclear,,",
    ]
    (report,) = land(workspace, inbox, SHEET + "\n".join(rows) + "\n", mapping="sheet")
    assert counts(report) == (5, 3, 0, 0, 2)
    select = (
        "SELECT opening_id, method, result, gfci_protected, neutral_ground_volts, ground_path_ohms "
        "FROM opening_observations_current ORDER BY _row"
    )
    assert query(workspace, select) == [
        ("hall-1", "three_lamp_tester", "correct", None, 3.68, 1500.0),
        ("hall-2", "three_lamp_tester", "open_ground", "yes", 0.05, 2000.0),
        ("hall-3", "three_lamp_tester", "no_power", None, None, None),
    ]
    both, neither = list_quarantine(workspace)
    assert both.reasons[0].found == "dead and no ground"
    assert "not several" in " ".join(reason.expected for reason in both.reasons)
    assert neither.reasons[0].found == "deadline unclear"


@pytest.mark.slow
def test_an_order_said_of_an_earlier_file_is_doubted_by_a_later_one(workspace, inbox):
    said = Answers(date_order="dmy")
    land(workspace, inbox, looks(["05/03/2024", "06/03/2024"]), "march.csv", answers=said)
    other = looks([f"04/{day:02}/2024" for day in range(3, 25)]).replace(",1A,", ",2B,")
    with pytest.raises(CoverplateError, match="12 of 22 dates cannot be day/month/year"):
        land(workspace, inbox, other, "april.csv")
    (report,) = land(workspace, inbox, other, "april.csv", answers=Answers(date_order="mdy"))
    assert report.quarantined == 0
