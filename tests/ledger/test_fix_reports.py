"""A contractor's spreadsheet: every row ends once, nothing is lost, corrections count once."""

import csv

import pytest
from fix_files import KIND, counts, reported
from ledger_samples import DAY, WHO, fix, look, raised
from openpyxl import Workbook

from pipeline.landing import Workspace, export_quarantine, intake, list_quarantine
from pipeline.landing.answers import Answers
from pipeline.ledger import State, current
from pipeline.ledger.database import IMPORTED_ROWS
from pipeline.ledger.landed_fixes import left_from_before, refusals, take_up
from shared.faults import CoverplateError


@pytest.fixture
def place(tmp_path):
    return tmp_path / "workspace"


@pytest.fixture
def ids(ledger):
    events = ledger.raise_many([raised(f"K{n}") for n in range(4)], **WHO)
    return [event.finding_id for event in events]


SHEET = """Pellworth Electric;;;;;;
Work done in March;;;;;;
Building No;Apt;Outlet;What was done;Date fixed;Invoice amount;Labels
B1;2A;K0;ground wire added;17/03/2025;$ 1,420.50;
B1;2A;K1;GFCI upstream;18/03/2025;300;No Equipment Ground + GFCI protected
B1;2A;K2;replaced receptacle;18/03/2025;40;
B1;2A;K9;rewired circuit;18/03/2025;900;
B1;2A;K3;magic;someday;cheap;pink
"""
FIRM = "Pellworth Electric"
HEAD = "building_id,unit_id,opening_id,remedy,fixed_on,firm\n"


def sheet(tmp_path, text=SHEET, name="march.csv", encoding="utf-8"):
    path = tmp_path / name
    path.write_text(text, encoding=encoding)
    return path


def waiting(place, ledger):
    return [
        row
        for row in list_quarantine(Workspace(place), refused=refusals(Workspace(place), ledger))
        if row.record_kind is KIND
    ]


def columns(frame, *names):
    return frame[list(names)].to_dict(orient="records")


@pytest.mark.slow
def test_rows_are_reported_or_set_aside_with_every_reason(ledger, ids, place, tmp_path):
    path = sheet(tmp_path, encoding="cp1252")
    (report,) = reported(place, ledger, path, firm=FIRM)
    told = report.as_json()
    assert (told["rows_read"], *counts(report)) == (5, 2, 0, 3)
    fixes = current(ledger).dropna(subset=["remedy"]).sort_values("opening_id")
    assert columns(fixes, "opening_id", "remedy", "cost", "fixed_by", "state") == [
        {"opening_id": "K0", "remedy": "grounding_conductor_added", "cost": 1420.5,
         "fixed_by": "Pellworth Electric", "state": "fix_reported_unproven"},
        {"opening_id": "K1", "remedy": "gfci_upstream_marked", "cost": 300.0,
         "fixed_by": "Pellworth Electric", "state": "fix_reported_unproven"},
    ]  # fmt: skip
    reasons = {row["row"]: row["reasons"] for row in told["rows"]}
    assert [row.row for row in report.rows] == [4, 5, 6, 7, 8]
    assert "still false ground" in reasons[6][0]["expected"]
    assert reasons[7][0]["expected"] == "an opening with a finding that stands"
    assert {each["column"] for each in reasons[8]} == {"marking", "fixed_on", "cost"}
    assert [row.row for row in waiting(place, ledger)] == [6, 7, 8]
    assert {row.level for row in waiting(place, ledger)} == {"row", "rules"}
    event = ledger.history(ids[0])[-1]
    assert event.origin == "import"
    landed = event.payload.landed
    assert (landed.sha256, landed.sheet, landed.row) == (report.sha256, "", 4)
    assert not ledger.verify()


@pytest.mark.slow
def test_the_same_file_again_changes_nothing(ledger, ids, place, tmp_path):
    path = sheet(tmp_path)
    reported(place, ledger, path, firm=FIRM)
    heads = ledger.heads()
    (again,) = reported(place, ledger, path, firm=FIRM)
    assert counts(again) == (0, 2, 3)
    assert ledger.heads() == heads
    assert len(waiting(place, ledger)) == 3
    # the same rows in another file are the same reports
    (other,) = reported(place, ledger, sheet(tmp_path, SHEET + "\n", "again.csv"), firm=FIRM)
    assert counts(other)[0] == 0
    assert ledger.heads() == heads


