"""From exports to the urgent list, by command line and on screen."""

import html
import re
import shutil

import pandas as pd
import pytest
from screens_shown import APP, plate, sound
from stages import Stages
from streamlit.testing.v1 import AppTest
from urgent_rows import BOX_SEEN, COVER, LIVE, MENDER, PROOF, export, look, take_in

from pipeline.evidence.look_code import leniency_of
from pipeline.landing import Workspace, intake
from pipeline.ledger import current, open_ledger
from pipeline.ledger import events as ev
from pipeline.ledger.sync import sync_findings
from pipeline.warehouse import store
from pipeline.warehouse.build import build
from shared.standing import FIRST_MEASURE
from tests.cli.running import run

pytestmark = pytest.mark.slow


def crew(building: str) -> list[dict[str, object]]:
    """A building in which three hands find open grounds and the fourth passes all."""
    return [
        look(building=building, opening=f"{who}{n}", inspector=who, method=COVER,
             slots="three_slot", cover_removed="yes",
             result="correct" if who == "Len" or n % 3 == 0 else "open_ground")
        for who in ("Ann", "Bo", "Cy", "Len")
        for n in range(12)
    ]  # fmt: skip


@pytest.fixture(scope="module")
def told(tmp_path_factory) -> Workspace:
    """A portfolio of the cases that were once lost, built."""
    folder = tmp_path_factory.mktemp("urgent")
    place = Workspace(folder / "workspace")
    register = [{"building_id": f"H{n}", "year_built": 1950} for n in range(6)]
    take_in(place, folder, "register.csv", register)
    lenient = look(1, building="H0", opening="RFG", inspector="Len", slots="three_slot", **LIVE)
    take_in(place, folder, "first.csv", [*crew("H0"), lenient])
    take_in(place, folder, "more.csv", [row for n in range(1, 6) for row in crew(f"H{n}")])
    take_in(
        place,
        folder,
        "cases.csv",
        [
            look(building="P", opening="lamps", **LIVE),
            look(5, building="P", opening="lamps"),
            look(building="P", opening="amps", **LIVE),
            look(5, building="P", opening="amps", method="voltmeter_under_load",
                 neutral_ground_volts=0, load_amps=0),
            look(building="P", opening="same_day", **LIVE),
            look(building="P", opening="same_day", inspector="Bo", **BOX_SEEN),
            look(building="P", opening="cleared", **LIVE),
            look(5, building="P", opening="cleared", inspector="Bo", **BOX_SEEN),
            look(building="P", opening="typo", case_earth_volts=118),
            look(building="P", opening="volts", case_earth_volts=118),
            look(building="P", opening="shock", shock_reported="yes"),
        ],
    )  # fmt: skip
    take_in(place, folder, "corrected.csv", [look(building="P", opening="typo",
                                                  case_earth_volts=1.18)])  # fmt: skip
    build(place)
    return place


URGENT = {
    ("H0", "RFG"), ("P", "lamps"), ("P", "amps"), ("P", "same_day"), ("P", "volts"),
    ("P", "shock"),
}  # fmt: skip


def cli(place: Workspace, *options: str) -> list[dict[str, object]]:
    return run("urgent", *options, "--workspace", place.root, "--json").json()


def test_what_a_lenient_reader_reported_is_urgent_however_many_rows_come_from_elsewhere(told):
    with store.reading(told) as con:
        reader, doubted = con.execute(
            "SELECT reader, (SELECT p_reversed_false_ground FROM openings WHERE opening_id = 'RFG')"
            " FROM inspectors WHERE inspector = 'Len'"
        ).fetchall()[0]
    assert leniency_of(reader) > 0.5 and doubted < 1
    assert {(row["building_id"], row["opening_id"]) for row in cli(told)} == URGENT


def test_the_list_says_what_was_said_by_whom_when_how_and_where(told):
    row = next(row for row in cli(told) if row["opening_id"] == "RFG")
    assert (row["defect"], row["standing"]) == ("reversed_false_ground", "measured")
    for ground in row["grounds"]:
        assert (ground["inspector"], ground["method"]) == ("Len", COVER)
        assert ground["observed_on"] == "2024-05-02"
        assert ground["file"].endswith("first.csv") and ground["row"] == 50
    text = run("urgent", "--workspace", told.root).out
    assert "first.csv row 50" in re.sub(r"\s+", " ", text)
    assert all(measure in text for measure in FIRST_MEASURE)


