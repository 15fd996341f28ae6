"""``coverplate plan looks``: from landed files to a day's plan, its sheet, and the next plan."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from openpyxl import load_workbook

from pipeline.evidence.likelihood import Likelihoods
from pipeline.landing import Workspace
from pipeline.planning.enough import found_by
from pipeline.planning.look_values import METHODS, LookValues
from pipeline.warehouse import queries, store
from pipeline.warehouse.inputs import workspace_rule_book
from pipeline.warehouse.narrowing import Narrowing
from shared.vocabulary import CAUTIONS, OPEN_BOX_METHODS, Condition, Method
from tests.cli.running import run

DAY = ("--day", "2031-04-07")


def planned(place, *words):
    done = run("plan", "looks", *words, *DAY, "--workspace", place, "--json")
    assert done.code == 0, done.err
    return done.json()


@pytest.fixture(scope="module")
def two_crews(housing):
    """The plan of a whole day of two crews."""
    return planned(housing, "--crews", 2, "--hours", 8)


def known_openings(place, building):
    with store.reading(Workspace(place)) as con:
        return queries.openings(con, building).to_dict(orient="records")


def spent(stops, crew):
    mine = [each for each in stops if each["crew"] == crew]
    return sum(s["minutes"] + s["travel_minutes"] + s["entry_minutes"] for s in mine)


@pytest.mark.slow
def test_the_array_is_what_it_is_said_to_be(housing, two_crews):
    stops = two_crews
    assert [s["crew"] for s in stops] == sorted(s["crew"] for s in stops)
    for crew in ("1", "2"):
        mine = [s for s in stops if s["crew"] == crew]
        assert [s["order"] for s in mine] == list(range(1, len(mine) + 1))
        assert 240 < spent(stops, crew) <= 480 + 1e-6  # a day that is used
        # urgent ones before anything else
        must = [s["must_visit"] for s in mine]
        assert must == sorted(must, reverse=True)
    for stop in stops:
        assert {"crew", "order", "building_id", "unit_id", "opening_id", "how_many", "method",
                "minutes", "expected_new_dangerous", "why"} <= stop.keys()  # fmt: skip
        assert stop["method"] in list(Method) and stop["why"]
        assert stop["how_many"] == 1 or stop["opening_id"] is None
        assert 0 <= stop["expected_new_dangerous"] <= stop["settles"] + 1e-9
    urgent = {
        (row["building_id"], row["unit_id"], row["opening_id"])
        for row in run("urgent", "--workspace", housing, "--json").json()
    }
    first = {(s["building_id"], s["unit_id"] or "", s["opening_id"]) for s in stops
             if s["must_visit"] and s["opening_id"]}  # fmt: skip
    assert urgent == first and urgent
    named = [(s["building_id"], s["unit_id"], s["opening_id"]) for s in stops if s["opening_id"]]
    assert len(named) == len(set(named))
    assert any(s["random_pick"] and "by lot" in s["why"] for s in stops)
    # what a capable look settled, or what is known already, is in no plan but for urgency
    for building in {s["building_id"] for s in stops}:
        for row in known_openings(housing, building):
            known = row["sees_false_ground"] or row["confirmed"]
            key = (building, row["unit_id"] or None, row["opening_id"])
            if known and (building, row["unit_id"] or "", row["opening_id"]) not in urgent:
                assert key not in named, row


@pytest.mark.slow
def test_the_same_plan_every_time_and_another_lot_on_another_day(housing, two_crews):
    words = ("--crews", 2, "--hours", 8)
    assert planned(housing, *words) == two_crews
    lots = []
    for day in (7, 8):
        other = run("plan", "looks", *words, "--day", f"2031-04-{day:02d}", "--random-share",
                    0.3, "--workspace", housing, "--json").json()  # fmt: skip
        lots.append(tuple(s["building_id"] for s in other if s["random_pick"]))
        by_lot = sum(s["minutes"] for s in other if s["random_pick"])
        assert by_lot > 0.1 * 960  # the rest of the share is way and entry
    assert len(set(lots)) > 1
    none = planned(housing, *words, "--random-share", 0)
    assert not any(s["random_pick"] for s in none)


@pytest.mark.slow
def test_too_few_hours_for_what_is_urgent_is_said(housing):
    done = run("plan", "looks", "--crews", 1, "--hours", 2, *DAY, "--workspace", housing, "--json")
    stops = done.json()
    must = [s["must_visit"] for s in stops]
    assert stops[0]["must_visit"] and must == sorted(must, reverse=True)
    assert spent(stops, "1") <= 120 + 1e-6
    count = len(run("urgent", "--workspace", housing, "--json").json())
    papers = [
        row for row in run("reports", "--workspace", housing, "--json").json() if row["urgent"]
    ]
    left = count + len(papers) - sum(must)
    assert f"{left} of {count + len(papers)} urgent looks are not in this plan" in done.err


@pytest.mark.slow
def test_a_crew_that_may_not_open_boxes_opens_none(housing, tmp_path):
    path = tmp_path / "crews.csv"
    path.write_text(
        "crew,start_latitude,start_longitude,hours,may_open_boxes\nNorth,,,6,no\n", "utf-8"
    )
    done = run("plan", "looks", "--crews-file", path, *DAY, "--workspace", housing, "--json")
    stops = done.json()
    assert stops and not {s["method"] for s in stops} & set(OPEN_BOX_METHODS)
    assert "urgent looks cannot be made: no crew may open boxes" in done.err
    path.write_text("crew,hours\nNorth,-1\n", "utf-8")
    refused = run("plan", "looks", "--crews-file", path, "--workspace", housing)
    assert refused.code == 2 and "row 2, column hours: found '-1'" in refused.err
    path.write_text("crew\nNorth\n", "utf-8")
    at = ("--crews-file", path, *DAY, "--workspace", housing)
    unlike = run("plan", "looks", "--crews", 2, *at)
    assert unlike.code == 2 and "--crews says 2" in unlike.err
    short = run("plan", "looks", "--crews", 1, "--hours", 2, *at, "--json").json()
    assert short and spent(short, "North") <= 120 + 1e-6


@pytest.mark.slow
def test_a_building_that_there_is_not_is_refused(housing):
    refused = run("plan", "looks", "--building", "NOPE", "--workspace", housing)
    assert refused.code == 2 and "no building answers to that" in refused.err


@pytest.mark.slow
def test_a_method_that_cannot_see_a_fault_is_worth_nothing_there(housing):
    place = Workspace(housing)
    book = workspace_rule_book(place)
    likelihoods = Likelihoods(book)
    assert found_by(likelihoods, Method.THREE_LAMP_TESTER, Condition.FALSE_GROUND) == 0.0
    assert found_by(likelihoods, Method.COVER_OFF_INSPECTION, Condition.FALSE_GROUND) > 0.95
    with store.reading(place) as con:
        values = LookValues(con, book, Narrowing())
        blocks = values.blocks(may_open_boxes=True)
        worth, openings = values._worth, values.openings
    assert np.all(worth[:, METHODS.index(Method.VISUAL)] == 0)
    chance = openings["p_dangerous"].to_numpy()
    for method in Method:
        each = worth[openings["group"].to_numpy(), METHODS.index(method)]
        assert np.all(each <= chance + 1e-9)
    lamps, box = (
        worth[openings["group"].to_numpy(), METHODS.index(m)]
        for m in (Method.THREE_LAMP_TESTER, Method.COVER_OFF_INSPECTION)
    )
    # openings that only lamps saw, and passed: lamps again find next to nothing of their danger
    passed = (openings["looked"] & (openings["p_dangerous"] > 0.3)).to_numpy() & (box > 0.3)
    assert passed.sum() > 3 and np.median(lamps[passed] / box[passed]) < 0.1
    assert not any(k.method is Method.VISUAL for b in blocks for v in b.levels for k in v.looks)


@pytest.mark.slow
def test_notice_and_unknown_ways_are_told_and_nothing_is_dropped(housing, two_crews):
    soon = run("plan", "looks", "--crews", 2, "--day", f"{dt.date.today()}", "--workspace",
               housing, "--json")  # fmt: skip
    stops = soon.json()
    assert stops and all(s["notice_too_late"] for s in stops)
    assert "sooner than 2 days of notice allow" in soon.err
    assert not any(s["notice_too_late"] for s in two_crews)
    assert {s["notice_by"] for s in two_crews} == {"2031-04-05"}


LOOKS = (
    "building_id,unit_id,room,opening_id,circuit_id,observed_on,inspector,method,selection,slots,"
    "result,neutral_ground_jumper,polarity,cover_removed\n"
)


@pytest.fixture
def place(tmp_path, monkeypatch):
    rows = []
    for building in ("0001", "0002", "0003"):
        for unit in ("1", "2"):
            for number in range(6):
                seen = "2025-02-01,Ada,three_lamp_tester,survey,three_slot,correct,,,no"
                if building == "0001" and number == 0:
                    seen = "2025-02-02,Ada,cover_off_inspection,random,three_slot,false_ground,yes,correct,yes"  # noqa: E501
                rows.append(f"{building},{unit},hall,R{unit}{number},{unit}-1,{seen}\n")
    (tmp_path / "looks.csv").write_text(LOOKS + "".join(rows), "utf-8")
    (tmp_path / "register.csv").write_text(
        "building_id,name,year_built,dwelling_units,receptacle_count\n"
        "0001,Lodge,1931,2,12\n0002,Court,1935,2,12\n0003,Row,1938,2,16\n",
        "utf-8",
    )
    place = tmp_path / "own"
    monkeypatch.setenv("COVERPLATE_WORKSPACE", str(place))
    taken = run("intake", tmp_path / "looks.csv", tmp_path / "register.csv")
    assert taken.code == 0, taken.err
    assert run("build").code == 0
    return place


@pytest.mark.slow
def test_the_sheet_filled_in_comes_back_and_the_next_plan_is_another(place, tmp_path):
    sheet, page = tmp_path / "monday.xlsx", tmp_path / "monday.html"
    words = ("--crews", 1, "--hours", 4, *DAY)
    before = run("plan", "looks", *words, "--sheet", sheet, "--print", page, "--json").json()
    assert all(s["latitude"] is None for s in before)  # and planned all the same
    text = page.read_text("utf-8")
    assert all(caution in text for caution in CAUTIONS) and "signature" in text
    book = load_workbook(sheet)
    (table,) = book.worksheets
    header = [cell.value for cell in table[1]]
    offered = " ".join(str(rule.formula1) for rule in table.data_validations.dataValidation)
    assert "cover off inspection" in offered and "false ground" in offered
    blank = run("intake", sheet, "--json")  # not filled in: no look, and nothing set aside
    assert blank.code == 0 and blank.json()[0]["rows_read"] == 0, blank.err
    filled, new = [], 0
    for row in table.iter_rows(min_row=2):
        cells = dict(zip(header, row, strict=True))
        if not cells["Building"].value:
            break
        if not cells["Opening"].value:
            new += 1
            cells["Opening"].value, cells["Unit"].value = f"N{new}", "1"
        filled.append((cells["Building"].value, cells["Unit"].value, cells["Opening"].value))
        for name, value in {
            "Looked on": dt.date(2025, 3, 10), "Looked by": "S. Ambrel",
            "Looked how": "cover off inspection", "Look found": "correct",
            "Slots then": "three slot", "Cover was off": "yes", "Ground path in the box": "yes",
            "Ground tied to neutral": "no", "Polarity then": "correct",
        }.items():  # fmt: skip
            cells[name].value = value
    assert len(filled) == sum(s["how_many"] + len(s["also"]) for s in before) > 3
    book.save(sheet)
    taken = run("intake", sheet, "--json")
    assert taken.code == 0, taken.err
    (report,) = taken.json()
    assert (report["record_kind"], report["mapping"]) == ("opening_observations", "look_sheet")
    assert (report["accepted"], report["quarantined"]) == (len(filled), 0)
    assert run("build").code == 0
    after = run("plan", "looks", *words, "--json").json()
    settled = set(filled)
    assert after != before
    assert not settled & {(s["building_id"], s["unit_id"], s["opening_id"]) for s in after}
    # how they were picked came back too
    with store.reading(Workspace(place)) as con:
        told = con.execute(
            "SELECT DISTINCT selection FROM observations WHERE inspector = 'S. Ambrel'"
        ).fetchall()
    assert {each for (each,) in told} == {
        "random" if s["random_pick"] or not s["opening_id"] else "targeted" for s in before
    }