def test_what_was_reported_by_hand_is_not_reported_again(ledger, ids, place, tmp_path):
    ledger.append(ids[0], fix(fixed_on=DAY, firm="Oddy", worker=None), **WHO)
    text = HEAD + f"B1,2A,K0,ground wire added,{DAY},Oddy\n"
    (report,) = reported(place, ledger, sheet(tmp_path, text))
    assert counts(report) == (0, 1, 0)
    assert report.rows[0].finding_id == ids[0]
    assert len(ledger.history(ids[0])) == 2


def test_a_report_of_a_repair_proven_since_is_not_held_against_a_recurrence(
    ledger, ids, place, tmp_path
):
    head = HEAD.replace("firm", "firm,worker")
    text = head + "B1,2A,K0,ground wire added,2025-03-13,Oddy,D. Orme\n"
    reported(place, ledger, sheet(tmp_path, text))
    ledger.record_look(ids[0], look(), **WHO)
    again = raised("K0", occurrence=2, recurs_of=ids[0], first_seen_on="2025-06-01")
    ledger.raise_finding(again, **WHO)
    heads = ledger.heads()
    taken = take_up(Workspace(place), ledger, who="office")
    assert taken.rows == ()
    assert ledger.heads() == heads
    assert waiting(place, ledger) == []


