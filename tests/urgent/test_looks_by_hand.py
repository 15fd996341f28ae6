"""Danger in a look that is written down beside a reported repair is urgent, as if it had landed."""

from __future__ import annotations

import datetime as dt
import re
import shutil

import pandas as pd
import pytest
from screens_shown import choose, plate, press, screen_of, sound

from pipeline.landing import Workspace
from pipeline.ledger import Draft, FixReported, Ledger, Look, open_ledger
from pipeline.warehouse.looks_by_hand import dangers_told, record_look
from shared.faults import CoverplateError
from shared.rule_book import load_rule_book
from shared.standing import Standing, UrgentDefect
from tests.cli.running import run

pytestmark = pytest.mark.slow

FALSE_GROUND = {
    "unit_id": "1", "opening_id": "K1", "observed_on": "2026-03-02", "inspector": "Ada Quill",
    "method": "cover_off_inspection", "result": "false_ground", "cover_removed": "yes",
    "neutral_ground_jumper": "yes", "polarity": "correct", "slots": "three_slot",
    "room": "Kitchen", "circuit_id": "C1",
}  # fmt: skip
OTHERWISE = {
    "Other Room Row": {"room": "Bath"},
    "Other Circuit Row": {"circuit_id": "C9"},
    "Other Face Row": {"slots": "two_slot", "ground_contact_earth_volts": None},
    "Contact Row": {"ground_present": "no"},
    "Neutral Row": {"neutral_ground_volts": 60},
    "No Volts Row": {"plate_earth_volts": None},
    "Dead Circuit Row": {"hot_neutral_volts": None},
    "Note Row": {"note": "breaker was off"},
    "Too Early Row": {"observed_on": "2026-03-20"},
    "Same Day Row": {"observed_on": "2026-03-22"},
}
"""Looks that answer nothing of 118 V on a plate, by the house of each."""

TAKEN_BACK = {
    "Blank Row": {"plate_earth_volts": None},
    "Void Row": {"note": "power was off, void"},
    "Not Tested Row": {"result": "not_tested", "plate_earth_volts": None},
    "Day Before Row": {"observed_on": "2026-03-20"},
    "Of Another Row": {"inspector": "Jo Vane", "plate_earth_volts": None},
}
"""What becomes of a look that answered it, in a later sending of its file."""

STAYS, TOLD_AGAIN, ANSWERED = "Aside Row", "Again Row", "Answered Row"
BUILDINGS = ("V1", "S1", "N1", "C1", "G1", "P1", *OTHERWISE, *TAKEN_BACK, STAYS, TOLD_AGAIN,
             ANSWERED)  # fmt: skip
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
    done = FixReported(remedy="grounding_conductor_added", firm="Pell Electric",
                       worker="Mike Orme", fixed_on="2026-03-12")  # fmt: skip
    ledger = open_ledger(workspace=folder / "w")
    drafts = [Draft(found[name], done) for name in BUILDINGS]
    ledger.append_many(drafts, who="T. Est", origin="cli")
    ledger.close()
    return folder / "w", found


def report(place, name, on):
    how = ("--remedy", "grounding_conductor_added", "--firm", "Pell Electric")
    who = ("--worker", "Mike Orme", "--on", on)
    assert run("fix", "report", place[1][name], *how, *who, "--workspace", place[0]).code == 0


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
    shown = {name for name in BUILDINGS if re.search(f"(^|  ){name} ", text, re.MULTILINE)}
    assert shown == digest == listed
    return digest


def landed(own, tmp_path, looks):
    """Take looks in from one file, sent again each time, build, and bring the ledger up to it."""
    file = tmp_path / "answers.csv"
    pd.DataFrame(looks).to_csv(file, index=False)
    for words in (("intake", file), ("build",), ("findings", "sync")):
        assert run(*words, "--workspace", own).code in (0, 3)  # 3: something to read


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
    shown = plate(app, "urgent")
    assert "V1" in shown and "shock reported" in shown and "G1" not in shown
    rows = run("findings", "list", "--json", "--workspace", own).json()
    for building in ("V1", "S1", "N1"):
        (first, *_) = [row for row in rows if row["building_id"] == building and row["urgent"]]
        assert "▲ URGENT" in run("findings", "show", first["finding_id"], "--workspace", own).out
        app = screen_of(monkeypatch, Workspace(own), "finding", id=first["finding_id"])
        assert "▲ urgent" in plate(app, "heading")
    listed = plate(screen_of(monkeypatch, Workspace(own), "findings"), "findings")
    assert listed.count("▲ urgent") == len([row for row in rows if row["urgent"]])
    assert listed.rindex("▲ urgent") < listed.index("record in doubt")


CLEAN = FALSE_GROUND | {
    "result": "correct", "neutral_ground_jumper": "no", "ground_present": "yes",
    "observed_on": "2026-04-02", "hot_neutral_volts": 120, "plate_earth_volts": 0.2,
    "ground_contact_earth_volts": 0.3,
}  # fmt: skip
VOLTS = (*LIVE, "--result", "reversed_false_ground", "--plate-earth-volts", "118")


