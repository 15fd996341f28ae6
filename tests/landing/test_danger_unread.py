"""Whatever speaks of danger, or says that nothing was tested, is asked about or told wherever it
stands: in columns, cells, names, notes, lines and sheets that nothing reads."""

from __future__ import annotations

import io

import openpyxl
import pytest

from pipeline.landing.contradictions import LOUD
from pipeline.landing.row_kinds import speaks_of_danger, speaks_of_danger_sql
from pipeline.offline import connect
from tests.cli.running import run
from tests.landing.landed import query

HEADER = "Building,Unit,Outlet,Date Tested,Method,Result"
BESIDE = "2024-03-14,three lamp tester,correct"


def export(extra, *values):
    rows = [f"B1,1A,K{n},{BESIDE},{value}" for n, value in enumerate(values)]
    return "\n".join([f"{HEADER},{extra}", *rows]) + "\n"


def landed(workspace, inbox, content, *settings, name="looks.csv"):
    """Take a file in by the command; what it returns, says, and took in."""
    path = inbox / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    answers = [word for text in settings for word in ("--set", text)]
    outcome = run("intake", path, *answers, "--workspace", workspace.root)
    return outcome.code, " ".join(f"{outcome.out} {outcome.err}".split())


@pytest.mark.slow
@pytest.mark.parametrize(
    ("extra", "values"),
    [
        *[(name, ("118", "0.2", "0.3")) for name in ("N-G", "N/G", "NG", "N→G", "Reading 2")],
        *[(name, ("0.1", "120", "121")) for name in ("H-G", "L-E")],
        ("L-N", ("87", "120", "121")),
        ("Z", ("999", "0.2", "0.3")),
        ("Re", (">200", "0.2", "0.3")),
        ("R1+R2", ("OL", "0.2", "0.3")),
        ("VD%", ("15", "3", "3")),
        ("Temp", ("88 C", "21", "22")),
        ("IR temp", ("188", "72", "71")),
        ("Loop", ("0.2", "0.3", "0.2")),
        ("Insulation resistance", ("200", "300", "0.01")),
        ("Ground electrode resistance", ("12", "25", "12")),
        *[(name, ("N", "Y", "Y")) for name in ("GND", "Ground", "Ground verified")],
        *[(name, ("yes", "no", "no")) for name in ("Missing EGC", "Swapped", "Cover missing")],
        *[(name, ("Y", "", "")) for name in ("Loose", "Hot", "Flag", "GFCI missing", "Marks")],
        ("PE", ("fehlt", "ok", "ok")),
        ("Lights", ("amber only", "amber+amber", "amber+amber")),
        ("Severity", ("high", "none", "none")),
        ("Priority", ("URGENT", "", "")),
        ("Action", ("REPLACE", "", "")),
        ("Follow up", ("call electrician today", "", "")),
        ("Extra", ("child got a jolt here", "", "")),
        ("Seen", ("cover missing; live parts exposed", "", "")),
    ],
)
def test_an_unread_column_that_may_tell_of_an_opening_is_asked_about(
    workspace, inbox, extra, values
):
    code, said = landed(workspace, inbox, export(extra, *values))
    assert code == 2 and f"{extra!r}" in said and f"ignore={extra}" in said
    code, _ = landed(workspace, inbox, export(extra, *values), f"ignore={extra}")
    assert code == 0


def test_readings_between_the_three_wires_are_asked_about_each(workspace, inbox):
    content = export("H-N,H-G,N-G", "120,0.3,119", "121,120,0.2")
    code, said = landed(workspace, inbox, content)
    assert code == 2 and "hot_neutral_volts=H-N" in said and "neutral_ground_volts=N-G" in said
    answers = ("hot_neutral_volts=H-N", "neutral_ground_volts=N-G", "ignore=H-G")
    code, said = landed(workspace, inbox, content, *answers)
    assert code == 3 and "no sound ground gives" in said


