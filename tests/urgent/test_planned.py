"""Urgent openings are planned with the look that can clear them: plan, sheet, intake, build."""

from __future__ import annotations

import datetime as dt
import html
import re
import shutil

import pytest
from openpyxl import load_workbook
from screens_shown import APP, plate, sound
from streamlit.testing.v1 import AppTest
from urgent_rows import LIVE, look, take_in

from pipeline.landing import Workspace
from pipeline.ledger.visit_workbook import LOOK
from pipeline.warehouse.build import build
from tests.cli.running import run

pytestmark = pytest.mark.slow

SAID = {
    "A1": {"shock_reported": "yes"},
    "A2": {"case_earth_volts": 118, "method": "voltmeter_under_load"},
    "A3": LIVE,
    "A4": {"heat_or_scorch": "yes", "method": "visual"},
    "A5": {"heat_or_scorch": "yes", "ground_contact_earth_volts": 118},
    "A6": {"shock_reported": "yes", "slots": "two_slot"},
}
TOLD = {
    "A1": ("voltmeter_under_load", {"Hot to neutral, V", "Metal case to earth, V",
                                       "Ground contact to earth, V"}),
    "A2": ("voltmeter_under_load", {"Hot to neutral, V", "Metal case to earth, V"}),
    "A3": ("cover_off_inspection", {"Polarity then", "Ground tied to neutral"}),
    "A4": ("cover_off_inspection", {"Heat or scorch marks"}),
    "A5": ("cover_off_inspection", {"Heat or scorch marks", "Hot to neutral, V",
                                      "Ground contact to earth, V"}),
    "A6": ("neutral_lifted_test", {"Cover was off", "Polarity then", "Ground tied to neutral"}),
}  # fmt: skip
CLEAN = {
    "Hot to neutral, V": 119, "Metal case to earth, V": 0.3, "Ground contact to earth, V": 0.2,
    "Polarity then": "correct", "Ground tied to neutral": "no", "Heat or scorch marks": "no",
    "Cover was off": "yes",
}  # fmt: skip
DAY = ("--day", "2024-06-03")


@pytest.fixture(scope="module")
def built(tmp_path_factory) -> Workspace:
    folder = tmp_path_factory.mktemp("planned")
    found = Workspace(folder / "w")
    register = {"building_id": "H", "year_built": 1950, "dwelling_units": 1, "receptacle_count": 8}
    take_in(found, folder, "register.csv", [register])
    take_in(found, folder, "looks.csv", [
        look(opening=name, slots="three_slot") | cells for name, cells in SAID.items()
    ])  # fmt: skip
    build(found)
    return found


@pytest.fixture
def place(built, tmp_path) -> Workspace:
    """A copy of its own for each test."""
    shutil.copytree(built.root, tmp_path / "own")
    return Workspace(tmp_path / "own")


def urgent(place):
    return {
        row["opening_id"]: row for row in run("urgent", "--workspace", place.root, "--json").json()
    }


def filled(sheet, skip=()):
    """Fill in what the sheet asks for, all clean; of each opening in ``skip`` one reading less."""
    book = load_workbook(sheet)
    (table,) = book.worksheets
    header = [cell.value for cell in table[1]]
    asked = {}
    for row in table.iter_rows(min_row=2):
        cells = dict(zip(header, row, strict=True))
        if not cells["Building"].value:
            break
        name, must = cells["Opening"].value, cells["Must be filled in"].value
        if not must:
            continue
        asked[name] = set(must.split("; "))
        how = cells["To look how"].value.split(", with ")[0]
        for column, value in {"Looked on": dt.date(2024, 6, 3), "Looked by": "S. Ambrel",
                              "Looked how": how, "Look found": "correct"}.items():  # fmt: skip
            cells[column].value = value
        left = sorted(asked[name])[0] if name in skip else None
        for column in asked[name] - {left}:
            cells[column].value = CLEAN[column]
    book.save(sheet)
    return asked


