"""Bytes in, rows out: every format and encoding, and the mess that people really send."""

import datetime as dt
import io
import json
import zipfile

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from pipeline.landing import intake
from pipeline.landing.answers import Answers
from shared.faults import CoverplateError
from tests.landing.landed import CSV, HEADER, ROWS, TODAY, counts, land, query, reconciles

CELLS = [HEADER.split(","), *(row.split(",") for row in ROWS)]
OBJECTS = [dict(zip(CELLS[0], row, strict=True)) for row in CELLS[1:]]

LOOK = (
    "SELECT building_id, opening_id, observed_on, slots, result, _row "
    "FROM opening_observations_current ORDER BY _row"
)
EXPECTED = [
    ("B007", "001", dt.date(2024, 3, 5), "three_slot", "correct"),
    ("B007", "002", dt.date(2024, 3, 5), "two_slot", "open_ground"),
]


def workbook(sheets):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def parquet(rows):
    out = io.BytesIO()
    pq.write_table(pa.Table.from_pylist(rows), out)
    return out.getvalue()


def zipped(members):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return out.getvalue()


TYPED = [{**row, "observed_on": dt.date(2024, 3, 5)} for row in OBJECTS]

FORMATS = {
    "utf-8": ("a.csv", CSV.encode(), 2),
    "utf-8 with mark": ("a.csv", CSV.encode("utf-8-sig"), 2),
    "utf-16 with mark": ("a.csv", CSV.encode("utf-16"), 2),
    "utf-16 little, no mark": ("a.csv", CSV.encode("utf-16-le"), 2),
    "utf-16 big, no mark": ("a.csv", CSV.encode("utf-16-be"), 2),
    "cr lf": ("a.csv", CSV.replace("\n", "\r\n").encode(), 2),
    "cr only": ("a.csv", CSV.replace("\n", "\r").encode(), 2),
    "no end of last line": ("a.csv", CSV.rstrip("\n").encode(), 2),
    "tabs": ("a.tsv", CSV.replace(",", "\t").encode(), 2),
    "semicolons": ("a.csv", CSV.replace(",", ";").encode(), 2),
    "bars": ("a.txt", CSV.replace(",", "|").encode(), 2),
    "tildes": ("a.dat", CSV.replace(",", "~").encode(), 2),
    "unit separators": ("a.dat", CSV.replace(",", "\x1f").encode(), 2),
    "all quoted": (
        "a.csv",
        "\n".join(",".join(f'"{c}"' for c in row) for row in CELLS).encode(),
        2,
    ),
    "preamble": (
        "a.csv",
        ("Ward inspections\nPrinted 2024-04-01, for the office\n\n" + CSV).encode(),
        5,
    ),
    "blank lines": ("a.csv", CSV.replace(ROWS[0] + "\n", "\n" + ROWS[0] + "\n").encode(), 3),
    "a delimiter at the end of every line": ("a.csv", CSV.replace("\n", ",\n").encode(), 2),
    "padded": ("a.csv", CSV.replace(",", " , ").encode(), 2),
    "shouted": ("a.csv", CSV.upper().encode(), 2),
    "spaces and hyphens in words": (
        "a.csv",
        CSV.replace("three_slot", "Three-slot").replace("open_ground", "Open ground").encode(),
        2,
    ),
    "json list": ("a.json", json.dumps(OBJECTS).encode(), 1),
    "json object with a list": (
        "a.json",
        json.dumps({"made": "2024", "looks": OBJECTS}, indent=2).encode(),
        1,
    ),
    "json lines": ("a.jsonl", "\n".join(map(json.dumps, OBJECTS)).encode(), 1),
    "parquet of texts": ("a.parquet", parquet(OBJECTS), 1),
    "parquet of dates": ("a.parquet", parquet(TYPED), 1),
    "xlsx": ("a.xlsx", workbook({"Sheet1": CELLS}), 2),
    "xlsx second sheet": ("a.xlsx", workbook({"Cover": [["Report"]], "Looks": CELLS}), 2),
    "xlsx with a preamble": ("a.xlsx", workbook({"S": [["Report"], [], *CELLS]}), 4),
    "xlsx with dates": (
        "a.xlsx",
        workbook(
            {"S": [CELLS[0], *([*r[:4], dt.datetime(2024, 3, 5), *r[5:]] for r in CELLS[1:])]}
        ),
        2,
    ),
    "zip": ("a.zip", zipped({"in/a.csv": CSV}), 2),
    "zip in a zip": ("a.zip", zipped({"b.zip": zipped({"a.csv": CSV})}), 2),
}


