"""A visit planned, its sheet written, filled in, taken in again: what ledger and screens say."""

from __future__ import annotations

import datetime as dt
import re
import shutil

import pytest
from openpyxl import load_workbook
from screens_shown import plate, screen_of, sound

from pipeline.landing import Workspace, intake
from pipeline.landing.mapping import SHIPPED, load_mapping
from pipeline.ledger import landed_fixes, open_ledger, visit_workbook
from shared.faults import CoverplateError
from shared.vocabulary import RecordKind
from tests.cli.running import run

pytestmark = pytest.mark.slow


HEADER = (
    "building_id,unit_id,room,opening_id,observed_on,inspector,method,selection,slots,result,"
    "neutral_ground_jumper,polarity,cover_removed\n"
)
SEEN = "2025-02-01,Ada,cover_off_inspection,survey,three_slot"
FALSE_GROUND = f"{SEEN},false_ground,yes,correct,yes\n"
LIVE = f"{SEEN},reversed_false_ground,yes,reversed,yes\n"
OPENINGS = {"001": FALSE_GROUND, "002": LIVE, "003": FALSE_GROUND, "=4": FALSE_GROUND}

REPAIR = {
    "Repair done": "circuit rewired",
    "Repaired on": dt.date(2025, 3, 3),
    "Repaired by": "D. Orme",
    "Cost of the repair": 1350.5,
}
PROOF = {
    "Looked on": dt.date(2025, 3, 10),
    "Looked by": "S. Ambrel",
    "Looked how": "cover off inspection",
    "Look found": "correct",
    "Slots then": "three slot",
    "Cover was off": "yes",
    "Ground path in the box": "yes",
    "Ground tied to neutral": "no",
    "Polarity then": "correct",
    "Ground path, ohms": 0.2,
}


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    """A dwelling with four openings, built, raised, and a visit planned to it."""
    folder = tmp_path_factory.mktemp("comes-back")
    rows = [f"0017,2A,kitchen,{name},{seen}" for name, seen in OPENINGS.items()]
    (folder / "looks.csv").write_text(HEADER + "".join(rows), encoding="utf-8")
    (folder / "register.csv").write_text(
        "building_id,name,year_built,dwelling_units,receptacle_count\n0017,Lodge,1931,1,9\n",
        encoding="utf-8",
    )
    place = folder / "workspace"
    taken = run("intake", folder / "looks.csv", folder / "register.csv", "--workspace", place)
    assert taken.code in (0, 3), taken.err
    assert run("build", "--workspace", place).code == 0
    assert run("findings", "sync", "--workspace", place).code == 0
    done = run(
        *("visits", "plan", "--unit", "0017/2A", "--on", "2031-04-01", "--person", "A. Oddy"),
        *("--firm", "Pellworth Electric", "--workspace", place),
    )
    assert done.code == 0, done.err
    return place


@pytest.fixture
def place(built, tmp_path, monkeypatch):
    copy = tmp_path / "own"
    shutil.copytree(built, copy)
    monkeypatch.setenv("COVERPLATE_WORKSPACE", str(copy))
    return copy


VISIT = "V-0017-2A-20310401-1"


def filled(path, said):
    """Write the visit's sheet and fill in the rows of some openings, by their header."""
    assert run("visits", "sheet", VISIT, "-o", path).code == 0
    book = load_workbook(path)
    sheet = book.active
    header = [cell.value for cell in sheet[1]]
    for row in sheet.iter_rows(min_row=2):
        opening = row[header.index("Opening")].value
        for name, value in said.get(opening, {}).items():
            row[header.index(name)].value = value
    book.save(path)
    return path


def states():
    rows = run("findings", "list", "--all", "--json").json()
    return {row["opening_id"]: row["state"] for row in rows if row["family"] == "false_ground"}


def by_kind(taken):
    return {each["record_kind"]: each for each in taken.json()}


