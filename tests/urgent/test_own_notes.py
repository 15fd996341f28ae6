"""A look whose own note speaks against it: it clears, answers and proves nothing."""

from __future__ import annotations

import pytest
from notes_heard import BAD, GOOD, notes
from urgent_rows import BOX_SEEN, LIVE, MENDER, PROOF, export, look, take_in, urgent_among

from pipeline.landing import Workspace
from pipeline.landing.own_notes import create_macro, report_speaks_against, speaks_against
from pipeline.offline import connect
from shared.report_words import is_urgent_sql
from shared.vocabulary import Result
from tests.cli.running import run

AGAINST = (
    "not tested, copied from last year report", "VOID - entered in error", "jumper still there",
    "assumed, cover not opened", "power off at main, breaker locked", "NOT THE SAME OUTLET",
    "per electrician, not seen by me", "fix not yet made when I looked", "breaker off",
    "power was off; breaker locked", "circuit dead, continuity only", "copied from last year",
    "looked at the one beside the window, not this one", "should be ok now, will check next week",
    "circuit was de-energized", "tested with the power off", "no voltage present", "by phone",
    "electrician says it is done", "wrong unit", "could not open the box", "cover left on",
    "from photos", "reversed polarity", "ground wire disconnected",
    "gfci removed, plain receptacle", "GFCI dead, does not trip", "work pending",
    "sin corriente", "otra toma", "nicht gepr\u00fcft", "spannungsfrei", "hors tension",
    "jumper found and cut today",
    # Of what else it says so nobody can tell: a second look is what that costs.
    "not tested: bathroom fan", "breaker off to open the box, then on again",
)  # fmt: skip
ORDINARY = (
    "power restored", "power is back on", "tested live", "circuit was live when tested",
    "tested with power on", "checked while energized", "breaker 12 labelled", "cover replaced",
    "cover off, box seen", "circuit 7, kitchen counter", "behind the sofa", "tenant at home",
    "ground wire present, green", "no jumper found", "jumper removed", "polarity correct",
    "0.3 ohm to ground", "new receptacle installed", "grounding conductor added", "plate cracked",
    "repaired and tested", "repair verified", "looks good", "all ok", "metal box, 1950",
    "GFCI trips on test button", "GFCI tested ok, reset", "marked no equipment ground",
    "two-slot receptacle", "hot and neutral on right contacts", "no voltage on plate",
    "120 V hot to neutral", "second visit", "photo 12 attached", "key from super",
    "super let me in", "per code 406.4(D)", "owner present", "fuse box in cellar",
    "switched outlet, switch on", "both halves tested", "checked again after repair",
    "isolated ground receptacle", "no burn marks", "no shock reported", "outlet changed last year",
    "tested under load", "meter calibrated in May", "verified twice", "breaker on",
)  # fmt: skip
AGREEING = (
    ("open ground, no jumper", Result.OPEN_GROUND), ("ungrounded, 2-wire", Result.OPEN_GROUND),
    ("bootleg, jumper found", Result.FALSE_GROUND), ("open neutral found", Result.OPEN_NEUTRAL),
    ("hot/neutral reversed", Result.HOT_NEUTRAL_REVERSED),
)  # fmt: skip


@pytest.mark.slow
def test_the_words_are_told_apart_in_python_and_in_sql_alike():
    told = [(note, Result.CORRECT, True) for note in AGAINST]
    told += [(note, Result.CORRECT, False) for note in ORDINARY]
    told += [(note, found, False) for note, found in AGREEING]
    told += [(note, Result.CORRECT, True) for note, _ in AGREEING]
    told += [("breaker off", found, True) for _, found in AGREEING]
    con = connect()
    create_macro(con)
    for note, found, against in told:
        assert speaks_against(note, found) is against, note
        sql = con.execute("SELECT note_against(?, ?)", [note, found.value]).fetchall()
        assert sql == [(against,)], note
    assert con.execute("SELECT note_against(NULL, 'correct')").fetchall() == [(False,)]


def test_notes_as_they_are_heard_speak_against_a_look_and_a_report_or_against_neither():
    for note in notes(BAD):
        assert speaks_against(note, Result.CORRECT) and report_speaks_against(note), note
    for note in notes(GOOD):
        assert not speaks_against(note, Result.CORRECT), note
        assert not report_speaks_against(note), note
    con = connect()
    create_macro(con)
    con.execute("CREATE TABLE n AS SELECT unnest(?::VARCHAR[]) AS t", [notes(f"{BAD}\n{GOOD}")])
    told = con.execute("SELECT t FROM n WHERE note_against(t, 'correct')").fetchall()
    assert sorted(t for (t,) in told) == sorted(notes(BAD))
    # what raises a danger is the text that speaks against the look
    raises = con.execute(f"SELECT t FROM n WHERE {is_urgent_sql('note_of_now(t)')}").fetchall()
    assert {t for (t,) in raises} < set(notes(BAD)) and len(raises) > 25


