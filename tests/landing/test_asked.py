"""What must be asked or said, and what must not: unread columns, persons, code pages, spellings."""

import json

import pytest
from landed import CSV, land, query

from pipeline.cli.main import coverplate
from pipeline.landing.answers import parse_answers
from pipeline.landing.open_question import OpenQuestionError
from shared.faults import CoverplateError

HUMAN = "Bldg,Apt,Outlet,Test Date,Instrument,Finding"
CANON = "building_id,unit_id,opening_id,observed_on,method,result"
LOOK = "B-1,1,O-1,2024-05-01,3 lamp tester,no ground"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("header", "value"),
    [
        *(("Scorching seen", "Y"), ("Metal box V", "118"), ("Touch voltage", "118")),
        *(("Zs", "500"), ("Urgent", "Y"), ("Earth mΩ seen", "500"), ("Loop (Ω)", "1")),
        ("Burning smell", "Y"),
    ],
)
def test_an_unread_column_named_for_a_danger_is_asked(workspace, inbox, header, value):
    text = f"{HUMAN},{header}\n{LOOK},{value}\n"
    with pytest.raises(OpenQuestionError) as refusal:
        land(workspace, inbox, text)
    assert f"ignore={header}" in refusal.value.questions[0].answers
    answered = parse_answers([f"ignore={header}"])
    (report,) = land(workspace, inbox, text, answers=answered)
    assert report.accepted == 1
    (said,) = [f for f in report.findings if f.kind == "unread_columns"]
    assert repr(header) in said.message


def test_an_empty_column_named_for_a_danger_is_not_asked(workspace, inbox):
    (report,) = land(workspace, inbox, f"{HUMAN},Urgent\n{LOOK},\n")
    assert report.accepted == 1


@pytest.mark.parametrize("header", ["Delivery", "Revision", "Oliver", "Storm", "Weather"])
def test_other_words_are_no_danger_and_are_named(workspace, inbox, header):
    (report,) = land(workspace, inbox, f"{HUMAN},{header}\n{LOOK},dry\n")
    assert repr(header) in next(f.message for f in report.findings if f.kind == "unread_columns")


def test_unread_columns_are_printed_and_change_no_exit_code(tmp_path, capsys):
    file = tmp_path / "looks.csv"
    file.write_text(f"{HUMAN},Photo no,Weather\n{LOOK},7,dry\n")
    call = ["intake", str(file), "--workspace", str(tmp_path / "ws")]
    assert coverplate.main(call, standalone_mode=False) == 0
    assert "'Photo no', 'Weather'" in capsys.readouterr().out
    assert coverplate.main([*call, "--json"], standalone_mode=False) == 0
    (report,) = json.loads(capsys.readouterr().out)
    assert [f["kind"] for f in report["findings"]] == ["unread_columns"]


def test_the_default_layout_leaves_nothing_unread(workspace, inbox):
    (report,) = land(workspace, inbox, CSV)
    assert report.findings == ()


def test_a_register_may_tell_of_amps(workspace, inbox):
    text = "building_id,year_built,dwelling_units,Service amps\nB-1,1950,2,100\n"
    (report,) = land(workspace, inbox, text)
    assert report.accepted == 1


@pytest.mark.parametrize(
    ("name", "encoding"),
    [("Дом-1", "cp1251"), ("Šaltupė-1", "cp1257"), ("Mačka-1", "cp1250"), ("Père-1", "cp1252")],
)
def test_letters_of_another_code_page_in_an_identifier_are_asked(workspace, inbox, name, encoding):
    text = f"{HUMAN}\n{LOOK.replace('B-1', name)}\n".encode(encoding)
    with pytest.raises(CoverplateError, match="code page") as refusal:
        land(workspace, inbox, text)
    assert f"{encoding}: {name!r}" in str(refusal.value)
    said = parse_answers([f"encoding={encoding}"])
    land(workspace, inbox, text, answers=said)
    select = "SELECT building_id FROM opening_observations_current"
    assert query(workspace, select) == [(name,)]


@pytest.mark.parametrize("name", ["Mühle-1", "Café-1", "Größe"])
def test_western_letters_that_others_share_are_not_asked(workspace, inbox, name):
    land(workspace, inbox, f"{HUMAN}\n{LOOK.replace('B-1', name)}\n".encode("cp1252"))
    select = "SELECT building_id FROM opening_observations_current"
    assert query(workspace, select) == [(name,)]


@pytest.mark.parametrize(
    "lost", ["B\ufffd-2".encode(), b"B-\xed\xa0\x80"], ids=["replaced", "half a character"]
)
def test_an_identifier_that_lost_a_letter_is_set_aside(workspace, inbox, lost):
    rows = [LOOK.replace("B-1", "Б-1").encode(), LOOK.encode().replace(b"B-1", lost)]
    (report,) = land(workspace, inbox, b"\n".join([HUMAN.encode(), *rows, b""]))
    assert (report.accepted, report.quarantined) == (1, 1)
    select = "SELECT building_id FROM opening_observations_current"
    assert query(workspace, select) == [("Б-1",)]
    ((reasons,),) = query(workspace, "SELECT reasons FROM quarantine")
    assert "no letter lost" in reasons[0]["expected"]