@pytest.mark.slow
def test_corrected_rows_count_once_and_leave_the_list(ledger, ids, place, tmp_path):
    out = tmp_path / "to_correct.csv"
    reported(place, ledger, sheet(tmp_path), firm=FIRM)
    refused = refusals(Workspace(place), ledger)
    (written,) = export_quarantine(Workspace(place), out, refused=refused, kind=KIND)
    assert written.rows == 3
    with out.open(encoding="utf-8-sig", newline="") as handle:
        rows = list(csv.DictReader(handle))
    assert rows[0]["What was done"] == "replaced receptacle"
    assert "still false ground" in rows[0]["coverplate_reasons"]
    rows[0]["What was done"] = "two prong again"
    rows[2] |= {"What was done": "rewired", "Date fixed": "19/03/2025"}
    rows[2] |= {"Invoice amount": "$ 90", "Labels": ""}
    with out.open("w", encoding="utf-8", newline="") as handle:
        writer = csv.DictWriter(handle, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    (report,) = reported(place, ledger, out)
    assert counts(report) == (2, 0, 1)
    assert [(row.path.rsplit("/", 1)[-1], row.row) for row in waiting(place, ledger)] == [
        ("march.csv", 7)
    ]
    assert ledger.finding(ids[2]).fix.remedy == "two_slot_again"
    assert ledger.finding(ids[2]).fix.landed.sha256 == report.sha256
    assert ledger.finding(ids[3]).fix.cost == 90
    # a row that was corrected once more goes by its last words
    last = tmp_path / "last.csv"
    refused = refusals(Workspace(place), ledger)
    export_quarantine(Workspace(place), last, refused=refused, kind=KIND)
    last.write_text(last.read_text(encoding="utf-8-sig").replace("K9", "K1"), encoding="utf-8")
    (report,) = reported(place, ledger, last)
    assert counts(report) == (1, 0, 0)
    assert waiting(place, ledger) == []
    assert not ledger.verify()


@pytest.mark.slow
def test_nothing_written_out_is_a_formula_and_it_reads_back_to_the_same(
    ledger, ids, place, tmp_path
):
    odd = {"=2+3": "=HYPERLINK(1)", "note": "-1+1|x", "licence": "'@x"}
    path = tmp_path / "=march.csv"
    with path.open("w", encoding="utf-8", newline="") as handle:
        rows = csv.writer(handle)
        rows.writerow(["building_id", "unit_id", "opening_id", "remedy", "fixed_on", *odd])
        rows.writerow(["B1", "2A", "K1", "magic", "2025-03-18", *odd.values()])
    reported(place, ledger, path, firm=FIRM)
    (before,) = waiting(place, ledger)
    out = tmp_path / "out.csv"
    refused = refusals(Workspace(place), ledger)
    export_quarantine(Workspace(place), out, refused=refused)
    with out.open(encoding="utf-8-sig", newline="") as handle:
        written = list(csv.reader(handle))
    assert not [cell for row in written for cell in row if cell[:1] in tuple("=+-@\t\r") and cell]
    reported(place, ledger, out)
    (again,) = waiting(place, ledger)
    assert again == before  # it says the same, and waits in its old place


def test_a_workbook_that_names_findings(ledger, ids, place, tmp_path):
    book = Workbook()
    rows = book.active
    rows.append(["Our reference", "Remedy", "Fixed", "Contractor", "Permit no"])
    rows.append([ids[0], "circuit rewired with an equipment grounding conductor", DAY, "Oddy", 17])
    rows.append(["F-unknown", "circuit_rewired", DAY, "Oddy", None])
    book.save(tmp_path / "report.xlsx")
    (report,) = reported(place, ledger, tmp_path / "report.xlsx")
    assert [row.outcome for row in report.rows] == ["reported", "refused"]
    said = ledger.finding(ids[0]).fix
    assert (said.firm, said.permit, said.fixed_on) == ("Oddy", "17", DAY)
    assert ledger.finding(ids[0]).state is State.FIX_REPORTED_UNPROVEN


def test_an_opening_with_two_defects_needs_the_family(ledger, ids, place, tmp_path):
    ledger.raise_finding(raised("K0", "hot_on_ground", "hot_on_ground"), **WHO)
    head = "building_id,unit_id,opening_id,family,remedy,fixed_on,firm\n"
    text = f"{head}B1,2A,K0,,circuit_rewired,2025-03-20,Oddy\n"
    (report,) = reported(place, ledger, sheet(tmp_path, text, "a.csv"))
    assert report.rows[0].reasons[0].column == "family"
    text = f"{head}B1,2A,K0,hot on ground,circuit_rewired,2025-03-20,Oddy\n"
    (report,) = reported(place, ledger, sheet(tmp_path, text, "b.csv"))
    assert report.rows[0].outcome == "reported"


def test_dates_that_can_be_read_two_ways_are_asked_about(ledger, ids, place, tmp_path):
    path = sheet(tmp_path, f"{HEAD}B1,2A,K0,circuit_rewired,04/05/2025,Oddy\n")
    with pytest.raises(CoverplateError, match="every date fits"):
        reported(place, ledger, path)
    (report,) = reported(place, ledger, path, date_order="mdy")
    assert ledger.finding(ids[0]).fix.fixed_on.isoformat() == "2025-04-05"
    assert counts(report) == (1, 0, 0)


@pytest.mark.slow
def test_a_row_that_is_read_another_way_later_is_told_until_the_ledger_says_the_same(
    ledger, ids, place, tmp_path
):
    path = sheet(tmp_path, f"{HEAD}B1,2A,K0,circuit_rewired,06/04/2025,Oddy\n")
    reported(place, ledger, path, date_order="mdy")
    (report,) = reported(place, ledger, path, date_order="dmy")
    (row,) = report.rows
    assert (row.outcome, row.finding_id) == ("refused", ids[0])
    assert (row.reasons[0].column, row.reasons[0].found) == ("fixed_on", "2025-04-06")
    assert "2025-06-04, as it was read" in row.reasons[0].expected
    assert ledger.finding(ids[0]).fix.fixed_on.isoformat() == "2025-06-04"
    assert len(waiting(place, ledger)) == 1
    right = fix("circuit_rewired", fixed_on=row.reasons[0].found, firm="Oddy", worker=None)
    ledger.append(ids[0], right.model_copy(update={"cost": None}), **WHO)
    assert waiting(place, ledger) == []


def test_a_file_without_the_columns_is_refused(ledger, place, tmp_path):
    with pytest.raises(CoverplateError, match="the columns are not known"):
        reported(place, ledger, sheet(tmp_path, "a,b\n1,2\n3,4\n"))


def test_a_row_that_names_neither_finding_nor_opening_is_set_aside(ledger, ids, place, tmp_path):
    text = f"finding_id,{HEAD},,,,circuit_rewired,2025-03-20,Oddy\n"
    text += f"{ids[0]},,,,circuit_rewired,2025-03-20,Oddy\n"
    (report,) = reported(place, ledger, sheet(tmp_path, text))
    assert counts(report) == (1, 0, 1)
    (reason,) = report.rows[0].reasons
    assert reason.expected == "a value: finding_id, or building_id and opening_id"


def test_a_report_waits_until_its_finding_is_raised(ledger, place, tmp_path):
    path = sheet(tmp_path, f"{HEAD}B1,2A,K0,circuit_rewired,2025-03-20,Oddy\n")
    (report,) = reported(place, ledger, path)
    assert counts(report) == (0, 0, 1)
    finding = ledger.raise_finding(raised("K0"), **WHO).finding_id
    taken = take_up(Workspace(place), ledger, who="office")
    assert [row.outcome for row in taken.rows] == ["reported"]
    assert ledger.finding(finding).state is State.FIX_REPORTED_UNPROVEN
    assert waiting(place, ledger) == []


@pytest.mark.slow
def test_finding_out_what_would_be_refused_writes_nothing(ledger, ids, place, tmp_path):
    intake(Workspace(place), [sheet(tmp_path)], answers=Answers(kind=KIND, constants={"firm": "O"}))
    heads = ledger.heads()
    assert len(refusals(Workspace(place), ledger)) == 2
    assert ledger.heads() == heads
    dry = take_up(Workspace(place), ledger, who="office", dry=True)
    assert (dry.count("reported"), dry.count("refused")) == (2, 2)
    assert ledger.heads() == heads


@pytest.mark.slow
def test_all_of_a_file_is_written_in_one_transaction(ledger, ids, place, tmp_path, monkeypatch):
    """A fault after the events are made leaves none of them, and the next call writes all."""
    from pipeline.ledger import store

    path = sheet(tmp_path)
    intake(Workspace(place), [path], answers=Answers(kind=KIND, constants={"firm": FIRM}))
    heads = ledger.heads()

    def broken(*_):
        raise RuntimeError("the power went")

    with monkeypatch.context() as patched:
        patched.setattr(store, "move_heads", broken)
        with pytest.raises(RuntimeError, match="power"):
            take_up(Workspace(place), ledger, who="office")
    assert ledger.heads() == heads
    assert all(len(ledger.history(each)) == 1 for each in ids)
    assert take_up(Workspace(place), ledger, who="office").count("reported") == 2


@pytest.mark.slow
def test_both_databases_take_a_file_up_once_and_refuse_alike(any_ledger, place, tmp_path):
    any_ledger.raise_many([raised(f"K{n}") for n in range(4)], **WHO)
    path = sheet(tmp_path)
    assert counts(reported(place, any_ledger, path, firm=FIRM)[0]) == (2, 0, 3)
    heads = any_ledger.heads()
    assert [each.row for each in refusals(Workspace(place), any_ledger)] == [6, 7]
    assert counts(reported(place, any_ledger, path, firm=FIRM)[0]) == (0, 2, 3)
    assert any_ledger.heads() == heads


@pytest.mark.slow
def test_two_that_take_up_the_same_file_write_it_once(ledger, ids, place, tmp_path, monkeypatch):
    """The other writer is done between this one's reading and its writing."""
    from pipeline.ledger import landed_fixes

    path = sheet(tmp_path)
    intake(Workspace(place), [path], answers=Answers(kind=KIND, constants={"firm": FIRM}))
    drafts, meanwhile = landed_fixes._drafts, []

    def slow(*given):
        made = drafts(*given)
        if not meanwhile:
            meanwhile.append("the other")
            assert take_up(Workspace(place), ledger, who="the other").count("reported") == 2
        return made

    monkeypatch.setattr(landed_fixes, "_drafts", slow)
    taken = take_up(Workspace(place), ledger, who="office")
    assert (taken.count("reported"), taken.count("refused")) == (0, 2)
    assert [len(ledger.history(each)) for each in ids] == [2, 2, 1, 1]
    assert ledger.history(ids[0])[-1].who == "the other"


def test_rows_set_aside_by_the_intake_of_before_are_named(ledger, ids):
    import sqlalchemy as sa

    assert left_from_before(ledger) == []
    row = {
        "file_sha256": "0" * 64, "sheet": "", "row": 2, "file_name": "old.csv",
        "recorded_at": "2025-01-01T00:00:00.000000Z", "outcome": "set_aside", "cells": "{}",
        "reasons": "[]",
    }  # fmt: skip
    with ledger.writing() as con:
        con.execute(sa.insert(IMPORTED_ROWS).values(**row))
    assert left_from_before(ledger) == ["old.csv"]