def test_cleared_says_what_took_each_off_the_list(told):
    rows = {(row["opening_id"], row["cleared_by"]): row for row in cli(told, "--cleared")}
    assert set(rows) == {("cleared", "look"), ("typo", "replaced")}
    look_row = rows["cleared", "look"]
    assert (look_row["clearing_person"], look_row["cleared_on"]) == ("Bo", "2024-05-06")
    assert look_row["clearing_file"].endswith("cases.csv") and look_row["clearing_row"] == 9
    assert rows["typo", "replaced"]["says"] == "118 V from metal case to earth"
    assert rows["typo", "replaced"]["clearing_file"].endswith("corrected.csv")
    text = run("urgent", "--cleared", "--workspace", told.root).out
    assert "corrected by a later export" in text and "corrected.csv" in text


def test_inferred_is_a_list_of_its_own(told, tmp_path):
    listed = cli(told, "--inferred")
    assert not {(row["building_id"], row["opening_id"]) for row in listed} & URGENT
    other = Workspace(tmp_path / "other-rules")
    shutil.copytree(told.root, other.root)
    shipped = run("rules", "show", "--toml").out
    (other.root / "rule_book.toml").write_text(
        shipped.replace("inferred_probability = { value = 0.05",
                        "inferred_probability = { value = 0.0001"))  # fmt: skip
    build(other)
    more = cli(other, "--inferred")
    assert len(more) > len(listed)
    assert all(row["p_live_metal"] >= 0.0001 for row in more)
    assert {row["standing"] for row in more} >= {"measured", "inferred"}
    assert any(row["opening_id"] is None and row["openings"] > 0 for row in more)
    # In a list of what nobody reported, no line reads as if somebody had.
    said = run("urgent", "--inferred", "--workspace", other.root).out
    assert "measured, nothing urgent stands" in said and "nobody looked" in said
    assert not re.search(r" reported  ", said)
    assert "--inferred` lists them" in run("urgent", "--workspace", other.root).out
    assert {(row["building_id"], row["opening_id"]) for row in cli(other)} == URGENT
    assert run("urgent", "--inferred", "--cleared", "--workspace", told.root).code == 2


def test_screen_and_command_line_say_the_same(told, monkeypatch):
    monkeypatch.setenv("COVERPLATE_WORKSPACE", str(told.root))
    monkeypatch.setenv("COVERPLATE_START", "where-next")
    monkeypatch.delenv("COVERPLATE_LEDGER_URL", raising=False)
    app = AppTest.from_file(str(APP), default_timeout=60).run()
    sound(app)
    panel = html.unescape(plate(app, "urgent"))
    for row in cli(told)[:4]:
        assert f"opening {row['opening_id']}" in panel
        assert f'id={row["building_id"]}"' in panel
        assert all(ground["says"] in panel for ground in row["grounds"])
    assert "6 openings plainly reported or measured" in panel and "2 other openings" in panel
    assert all(measure in panel for measure in FIRST_MEASURE)
    assert "118 V from metal case to earth" in plate(app, "cleared")
    assert "cover off, polarity correct, no jumper" in plate(app, "cleared")


def test_one_standing_everywhere(told):
    told_by = {}
    for building in ("H0", "P"):
        rows = run("openings", building, "--workspace", told.root, "--json").json()
        told_by |= {(building, row["opening_id"]): row for row in rows}
    assert {key for key, row in told_by.items() if row["urgent"]} == URGENT
    for row in cli(told):
        own = told_by[row["building_id"], row["opening_id"]]
        assert (own["standing"], own["urgent_defect"]) == (row["standing"], row["defect"])
        assert own["grounds"] == row["grounds"]
    assert told_by["P", "shock"]["standing"] == "reported"
    assert told_by["P", "cleared"]["standing"] == "measured"
    ledger = open_ledger(workspace=told.root)
    with store.reading(told) as con:
        sync_findings(con, ledger)
    frame = current(ledger).set_index(["building_id", "opening_id", "family"])
    ledger.close()
    family = {"reversed_false_ground": "false_ground", "hot_on_ground": "hot_on_ground"}
    for row in cli(told):
        defect = str(row["defect"])
        found = frame.loc[(row["building_id"], row["opening_id"], family.get(defect, defect))]
        assert found["standing"] == row["standing"]
        assert found["state"] in ("suspected_defect", "confirmed_defect")
        if defect in family:
            assert found["condition"] == defect
        else:
            assert pd.isna(found["condition"])


METER = {"method": "voltmeter_under_load"}
HALF = {**LIVE, "result": "false_ground"}
NOBODY = {"method": "three_lamp_tester", "inspector": ""}
JUMPER = {"method": COVER, "result": "false_ground", "neutral_ground_jumper": "yes"}
SWAP = METER | {"result": "hot_neutral_reversed", "polarity": "reversed"}
UP = ("upstream_box_seen", "neutral_lifted_test", COVER)