@pytest.mark.slow
@pytest.mark.parametrize(("name", "content", "first_row"), FORMATS.values(), ids=FORMATS)
def test_every_format_gives_the_same_rows(workspace, inbox, name, content, first_row):
    reports = [r for r in land(workspace, inbox, content, name) if r.record_kind]
    assert [counts(report) for report in reports] == [(2, 2, 0, 0, 0)]
    rows = query(workspace, LOOK)
    assert [row[:-1] for row in rows] == EXPECTED
    assert [row[-1] for row in rows] == [first_row, first_row + 1]


def test_windows_1252_letters_survive(workspace, inbox):
    land(workspace, inbox, CSV.replace("Ada", "Zoë Müller – É\u20ac").encode("cp1252"))
    assert query(workspace, "SELECT DISTINCT inspector FROM opening_observations_current") == [
        ("Zoë Müller – É€",)
    ]


def test_a_folder_is_read_recursively_and_other_files_are_reported(workspace, inbox):
    (inbox / "deep" / "er").mkdir(parents=True)
    (inbox / "deep" / "er" / "a.csv").write_text(CSV)
    (inbox / "photo.png").write_bytes(b"\x89PNG\r\n\x1a\n\0\0")
    reports = intake(workspace, [inbox], today=TODAY)
    assert {(r.path.rsplit("/", 1)[-1], r.record_kind) for r in reports} == {
        ("a.csv", "opening_observations"),
        ("photo.png", None),
    }
    assert [f.kind for r in reports if r.record_kind is None for f in r.findings] == ["not_a_table"]


def test_original_bytes_are_kept_unchanged(workspace, inbox):
    content = CSV.encode("utf-16")
    (report,) = land(workspace, inbox, content)
    assert (workspace.folder(report.sha256) / "original" / "looks.csv").read_bytes() == content


NOTES = HEADER + ",note\n"


def test_quoted_newlines_keep_the_line_numbers_of_the_file(workspace, inbox):
    text = NOTES + ROWS[0] + ',"two\nlines, ""quoted"""\n' + ROWS[1] + ",plain\n"
    (report,) = land(workspace, inbox, text)
    assert counts(report) == (2, 2, 0, 0, 0)
    assert query(workspace, "SELECT _row, note FROM opening_observations_current ORDER BY 1") == [
        (2, 'two\nlines, "quoted"'),
        (4, "plain"),
    ]


@pytest.mark.parametrize("copies", [1, 700])
def test_an_unterminated_quote_costs_its_own_row_only(workspace, inbox, copies):
    good = [ROWS[0].replace(",001,", f",G{n:04},") + ",fine" for n in range(copies)]
    lines = [*good, ROWS[0] + ',"never closed', ROWS[1] + ",after", ROWS[1] + ',"closed"']
    (report,) = land(workspace, inbox, NOTES + "\n".join(lines) + "\n")
    assert counts(report) == (copies + 3, copies + 1, 0, 1, 1)
    ((row, reasons, cells),) = query(workspace, "SELECT row, reasons, cells FROM quarantine")
    assert row == copies + 2
    assert "never closed" in reasons[0]["found"] or "quote" in reasons[0]["found"]
    assert "never closed" in cells


@pytest.mark.parametrize("extra", [1, 5, 12])
@pytest.mark.parametrize("copies", [1, 700])
def test_a_row_with_too_many_cells_is_set_aside_whole(workspace, inbox, extra, copies):
    good = [ROWS[0].replace(",001,", f",G{n:04},") for n in range(copies)]
    long = ROWS[1] + "".join(f",more{n}" for n in range(extra))
    (report,) = land(workspace, inbox, "\n".join([HEADER, *good, long, ROWS[1]]) + "\n")
    assert counts(report) == (copies + 2, copies + 1, 0, 0, 1)
    ((row, cells),) = query(workspace, "SELECT row, cells FROM quarantine")
    assert row == copies + 2
    assert all(f"more{n}" in cells for n in range(extra))


@pytest.mark.parametrize("copies", [1, 700])
def test_a_row_that_ends_early_is_read_and_reported(workspace, inbox, copies):
    header = HEADER + ",note,marking"
    good = [ROWS[0].replace(",001,", f",G{n:04},") + ",x,both" for n in range(copies)]
    (report,) = land(workspace, inbox, "\n".join([header, *good, ROWS[1]]) + "\n")
    assert counts(report) == (copies + 1, copies + 1, 0, 0, 0)
    assert [(f.kind, f.count, f.rows) for f in report.findings] == [
        ("short_rows", 1, (copies + 2,))
    ]