def test_each_is_planned_with_the_look_that_clears_it_and_no_less_clears_it(place, tmp_path):
    sheet, page = tmp_path / "monday.xlsx", tmp_path / "monday.html"
    done = run("plan", "looks", *DAY, "--hours", 12, "--workspace", place.root, "--sheet", sheet,
               "--print", page, "--json")  # fmt: skip
    stops = {s["opening_id"]: s for s in done.json() if s["must_visit"]}
    listed = urgent(place)
    assert set(stops) == set(SAID) == set(listed)
    printed = re.sub(r"\s+", " ", html.unescape(page.read_text("utf-8")))
    for name, (method, columns) in TOLD.items():
        stop = stops[name]
        assert (stop["method"], {LOOK[each] for each in columns}) == (
            method, set(stop["must_say"])
        )  # fmt: skip
        assert listed[name]["clears"] in stop["why"] and stop["why"] in printed
        assert listed[name]["clearing_methods"][0] == method
        assert all(f"<b>{each}</b>" in printed for each in columns)
    assert stops["A5"]["besides"] == ["voltmeter_under_load"]
    assert stops["A5"]["minutes"] == 16  # cover off, and volts besides
    text = re.sub(r"\s+", " ", run("urgent", "--workspace", place.root).out)
    assert all(row["clears"] in text for row in listed.values())
    # one reading missing: still urgent
    assert filled(sheet, skip=SAID) == {name: columns for name, (_, columns) in TOLD.items()}
    taken = run("intake", sheet, "--workspace", place.root)
    assert taken.code == 0, taken.out + taken.err
    build(place)
    assert set(urgent(place)) == set(SAID)
    # all that was asked for: urgent no more
    run("plan", "looks", *DAY, "--hours", 12, "--workspace", place.root, "--sheet", sheet)
    filled(sheet)
    taken = run("intake", sheet, "--workspace", place.root)
    assert taken.code == 0, taken.out + taken.err
    build(place)
    assert urgent(place) == {}


def test_the_screens_say_what_clears_it(place, monkeypatch):
    monkeypatch.setenv("COVERPLATE_WORKSPACE", str(place.root))
    monkeypatch.delenv("COVERPLATE_LEDGER_URL", raising=False)
    said = [row["clears"] for row in urgent(place).values()]
    monkeypatch.setenv("COVERPLATE_START", "where-next")
    app = AppTest.from_file(str(APP), default_timeout=60).run()
    sound(app)
    listed = html.unescape(plate(app, "urgent"))
    assert sum(each in listed for each in said) >= 4  # as many as are shown there
    today = html.unescape(plate(app, "today"))
    assert all(each in today for each in said)
    monkeypatch.setenv("COVERPLATE_START", "day-of-looks")
    app = AppTest.from_file(str(APP), default_timeout=60).run()
    next(b for b in app.button if b.label == "Plan the day").click().run()
    sound(app)
    shown = html.unescape(plate(app, "stops-1"))
    assert all(each in shown for each in said)
    assert "cover off inspection, with voltmeter under load" in shown


def test_a_crew_that_opens_no_boxes_goes_where_volts_settle_it(place, tmp_path):
    crews = tmp_path / "crews.csv"
    crews.write_text("crew,hours,may_open_boxes\nNorth,8,no\n", "utf-8")
    done = run("plan", "looks", *DAY, "--crews-file", crews, "--workspace", place.root, "--json")
    assert {s["opening_id"] for s in done.json() if s["must_visit"]} == {"A1", "A2"}
    assert "4 urgent looks cannot be made: no crew may open boxes" in done.err


def test_a_report_without_a_dwelling_says_so_where_there_are_several(tmp_path):
    place = Workspace(tmp_path / "w")
    take_in(place, tmp_path, "register.csv", [
        {"building_id": "H", "year_built": 1950, "dwelling_units": 12, "receptacle_count": 60},
        {"building_id": "K", "year_built": 1950, "dwelling_units": 1, "receptacle_count": 6},
    ])  # fmt: skip
    take_in(place, tmp_path, "looks.csv", [look(opening=f"{n}") for n in range(3)])
    papers = [
        {"building_id": b, "unit_id": u, "report_kind": "complaint", "reference": f"C-{b}{u}",
         "reported_on": "2024-05-20", "description": "Tenant got a shock from the outlet"}
        for b, u in (("H", ""), ("H", "7"), ("K", ""))
    ]  # fmt: skip
    take_in(place, tmp_path, "papers.csv", papers)
    build(place)
    done = run("plan", "looks", *DAY, "--workspace", place.root, "--json")
    must = [s for s in done.json() if s["must_visit"]]
    assert len(must) == 3
    vague = [s["why"] for s in must if "Which of 12 dwellings it means is not known" in s["why"]]
    assert len(vague) == 1
    for words in ("whether ground is tied to neutral", "volts from ground contact to earth"):
        assert all(words in s["why"] for s in must)
    assert "1 urgent report names no dwelling of a building with several: H." in done.err
    run("findings", "sync", "--workspace", place.root)
    rows = run("plan", "repairs", "--workspace", place.root, "--json").json()
    why = {(r["building_id"], r["unit_id"]): r["why"] for r in rows if r["kind"] == "unable"}
    assert "the building has 12: ask which is meant" in why["H", None]
    assert why["H", "7"] == why["K", None] == "it names no opening: have the place looked at"
