"""The note of a repair's report: danger in it is told, and what it takes back is no repair."""

from __future__ import annotations

import html
import re

import pandas as pd
import pytest
from notes_heard import REPAIRED, notes
from screens_shown import plate, screen_of, sound
from urgent_rows import COVER, MENDER, PROOF, look

from pipeline.landing import Workspace, own_notes
from pipeline.landing.row_kinds import find_dangerous
from pipeline.offline import connect
from tests.cli.running import run

FOUND = {
    "method": COVER, "result": "false_ground", "cover_removed": "yes",
    "neutral_ground_jumper": "yes", "polarity": "correct", "slots": "three_slot",
}  # fmt: skip
SHOCK = "tenant still gets a shock from the stove"
LIVE = "not done, tenant refused entry; metal case live 115 V"
REPORTS = {
    "1": {"note": SHOCK},
    "2": {"note": LIVE},
    "3": {"note": "bootleg removed, replaced the burnt receptacle; breaker off while at work"},
    "4": {"note": "not finished"},
    "5": {"remedy": "nonsense", "note": "plate is hot"},
    "6": {"firm": "Zap Wiring", "permit": "ARC-12", "attachments": "before/burnt_plate.jpg"},
}
BESIDE = {
    "7": {"invoice": SHOCK}, "8": {"attachments": f"a.jpg; {SHOCK}"}, "9": {"permit": SHOCK},
    "10": {"licence": SHOCK}, "11": {"firm": SHOCK}, "12": {"worker": SHOCK},
    "13": {"remedy": f"grounding_conductor_added - {SHOCK}"},
}  # fmt: skip
UNDONE = (
    "polarity still reversed", "hot and neutral still swapped", "could not remove jumper",
    "jumper still fitted", "lamp tester still shows open ground", "no ground found",
    "GFCI won't reset", "access denied", "wrong unit",
)  # fmt: skip
DANGEROUS = ((2, SHOCK), (3, LIVE), (6, "plate is hot"))
TOLD = "3 reports of repairs speak of danger and are in no list of what is urgent:"


def report(opening, **cells):
    done = {"building_id": "H", "unit_id": "1", "opening_id": opening, "fixed_on": "2024-05-11"}
    return done | {"remedy": "grounding_conductor_added"} | MENDER | cells


def written(folder, name, rows):
    pd.DataFrame(list(rows)).to_csv(folder / name, index=False)
    return folder / name


def built(at):
    for words in (("build",), ("findings", "sync")):
        assert run(*words, *at).code == 0


@pytest.fixture(scope="module")
def noted(tmp_path_factory):
    """Defects, reports of their repair, and looks after it that nothing is wrong with."""
    folder = tmp_path_factory.mktemp("noted")
    at = ("--workspace", folder / "w")
    found = written(folder, "found.csv", (look(0, each, **FOUND) for each in REPORTS))
    assert run("intake", found, *at).code == 0
    built(at)
    done = written(folder, "done.csv", (report(n, **cells) for n, cells in REPORTS.items()))
    trying = run("intake", done, "--try", *at)
    taken = run("intake", done, *at)
    seen = PROOF | {"slots": "three_slot"}
    after = written(folder, "after.csv", (look(20, each, **seen) for each in REPORTS))
    assert run("intake", after, *at).code == 0
    built(at)
    return at, trying, taken


def tells(text):
    flat = " ".join(text.replace("</p>", " ").split())
    rows = (f'done.csv row {row}: note "{note}"' for row, note in DANGEROUS)
    return TOLD in flat and all(each in flat for each in rows) and "bootleg" not in flat


@pytest.mark.slow
def test_danger_in_the_note_is_told_wherever_what_is_urgent_is(noted, tmp_path):
    at, trying, taken = noted
    for result in (trying, taken):
        assert result.code == 3 and tells(result.err), result
    assert "set aside, whole" not in taken.err
    assert tells(run("urgent", *at).out) and tells(run("quarantine", "list", *at).out)
    digest = run("findings", "digest", *at).out
    assert tells(digest) and "Nothing urgent is open." not in digest
    page = tmp_path / "week.html"
    assert run("findings", "digest", page, *at).code == 0
    assert TOLD in page.read_text("utf-8")


@pytest.mark.slow
def test_where_next_shows_it(noted, monkeypatch):
    (_, place), *_ = noted
    app = screen_of(monkeypatch, Workspace(place), "where_next")
    sound(app)
    shown = plate(app, "danger-aside")
    assert "<h3>▲ 3 reports of repairs" in shown and shown.count("<ul>") == 1
    assert tells(html.unescape(re.sub("</?(section|h3|ul|li|p)[^>]*>", " ", shown)))


@pytest.mark.slow
def test_no_repair_is_proven_against_the_note_of_its_report(noted):
    at, _, taken = noted
    rows = run("findings", "list", "--all", "--json", *at).json()
    proven = {row["opening_id"] for row in rows if row["state"] == "repair_proven"}
    assert proven == {"3", "6"}
    waiting = run("quarantine", "list", "--json", *at).json()
    assert {(row["row"], row["reasons"][0]["column"]) for row in waiting} == {
        (2, "note"), (3, "note"), (5, "note"), (6, "remedy"),
    }  # fmt: skip
    assert "says that it was not done" in taken.out and "speaks of danger" in taken.out


