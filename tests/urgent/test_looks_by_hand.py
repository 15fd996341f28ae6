"""Danger in a look that is written down beside a reported repair is urgent, as if it had landed."""

from __future__ import annotations

import datetime as dt
import shutil

import pandas as pd
import pytest
from screens_shown import choose, plate, press, screen_of, sound

from pipeline.landing import Workspace
from pipeline.ledger.events import Look
from pipeline.warehouse.looks_by_hand import dangers_told
from shared.rule_book import load_rule_book
from shared.standing import Standing, UrgentDefect
from tests.cli.running import run

pytestmark = pytest.mark.slow

FALSE_GROUND = {
    "unit_id": "1", "opening_id": "K1", "observed_on": "2026-03-02", "inspector": "Ada Quill",
    "method": "cover_off_inspection", "result": "false_ground", "cover_removed": "yes",
    "neutral_ground_jumper": "yes", "polarity": "correct", "slots": "three_slot",
}  # fmt: skip
BUILDINGS = ("V1", "S1", "N1", "C1", "G1", "P1")
SEER = ("--inspector", "Sally Ambrel", "--firm-of-inspector", "Quillmarsh")
BOX = ("--method", "cover_off_inspection", "--cover-removed", "yes", "--slots", "three_slot")
LIVE = (*BOX, "--neutral-ground-jumper", "yes", "--polarity", "reversed")
GOOD = (*BOX, "--result", "correct", "--ground-present", "yes", "--neutral-ground-jumper", "no",
        "--polarity", "correct", "--hot-neutral-volts", "120", "--neutral-ground-volts", "0.5",
        "--load-amps", "8", "--ground-path-ohms", "0.3")  # fmt: skip


@pytest.fixture(scope="module")
def reported(tmp_path_factory):
    """A false ground in each building, its repair reported, none of them looked at since."""
    folder = tmp_path_factory.mktemp("by-hand")
    at = ("--workspace", folder / "w")
    looks = [FALSE_GROUND | {"building_id": name} for name in BUILDINGS]
    pd.DataFrame(looks).to_csv(folder / "f.csv", index=False)
    for words in (("intake", folder / "f.csv"), ("build",), ("findings", "sync")):
        assert run(*words, *at).code == 0
    listed = run("findings", "list", "--json", *at).json()
    found = {row["building_id"]: row["finding_id"] for row in listed if row["opening_id"]}
    how = ("--remedy", "grounding_conductor_added", "--firm", "Pell Electric")
    for name in BUILDINGS:
        who = ("--worker", "Mike Orme", "--on", "2026-03-12")
        assert run("fix", "report", found[name], *how, *who, *at).code == 0
    return folder / "w", found


@pytest.fixture
def place(reported, tmp_path):
    return shutil.copytree(reported[0], tmp_path / "w"), reported[1]


def verify(place, name, *look, on="2026-03-22"):
    own, found = place
    return run("fix", "verify", found[name], "--on", on, *SEER, *look, "--workspace", own)


def told(own):
    """What lists tell as urgent, by building: the command, the digest's rows, the screen's text."""
    at = ("--workspace", own)
    listed = {row["building_id"] for row in run("findings", "list", "--json", *at).json()
              if row["urgent"]}  # fmt: skip
    rows = run("findings", "digest", "--json", *at).json()
    digest = {row["building_id"] for row in rows if row["section"] == "urgent"}
    text = run("urgent", *at).out
    assert {name for name in BUILDINGS if f"  {name} " in text} == digest == listed
    return digest


def test_what_it_tells_is_urgent_everywhere_at_once_and_after_builds(place, monkeypatch):
    own, _ = place
    shock = (*LIVE, "--result", "false_ground", "--polarity", "correct", "--shock-reported", "yes")
    for name, look in (
        ("V1", (*LIVE, "--result", "reversed_false_ground", "--plate-earth-volts", "118")),
        ("S1", shock),
        ("N1", (*BOX, "--result", "false_ground", "--note", "tenant got a shock off the stove")),
        ("G1", (*BOX, "--result", "open_ground", "--ground-present", "no",
                   "--neutral-ground-jumper", "no", "--polarity", "correct")),
    ):  # fmt: skip
        result = verify(place, name, *look)
        assert result.code == 0, result
        assert ("▲ URGENT" in result.err) == (name != "G1")
    assert told(own) == {"V1", "S1", "N1"}
    rows = run("findings", "list", "--json", "--workspace", own).json()
    due = {row["building_id"]: row["first_target_on"] for row in rows if row["urgent"]}
    soon = (dt.datetime.now(dt.UTC) + dt.timedelta(days=2)).date().isoformat()
    assert all(day[:10] <= soon for day in due.values())
    for words in (("build",), ("findings", "sync"), ("build",), ("findings", "sync")):
        assert run(*words, "--workspace", own).code == 0
    assert told(own) == {"V1", "S1", "N1"}
    app = screen_of(monkeypatch, Workspace(own), "where_next")
    sound(app)
    shown = plate(app, "urgent-findings")
    assert "V1" in shown and "shock reported" in shown and "G1" not in shown
    for building in ("V1", "S1", "N1"):
        (first, *_) = [row for row in rows if row["building_id"] == building and row["urgent"]]
        assert "▲ URGENT" in run("findings", "show", first["finding_id"], "--workspace", own).out
        app = screen_of(monkeypatch, Workspace(own), "finding", id=first["finding_id"])
        assert "▲ urgent" in plate(app, "heading")
    listed = plate(screen_of(monkeypatch, Workspace(own), "findings"), "findings")
    assert listed.count("▲ urgent") == len([row for row in rows if row["urgent"]])
    assert listed.rindex("▲ urgent") < listed.index("record in doubt")


