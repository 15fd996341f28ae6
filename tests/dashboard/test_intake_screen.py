"""The intake screen: look, correct, try, take in, and set aside with a way back."""

from __future__ import annotations

import csv
import io
import zipfile

import pytest
from screens_shown import plate, plates, sound
from streamlit import config

from pipeline.landing import list_mappings
from pipeline.screens import landed

ROWS = """house;flat;where;plug;seen on;by;how;what
0001;1A;Kitchen;K1;03/04/2024;Q;plug tester;fine by me
0001;1A;Kitchen;K2;13/04/2024;Q;plug tester;no earth
"""


@pytest.fixture
def odd(tmp_path):
    file = tmp_path / "odd survey.csv"
    file.write_text(ROWS, encoding="utf-8")
    return file


def choose(show, place, path):
    app = show(place, "intake")
    app.radio(key="how").set_value("path").run()
    app.text_input(key="path").set_value(str(path)).run()
    sound(app)
    return app


def test_a_path_that_does_not_exist_is_refused(show, empty):
    app = choose(show, empty, "/no/such/place")
    assert "there is no" in app.error[0].value


@pytest.mark.parametrize("address", ["0.0.0.0", "192.168.1.5", "", None])
def test_off_loopback_no_path_is_asked_for_or_taken(show, empty, address):
    config.set_option("server.address", address)
    app = show(empty, "intake")
    assert not [radio for radio in app.radio if radio.key == "how"]
    app.session_state["how"], app.session_state["path"] = "path", "/etc"
    app.run()
    sound(app)
    assert not [box for box in app.text_input if box.key == "path"] and not app.error


@pytest.mark.slow
def test_trying_changes_nothing_and_taking_in_adds_up(show, empty, managed):
    from data_demo.portfolios import FOLDER

    app = choose(show, empty, FOLDER / "property_manager" / "exports" / "01_houses.csv")
    next(b for b in app.button if b.label == "Try it first").click().run()
    sound(app)
    tried = plate(app, "would-be")
    assert "adds up" in tried and "does not add up" not in tried
    assert not list(empty.landed.iterdir())
    assert not list(empty.scratch.glob("trial-*"))
    next(b for b in app.button if b.label == "Take in").click().run()
    sound(app)
    assert "adds up" in plate(app, "became")
    assert len(list(empty.landed.iterdir())) == 1
    history = landed.history(empty)
    assert history["adds_up"].all() and history["rows_read"].sum() > 0


def test_a_refused_file_changes_nothing(show, empty, odd):
    app = choose(show, empty, odd)
    next(b for b in app.button if b.label == "Take in").click().run()
    sound(app)
    assert app.error
    assert not list(empty.landed.iterdir())


@pytest.mark.slow
def test_a_mapping_is_corrected_saved_and_used(show, empty, odd):
    from pipeline.landing.preview import preview
    from pipeline.screens import mapping_desk
    from shared.vocabulary import RecordKind

    (table,) = preview(empty, [odd])
    assert table.read_by is None
    desk = mapping_desk.Desk(table, RecordKind.OPENING_OBSERVATIONS)
    chosen = {
        "building_id": "house",
        "unit_id": "flat",
        "room": "where",
        "opening_id": "plug",
        "observed_on": "seen on",
        "method": "how",
        "result": "what",
    }
    unknown = mapping_desk.unknown_words(desk, chosen)
    assert "fine by me" in unknown["word"].tolist()
    words = [
        ("result", "fine by me", "correct"),
        ("result", "no earth", "open_ground"),
        ("method", "plug tester", "three_lamp_tester"),
    ]
    made = mapping_desk.made(desk, "odd", chosen, words, date_order="dmy")
    from pipeline.landing import intake, save_mapping

    save_mapping(empty, made)
    assert [m.name for m in list_mappings(empty)] == ["odd"]
    (report,) = intake(empty, [odd])
    assert (report.mapping, report.accepted, report.quarantined) == ("odd", 2, 0)
    app = show(empty, "intake", part="What landed")
    sound(app)
    assert "odd survey.csv" in plate(app, "landed")