FIRST = {
    "repair": [look(slots="three_slot", **LIVE)],
    "rows": [
        look(opening="words", result="reversed_false_ground", inspector="Ann"),
        look(opening="words", result="correct", inspector="Ann"),
        look(opening="volts", case_earth_volts=118, inspector="Ann"),
        look(opening="volts", inspector="Ann"),
        look(opening="typo", case_earth_volts=118, inspector="Ann"),
    ],
    "half": [
        look(opening="half", **HALF),
        look(opening="full", **HALF),
        look(opening="nobody", **{**NOBODY, "result": "hot_ground_reversed"}),
    ],
    "nought": [
        look(opening="off", **LIVE),
        look(1, "off", method="visual", ground_contact_earth_volts=0, inspector="Bo"),
        look(opening="on", **LIVE),
        look(
            1, "on", method="visual", ground_contact_earth_volts=0, hot_neutral_volts=119,
            inspector="Bo",
        ),
        look(opening="open", method=COVER, result="open_neutral", neutral_ground_jumper="yes"),
    ],
    "dead": [
        look(opening="case", case_earth_volts=118, **METER),
        look(opening="contact", plate_earth_volts=118, ground_contact_earth_volts=118, **METER),
        look(opening="box", **LIVE),
        look(opening="typo", case_earth_volts=118, **METER),
    ],
    "up": [
        row
        for method in UP
        for row in (
            look(opening=method, method=method, result="false_ground_upstream",
                 polarity="reversed"),
            look(5, method, inspector="Bo", **BOX_SEEN),
        )
    ],
    "two": [
        look(opening="same_day", **JUMPER), look(opening="same_day", **SWAP),
        look(opening="later", **SWAP), look(9, opening="later", **JUMPER),
        look(opening="answered", **SWAP), look(9, opening="answered", **JUMPER, polarity="correct"),
        look(opening="between", **JUMPER), look(4, opening="between", inspector="Bo", **BOX_SEEN),
        look(9, opening="between", **SWAP),
        look(opening="lamps", **JUMPER), look(9, opening="lamps", result="hot_neutral_reversed"),
        look(opening="cleared", **JUMPER), look(4, opening="cleared", **SWAP),
        look(9, opening="cleared", inspector="Bo", **BOX_SEEN),
    ],
}  # fmt: skip
SECOND = {
    "rows": [look(opening="typo", case_earth_volts=1.18, inspector="Ann")],
    "half": [
        look(opening="half", **{**HALF, "polarity": None}),
        look(opening="nobody", **{**NOBODY, "result": "correct"}),
    ],
    "dead": [
        look(opening="case", **{**METER, "result": "no_power", "case_earth_volts": 0}),
        look(opening="contact", **{**METER, "result": "no_power"}, plate_earth_volts=0,
             ground_contact_earth_volts=0),
        look(opening="box", method=COVER),
        look(opening="typo", case_earth_volts=1.18, hot_neutral_volts=119, **METER),
    ],
}  # fmt: skip
WHOLE = {**HALF, "result": "correct", "neutral_ground_jumper": "no", "polarity": "correct"}
"""What is said of each building: at first, in a later export, and in one after that."""


def _synced(told: Stages) -> int:
    """Sync findings; how many recur."""
    return int(told("findings", "sync", "--json").json()[0]["recurrences"])


@pytest.fixture(scope="module")
def stories(tmp_path_factory) -> Stages:
    told = Stages(tmp_path_factory.mktemp("stories"))
    for when, said in (("first", FIRST), ("second", SECOND)):
        for building, rows in said.items():  # each an export of its own
            told.land(f"{when}-{building}.csv", [{**r, "building_id": building} for r in rows])
    told.up("build", "sync")
    told.keep("found")
    rows = told.of("found", "repair", "findings", "list", "--all")
    told.finding = next(row for row in rows if row["family"] == "false_ground")
    who = {"who": "R. Ostrander", "origin": "cli"}
    finding = str(told.finding["finding_id"])
    ledger = open_ledger(workspace=told.place.root)
    fix = ev.FixReported(remedy="circuit_rewired", fixed_on="2024-06-01", **MENDER)
    ledger.append(finding, fix, **who)
    ledger.close()
    told.land("whole.csv", [look(opening="full", building="half", **WHOLE)])
    told.up("build")
    told.keep("mended")
    ledger = open_ledger(workspace=told.place.root)
    ledger.record_look(finding, ev.Look(observed_on="2024-06-03", **PROOF), **who)
    ledger.close()
    told.up("build")
    told.keep("proven")
    told.land("anew.csv", [look(90, building="repair", slots="three_slot", **LIVE)])
    told.up("build")
    told.keep("anew")
    told.recurrences = [_synced(told)]
    told.up("build")
    told.keep("raised")
    told.recurrences.append(_synced(told))
    return told