def _by(inbox, workspace, headers, values):
    """Take in a look with more columns, and return who looked."""
    land(workspace, inbox, f"{HUMAN},{headers}\n{LOOK},{values}\n")
    return query(workspace, "SELECT inspector FROM opening_observations_current")[0][0]


@pytest.mark.parametrize(
    ("headers", "values", "who"),
    [
        ("Tester,Tested by", "RT-110,A. Orme", "A. Orme"),
        ("Tested by,Tester", "A. Orme,RT-110", "A. Orme"),
        ("Tester", "Model RT-110", None),
        ("By", "plug tester", None),
        ("Tester", "A. Orme", "A. Orme"),
        ("Tested by", "1042", "1042"),
    ],
)
def test_an_instrument_is_no_inspector(workspace, inbox, headers, values, who):
    assert _by(inbox, workspace, headers, values) == who


def test_two_columns_of_people_are_asked(workspace, inbox):
    with pytest.raises(CoverplateError, match="inspector could be read from"):
        _by(inbox, workspace, "Tester,Tested by", "B. Quill,A. Orme")
    text = f"{HUMAN},Tester,Tested by\n{LOOK},B. Quill,A. Orme\n"
    land(workspace, inbox, text, answers=parse_answers(["inspector=Tested by"]))
    select = "SELECT inspector FROM opening_observations_current"
    assert query(workspace, select) == [("A. Orme",)]


def _buildings(*names):
    return "\n".join([HUMAN, *(LOOK.replace("B-1", name) for name in names), ""])


def _settled(workspace, inbox, text, *said):
    """Take in with answers, and return the buildings that stand."""
    land(workspace, inbox, text, answers=parse_answers(said))
    select = "SELECT DISTINCT building_id FROM opening_observations_current ORDER BY 1"
    return [name for (name,) in query(workspace, select)]


@pytest.mark.slow
@pytest.mark.parametrize("other", ["B–3", "B\u20113", "\uff22-3", "B−3", "В-3", "Β-3"])
def test_one_building_in_letters_that_look_alike_is_asked(workspace, inbox, other):
    with pytest.raises(CoverplateError, match="one under two spellings"):
        land(workspace, inbox, _buildings("B-3", other))
    said = f"building_id:{other}=B-3"
    assert _settled(workspace, inbox, _buildings("B-3", other), said) == ["B-3"]


def test_a_building_said_to_be_another_answers_for_its_own_pairs_only(workspace, inbox):
    text = _buildings("0042", "42", "42.0")
    with pytest.raises(CoverplateError, match=r"'42\.0' and '42'"):
        _settled(workspace, inbox, text, "different=0042")
    said = ("different=0042", "building_id:42.0=42")
    assert _settled(workspace, inbox, text, *said) == ["0042", "42"]


def test_the_advice_for_three_spellings_settles_all_of_them(workspace, inbox):
    text = _buildings("0042", "42", "42.0")
    with pytest.raises(CoverplateError) as refusal:
        land(workspace, inbox, text)
    said = [word for word in refusal.value.to_do.split() if word.startswith("building_id:")]
    assert _settled(workspace, inbox, text, *(word.rstrip(",") for word in said)) == ["0042"]


def test_answers_about_spellings_are_followed_to_their_end(workspace, inbox):
    said = ("building_id:0042=42", "building_id:42=42.0")
    assert _settled(workspace, inbox, _buildings("0042", "42", "42.0"), *said) == ["42.0"]


def test_the_spelling_that_landed_before_is_the_one_for_all(workspace, inbox):
    land(workspace, inbox, _buildings("42"), "first.csv")
    with pytest.raises(CoverplateError, match="building_id:0042=42 "):
        land(workspace, inbox, _buildings("0042", "42", "42.0"))


@pytest.mark.parametrize("order", [("Condition", "Finding"), ("Finding", "Condition")])
def test_the_column_that_tells_of_a_danger_is_offered_first(workspace, inbox, order):
    cells = {"Condition": "Good", "Finding": "open ground"}
    text = f"Bldg,Apt,Outlet,Test Date,Instrument,{','.join(order)}\n"
    text += f"B-1,1,O-1,2024-05-01,3 lamp tester,{','.join(cells[name] for name in order)}\n"
    with pytest.raises(CoverplateError) as refusal:
        land(workspace, inbox, text)
    assert "--set result=Finding` (or" in refusal.value.to_do


def test_advice_that_only_shows_a_form_says_so(workspace, inbox):
    with pytest.raises(CoverplateError) as refusal:
        land(workspace, inbox, "colour,weight\nred,1\nblue,2\n")
    told = refusal.value.to_do
    assert told.count("COLUMN=HEADER") == 1
    assert "COLUMN=HEADER`, with your own column and header" in told