def test_it_is_cleared_by_what_clears_a_landed_report_and_is_back_when_that_is_taken_back(
    place, tmp_path, monkeypatch
):
    own, found = place
    at = ("--workspace", own)
    houses = {*OTHERWISE, *TAKEN_BACK, STAYS, TOLD_AGAIN, ANSWERED}
    ledger = open_ledger(workspace=own)
    seen = Look.model_validate({
        "observed_on": "2026-03-22", "inspector": "Sally Ambrel", "slots": "three_slot",
        "firm_of_inspector": "Quillmarsh", "method": "cover_off_inspection",
        "result": "reversed_false_ground", "cover_removed": "yes", "neutral_ground_jumper": "yes",
        "polarity": "reversed", "plate_earth_volts": 118,
    })  # fmt: skip
    for name in houses:
        written = record_look(ledger, found[name], seen, who="T. Est", origin="cli")
        assert [each.kind for each in written] == ["verification_failed", "raised"]
    ledger.close()
    rows = run("findings", "list", "--json", *at).json()
    danger = {r["building_id"]: r["finding_id"] for r in rows if r["family"] == "live_metal"}
    for name in (STAYS, TOLD_AGAIN):
        assert run("findings", "dismiss", danger[name], "--reason", "moved out", *at).code == 0
    report(place, TOLD_AGAIN, "2026-03-24")
    again = verify(place, TOLD_AGAIN, *VOLTS, on="2026-03-26")
    assert f"▲ URGENT: {danger[TOLD_AGAIN]}" in again.err
    assert told(own) == houses - {STAYS}
    shown = run("findings", "show", danger[TOLD_AGAIN], *at).out
    assert "▲ URGENT" in shown and "tells of it again" in shown

    answers = {name: CLEAN | {"building_id": name} for name in (*TAKEN_BACK, ANSWERED)}
    answers |= {name: CLEAN | {"building_id": name} | cells for name, cells in OTHERWISE.items()}
    landed(own, tmp_path, answers.values())
    stands = {*OTHERWISE, TOLD_AGAIN}
    assert told(own) == stands
    listed = run("urgent", "--json", *at).json()
    assert {row["building_id"] for row in listed} == stands
    beside = {each["finding_id"] for row in listed for each in row["grounds"]}
    assert beside == {found[name] for name in stands}
    assert "118 V from plate to earth" in run("urgent", "--cleared", *at).out
    ranked = run("rank", "--json", *at).json()
    assert {row["building_id"] for row in ranked if row["urgent"]} == stands
    assert "urgent" in run("building", "Other Room Row", *at).out
    plan = run("plan", "looks", "--crews", "4", "--hours", "8", "--json", *at).out
    assert all(f'"{name}"' in plan for name in stands) and "118 V from plate" in plan
    text = plate(screen_of(monkeypatch, Workspace(own), "where_next"), "urgent")
    assert "118 V from plate to earth" in text
    assert any(f"beside {found[name]} of the ledger" in text for name in stands)

    back = {name: answers[name] | cells for name, cells in TAKEN_BACK.items()}
    landed(own, tmp_path, (answers | back).values())
    assert told(own) == stands | {*TAKEN_BACK}


def unwritten(*_, **__):
    raise CoverplateError("the disk is full")


def test_look_and_danger_are_written_together_or_not_at_all(place, monkeypatch):
    own, found = place
    with monkeypatch.context() as broken:
        broken.setattr(Ledger, "raise_in", unwritten)
        assert verify(place, "V1", *VOLTS).code == 2
    ledger = open_ledger(workspace=own)
    assert [each.kind for each in ledger.history(found["V1"])] == ["raised", "fix_reported"]
    ledger.close()
    assert verify(place, "V1", *VOLTS).code == 0
    assert told(own) == {"V1"}
    at = ("--workspace", own)
    (row,) = run("urgent", "--json", *at).json()
    assert (row["building_id"], row["defect"], row["told_in"]) == ("V1", "live_metal", "ledger")
    for words in (("rank",), ("building", "V1"), ("openings", "V1"), ("plan", "looks")):
        assert f"before a build: {row['finding_id']} (" in run(*words, *at).err


def test_a_look_at_an_opening_of_which_nothing_landed_is_on_the_list_and_in_the_plan(place):
    own, found = place
    at = ("--workspace", own)
    of = ("--building", "C1", "--unit", "1", "--opening", "K9", "--slots", "three_slot")
    seen = ("--condition", "false_ground", "--seen-on", "2026-03-02")
    (raised,) = run("findings", "raise", *of, *seen, "--json", *at).json()
    other = own, found | {"C1": raised["finding_id"]}
    report(other, "C1", "2026-03-12")
    assert verify(other, "C1", *VOLTS).code == 0
    for words in (("build",), ("findings", "sync")):
        assert run(*words, *at).code == 0
    assert told(own) == {"C1"}
    (row,) = run("urgent", "--json", *at).json()
    assert (row["opening_id"], row["defect"]) == ("K9", "reversed_false_ground")
    assert "K9" in run("plan", "looks", *at).out


def test_a_look_of_a_ledger_in_which_its_danger_was_never_raised_is_urgent_after_a_build(place):
    own, found = place
    seen = {"observed_on": "2026-03-22", "inspector": "Sally Ambrel", "cover_removed": "yes",
            "method": "cover_off_inspection", "result": "false_ground",
            "neutral_ground_jumper": "yes", "shock_reported": "yes"}  # fmt: skip
    ledger = open_ledger(workspace=own)
    ledger.record_look(found["S1"], Look.model_validate(seen), who="T. Est", origin="cli")
    ledger.close()
    for words in (("build",), ("findings", "sync")):
        assert run(*words, "--workspace", own).code == 0
    assert told(own) == {"S1"}
    rows = run("findings", "list", "--json", "--workspace", own).json()
    assert "shock_reported" in {row["family"] for row in rows if row["building_id"] == "S1"}


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
