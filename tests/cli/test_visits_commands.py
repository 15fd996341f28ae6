"""Visits by commands, from the exports to what became of the visit."""

import datetime as dt
import json
import shutil

import pytest

from pipeline.ledger import open_ledger
from pipeline.ledger import visits as of_visits
from pipeline.ledger.events import Dismissed
from shared.vocabulary import CAUTIONS
from tests.cli.running import run

HEADER = (
    "building_id,unit_id,room,opening_id,observed_on,inspector,method,selection,slots,result,"
    "neutral_ground_jumper,polarity,cover_removed\n"
)
FALSE_GROUND = (
    "2025-02-01,Ada,cover_off_inspection,survey,three_slot,false_ground,yes,correct,yes\n"
)
LIVE = (
    "2025-02-01,Ada,cover_off_inspection,survey,three_slot,reversed_false_ground,yes,reversed,yes\n"
)
OPENINGS = 40


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    """Two dwellings: forty false grounds in one (the last with live metal), two in the other."""
    folder = tmp_path_factory.mktemp("visits")
    rows = [f"B1,2A,room {n % 6},K{n:02d},{FALSE_GROUND}" for n in range(1, OPENINGS)]
    rows += [f"B1,2A,hall,K{OPENINGS},{LIVE}"]
    rows += [f"B1,3B,hall,H{n},{FALSE_GROUND}" for n in (1, 2)]
    (folder / "looks.csv").write_text(HEADER + "".join(rows), encoding="utf-8")
    register = "building_id,name,address,year_built,dwelling_units,receptacle_count\n"
    (folder / "register.csv").write_text(
        register + "B1,Heronsend House,4 Heronsend,1931,2,60\nB2,Lodge,5 Row,1952,1,9\n",
        encoding="utf-8",
    )
    place = folder / "workspace"
    taken = run("intake", folder / "looks.csv", folder / "register.csv", "--workspace", place)
    assert taken.code in (0, 3), taken.err
    assert run("build", "--workspace", place).code == 0
    assert run("findings", "sync", "--workspace", place).code == 0
    return place


@pytest.fixture
def place(built, tmp_path, monkeypatch):
    """A copy of it that a test may change; commands name no workspace."""
    copy = tmp_path / "own"
    shutil.copytree(built, copy)
    monkeypatch.setenv("COVERPLATE_WORKSPACE", str(copy))
    return copy


def planned(*more):
    (row,) = run(
        *("visits", "plan", "--unit", "B1/2A", "--on", "2031-04-01", "--person", "A. Oddy"),
        *("--firm", "Pellworth Electric", *more, "--json"),
    ).json()
    return row


@pytest.mark.slow
def test_from_the_exports_to_a_visit_that_was_made(place, tmp_path):
    of_dwelling = [
        row for row in run("findings", "list", "--building", "B1", "--json").json()
        if row["unit_id"] == "2A"
    ]  # fmt: skip
    assert len(of_dwelling) >= OPENINGS
    hours = ("--start", "09:00", "--end", "12:00")
    row = planned("--note", "key at the porter", *hours)
    visit_id = row["visit_id"]
    assert (visit_id, row["findings"]) == ("V-B1-2A-20310401-1", len(of_dwelling))
    assert set(row["finding_ids"]) == {each["finding_id"] for each in of_dwelling}
    (listed,) = run("visits", "list", "--without-notice", "--json").json()
    assert (listed["open"], listed["proven"], listed["noticed"]) == (len(of_dwelling), 0, 0)
    assert (listed["starts"], listed["ends"]) == ("09:00", "12:00")
    assert "1 Apr 2031, 09:00 to" in run("visits", "list").out
    # one command for all of them
    assert run("visits", "notice", visit_id, "--given-on", "2025-03-25").code == 0
    assert run("visits", "list", "--without-notice", "--json").json() == []
    sheet = tmp_path / "sheet.html"
    told = run("visits", "sheet", visit_id, "-o", sheet)
    assert told.code == 0 and CAUTIONS[0] in told.out
    text = sheet.read_text(encoding="utf-8")
    for each in of_dwelling:
        assert f"{each['finding_id']}@" in text
        assert f"<b>{each['opening_id']}</b>" in text
    assert "Heronsend House, 4 Heronsend, building B1, unit 2A" in text
    assert ", room 3<br>" in text and all(caution.split(",")[0] in text for caution in CAUTIONS)
    urgent = text.index('<span class="mark">URGENT</span>')
    assert text.index("<b>K40</b>") < urgent < text.index("<b>K01</b>")
    (shown,) = run("visits", "show", visit_id, "--json").json()
    assert [r["urgent"] for r in shown["rows"]] == sorted(
        (r["urgent"] for r in shown["rows"]), reverse=True
    )
    assert "three_lamp_tester" not in shown["rows"][0]["proof_methods"]
    assert "URGENT" in run("visits", "show", visit_id).out
    letter = tmp_path / "letter.html"
    assert run("visits", "letter", visit_id, "-o", letter).code == 0
    assert "09:00 to 12:00" in letter.read_text(encoding="utf-8")
    calendar = tmp_path / "visits.ics"
    assert run("visits", "calendar", "-o", calendar, "--from", "2031-04-01").code == 0
    assert b"\r\nDTSTART:20310401T090000\r\nDTEND:20310401T120000\r\n" in calendar.read_bytes()
    made = run("visits", "made", visit_id, "--on", "2025-04-02", "--went", "B. Oddy")
    assert made.code == 0 and "Nothing is repaired or proven by this" in made.err
    (listed,) = run("visits", "list", "--json").json()
    assert (listed["standing"], listed["made_on"], listed["went"]) == (
        "made", "2025-04-02", "B. Oddy",
    )  # fmt: skip
    assert listed["open"] == len(of_dwelling), "going there repairs nothing"
    assert run("ledger", "verify").code == 0
    kinds = [
        event["payload"]["kind"]
        for event in run("findings", "show", of_dwelling[0]["finding_id"], "--json").json()
    ]
    assert kinds == ["raised", "visit_planned", "notice_given", "visit_made"]
    history = run("findings", "show", of_dwelling[0]["finding_id"]).out
    assert "visit planned" in history and "visit made" in history


