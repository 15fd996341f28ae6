"""A contractor's spreadsheet: every row ends once, nothing is lost, corrections count once."""

import csv

import pytest
from ledger_samples import DAY, WHO, raised
from openpyxl import Workbook

from pipeline.ledger import State, current, open_ledger
from pipeline.ledger.archive import back_up
from pipeline.ledger.fix_reports import export_set_aside, import_fix_reports, rows_set_aside
from pipeline.ledger.incoming import restore
from shared.faults import CoverplateError


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


def columns(frame, *names):
    return frame[list(names)].to_dict(orient="records")


def test_rows_are_reported_or_set_aside_with_every_reason(ledger, ids, tmp_path):
    path = tmp_path / "march.csv"
    path.write_text(SHEET, encoding="cp1252")
    (report,) = import_fix_reports(ledger, path, who="office", firm="Pellworth Electric")
    told = report.as_json()
    assert (told["rows_read"], told["reported"], told["duplicate"], told["set_aside"]) == (
        5, 2, 0, 3,
    )  # fmt: skip
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
    assert [each["column"] for each in reasons[8]] == ["remedy", "markings", "fixed_on", "cost"]
    assert ledger.history(ids[0])[-1].origin == "import"


def test_the_same_file_again_changes_nothing(ledger, ids, tmp_path):
    path = tmp_path / "march.csv"
    path.write_text(SHEET, encoding="utf-8")
    import_fix_reports(ledger, path, who="office", firm="Pellworth Electric")
    heads = ledger.heads()
    (again,) = import_fix_reports(ledger, path, who="office", firm="Pellworth Electric")
    assert (again.count("reported"), again.count("duplicate"), again.count("set_aside")) == (
        0,
        2,
        3,
    )
    assert ledger.heads() == heads
    assert len(rows_set_aside(ledger)) == 3


def test_corrected_rows_count_once_and_leave_the_list(ledger, ids, tmp_path):
    path, out = tmp_path / "march.csv", tmp_path / "to_correct.csv"
    path.write_text(SHEET, encoding="utf-8")
    import_fix_reports(ledger, path, who="office", firm="Pellworth Electric")
    assert export_set_aside(ledger, out) == 3
    with out.open(encoding="utf-8-sig", newline="") as handle:
        rows = list(csv.DictReader(handle))
    assert rows[0]["What was done"] == "replaced receptacle"
    assert "still false ground" in rows[0]["coverplate_reasons"]
    rows[0]["What was done"] = "two prong again"
    with out.open("w", encoding="utf-8", newline="") as handle:
        writer = csv.DictWriter(handle, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    (report,) = import_fix_reports(ledger, out, who="office", firm="Pellworth Electric")
    assert (report.count("reported"), report.count("set_aside")) == (1, 2)
    left = rows_set_aside(ledger)
    originals = [row for row in left if row["source"].startswith("march.csv")]
    assert [row["row"] for row in originals] == [7, 8]
    assert ledger.finding(ids[2]).fix.remedy == "two_slot_again"


def test_nothing_written_out_is_a_formula_and_it_reads_back_to_the_same(ledger, ids, tmp_path):
    odd = {"=2+3": "=HYPERLINK(1)", "note": "-1+1|x", "licence": "'@x"}
    path = tmp_path / "=march.csv"
    with path.open("w", encoding="utf-8", newline="") as handle:
        rows = csv.writer(handle)
        rows.writerow(["building_id", "unit_id", "opening_id", "remedy", "fixed_on", *odd])
        rows.writerow(["B1", "2A", "K1", "magic", "2025-03-18", *odd.values()])
    import_fix_reports(ledger, path, who="office", firm="Pellworth Electric")
    before = rows_set_aside(ledger)[0]["cells"]
    out = tmp_path / "out.csv"
    export_set_aside(ledger, out)
    with out.open(encoding="utf-8-sig", newline="") as handle:
        written = list(csv.reader(handle))
    assert not [cell for row in written for cell in row if cell[:1] in tuple("=+-@\t\r") and cell]
    import_fix_reports(ledger, out, who="office", firm="Pellworth Electric")
    again = rows_set_aside(ledger)[-1]["cells"]
    assert {name: again[name] for name in before} == before


def test_a_workbook_that_names_findings(ledger, ids, tmp_path):
    book = Workbook()
    sheet = book.active
    sheet.append(["Our reference", "Remedy", "Fixed", "Contractor", "Permit no"])
    sheet.append([ids[0], "circuit rewired with an equipment grounding conductor", DAY, "Oddy", 17])
    sheet.append(["F-unknown", "circuit_rewired", DAY, "Oddy", None])
    book.save(tmp_path / "report.xlsx")
    (report,) = import_fix_reports(ledger, tmp_path / "report.xlsx", who="office")
    assert [row.outcome for row in report.rows] == ["reported", "set_aside"]
    fix = ledger.finding(ids[0]).fix
    assert (fix.firm, fix.permit, fix.fixed_on) == ("Oddy", "17", DAY)
    assert ledger.finding(ids[0]).state is State.FIX_REPORTED_UNPROVEN


def test_an_opening_with_two_defects_needs_the_family(ledger, ids, tmp_path):
    ledger.raise_finding(raised("K0", "hot_on_ground", "hot_on_ground"), **WHO)
    path = tmp_path / "a.csv"
    head = "building_id,unit_id,opening_id,family,remedy,fixed_on,firm\n"
    path.write_text(f"{head}B1,2A,K0,,circuit_rewired,2025-03-20,Oddy\n")
    (report,) = import_fix_reports(ledger, path, who="office")
    assert report.rows[0].reasons[0].column == "family"
    path.write_text(f"{head}B1,2A,K0,hot on ground,circuit_rewired,2025-03-20,Oddy\n")
    (report,) = import_fix_reports(ledger, path, who="office")
    assert report.rows[0].outcome == "reported"


def test_dates_that_can_be_read_two_ways_are_asked_about(ledger, ids, tmp_path):
    path = tmp_path / "a.csv"
    head = "building_id,unit_id,opening_id,remedy,fixed_on,firm\n"
    path.write_text(f"{head}B1,2A,K0,circuit_rewired,04/05/2025,Oddy\n")
    with pytest.raises(CoverplateError, match="two ways"):
        import_fix_reports(ledger, path, who="office")
    (report,) = import_fix_reports(ledger, path, who="office", date_order="mdy")
    assert ledger.finding(ids[0]).fix.fixed_on.isoformat() == "2025-04-05"
    assert report.count("reported") == 1


def test_a_file_without_the_columns_is_refused(ledger, tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("a,b\n1,2\n3,4\n")
    with pytest.raises(CoverplateError, match="no column for remedy, fixed_on"):
        import_fix_reports(ledger, path, who="office")


def test_rows_set_aside_survive_a_back_up(any_ledger, tmp_path):
    any_ledger.raise_many([raised(f"K{n}") for n in range(4)], **WHO)
    path = tmp_path / "march.csv"
    path.write_text(SHEET, encoding="utf-8")
    import_fix_reports(any_ledger, path, who="office", firm="Pellworth Electric")
    back_up(any_ledger, tmp_path / "copy")
    other = open_ledger(tmp_path / "other.sqlite")
    assert restore(other, tmp_path / "copy", who="Ann").written == 6
    assert rows_set_aside(other) == rows_set_aside(any_ledger)
    assert len(rows_set_aside(other)) == 3