def test_the_sheet_offers_words_and_holds_what_is_known(place, tmp_path):
    path = filled(tmp_path / "2A.xlsx", {})
    sheet = load_workbook(path).active
    header = [cell.value for cell in sheet[1]]
    rows = [
        dict(zip(header, row, strict=True))
        for row in sheet.iter_rows(min_row=2, values_only=True)
        if row[1]
    ]
    assert {row["Opening"] for row in rows} == set(OPENINGS)
    assert {row["Building"] for row in rows} == {"0017"}
    assert {row["Repairing firm"] for row in rows} == {"Pellworth Electric"}
    offered = " ".join(str(rule.formula1) for rule in sheet.data_validations.dataValidation)
    assert "circuit rewired" in offered and "cover off inspection" in offered
    assert "receptacle swapped" not in offered  # no fix of a false ground
    # left blank it holds nothing, and says so
    taken = run("intake", path, "--json")
    assert taken.code == 0, taken.err
    assert {kind: each["rows_read"] for kind, each in by_kind(taken).items()} == {
        "fix_reports": 0,
        "opening_observations": 0,
    }


def test_the_forms_name_every_cell_that_is_filled_in_by_hand():
    printed = {"Repairing firm"}  # beforehand, where the visit has a firm
    by_hand = {
        RecordKind.FIX_REPORTS: set(visit_workbook.REPAIR) - printed,
        RecordKind.OPENING_OBSERVATIONS: set(visit_workbook.LOOK),
    }
    for name in ("visit_sheet", "look_sheet"):
        for record in load_mapping(SHIPPED / f"{name}.toml").records:
            assert set(record.filled) == by_hand[record.kind], (name, record.kind)


def test_no_row_in_which_anything_was_filled_in_is_taken_for_a_blank_one(place, tmp_path):
    looks, fixes = RecordKind.OPENING_OBSERVATIONS, RecordKind.FIX_REPORTS
    alone = {
        "shock": (looks, {"Shock reported then": "yes"}),
        "heat": (looks, {"Heat or scorch marks": "yes"}),
        "volts": (looks, {"Metal case to earth, V": 118}),
        "note": (looks, {"Note on the look": "got a shock, case live 120 V"}),
        "jumper": (looks, {"Ground tied to neutral": "yes", "Polarity then": "reversed",
                           "Cover was off": "yes"}),
        "slots": (looks, {"Slots then": "three slot"}),
        "worker": (fixes, {"Repaired by": "D. Orme", "Cost of the repair": 55}),
        "could_not": (fixes, {"Note on the repair": "burnt, box live, could not repair"}),
    }  # fmt: skip
    for name, (kind, cells) in alone.items():
        path = filled(tmp_path / f"{name}.xlsx", {"001": cells})
        taken = run("intake", path, "--json")
        assert ("of danger" in taken.err) == (name not in ("slots", "worker")), name
        assert taken.code == 3 and "1 row set aside" in taken.err, (name, taken)
        read = {each: (r["rows_read"], r["quarantined"]) for each, r in by_kind(taken).items()}
        assert read == {looks: (0, 0), fixes: (0, 0)} | {kind: (1, 1)}, name
        aside = [r for r in run("quarantine", "list", "--json").json() if name in r["path"]]
        assert [row["record_kind"] for row in aside] == [kind], name
        missing = {"observed_on", "method", "result"} if kind == looks else {"fixed_on", "remedy"}
        assert {each["column"] for each in aside[0]["reasons"]} == missing
    assert run("build").code == 0
    told = run("urgent").out
    assert f"{len(alone)} rows of looks or reports are set aside" in told
    assert "6 rows set aside, whole or in a cell, speak of danger" in told  # not slots, worker
    assert re.search(r"shock.xlsx row \d: a shock was reported", told)
    again = run("intake", path).err
    assert re.search(r'could_not.xlsx row \d: note "burnt, box live, could not repair"', again)