@pytest.mark.slow
def test_a_repair_reported_and_proven_shows_in_the_visit(place):
    row = planned()
    finding = next(
        each["finding_id"] for each in run("visits", "show", row["visit_id"], "--json").json()[0]
        ["rows"] if each["opening_id"] == "K01" and each["condition"] == "false_ground"
    )  # fmt: skip
    fixed = ("--firm", "Pellworth", "--on", "2025-03-20", "--worker", "A. Oddy")
    report = run("fix", "report", finding, "--remedy", "grounding_conductor_added", *fixed)
    assert report.code == 0
    (now,) = run("visits", "list", "--json").json()
    assert (now["open"], now["reported"], now["proven"]) == (row["findings"] - 1, 1, 0)
    lamps = ("--method", "three_lamp_tester", "--result", "correct", "--on", "2025-03-25")
    assert run("fix", "verify", finding, *lamps).code == 2
    assert run("visits", "list", "--json").json()[0]["proven"] == 0
    opened = ("--method", "cover_off_inspection", "--result", "correct", "--on", "2025-03-25")
    readings = ("--cover-removed", "yes", "--ground-present", "yes", "--polarity", "correct")
    readings += ("--neutral-ground-jumper", "no", "--ground-path-ohms", "0.4")
    proven = run("fix", "verify", finding, *opened, *readings, "--inspector", "Ida Lowe")
    assert proven.code == 0, proven.err
    (now,) = run("visits", "list", "--json").json()
    assert (now["reported"], now["proven"]) == (0, 1)


@pytest.mark.slow
def test_moved_and_called_off(place, tmp_path):
    visit_id = planned()["visit_id"]
    assert run("visits", "notice", visit_id, "--given-on", "2025-03-25").code == 0
    away = ("--reason", "tenant away")
    assert run("visits", "move", visit_id, "--on", "2031-04-08", *away).code == 0
    listed = run("visits", "list")
    assert "without notice" in listed.out and "moved 1 time" in listed.out
    assert "8 Apr 2031" in listed.out
    between = ("--from", "2031-04-02", "--to", "2031-04-08", "--json")
    assert len(run("visits", "list", *between).json()) == 1
    assert run("visits", "list", "--to", "2031-04-07", "--json").json() == []
    other = run(
        "visits", "notice", visit_id, "--given-on", "2025-03-25", "--entry-on", "2031-04-01"
    )
    assert other.code == 0 and "it has no notice of that day" in other.err
    assert run("visits", "call-off", visit_id, "--reason", "rewired by then").code == 0
    again = run("visits", "made", visit_id, "--on", "2025-04-02")
    assert again.code == 2 and "was called off (rewired by then)" in again.err
    assert "called off reason: rewired by then" in run("visits", "show", visit_id).out


