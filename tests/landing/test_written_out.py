"""Rows written out for correction: no formula for a spreadsheet program, the same on return."""

import csv

import pytest
from openpyxl import Workbook

from pipeline.landing import export_quarantine, intake, list_quarantine

ODD = {
    "=2+3": "=HYPERLINK(1)",
    "note": "-1+cmd|' /C calc'!A0",
    "room": "@SUM(A1)",
    "inspector": "'=already",
    "unit_id": "+49 30",
    "circuit_id": "-5",
}


@pytest.fixture
def written(workspace, tmp_path):
    """The one row of a file, set aside and written out for correction, as rows of cells."""
    path = tmp_path / "=looks.csv"
    with path.open("w", encoding="utf-8", newline="") as handle:
        rows = csv.writer(handle)
        rows.writerow(["building_id", "opening_id", "observed_on", "method", "result", *ODD])
        for number in range(3):
            day = "someday" if number == 2 else "2024-03-01"
            rows.writerow(["B1", f"=O{number}", day, "visual", "correct", *ODD.values()])
    intake(workspace, [path])
    (out,) = export_quarantine(workspace, tmp_path / "out.csv")
    with out.path.open(encoding="utf-8-sig", newline="") as handle:
        return list(csv.reader(handle))


def test_no_cell_is_a_formula(written):
    for row in written:
        for cell in row:
            assert cell == "-5" or not cell.startswith(tuple("=+-@\t\r")), cell


@pytest.mark.slow
@pytest.mark.parametrize("form", ["csv", "xlsx"])
def test_what_comes_back_holds_what_was_there(workspace, tmp_path, written, form):
    before = list_quarantine(workspace)[0].cells
    back = tmp_path / f"back.{form}"
    if form == "csv":
        with back.open("w", encoding="utf-8", newline="") as handle:
            csv.writer(handle).writerows(written)
    else:
        book = Workbook()
        for row in written:
            book.active.append(row)
        book.save(back)
    intake(workspace, [back])
    (still,) = list_quarantine(workspace)
    assert still.sha256 != list_quarantine(workspace, unresolved_only=False)[0].sha256
    assert {name: still.cells[name] for name in before} == before