def test_reasons_are_counted_of_rows_that_were_filled_in(place, tmp_path):
    said = {"001": {"Look found": "reversed false ground"}, "003": PROOF}
    taken = run("intake", filled(tmp_path / "2A.xlsx", said), "--by", "office")
    assert taken.code == 3, taken.err
    assert "rows set aside: method 'empty' ×1, observed_on 'empty' ×1\n" in taken.out


def test_a_look_on_the_row_of_another_openings_finding_is_set_aside(place, tmp_path):
    said = {"001": {**PROOF, "Opening": "002"}, "003": PROOF}
    path = filled(tmp_path / "2A.xlsx", said)
    taken = run("intake", path, "--by", "office", "--json")
    assert taken.code == 3, taken.err
    looks = by_kind(taken)["opening_observations"]
    assert (looks["accepted"], looks["quarantined"]) == (1, 1)
    (row,) = run("quarantine", "list", "--json").json()
    assert "on the row of F-" in str(row)
    assert run("build").code == 0
    assert [each["opening_id"] for each in run("urgent", "--json").json()] == ["002"]


def test_repairs_and_the_looks_that_prove_them_come_back_in_one_file(place, tmp_path, monkeypatch):
    assert len(run("urgent", "--json").json()) == 1
    said = {
        "001": {**REPAIR, **PROOF},
        "002": {**REPAIR, "Note on the repair": "mender's word only"},
        "003": {**PROOF, "Look found": "false ground", "Ground tied to neutral": "yes"},
        "=4": {**REPAIR, "Repair done": "new receptacle"},
    }
    taken = run("intake", filled(tmp_path / "2A.xlsx", said), "--by", "office", "--json")
    assert taken.code == 3, taken.err
    found = by_kind(taken)
    assert found["fix_reports"]["rows_read"] == 3
    assert found["fix_reports"]["ledger"] == {"reported": 2, "duplicate": 0, "refused": 1}
    assert found["fix_reports"]["visits"] == [
        {
            "visit_id": VISIT,
            "outcome": "made",
            "on": "2025-03-03",
            "went": "D. Orme",
            "went_for": "Pellworth Electric",
        }
    ]
    assert found["opening_observations"]["rows_read"] == 2
    assert states() == {
        "001": "repair_proven",
        "002": "fix_reported_unproven",
        "003": "confirmed_defect",
        "=4": "confirmed_defect",
    }
    # the report and its proof name the row that they came from
    ledger = open_ledger(workspace=place)
    ids = {row["opening_id"]: row["finding_id"] for row in _findings()}
    events = ledger.history(ids["001"])
    report, proof, made = events[-3:]
    assert (report.kind, proof.kind, made.kind) == ("fix_reported", "verified", "visit_made")
    # the visit was made, which stands on all of its findings
    assert (made.payload.on, made.payload.went, made.who) == (
        dt.date(2025, 3, 3), "D. Orme", "office",
    )  # fmt: skip
    (visit,) = run("visits", "list", "--json").json()
    assert set(ids.values()) >= set(visit["finding_ids"]) and len(visit["finding_ids"]) == 4
    for each in visit["finding_ids"]:
        assert [event.kind for event in ledger.history(each)].count("visit_made") == 1
    assert report.payload.cost == 1350.5 and report.who == proof.who == "office"
    landed = found["fix_reports"]["sha256"]
    assert report.payload.landed.sha256 == proof.payload.landed.sha256 == landed
    assert report.payload.landed.row == proof.payload.landed.row
    ledger.close()
    assert run("ledger", "verify").code == 0
    # what the rules refuse waits with the others
    (waiting,) = run("quarantine", "list", "--json").json()
    assert (waiting["level"], waiting["record_kind"]) == ("rules", "fix_reports")
    assert "still false ground" in waiting["reasons"][0]["expected"]
    # a build takes the proof and the look that saw it again
    assert run("build").code == 0
    assert run("findings", "sync").code == 0
    assert states() == {
        "001": "repair_proven",
        "002": "fix_reported_unproven",
        "003": "confirmed_defect",
        "=4": "confirmed_defect",
    }
    assert len(run("urgent", "--json").json()) == 1  # a mender's word takes nothing off
    (visit,) = run("visits", "list", "--json").json()
    assert (visit["proven"], visit["reported"], visit["open"]) == (1, 1, 2)
    assert (visit["standing"], visit["made_on"], visit["went"]) == ("made", "2025-03-03", "D. Orme")
    assert run("findings", "sync", "--json").json()[0]["visits_made"] == 0
    # and so do the screens
    app = screen_of(monkeypatch, Workspace(place), "visits")
    sound(app)
    told = plate(app, "made")
    assert "made on 3 Mar 2025 by D. Orme, for Pellworth Electric" in told
    assert "2 open" in told and "1 reported, unproven" in told and "1 proven" in told
    app = screen_of(monkeypatch, Workspace(place), "finding", id=ids["001"])
    sound(app)
    assert "repair proven" in plate(app, "heading")
    app = screen_of(monkeypatch, Workspace(place), "intake", part="Set aside")
    sound(app)
    assert "still false ground" in plate(app, "aside")