def test_rows_of_empty_cells_are_no_rows(workspace, inbox):
    blank = "," * HEADER.count(",")
    (report,) = land(workspace, inbox, CSV + blank + "\n" + blank + "\n")
    assert counts(report) == (2, 2, 0, 0, 0)


def test_a_repeated_header_is_asked_about(workspace, inbox):
    text = HEADER + ",result\n" + "\n".join(row + ",no_power" for row in ROWS) + "\n"
    with pytest.raises(CoverplateError, match=r"result could be read from 'result'.*'result_2'"):
        land(workspace, inbox, text)
    said = Answers(ignore=("result_2",))
    (report,) = land(workspace, inbox, text, answers=said)
    assert counts(report) == (2, 2, 0, 0, 0)
    assert [f.kind for f in report.findings] == ["duplicate_header", "unread_columns"]
    (manifest,) = workspace.manifests()
    assert manifest.parts[0].unmapped == ("result_2",)
    assert [row[4] for row in query(workspace, LOOK)] == ["correct", "open_ground"]


def test_a_json_line_that_is_no_object_is_set_aside(workspace, inbox):
    text = json.dumps(OBJECTS[0]) + "\n{broken\n[1, 2]\n" + json.dumps(OBJECTS[1]) + "\n"
    (report,) = land(workspace, inbox, text, "a.jsonl")
    assert counts(report) == (4, 2, 0, 0, 2)
    assert [row for (row,) in query(workspace, "SELECT row FROM quarantine ORDER BY row")] == [2, 3]


def test_sheets_are_landed_each_with_its_own_counts(workspace, inbox):
    other = [CELLS[0], ["B009", *CELLS[1][1:]]]
    reports = land(
        workspace, inbox, workbook({"A": CELLS, "B": other, "Notes": [["hi"]]}), "a.xlsx"
    )
    assert [(r.sheet, counts(r)) for r in reports] == [
        ("A", (2, 2, 0, 0, 0)),
        ("B", (1, 1, 0, 0, 0)),
    ]
    assert all(map(reconciles, reports))


def test_two_members_of_the_same_name_are_both_landed(workspace, inbox):
    other = CSV.replace("B007", "B008")
    reports = land(workspace, inbox, zipped({"x/a.csv": CSV, "y/a.csv": other}), "a.zip")
    assert [r.accepted for r in reports] == [2, 2]
    assert [r.path.split("!/")[1] for r in reports] == ["x/a.csv", "y/a.csv"]


@pytest.mark.parametrize(
    ("name", "content", "found"),
    [
        ("a.xlsx", workbook({"S": CELLS})[:-200], "a.xlsx"),
        ("a.json", b'[{"building_id": 1}', "not valid JSON"),
        ("a.json", b'{"a": [{"x": 1}], "b": [{"x": 1}]}', "more than one list"),
        ("a.json", b'{"a": 1,\n "b": 2}', "no list of objects"),
        ("a.parquet", b"PAR1" + b"\0" * 50, "Parquet"),
        ("a.csv", b"alpha,beta\n1,2\n", "not known well enough"),
    ],
)
def test_a_refused_file_says_what_to_do_and_changes_nothing(workspace, inbox, name, content, found):
    with pytest.raises(CoverplateError) as refused:
        land(workspace, inbox, content, name)
    assert found in str(refused.value)
    assert refused.value.to_do
    assert workspace.manifests() == []
    assert list(workspace.scratch.iterdir()) == []


@pytest.mark.slow
def test_errors_and_formulas_without_a_value_are_told(workspace, inbox):
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append([*CELLS[0], "plate_earth_volts"])
    sheet.append([*CELLS[1], "=60+58"])  # written without a value, as programs do
    sheet.append([*CELLS[2], 3])
    sheet["K3"].data_type = "e"
    sheet["K3"].value = "#VALUE!"
    out = io.BytesIO()
    book.save(out)
    (report,) = land(workspace, inbox, out.getvalue(), "a.xlsx")
    told = {finding.kind: finding.count for finding in report.findings}
    assert told["cells_without_value"] == 2
    plain = workbook({"S": CELLS})
    (report,) = land(workspace, inbox, plain, "b.xlsx")
    assert not [f for f in report.findings if f.kind == "cells_without_value"]