def test_the_mapping_form_offers_the_columns_of_the_file(show, empty, odd):
    app = choose(show, empty, odd)
    assert "needs a mapping" in app.expander[0].label
    assert any(b.label == "Save this mapping" for b in app.button)
    assert "“fine by me”" in " ".join(s.label for s in app.selectbox) or app.selectbox


def test_a_column_used_twice_is_refused(empty, odd):
    from pipeline.landing.preview import preview
    from pipeline.screens import mapping_desk
    from shared.faults import CoverplateError
    from shared.vocabulary import RecordKind

    (table,) = preview(empty, [odd])
    desk = mapping_desk.Desk(table, RecordKind.OPENING_OBSERVATIONS)
    with pytest.raises(CoverplateError, match="used twice"):
        mapping_desk.made(desk, "odd", {"building_id": "house", "unit_id": "house"})


@pytest.mark.slow
def test_set_aside_rows_show_every_reason_and_come_back_corrected(show, managed):
    app = show(managed, "intake", part="Set aside")
    sound(app)
    frame = landed.set_aside(managed, limit=500)
    assert len(frame) > 0
    body = plate(app, "aside")
    assert "expected" in body and "found" in body
    with zipfile.ZipFile(io.BytesIO(landed.set_aside_file(managed))) as archive:
        files = [archive.read(name).decode("utf-8-sig") for name in archive.namelist()]
    for text in files:
        assert text.startswith("coverplate_source,coverplate_row,coverplate_reasons")
    assert sum(len(list(csv.DictReader(text.splitlines()))) for text in files) == len(frame)


def test_nothing_set_aside_says_so(show, empty):
    empty.create()
    app = show(empty, "intake", part="Set aside")
    sound(app)
    assert "No row is set aside" in plates(app)


@pytest.mark.slow
def test_a_sheet_with_one_column_a_room_is_settled_on_screen(show, empty, tmp_path):
    file = tmp_path / "rooms.csv"
    file.write_text(
        "Building,Apt,Test date,Kitchen,Hall\n"
        "B-1,1A,2024-03-05,OK,open ground\nB-1,1B,2024-03-05,rev pol,OK\n",
        encoding="utf-8",
    )
    app = choose(show, empty, file)
    assert "needs a mapping" in app.expander[0].label
    # proposed, and changed and changed back by a person
    assert app.multiselect(key="wide-0").value == ["Kitchen", "Hall"]
    app.multiselect(key="wide-0").set_value([]).run()
    sound(app)
    app.multiselect(key="wide-0").set_value(["Kitchen", "Hall"]).run()
    sound(app)
    app.selectbox(key="constant-0-method").set_value("three_lamp_tester").run()
    next(b for b in app.button if b.label == "Save this mapping").click().run()
    sound(app)
    assert app.expander[0].label.endswith("rooms")
    next(b for b in app.button if b.label == "Take in").click().run()
    sound(app)
    assert "adds up" in plate(app, "became")
    (row,) = landed.history(empty).to_dict(orient="records")
    assert (row["rows_read"], row["accepted"]) == (4, 4)


@pytest.mark.slow
def test_one_value_corrects_all_rows_alike(show, empty, tmp_path):
    from pipeline.landing import intake, list_quarantine
    from pipeline.landing.answers import parse_answers

    file = tmp_path / "looks.csv"
    rows = "".join(f"B-1,1A,{n},2024-03-05,plug-in tester,mystery\n" for n in range(1, 4))
    file.write_text(
        "Building,Apt,Outlet no,Test date,Test method,Test result\n"
        "B-1,1A,9,2024-03-05,plug-in tester,open ground\n"
        "B-1,1A,8,2024-03-05,plug-in tester,OK\n" + rows,
        encoding="utf-8",
    )
    intake(empty, [file], answers=parse_answers(["result=Test result"]))
    assert len(list_quarantine(empty)) == 3
    app = show(empty, "intake", part="Set aside")
    sound(app)
    (which,) = [box for box in app.selectbox if box.key == "alike"]
    assert "mystery" in which.options[0] and "3 rows" in which.options[0]
    value = next(box for box in app.selectbox if (box.key or "").startswith("alike-value"))
    value.set_value("false_ground").run()
    app.button(key="correct-alike").click().run()
    sound(app)
    assert "adds up" in plate(app, "mended")
    assert list_quarantine(empty) == []