def _findings():
    return run("findings", "list", "--all", "--json").json()


def test_the_sheet_comes_back_twice_and_corrected(place, tmp_path):
    first = filled(
        tmp_path / "first.xlsx", {"001": REPAIR, "=4": {**REPAIR, "Repair done": "swap"}}
    )
    assert run("intake", first).code == 3
    assert states()["001"] == "fix_reported_unproven"
    heads = _heads(place)
    assert run("intake", first).code in (0, 3)
    assert _heads(place) == heads
    # the same sheet with the look of a later day
    second = filled(tmp_path / "second.xlsx", {"001": {**REPAIR, **PROOF}})
    taken = run("intake", second, "--json")
    assert by_kind(taken)["fix_reports"]["duplicate"] == 1
    assert states()["001"] == "repair_proven"
    ledger = open_ledger(workspace=place)
    ids = {row["opening_id"]: row["finding_id"] for row in _findings()}
    kinds = [event.kind for event in ledger.history(ids["001"])]
    assert kinds[-3:] == ["fix_reported", "visit_made", "verified"]
    ledger.close()
    # what was refused is written out, corrected, and taken up
    out = tmp_path / "out.csv"
    assert run("quarantine", "export", out).code == 0
    text = out.read_text(encoding="utf-8-sig")
    assert ",swap," in text
    out.write_text(text.replace(",swap,", ",circuit rewired,"), encoding="utf-8")
    assert run("intake", out).code == 0
    assert states()["=4"] == "fix_reported_unproven"
    assert run("quarantine", "list", "--json").json() == []
    assert run("ledger", "verify").code == 0


def _heads(place):
    ledger = open_ledger(workspace=place)
    heads = ledger.heads()
    ledger.close()
    return heads


def test_reports_and_that_the_visit_was_made_are_written_together_or_not_at_all(
    place, tmp_path, monkeypatch
):
    path = filled(tmp_path / "2A.xlsx", {"001": REPAIR})

    def broken(*_):
        raise CoverplateError("the disk is full")

    heads = _heads(place)
    with monkeypatch.context() as patch:
        patch.setattr(landed_fixes, "_check_alone", broken)  # the last step before both stand
        assert run("intake", path).code == 2
    assert _heads(place) == heads
    assert run("build").code == 0
    (synced,) = run("findings", "sync", "--json").json()
    assert (synced["fixes_reported"], synced["visits_made"]) == (1, 1)
    (visit,) = run("visits", "list", "--json").json()
    assert (visit["standing"], visit["reported"]) == ("made", 1)