def test_columns_whose_names_are_harmless_are_not_asked_about(workspace, inbox):
    extra = "Record ID,Page,Photo no,Phone,E-mail,Price,GPS,Floor,Printed"
    rows = [f"{n},{n},P{n},555-01{n},a@x,12.5,4{n}.1,{n},2024-03-1{n}" for n in (1, 2, 3)]
    code, _ = landed(workspace, inbox, export(extra, *rows))
    assert code == 0


@pytest.mark.slow
@pytest.mark.parametrize(
    ("extra", "says", "not_so"),
    [
        *[(name, "N", "Y") for name in ("Tested?", "Power on", "Completed")],
        *[(name, "no", "yes") for name in ("Test performed", "Accessible", "Exists")],
        *[(name, "x", "") for name in ("Not tested", "No access", "Skipped")],
        *[(name, "yes", "no") for name in ("Retest needed", "Estimated", "Sample data")],
        ("Access", "refused", "granted"),
        ("Confidence", "guess", "sure"),
        ("Entry", "training", "real"),
        ("Phase", "planned", "made"),
    ],
)
def test_a_column_that_says_that_nothing_was_tested_is_asked_about(
    workspace, inbox, extra, says, not_so
):
    code, said = landed(workspace, inbox, export(extra, says, not_so))
    assert code == 2 and "nothing was tested" in said and f"ignore={extra}" in said


@pytest.mark.slow
@pytest.mark.parametrize(
    "note",
    ["not tested", "did not test", "assumed ok", "copied from last year",
     "could not reach, assumed fine"],
)  # fmt: skip
def test_a_pass_beside_a_note_that_nothing_was_tested_is_told(workspace, inbox, note):
    code, said = landed(workspace, inbox, export("Notes", f'"{note}"', "by the door"))
    assert code == 3 and "words that nothing was tested" in said
    beside = (
        f"{HEADER},Notes\nB1,1A,K1,2024-03-14,three lamp tester,not tested,{note.split(',')[0]}\n"
    )
    code, said = landed(workspace, inbox, beside, name="other.csv")
    assert "words that nothing was tested" not in said


@pytest.mark.slow
@pytest.mark.parametrize(
    ("above", "below"),
    [
        ("outlets K1-K4 were NOT tested - results copied from 2019", ""),
        ("DRAFT - NOT FINAL", ""),
        ("Tester: lamps defective - discard", ""),
        ("", "* K1 child got a jolt here"),
        ("", "K1: live plate"),
    ],
)
def test_lines_about_a_table_that_must_be_read_are_marked(workspace, inbox, above, below):
    table = export("Notes", "", "")
    code, said = landed(workspace, inbox, f"{above}\n{table}" if above else f"{table}{below}\n")
    assert code == 2 or (code == 3 and "READ IT" in said)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["Planned", "Template - EXAMPLE", "Draft 2"])
def test_a_sheet_whose_name_says_that_it_does_not_count_is_told(workspace, inbox, name):
    book = openpyxl.Workbook()
    for number, sheet in enumerate((book.active, book.create_sheet("Looks"))):
        sheet.append(HEADER.split(","))
        sheet.append(["B1", "1A", f"K{number}", *BESIDE.split(",")])
    book.active.title = name
    out = io.BytesIO()
    book.save(out)
    code, said = landed(workspace, inbox, out.getvalue(), name="a.xlsx")
    assert code == 2 or f"called {name!r}" in said
    answered = "ignore=name of the sheet"
    code, said = landed(workspace, inbox, out.getvalue(), answered, name="a.xlsx")
    assert code == 3 and f"called {name!r}" in said


@pytest.mark.slow
def test_words_of_danger_are_the_same_in_both_ways_to_ask():
    con = connect()
    for text in DANGERS + HARMLESS:
        ((by_sql,),) = con.execute(
            f"SELECT {speaks_of_danger_sql('t')} FROM (SELECT ? AS t)", [text]
        ).fetchall()
        assert by_sql == speaks_of_danger(text) == (text in DANGERS), text