def test_hours_that_overlap_are_told_on_planning_and_moving(place):
    plan = ("visits", "plan", "--on", "2031-04-01", "--person", "A. Oddy")
    first = run(*plan, "--unit", "B1/2A", "--start", "09:00", "--end", "12:00")
    assert first.code == 0 and "Warning" not in first.err
    other = (*plan[:-1], "A Oddy")
    second = run(*other, "--unit", "B1/3B", "--start", "11:00", "--end", "13:00")
    clash = "Warning: A Oddy is to be elsewhere at these hours: V-B1-2A-20310401-1."
    assert second.code == 0 and clash in second.err
    listed = run("visits", "list").out
    assert "hours: V-B1-3B-20310401-1" in listed and "hours: V-B1-2A-20310401-1" in listed
    move = ("visits", "move", "V-B1-3B-20310401-1", "--on", "2031-04-01", "--reason", "key later")
    moved = run(*move, "--start", "12:00", "--end", "13:00", "--json").json()
    assert moved[0]["clashes"] == [] and moved[0]["starts"] == "12:00"
    wrong = run(*move, "--start", "noon")
    assert wrong.code == 2 and "no time of day such as 09:30" in wrong.err
    assert run(*move, "--any-time", "--json").json()[0]["starts"] is None


@pytest.mark.slow
def test_refusals_are_in_words_and_write_nothing(place, tmp_path):
    every = run("findings", "list", "--json").json()
    where = {row["unit_id"]: row["finding_id"] for row in every}
    plan = ("visits", "plan", "--on", "2031-04-01", "--person", "A. Oddy")
    mixed = run(*plan, where["2A"], where["3B"])
    assert mixed.code == 2 and "2 dwellings" in mixed.err and "plan a visit for each" in mixed.err
    for wrong, said in (
        (("--unit", "B1"), "names no dwelling"),
        (("--unit", "B1/9Z"), "has no open finding"),
        (("--unit", "B1/2A", where["2A"]), "a dwelling too"),
        ((), "no finding is named"),
        ((f"{where['2A']}@9",), "has changed since"),
    ):
        refused = run(*plan, *wrong)
        assert refused.code == 2 and said in refused.err, wrong
    for year in (2020, 2126):
        day = ("--unit", "B1/2A", "--on", f"{year}-04-01", "--person", "A. Oddy")
        refused = run("visits", "plan", *day)
        assert refused.code == 2 and "check the year" in refused.err, refused.err
    assert run("visits", "list", "--json").json() == []
    assert run("visits", "show", "V-no-1-2").code == 2
    visit_id = planned()["visit_id"]
    for command, name in (("sheet", "x.txt"), ("letter", "x.pdf")):
        refused = run("visits", command, visit_id, "-o", tmp_path / name)
        assert refused.code == 2 and "does not end in .html" in refused.err
    assert not (tmp_path / "x.txt").exists()


def test_the_findings_can_come_from_a_list(place, tmp_path):
    ids = run("findings", "list", "--ids").out.split()
    of_other = {
        row["finding_id"] for row in run("findings", "list", "--json").json()
        if row["unit_id"] == "3B"
    }  # fmt: skip
    wanted = tmp_path / "wanted.txt"
    wanted.write_text("\n".join(each for each in ids if each.split("@")[0] in of_other))
    plan = ("visits", "plan", "--on", "2031-04-01", "--person", "A. Oddy")
    (row,) = run(*plan, "--from", wanted, "--json").json()
    assert set(row["finding_ids"]) == of_other and row["visit_id"] == "V-B1-3B-20310401-1"
    assert json.dumps(row)


def test_a_past_visit_is_told_until_it_is_noted(place):
    ledger = open_ledger(workspace=place)
    ids = of_visits.open_findings_of(ledger, "B1", "3B")
    past = dt.date.today() - dt.timedelta(5)
    act = {"who": "R. Ostrander", "origin": "cli"}
    written = of_visits.plan_visit(ledger, ids, on=past, person="A. Oddy", **act)
    ledger.append(ids[0][0], Dismissed(reason="torn down"), **act)
    ledger.close()
    (row,) = run("visits", "list", "--past", "--json").json()
    assert (row["not_repaired"], row["open"]) == (1, len(ids) - 1)
    assert "not noted as made" in run("visits", "list").out
    assert run("visits", "made", written[0].payload.visit_id).code == 0  # its own day and person
    assert run("visits", "list", "--past", "--json").json() == []
    (row,) = run("visits", "list", "--json").json()
    assert (row["made_on"], row["went"]) == (past.isoformat(), "A. Oddy")


@pytest.mark.parametrize("harm", ["lost", "altered"])
def test_check_tells_a_kept_file_that_is_no_more_what_it_was(place, tmp_path, harm):
    visit_id = planned()["visit_id"]
    photo = tmp_path / "box.jpg"
    photo.write_bytes(b"a picture")
    assert run("visits", "attach", visit_id, photo).code == 0
    assert "kept files" not in run("check").out
    (kept,) = (place / "attachments").iterdir()
    kept.unlink() if harm == "lost" else kept.write_bytes(b"another picture")
    told = run("check")
    assert told.code == 2 and f"its file 'box.jpg' is {harm}" in told.out
    assert run("ledger", "verify").code == 2