CLEAN = FALSE_GROUND | {
    "building_id": "V1", "result": "correct", "neutral_ground_jumper": "no",
    "ground_present": "yes", "observed_on": "2026-04-02", "heat_or_scorch": "no",
    "shock_reported": "no",
    "hot_neutral_volts": 120, "plate_earth_volts": 0.2, "case_earth_volts": 0.1,
    "ground_contact_earth_volts": 0.3,
}  # fmt: skip


def test_a_landed_look_that_answers_everything_takes_it_off_and_none_that_does_not(place, tmp_path):
    own, _ = place
    assert verify(place, "V1", *LIVE, "--result", "reversed_false_ground").code == 0
    lacking = [CLEAN | {name: None} for name in CLEAN if name.endswith(("volts", "reported"))]
    lacking += [CLEAN | {"observed_on": "2026-03-20"}, CLEAN | {"note": "breaker was off"}]
    for number, rows in enumerate((lacking, [CLEAN])):
        file = tmp_path / f"later{number}.csv"
        pd.DataFrame(rows).to_csv(file, index=False)
        for words in (("intake", file), ("build",), ("findings", "sync")):
            assert run(*words, "--workspace", own).code == 0
        assert told(own) == ({"V1"} if number == 0 else set())


def test_the_screen_raises_it_too(place, monkeypatch):
    own, found = place
    app = screen_of(monkeypatch, Workspace(own), "finding", id=found["C1"])
    app.text_input(key="who").set_value("T. Est")
    app.selectbox(key="happened").set_value("look").run()
    app.date_input(key="look-on").set_value(dt.date(2026, 3, 22))
    app.text_input(key="look-by").set_value("Sally Ambrel")
    app.text_input(key="look-by-firm").set_value("Quillmarsh")
    seen = {"method": "cover_off_inspection", "result": "reversed_false_ground", "cover": "yes",
            "jumper": "yes", "polarity": "reversed"}  # fmt: skip
    choose(app, {f"look-{name}": value for name, value in seen.items()})
    app.number_input(key="look-plate").set_value(118.0)
    press(app, "Write it down")
    assert told(own) == {"C1"}


def test_a_look_that_cannot_stand_says_what_danger_it_tells_and_where_that_goes(place):
    own, _ = place
    blind = ("--method", "visual", "--result", "not_tested", "--note", "tenant got a shock")
    refused = verify(place, "N1", *blind)
    assert refused.code == 2
    assert "tenant got a shock" in refused.err and "urgent now" in refused.err
    assert "coverplate intake" in refused.err
    assert verify(place, "P1", *GOOD).code == 0
    late = verify(place, "P1", *LIVE, "--result", "reversed_false_ground", on="2026-04-22")
    assert late.code == 2 and "urgent now" in late.err and "coverplate intake" in late.err
    assert "urgent now" not in verify(place, "P1", *GOOD, on="2026-04-22").err
    assert told(own) == set()


@pytest.mark.parametrize(
    ("cells", "wanted"),
    [
        ({"plate_earth_volts": 118}, {UrgentDefect.LIVE_METAL: Standing.MEASURED}),
        ({"case_earth_volts": 12}, {}),
        ({"result": "hot_ground_reversed"}, {UrgentDefect.LIVE_METAL: Standing.REPORTED}),
        ({"heat_or_scorch": "yes", "shock_reported": "yes"}, {
            UrgentDefect.HEAT_OR_SCORCH: Standing.REPORTED,
            UrgentDefect.SHOCK_REPORTED: Standing.REPORTED}),
        ({"hot_neutral_volts": 208}, {UrgentDefect.ABNORMAL_VOLTAGE: Standing.MEASURED}),
        ({"non_contact_detector": "yes"}, {UrgentDefect.LIVE_METAL: Standing.MEASURED}),
        ({"note": "all well, no shock felt"}, {}),
    ],
)  # fmt: skip
def test_it_is_told_by_the_rule_for_landed_looks(cells, wanted):
    plain = {"observed_on": "2026-03-22", "method": "voltmeter_under_load", "result": "correct"}
    found = dangers_told(Look.model_validate(plain | cells), load_rule_book())
    assert {defect: how for defect, (_, how) in found.items()} == wanted