@pytest.mark.slow
def test_such_a_look_takes_nothing_off_the_urgent_list():
    said = {"box": LIVE, "heat": {"heat_or_scorch": "yes"}, "volts": {"hot_neutral_volts": 60}}
    good = BOX_SEEN | {"heat_or_scorch": "no", "hot_neutral_volts": 120}
    cases = {
        f"{name}: {note}": [look(**cells), look(5, **good, note=note)]
        for name, cells in said.items()
        for note in ("tested live", "VOID - entered in error")
    }
    assert urgent_among(cases) == {f"{name}: VOID - entered in error" for name in said}


HEARD = (
    "polarity still reversed", "jumper still fitted", "tester shows reversed", "done next door",
    "neutral 118 V to ground", "refused entry", "Gehäuse unter Spannung", "no one home",
    "120V measured on the cover plate after repair", "left the jumper", "problem persists",
    "hot and neutral still swapped", "left disconnected",
)  # fmt: skip
WELL = (
    "breaker off during work, re-energised, tested ok", "circuit de-energised during work",
    "tenant had reported a shock; repaired and tested", "no more tingle", "no jumper found",
)  # fmt: skip
WITHOUT_WORK = (*AGAINST[:11], *ORDINARY[:4])
NOTES = (*WITHOUT_WORK, *HEARD, *WELL)
PAPER = (
    "building_id,unit_id,report_kind,reference,reported_on,status,description\n"
    "A1,1,complaint,C-1,2024-05-20,open,shock from the outlet\n"
    "A2,1,complaint,C-2,2024-05-20,open,shock from the outlet\n"
    "A3,1,complaint,C-3,2024-05-20,open,shock from the outlet\n"
    "A4,1,complaint,C-4,2024-05-20,open,shock from the outlet\n"
)
VOLTS = {"hot_neutral_volts": 119, "case_earth_volts": 0.4, "ground_contact_earth_volts": 0.3}


@pytest.mark.slow
def test_from_the_export_to_list_and_ledger(tmp_path):
    place = Workspace(tmp_path / "w")
    at = ("--workspace", place.root)
    names = [f"B{n}" for n, _ in enumerate(NOTES)] + [f"C{n}" for n, _ in enumerate(WITHOUT_WORK)]
    said = NOTES + WITHOUT_WORK
    live = [look(building=name, slots="three_slot", **LIVE) for name in names]
    heard_of = [look(building=name) for name in ("A1", "A2", "A3", "A4")]
    take_in(place, tmp_path, "found.csv", [*live, *heard_of])
    (tmp_path / "papers.csv").write_text(PAPER)
    assert run("intake", tmp_path / "papers.csv", *at).code == 0
    for words in (("build",), ("findings", "sync")):
        assert run(*words, *at).code == 0
    # Work is reported in buildings B; in the others nothing but the look came after.
    fixes = [
        {"building_id": name, "unit_id": "1", "opening_id": "1", "family": "false_ground",
         "remedy": "grounding_conductor_added", "fixed_on": "2024-06-01", **MENDER}
        for name in names if name.startswith("B")
    ]  # fmt: skip
    assert run("intake", export(tmp_path, "fixes.csv", fixes), *at).code == 0
    after = {"slots": "three_slot", **PROOF}
    rows = [look(40, building=b, **after, note=note) for b, note in zip(names, said, strict=True)]
    rows += [look(40, building="A1", **after, **VOLTS, note=AGAINST[4])]
    rows += [look(40, building="A2", **after, **VOLTS, note=ORDINARY[2])]
    # a sound box says nothing of a ground wire that is live from further up
    rows += [look(40, building="A3", **after)]
    rows += [look(40, building="A4", **{**after, "slots": "two_slot"})]
    take_in(place, tmp_path, "after.csv", rows)
    for words in (("build",), ("findings", "sync"), ("build",)):
        assert run(*words, *at).code == 0
    urgent = {row["building_id"] for row in run("urgent", *at, "--json").json()}
    stands = [note in AGAINST + HEARD for note in said]
    assert urgent & set(names) == {b for b, holds in zip(names, stands, strict=True) if holds}
    listed = run("findings", "list", "--all", *at, "--json").json()
    states = {r["building_id"]: r["state"] for r in listed if r["family"] == "false_ground"}
    for name, holds in zip(names, stands, strict=True):
        if name.startswith("B"):
            assert states[name] == ("fix_reported_unproven" if holds else "repair_proven"), name
    answered = {r["building_id"]: r["answered_on"] for r in run("reports", *at, "--json").json()}
    assert answered["A1"] is None and answered["A2"]
    assert answered["A3"] is None and answered["A4"]


@pytest.mark.parametrize("note", ["GFCI dead, does not trip", "gfci removed, plain receptacle"])
@pytest.mark.parametrize("result", ["open_ground", "correct", "no_power"])
def test_intake_warns_of_a_dead_gfci_that_only_a_note_tells(tmp_path, note, result):
    rows = [look(result=result, note=note), look(opening="2", note="GFCI trips on test button")]
    done = run("intake", export(tmp_path, "a.csv", rows), "--workspace", tmp_path / "w")
    assert done.code == 3 and note in done.out + done.err