@pytest.mark.slow
def test_it_is_told_no_more_once_the_report_is_corrected(tmp_path):
    at = ("--workspace", tmp_path / "w")
    assert run("intake", written(tmp_path, "found.csv", [look(0, **FOUND)]), *at).code == 0
    built(at)
    done = written(tmp_path, "done.csv", [report("1", note=SHOCK)])
    assert run("intake", done, *at).code == 3
    rows = tmp_path / "rows.csv"
    assert run("quarantine", "export", rows, *at).code == 0
    rows.write_text(rows.read_text("utf-8-sig").replace(SHOCK, "checked again"), "utf-8")
    assert run("intake", rows, *at).code == 0
    built(at)
    assert "of danger" not in run("urgent", *at).out
    found = run("findings", "list", "--json", *at).json()
    (row,) = (each for each in found if each["opening_id"])
    assert row["state"] == "fix_reported_unproven"
    said = ("--remedy", "grounding_conductor_added", "--on", "2024-05-12", "--firm", "Oddy Wiring")
    byhand = run("fix", "report", row["finding_id"], *said, "--note", SHOCK, *at)
    assert byhand.code == 2 and "speaks of danger" in byhand.err and SHOCK in byhand.err


@pytest.mark.slow
def test_no_column_of_a_report_hides_danger_and_no_work_undone_counts(tmp_path):
    at = ("--workspace", tmp_path / "w")
    left = ("120V measured on the cover plate after repair", "Mieter bekommt noch einen Schlag",
            "neutral 118 V to ground")  # fmt: skip
    cells = BESIDE | {f"L{n}": {"note": note} for n, note in enumerate(left)}
    cells |= {f"U{n}": {"note": note} for n, note in enumerate(UNDONE)}
    cells |= {f"W{n}": {"note": note} for n, note in enumerate(notes(REPAIRED))}
    found = written(tmp_path, "found.csv", (look(0, each, **FOUND) for each in cells))
    assert run("intake", found, *at).code == 0
    built(at)
    done = written(tmp_path, "done.csv", (report(n, **each) for n, each in cells.items()))
    taken = run("intake", done, *at)
    assert taken.code == 3
    # a dead GFCI is a danger too
    (head,) = (line for line in taken.err.splitlines() if "reports of repairs speak" in line)
    assert f"{len(BESIDE) + len(left) + 1} reports" in head
    listed = run("urgent", *at, "--json").json()
    assert not listed
    waiting = run("quarantine", "list", "--json", *at).json()
    names = list(cells)
    why = {names[row["row"] - 2]: row["reasons"][0]["column"] for row in waiting}
    told = {opening: next(iter(each)) for opening, each in BESIDE.items()}
    assert {k: v for k, v in why.items() if k in BESIDE} == told
    assert why == told | {k: "note" for k in names if k[0] in "LU"}
    built(at)
    rows = run("findings", "list", "--all", "--json", *at).json()
    reported = {r["opening_id"] for r in rows if r["state"] == "fix_reported_unproven"}
    assert reported == {name for name in names if name.startswith("W")}
    (row,) = (r for r in rows if r["opening_id"] == "7" and r["family"] == "false_ground")
    said = ("--remedy", "grounding_conductor_added", "--on", "2024-05-12", "--firm", "Oddy Wiring")
    byhand = run("fix", "report", row["finding_id"], *said, "--worker", SHOCK, *at)
    assert byhand.code == 2 and "the worker of the report speaks of danger" in byhand.err


NOTES = {
    "bootleg removed, equipment ground run": "",
    "reversed polarity corrected": "",
    "replaced burnt and scorched receptacle": "",
    "old cable had no ground, new one run; tested live": "",
    "power off during work, no shock since": "",
    "left in good order": "",
    "left the bootleg in": "done",
    "jumper still in place": "done",
    "half done, rest next week": "done",
    "nobody home": "done",
    "temporary repair": "done",
    "replaced plate; metal case is live": "danger",
    "reversed polarity bootleg, plate is hot": "danger",
    "scorch marks round the outlet": "danger",
    "120 V from plate to ground": "danger",
}


def test_notes_name_what_was_put_right_and_are_read_alike_one_by_one_and_as_sql():
    for note, said in NOTES.items():
        told = own_notes.report_speaks_against(note)
        assert said in told and bool(said) == bool(told), note
    con = connect()
    con.execute("CREATE TABLE n AS SELECT unnest(?::VARCHAR[]) AS note", [list(NOTES)])
    find_dangerous(con, f"SELECT {own_notes.left_of_report('note')} AS t FROM n")
    query = f"SELECT note FROM n WHERE {own_notes.left_of_report('note')} IN (FROM dangerous_texts)"
    dangerous = {note for (note,) in con.execute(query).fetchall()}
    assert dangerous == {note for note, said in NOTES.items() if said == "danger"}