def test_the_screen_takes_up_what_landed_as_the_command_does(place, tmp_path, monkeypatch):
    said = {"001": {**REPAIR, **PROOF}, "=4": {**REPAIR, "Repair done": "new receptacle"}}
    intake(Workspace(place), [filled(tmp_path / "2A.xlsx", said)])  # into no ledger yet
    assert run("build").code == 0
    other = tmp_path / "by-command"
    shutil.copytree(place, other)
    (told,) = run("findings", "sync", "--workspace", other, "--by", "T. Est", "--json").json()
    assert (told["fixes_reported"], told["visits_made"]) == (1, 1)
    app = screen_of(monkeypatch, Workspace(place), "overdue")
    sound(app)

    def press():
        label = "Bring findings up to what landed"
        next(each for each in app.button if each.label == label).click().run()
        sound(app)

    press()
    assert "your name" in app.error[0].value and states()["001"] == "confirmed_defect"
    app.text_input(key="sync-who").set_value("T. Est")
    press()
    assert not app.error, [each.value for each in app.error]
    shown = " ".join(each.value for each in app.success).replace("\\", "")  # Markdown
    assert "1 fix report written, 1 refused by the rules; 1 proven" in shown
    assert "was made on 2025-03-03; who went: D. Orme" in shown
    assert states()["001"] == "repair_proven"
    assert _written(place) == _written(other)


def _written(place):
    ledger = open_ledger(workspace=place)
    found = [(each.finding_id, each.kind, each.who, each.origin, each.payload) for each in
             ledger.stored()]  # fmt: skip
    ledger.close()
    return found


def test_a_sheet_with_looks_alone_says_who_went_and_when(place, tmp_path):
    looks = {**PROOF, "Look found": "false ground", "Ground tied to neutral": "yes"}
    early = {**looks, "Looked on": dt.date(2025, 3, 8), "Looked by": "E. Early"}
    both = {"003": looks, "001": {**looks, "Looked by": "T. Wo"}, "=4": early}
    move = ("visits", "move", VISIT, "--on", "2025-03-10", "--reason", "sooner")
    assert run(*move).code == 0
    taken = run("intake", filled(tmp_path / "2A.xlsx", both))
    assert taken.code == 0, taken.err
    # its planned day stands in the sheet: who looked on another day did not go on that one
    assert f"visit {VISIT} was made on 2025-03-10; who went: T. Wo, S. Ambrel" in taken.out
    (visit,) = run("visits", "list", "--json").json()
    assert (visit["standing"], visit["made_on"]) == ("made", "2025-03-10")
    assert states()["003"] == "confirmed_defect"
    assert run("ledger", "verify").code == 0


def test_a_blank_sheet_says_nothing_of_its_visit(place, tmp_path):
    assert run("intake", filled(tmp_path / "2A.xlsx", {})).code == 0
    (visit,) = run("visits", "list", "--json").json()
    assert visit["standing"] == "planned"


def test_a_visit_noted_by_hand_before_its_sheet_came_back_is_noted_once(place, tmp_path):
    path = filled(tmp_path / "2A.xlsx", {"001": REPAIR})
    made = ("visits", "made", VISIT, "--on", "2025-03-04", "--went", "B. Hand")
    assert run(*made).code == 0
    heads = _heads(place)
    taken = run("intake", path)
    assert taken.code == 0 and "was made on" not in taken.out
    (visit,) = run("visits", "list", "--json").json()
    assert (visit["made_on"], visit["went"], visit["reported"]) == ("2025-03-04", "B. Hand", 1)
    assert sum(_heads(place)[each][0] - heads[each][0] for each in heads) == 1