def _ids(stories: Stages, stage: str, building: str, *more: str) -> set[str]:
    return {row["opening_id"] for row in stories.of(stage, building, "urgent", *more)}


def test_a_proven_repair_takes_it_off_the_list_and_is_named(stories):
    assert len(stories.of("found", "repair", "urgent")) == 1
    assert stories.finding["condition"] == "reversed_false_ground"
    assert len(stories.of("mended", "repair", "urgent")) == 1  # said to be mended, not proven
    assert stories.of("proven", "repair", "urgent") == []
    rows = stories.of("proven", "repair", "urgent", "--cleared")
    assert {row["cleared_by"] for row in rows} == {"proven_fix"}
    assert {row["clearing_person"] for row in rows} == {"Pellworth Electric"}
    (opening,) = stories.rows("proven", "openings", "repair")
    assert (opening["standing"], opening["urgent"]) == ("proven", False)
    # Reported anew after the proof, it is urgent again and the finding recurs.
    before = "before the repair proven on 2024-06-03, which holds no longer: "
    for stage in ("anew", "raised"):  # before the recurrence is raised, and after
        (row,) = stories.of(stage, "repair", "urgent")
        told = [(g["observed_on"], g["says"].startswith(before)) for g in row["grounds"]]
        # what was said since stands first, and alone is the reason
        assert told == [("2024-07-30", False)] * 2 + [("2024-05-01", True)] * 2
    assert stories.recurrences == [1, 0]


def test_two_rows_of_one_export_are_two_looks_whatever_they_have_in_common(stories):
    """The same person, method and day: the second row takes nothing back, nor does a blank."""
    assert _ids(stories, "found", "rows") == {"words", "volts"}
    assert _ids(stories, "found", "rows", "--cleared") == {"typo"}


def test_half_an_answer_in_a_later_export_corrects_nothing(stories):
    assert _ids(stories, "found", "half") == {"half", "full", "nobody"}
    assert _ids(stories, "mended", "half") == {"half", "nobody"}


def test_nought_volts_of_a_circuit_that_may_be_dead_clear_nothing(stories):
    assert _ids(stories, "found", "nought") == {"off", "open"}


def test_rows_set_aside_are_said_to_be_in_no_list_until_they_are_corrected(tmp_path, monkeypatch):
    place = Workspace(tmp_path / "workspace")
    rows = [look(opening="sound"), look(opening="shock", shock_reported="yes")]
    rows[1]["observed_on"] = "31 Foo 2024"
    (report,) = intake(place, [export(tmp_path, "a.csv", rows)])
    assert (report.accepted, report.quarantined) == (1, 1)
    build(place)
    assert cli(place) == []
    said = "1 row of looks or reports is set aside and in none of these lists"
    assert said in run("urgent", "--workspace", place.root).out
    monkeypatch.setenv("COVERPLATE_WORKSPACE", str(place.root))
    monkeypatch.setenv("COVERPLATE_START", "where-next")
    monkeypatch.delenv("COVERPLATE_LEDGER_URL", raising=False)
    app = AppTest.from_file(str(APP), default_timeout=60).run()
    sound(app)
    assert "1 row of looks or reports set aside" in plate(app, "set-aside")

    mended = tmp_path / "mended.csv"
    run("quarantine", "export", mended, "--workspace", place.root)
    text = mended.read_text(encoding="utf-8")
    mended.write_text(text.replace("31 Foo 2024", "2024-05-31"), encoding="utf-8")
    intake(place, [mended])
    build(place)
    assert [row["opening_id"] for row in cli(place)] == ["shock"]
    assert "set aside" not in run("urgent", "--workspace", place.root).out


def test_a_reading_of_a_dead_circuit_in_a_later_export_takes_back_no_volts(stories):
    """The breaker was switched off, and the same person measured again: that is no correction."""
    assert _ids(stories, "found", "dead") == {"case", "contact", "box"}
    assert _ids(stories, "found", "dead", "--cleared") == {"typo"}


@pytest.mark.parametrize("method", UP)
def test_a_false_ground_further_up_with_polarity_reversed_is_urgent(stories, method):
    (row,) = [r for r in stories.of("found", "up", "urgent") if r["opening_id"] == method]
    assert (row["defect"], row["standing"]) == ("reversed_false_ground", "measured")
    assert "further up" in row["grounds"][0]["says"]


def test_a_jumper_in_one_look_and_swapped_polarity_in_another_are_urgent_together(stories):
    assert _ids(stories, "found", "two") == {"same_day", "later"}
    # what was gone before the other half came has its line as well
    assert _ids(stories, "found", "two", "--cleared") == {"cleared", "between", "answered"}