DANGERS = [
    "child got a jolt here", "receptacle hot", "cover missing; live parts exposed", "crackling",
    "smoking", "jumper between neutral and ground", "kein Schutzleiter", "toma quemada",
    "prise brûlée", "cables pelados", "the ground is not connected", "no hay tierra",
    "someone bonded neutral to ground", "brown marks around slots", "GFCI would not trip",
    "reads 60 volts ground to neutral", "Nulleiter gebrückt", "it bites", "melted plug",
]  # fmt: skip
HARMLESS = [
    "120 V hot to ground", "light switch by door", "hot water heater", "kitchen counter",
    "no smoking area", "no burn marks", "no sign of arcing", "neutral and ground separate",
    "grounded through conduit", "no shock felt", "brown receptacle", "black cover", "3.2 V N-G",
]  # fmt: skip


@pytest.mark.slow
def test_danger_in_a_column_that_was_to_be_ignored_is_told(workspace, inbox):
    file = "{}_load.csv".format
    code, _ = landed(workspace, inbox, export("Demand", "3", "4"), "ignore=Demand", name=file(1))
    assert code == 0
    code, _ = landed(workspace, inbox, export("Demand", "5", "4"), name=file(2))
    assert code == 0
    danger = export("Demand", "plate is live", "4")
    code, said = landed(workspace, inbox, danger, name=file(3))
    assert code == 3 and "plate is live" in said and "ignore=Demand" in said
    more = export("Demand", "plate is live", "7")
    code, said = landed(workspace, inbox, more, "ignore=Demand", name=file(4))
    assert code == 0
    # it was there when it was answered
    code, said = landed(workspace, inbox, export("Demand", "plate is live", "8"), name=file(5))
    assert code == 0, said


@pytest.mark.slow
@pytest.mark.parametrize(
    ("column", "cell"),
    [("GFCI", "no - plate is live"), ("Load amps", "plate is live"), ("Slots", "3 (no ground)"),
     ("Scorch", "?")],
)  # fmt: skip
def test_a_pass_beside_an_unread_cell_with_words_of_danger_is_set_aside(
    workspace, inbox, column, cell
):
    fine = {"GFCI": "yes", "Load amps": "12", "Slots": "3", "Scorch": "no"}[column]
    code, _ = landed(workspace, inbox, export(column, cell, *[fine] * 8))
    assert code == 3
    (found,) = query(workspace, "SELECT level, reasons FROM quarantine")
    assert found[0] == "row" and found[1][0]["found"] == cell
    if cell != "?":
        assert "words of danger" in found[1][0]["expected"]
    count = "SELECT count(*), min(opening_id) FROM opening_observations_valid"
    assert query(workspace, count) == [(8, "K1")]


def test_other_cells_that_cannot_be_read_are_only_left_blank(workspace, inbox):
    landed(workspace, inbox, export("Load amps", "a lot", "12", "12", "12"))
    assert query(workspace, "SELECT level FROM quarantine") == [("cell",)]


@pytest.mark.slow
@pytest.mark.parametrize(
    "row",
    ["B1,1A,K1 (scorched),4,Orme", "B1,1A,K1,4 sparks,Orme", "B1,1A shock,K1,4,Orme",
     "B1,1A,K1,4,Orme NOT TESTED shock"],
)  # fmt: skip
def test_danger_in_identifiers_and_persons_is_told(workspace, inbox, row):
    header = "Building,Unit,Outlet,Circuit,Inspector,Date Tested,Method,Result"
    code, said = landed(workspace, inbox, f"{header}\n{row},{BESIDE}\nB1,1A,K2,4,Orme,{BESIDE}\n")
    assert code == 3 and "identifiers or persons hold words of danger" in said


def test_the_findings_that_are_told_end_an_intake_with_three():
    assert {"danger_ignored", "danger_in_names", "untested_by_note", "sheet_may_not_count"} <= LOUD