def test_the_sheet_of_a_visit_that_was_called_off_is_told_and_its_reports_stand(
    place, tmp_path, monkeypatch
):
    path = filled(tmp_path / "2A.xlsx", {"001": REPAIR})
    assert run("visits", "call-off", VISIT, "--reason", "rewired by then").code == 0
    taken = run("intake", path)
    assert taken.code == 0, taken.err
    said = f"visit {VISIT} was called off (rewired by then), and its sheet came back"
    assert said in taken.out and "not noted as made" in taken.out
    (visit,) = run("visits", "list", "--json").json()
    assert (visit["standing"], visit["reported"]) == ("called_off", 1)
    assert states()["001"] == "fix_reported_unproven"
    assert run("build").code == 0
    synced = run("findings", "sync")
    assert "called off (rewired by then)" in synced.err
    # what it advises can be done, and is the end of it
    (told,) = re.findall(r"`coverplate (visits plan [^`]*)--person NAME`", synced.err)
    on = re.search(r"filled in for (\S+):", synced.err)[1]
    planned = run(*told.split(), "--person", "D. Orme", "--firm", "Pellworth Electric", "--json")
    assert planned.code == 0, planned.err
    (new,) = {row["visit_id"] for row in run("visits", "list", "--json").json()} - {VISIT}
    assert run("visits", "made", new, "--on", on).code == 0
    assert "its sheet came back" not in run("findings", "sync").err
    assert "its sheet came back" not in run("intake", path).out
    made = next(r for r in run("visits", "list", "--json").json() if r["visit_id"] == new)
    assert (made["standing"], made["made_on"]) == ("made", on)
    assert (made["went"], made["went_for"]) == ("D. Orme", "Pellworth Electric")
    app = screen_of(monkeypatch, Workspace(place), "visits")
    sound(app)
    assert "by D. Orme, for Pellworth Electric" in plate(app, "made")
    assert run("ledger", "verify").code == 0


def test_a_sheet_that_names_no_visit_of_this_ledger_is_told(place, tmp_path):
    path = filled(tmp_path / "2A.xlsx", {"001": REPAIR})
    book = load_workbook(path)
    book.active["A2"].value = book.active["A3"].value = "V-0017-2A-20310401-9"
    book.active["A4"].value = book.active["A5"].value = "V-0017-2A-20310401-9"
    book.save(path)
    taken = run("intake", path)
    assert "visit V-0017-2A-20310401-9 is not known here" in taken.out
    assert states()["001"] == "fix_reported_unproven"


def test_rows_moved_to_another_dwelling_are_told_as_that(place, tmp_path):
    other = {**REPAIR, "Unit": "5B", "Repaired on": dt.date(2025, 2, 20)}
    path = filled(tmp_path / "2A.xlsx", {"001": REPAIR, "003": other})
    taken = run("intake", path)
    said = " ".join(taken.out.split())
    assert f"visit {VISIT} is to building 0017, unit 2A, not to what is named in row" in said
    assert "of its sheet: building 0017, unit 5B" in said and "not known here" not in said
    # the day is that of the rows of its own dwelling
    assert f"`coverplate visits made {VISIT} --on 2025-03-03`" in said
    (visit,) = run("visits", "list", "--json").json()
    assert visit["standing"] == "planned"
    assert run("visits", "made", VISIT, "--on", "2025-03-03").code == 0
    assert "is to building" not in run("findings", "sync").err


def test_a_look_that_finds_the_repair_wanting_disproves_it(place, tmp_path):
    wanting = {**PROOF, "Ground path, ohms": 60}
    path = filled(tmp_path / "2A.xlsx", {"001": {**REPAIR, **wanting}, "003": {**REPAIR, **PROOF}})
    assert run("intake", path).code == 0
    assert (states()["001"], states()["003"]) == ("fix_disproved", "repair_proven")


@pytest.mark.parametrize(
    "dangers",
    [
        {"Plate to earth, V": 118, "Metal case to earth, V": 118,
         "Ground contact to earth, V": 118},
        {"Detector on metal": "yes", "Heat or scorch marks": "yes", "Shock reported then": "yes"},
    ],
    ids=["volts", "answers"],
)  # fmt: skip
def test_the_sheet_has_room_for_a_danger_and_it_disproves_and_is_urgent(place, tmp_path, dangers):
    quiet = ("001", "003", "=4")  # none of them urgent before; a danger each
    said = {
        opening: {**REPAIR, **PROOF, danger: value}
        for opening, (danger, value) in zip(quiet, dangers.items(), strict=True)
    }
    assert run("intake", filled(tmp_path / "2A.xlsx", said)).code in (0, 3)
    found = states()
    assert {opening: found[opening] for opening in quiet} == dict.fromkeys(quiet, "fix_disproved")
    assert run("build").code == 0
    assert {row["opening_id"] for row in run("urgent", "--json").json()} == {*quiet, "002"}


def test_a_look_by_who_repaired_proves_nothing_and_the_report_stands(place, tmp_path):
    own = {**REPAIR, **PROOF, "Looked by": "D. Orme"}
    taken = run("intake", filled(tmp_path / "2A.xlsx", {"001": own}))
    assert taken.code == 0, taken.err
    assert states()["001"] == "fix_reported_unproven"
    assert run("build").code == 0
    rows = run("fix", "unproven", "--json").json()
    assert [each["says"] for each in rows[0]["looks_since"]] == ["nothing"]


def test_fix_import_is_the_same_door(place, tmp_path):
    ids = {row["opening_id"]: row["finding_id"] for row in _findings()}
    path = tmp_path / "march.csv"
    path.write_text(
        "Our reference,Work carried out,Date completed,Total\n"
        f"{ids['001']},rewired circuit,2025-03-03,1 350.00\n"
        f"{ids['003']},replaced receptacle,2025-03-03,40.00\n",
        encoding="utf-8",
    )
    done = run("fix", "import", path, "--firm", "Oddy", "--json")
    assert done.code == 3
    (told,) = done.json()
    assert (told["reported"], told["duplicate"], told["set_aside"]) == (1, 0, 1)
    (row,) = run("fix", "set-aside", "--json").json()
    assert row["cells"]["Work carried out"] == "replaced receptacle"
    again = run("fix", "import", path, "--firm", "Oddy", "--json").json()
    assert (again[0]["reported"], again[0]["duplicate"], again[0]["set_aside"]) == (0, 1, 1)
    assert len(run("quarantine", "list", "--json").json()) == 1


GFCI = {
    **REPAIR,
    "Repair done": "gfci type marked",
    "Labels put on": "no equipment ground",
    "Year of the GFCI": 2011,
    "GFCI last tested on": dt.date(2025, 3, 3),
}


@pytest.mark.parametrize("printed_before", [False, True])
def test_the_sheet_asks_for_the_age_of_a_gfci_and_older_sheets_are_read(
    place, tmp_path, printed_before
):
    path = filled(tmp_path / "2A.xlsx", {"001": GFCI})
    if printed_before:
        book = load_workbook(path)
        header = [cell.value for cell in book.active[1]]
        asked = ("Year of the GFCI then", "GFCI last tested on", "Year of the GFCI")
        for name in sorted(asked, key=header.index, reverse=True):
            book.active.delete_cols(header.index(name) + 1)
        book.save(path)
    taken = run("intake", path)
    assert taken.code == 0, taken.err
    (device,) = run("fix", "gfci", "--all", "--json").json()
    known = (None, None) if printed_before else (2011, "2025-03-03")
    assert (device["gfci_year"], device["tested_on"]) == known


def test_a_sheet_that_names_a_firm_and_nobody_makes_no_person_of_it(place, tmp_path):
    said = {name: cell for name, cell in REPAIR.items() if name != "Repaired by"}
    taken = run("intake", filled(tmp_path / "2A.xlsx", {"001": said}))
    assert "who went: nobody named, for Pellworth Electric" in taken.out, taken.err
    (visit,) = run("visits", "list", "--json").json()
    assert (visit["went"], visit["went_for"]) == (None, "Pellworth Electric")
    assert "went: nobody named, for Pellworth Electric" in run("visits", "show", VISIT).out
    assert run("ledger", "verify").code == 0
